"""The bars around the pictures: plane choosers above them, cautions and the few buttons below."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.case.store import save_case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.cautions import CAUTIONS, SHORT_CAUTION

from .convert import EchoGuard
from .style import named
from .workbench import Workbench
from .worker import Recompute

STRIP_PX = 290


class Soon:
    """Runs the newest of several requests once, a moment later: quick scrolling then draws the other panes once.

    Parameters
    ----------
    parent
        Owns the timer.
    """

    DELAY_MS = 40

    def __init__(self, parent: QWidget) -> None:
        self._act: Callable[[], None] | None = None
        self._timer = QTimer(parent)
        self._timer.setSingleShot(True)
        self._timer.setInterval(self.DELAY_MS)
        self._timer.timeout.connect(self._run)

    def __call__(self, act: Callable[[], None]) -> None:
        """Run this soon, instead of what was asked before."""
        self._act = act
        self._timer.start()

    def stop(self) -> None:
        """Forget what is waiting."""
        self._timer.stop()

    def _run(self) -> None:
        if self._act is not None:
            self._act()


class PlaneChooser(QComboBox):
    """Chooses the plane of one pane; a plane that something is missing for is greyed and says what.

    Parameters
    ----------
    workbench
        Whom to ask.
    number
        Which pane: 0 is the large one.
    """

    def __init__(self, workbench: Workbench, number: int) -> None:
        super().__init__()
        self._workbench = workbench
        self._number = number
        self._guard = EchoGuard()
        self._built: tuple[Any, ...] = ()
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(12)
        self.activated.connect(self._chosen)
        workbench.listen(self.show_case)
        self.show_case()

    def _chosen(self, index: int) -> None:
        if not self._guard.busy:
            self._workbench.choose_plane(self._number, self.itemData(index))

    def show_case(self) -> None:
        """Bring the list and the current plane up to date."""
        choices = self._workbench.choices
        built = tuple((key, choice.words, choice.missing) for key, choice in choices.items())
        with self._guard.writing():
            if built != self._built:
                self._built = built
                self.clear()
                for key, choice in choices.items():
                    self.addItem(choice.words, key)
                    if choice.plane is None:
                        item = self.model().item(self.count() - 1)
                        item.setEnabled(False)
                        item.setToolTip(f"missing: {choice.missing}")
            self.setCurrentIndex(list(choices).index(self._workbench.panes[self._number].key))


class TopBar(QWidget):
    """Above the large pane: its plane, where that is, the grey window, names, fit.

    Parameters
    ----------
    workbench
        Whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(8, 4, 8, 4)
        row.addWidget(QLabel("Plane"))
        self.planes = PlaneChooser(workbench, 0)
        row.addWidget(self.planes, 1)
        self.position = QLabel()
        self.position.setMinimumWidth(104)
        self.position.setToolTip("How far the plane was moved along its normal. Wheel or Page keys move it.")
        row.addWidget(self.position)
        self.windows = QComboBox()
        self.windows.setToolTip("Grey window")
        self.windows.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.windows.setMinimumContentsLength(9)
        self.windows.addItems(list(workbench.windows))
        self.windows.activated.connect(lambda i: workbench.choose_window(self.windows.itemText(i)))
        row.addWidget(self.windows)
        self.names = QCheckBox("Names")
        self.names.setToolTip("Name every cross, not only the one in hand")
        self.names.toggled.connect(workbench.show_names)
        row.addWidget(self.names)
        self.fit = QPushButton("Fit")
        self.fit.setToolTip("Show the whole picture. Control and wheel zoom.")
        self.fit.clicked.connect(lambda _=False: workbench.fit_all())
        row.addWidget(self.fit)
        workbench.listen(self.show_case)
        self.show_case()

    def show_case(self) -> None:
        """Bring the position and the switch up to date."""
        self.names.blockSignals(True)
        self.names.setChecked(self._workbench.names)
        self.names.blockSignals(False)
        self.position.setText(self._workbench.position_words(0))


