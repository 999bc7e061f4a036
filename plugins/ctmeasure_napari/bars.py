"""The bars around the pictures: plane choosers above them, cautions and the few buttons below."""

from __future__ import annotations

from collections.abc import Callable, Iterable
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
    QWidget,
)

from ctmeasure.case.store import save_case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.cautions import CAUTIONS, SHORT_CAUTION

from .convert import EchoGuard
from .keeper import Keeper
from .panes import FREE, SLABS
from .style import named
from .workbench import Workbench
from .worker import Recompute

RESIZE_MS = 80
"""The layout settles within this time after something was shown or hidden."""
BAR_PX = 38
CURVED = "curved"
"""Key of the pictures along the nerve, which have a window of their own."""


class Soon:
    """Runs the newest of several requests once, a moment later: quick scrolling then draws the other panes once.

    Parameters
    ----------
    parent
        Owns the timer.
    delay_ms
        How long a moment is.
    """

    DELAY_MS = 40

    def __init__(self, parent: QWidget, delay_ms: int = DELAY_MS) -> None:
        self._act: Callable[[], None] | None = None
        self._timer = QTimer(parent)
        self._timer.setSingleShot(True)
        self._timer.setInterval(delay_ms)
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
        self.setMinimumContentsLength(10)
        self.activated.connect(self._chosen)
        workbench.listen(self.show_case)
        self.show_case()

    def _chosen(self, index: int) -> None:
        key = self.itemData(index)
        if not self._guard.busy and key in self._workbench.choices:
            self._workbench.choose_plane(self._number, key)
        elif not self._guard.busy and key == CURVED:
            self._workbench.curved()
            self.show_case()

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
                self.addItem("free, turned by hand", FREE)
                self.setItemData(self.count() - 1, "Alt and arrow keys turn the plane", Qt.ItemDataRole.ToolTipRole)
                if not self._number:
                    self.addItem("curved, along the nerve", CURVED)
            keys = [*choices, FREE]
            self.setCurrentIndex(keys.index(self._workbench.panes[self._number].key))


class TopBar(QWidget):
    """Above the large pane: its plane, where that is, the grey window, the slab, names, fit.

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
        row.setContentsMargins(6, 2, 6, 2)
        row.setSpacing(4)
        self.planes = PlaneChooser(workbench, 0)
        self.planes.setToolTip("Plane of the large picture")
        row.addWidget(self.planes, 1)
        self.position = QLabel()
        self.position.setMinimumWidth(132)
        self.position.setToolTip("How far the plane was moved along its normal. Wheel or Page keys move it.")
        row.addWidget(self.position)
        self.windows = self._chooser(row, workbench.windows, workbench.choose_window, "Grey window")
        self.slabs = self._chooser(row, SLABS, workbench.choose_slab, "How thick the planes are")
        self.names = QCheckBox("Names")
        self.names.setToolTip("Name every cross, not only the one in hand")
        self.names.toggled.connect(workbench.show_names)
        row.addWidget(self.names)
        self.fit = QPushButton("Fit")
        self.fit.setToolTip("Show the whole picture (F). Control and wheel zoom.")
        self.fit.clicked.connect(lambda _=False: workbench.fit_all())
        row.addWidget(self.fit)
        workbench.listen(self.show_case)
        self.show_case()

    def _chooser(self, row: QHBoxLayout, names: Iterable[str], choose: Callable[[str], None], tip: str) -> QComboBox:
        box = QComboBox()
        box.setToolTip(tip)
        box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        box.setMinimumContentsLength(8)
        box.addItems(list(names))
        box.activated.connect(lambda i: choose(box.itemText(i)))
        row.addWidget(box)
        return box

    def set_large(self, large: bool) -> None:
        """With large type the words that can be had elsewhere give way."""
        for widget in (self.position, self.names):
            widget.setVisible(not large)
        for box in (self.planes, self.windows, self.slabs):
            box.setMinimumContentsLength(5 if large else 8)

    def show_case(self) -> None:
        """Bring the position and the switches up to date."""
        self.names.blockSignals(True)
        self.names.setChecked(self._workbench.names)
        self.names.blockSignals(False)
        self.position.setText(self._workbench.position_words(0))
        if self.windows.findText(self._workbench.window_name) < 0:
            self.windows.addItem(self._workbench.window_name)
        self.windows.setCurrentIndex(self.windows.findText(self._workbench.window_name))
        self.slabs.setCurrentIndex(self.slabs.findText(self._workbench.slab))


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
    keeper
        Told what was saved; None keeps nothing.
    """

    def __init__(
        self, workbench: Workbench, recompute: Recompute, path: Path | None = None, keeper: Keeper | None = None
    ) -> None:
        super().__init__()
        self._workbench, self._recompute, self._path, self._keeper = workbench, recompute, path, keeper
        self._saved: Any = None
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 2, 6, 2)
        row.setSpacing(4)
        caution = named(QLabel(SHORT_CAUTION), "caution")
        caution.setToolTip("\n".join(CAUTIONS))
        caution.setWordWrap(True)  # on a projector the type is large: two lines then
        self.setMaximumHeight(BAR_PX)
        row.addWidget(caution, 1)
        self.kept = named(QLabel(), "hint")
        row.addWidget(self.kept)
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

    def set_large(self, large: bool) -> None:
        """Room for two lines of large type."""
        self.setMaximumHeight(BAR_PX * (2 if large else 1))

    def _button(self, words: str, action: Callable[[], object]) -> QPushButton:
        button = QPushButton(words)
        button.clicked.connect(lambda _=False: action())
        return button

    def show_case(self) -> None:
        """Bring the buttons up to date."""
        session, case = self._workbench.session, self._workbench.case
        kept = self._keeper.words if self._keeper is not None else ""
        self.kept.setText(kept)
        self.kept.setVisible(bool(kept))
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

    def save_as(self) -> None:
        """Save the case in another place, and from then on there."""
        path = self._ask()
        if path is not None:
            self._save(path)

    def save_case(self) -> None:
        """Save the case; the first time, and when this window may not change it, ask where."""
        path = None if self._workbench.session.read_only else self._path
        path = path or self._ask()
        if path is not None:
            self._save(path)

    def _save(self, path: Path) -> None:
        path = path / "case.json" if path.is_dir() else path
        try:
            save_case(self._workbench.case, path)
        except CtmeasureError as error:
            self._workbench.say(str(error))
            return
        if self._keeper is not None:
            self._keeper.saved(path)
        self._path, self._saved = path, self._workbench.case
        self.save.setText(f"Saved {datetime.now():%H:%M}")

    def _ask(self) -> Path | None:
        chosen, _ = QFileDialog.getSaveFileName(self, "Save the case", "case.json", "Case (*.json)")
        return Path(chosen) if chosen else None