class SideStrip(QWidget):
    """The two planes beside the large one, each under its chooser.

    Parameters
    ----------
    workbench
        Whom to ask.
    canvases
        Their canvases as widgets.
    """

    def __init__(self, workbench: Workbench, canvases: tuple[QWidget, QWidget]) -> None:
        super().__init__()
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setFixedWidth(STRIP_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(4, 4, 4, 0)
        column.setSpacing(4)
        self.planes = []
        for number, canvas in enumerate(canvases, start=1):
            row = QHBoxLayout()
            chooser = PlaneChooser(workbench, number)
            row.addWidget(chooser, 1)
            swap = QPushButton("Enlarge")
            swap.setToolTip("Exchange with the large picture; so does a double click")
            swap.clicked.connect(lambda _=False, number=number: workbench.swap(number))
            row.addWidget(swap)
            column.addLayout(row)
            canvas.setMinimumSize(100, 100)
            column.addWidget(canvas, 1)
            self.planes.append(chooser)


class BottomBar(QWidget):
    """Cautions in one line, undo, redo, recompute with progress and cancel, save.

    Parameters
    ----------
    workbench
        Whom to ask.
    recompute
        Computes in a thread.
    path
        Where the case is saved; asked for when None.
    """

    def __init__(self, workbench: Workbench, recompute: Recompute, path: Path | None = None) -> None:
        super().__init__()
        self._workbench, self._recompute, self._path = workbench, recompute, path
        self._saved: Any = None
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(14, 5, 8, 6)
        caution = named(QLabel(SHORT_CAUTION), "caution")
        caution.setToolTip("\n".join(CAUTIONS))
        row.addWidget(caution, 1)
        self.undo = self._button("Undo", workbench.undo)
        self.redo = self._button("Redo", workbench.redo)
        self.compute = self._button("Recompute", self.start)
        self.compute.setToolTip("Compute all answers from the points as they stand")
        self.progress = QProgressBar()
        self.progress.setRange(0, 100)
        self.cancel = self._button("Cancel", recompute.cancel)
        self.save = self._button("Save", self.save_case)
        running = QWidget()
        inner = QHBoxLayout(running)
        inner.setContentsMargins(0, 0, 0, 0)
        inner.addWidget(self.progress, 1)
        inner.addWidget(self.cancel)
        self.work = QStackedWidget()
        self.work.addWidget(self.compute)
        self.work.addWidget(running)
        self.work.setFixedWidth(190)
        for widget in (self.undo, self.redo, self.work, self.save):
            row.addWidget(widget)
        recompute.progressed.connect(self._progressed)
        recompute.ended.connect(self._ended)
        workbench.listen(self.show_case)
        self.show_case()

    def _button(self, words: str, action: Callable[[], object]) -> QPushButton:
        button = QPushButton(words)
        button.clicked.connect(lambda _=False: action())
        return button

    def show_case(self) -> None:
        """Bring the buttons up to date."""
        session, case = self._workbench.session, self._workbench.case
        for button, words in ((self.undo, session.undo_words), (self.redo, session.redo_words)):
            button.setEnabled(bool(words))
            button.setToolTip(words or "nothing")
        running = self._recompute.running
        self.work.setCurrentIndex(1 if running else 0)
        wanted = "asked" if case.results is None else "quiet"
        if self.compute.objectName() != wanted:
            self.compute.setObjectName(wanted)
            self.compute.style().unpolish(self.compute)
            self.compute.style().polish(self.compute)
        if self._saved is not None and case is not self._saved:
            self._saved = None
            self.save.setText("Save")

    def start(self) -> None:
        """Compute, and show the progress."""
        self._recompute.start()
        self.show_case()

    def _progressed(self, text: str, fraction: float) -> None:
        self.progress.setValue(round(100 * fraction))
        self._workbench.say(f"Computing: {text}.")

    def _ended(self, message: str) -> None:
        self.progress.reset()
        self._workbench.say(message)

    def save_case(self) -> None:
        """Save the case; the first time, ask where."""
        path = self._path or self._ask()
        if path is None:
            return
        try:
            save_case(self._workbench.case, path)
        except CtmeasureError as error:
            self._workbench.say(str(error))
            return
        self._path, self._saved = path, self._workbench.case
        self.save.setText(f"Saved {datetime.now():%H:%M}")

    def _ask(self) -> Path | None:
        chosen, _ = QFileDialog.getSaveFileName(self, "Save the case", "case.json", "Case (*.json)")
        return Path(chosen) if chosen else None
