"""The left panel and the lower bar of practice: what is asked, what is in hand, the chosen length, time, hand in."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QDoubleSpinBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QMessageBox,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.practice.attempts import minutes
from ctmeasure.app.practice.sitting import Sitting
from ctmeasure.case.answers import QUESTIONS
from ctmeasure.planning.cautions import CAUTIONS, SHORT_CAUTION
from ctmeasure.report.figures.slices import side_words

from .checklist import Row, item_of, rows_of
from .hand_view import HandBox, ItemList, text_label
from .one_line import OneLine
from .panel import WIDTH_PX
from .style import named
from .workbench import Workbench

NO_LENGTH = "none chosen"
LENGTH_STEP_MM, LENGTH_MOST_MM = 0.25, 12.0
BAR_PX = 38


class PracticePanel(QWidget):
    """What a task asks for, as the planning window lists it, without any answer.

    Parameters
    ----------
    workbench, sitting
        What to show and whom to ask.
    """

    def __init__(self, workbench: Workbench, sitting: Sitting) -> None:
        super().__init__()
        self._workbench, self._sitting = workbench, sitting
        self.length_chosen: Callable[[float | None], object] = lambda _length: None
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setFixedWidth(WIDTH_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(12, 4, 8, 4)
        column.setSpacing(2)
        self.side = named(QLabel(side_words(workbench.case.side)), "side")
        column.addWidget(self.side)
        self.task = text_label("hint")
        level = f", {sitting.task.level}" if sitting.task.level else ""
        self.task.setText(f"practice: {sitting.opened.name}, task {sitting.record.task}{level}")
        column.addWidget(self.task)
        self.state = named(OneLine(), "state")
        column.addWidget(self.state)
        self.asked = text_label("answer")
        column.addWidget(self.asked)
        column.addWidget(named(QFrame(), "rule"))
        self.list, self.hand = ItemList(workbench), HandBox(workbench)
        column.addWidget(self.list, 1)
        self.length = QDoubleSpinBox()
        column.addWidget(self._length_row())
        column.addWidget(self.hand)
        workbench.listen(self.show_case)
        self.show_case()

    def _length_row(self) -> QWidget:
        """The length that is chosen; nought stands for none."""
        holder = QWidget()
        row = QHBoxLayout(holder)
        row.setContentsMargins(0, 2, 0, 2)
        row.addWidget(QLabel("Length you choose, mm"), 1)
        self.length.setRange(0.0, LENGTH_MOST_MM)
        self.length.setSingleStep(LENGTH_STEP_MM)
        self.length.setSpecialValueText(NO_LENGTH)
        self.length.setValue(self._sitting.state.length_mm or 0.0)
        self.length.setKeyboardTracking(False)
        self.length.valueChanged.connect(lambda value: self.length_chosen(value or None))
        row.addWidget(self.length)
        holder.setVisible(self._sitting.task.length)
        return holder

    def rows(self) -> tuple[Row, ...]:
        """The rows that are asked for, in the order of the five questions."""
        bench, asked = self._workbench, self._sitting.asked
        listed = (
            row for question in range(1, len(QUESTIONS) + 1) for row in rows_of(bench.case, bench.scene, question)
        )
        return tuple(row for row in listed if row.item.id in asked)

    def show_case(self) -> None:
        """Bring every word up to date."""
        words = self._workbench.message or self._workbench.session.read_only
        self.state.show_words(words, words)
        left = len(self._sitting.missing())
        self.asked.setText(f"{left} of {len(self._sitting.asked)} things still to say something about" if left
                           else "Something was said about everything that is asked.")  # fmt: skip
        self.list.show_rows(self.rows())
        self.hand.show_hand()


class HandInBar(QWidget):
    """Cautions, time, what is kept, undo, redo, hand in.

    Parameters
    ----------
    workbench, sitting
        What to show and whom to ask.
    """

    def __init__(self, workbench: Workbench, sitting: Sitting) -> None:
        super().__init__()
        self._workbench, self._sitting = workbench, sitting
        self.act: Callable[[], object] = lambda: None
        self._stopped = ""
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setMaximumHeight(BAR_PX)
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 2, 6, 2)
        row.setSpacing(4)
        caution = named(QLabel(SHORT_CAUTION), "caution")
        caution.setToolTip("\n".join(CAUTIONS))
        caution.setWordWrap(True)
        row.addWidget(caution, 1)
        self.time = named(QLabel(), "hint")
        self.time.setToolTip("Time at the task; a pause of ten minutes or more is left out of the stored time")
        row.addWidget(self.time)
        self.undo = self._button(row, "Undo", workbench.undo)
        self.redo = self._button(row, "Redo", workbench.redo)
        self.hand = self._button(row, "Hand in", self._asked)
        self.hand.setToolTip("Once; then the reference is opened and what would have followed is shown")
        named(self.hand, "asked")
        workbench.listen(self.show_case)
        self.show_case()
        self.show_time()

    def _button(self, row: QHBoxLayout, words: str, act: Callable[[], object]) -> QPushButton:
        button = QPushButton(words)
        button.clicked.connect(lambda _=False: act())
        row.addWidget(button)
        return button

    def _asked(self) -> None:
        """Handing in is for good, so it is asked once; looking at the feedback again is not."""
        if self._workbench.session.read_only or self.confirmed(self.question()):
            self.act()

    def confirmed(self, words: str) -> bool:
        """Whether the person means it."""
        answer = QMessageBox.question(self, "Hand in", words)
        return bool(answer == QMessageBox.StandardButton.Yes)

    def question(self) -> str:
        """What is asked before handing in: what nobody has said anything about counts as not answered."""
        left = self._sitting.missing()
        labels = ", ".join(item_of(name).label for name in left[:4]) + (", ..." if len(left) > 4 else "")
        lead = f"{len(left)} not answered ({labels}). " if left else ""
        return f"{lead}Hand in? It can be done once; afterwards nothing can be changed."

    def show_case(self) -> None:
        """Bring the buttons up to date."""
        session = self._workbench.session
        for button, words in ((self.undo, session.undo_words), (self.redo, session.redo_words)):
            button.setEnabled(bool(words) and not session.read_only)
            button.setToolTip(words or "nothing")

    def show_time(self) -> None:
        """Bring the time up to date, and say what is not on the disk."""
        kept = "not kept yet" if self._sitting.pending else "kept"
        self.time.setText(self._stopped or f"{minutes(self._sitting.active_s)}, {kept}")

    def handed_in(self, *, scored: bool) -> None:
        """From now on the button shows the feedback, or scores what was not scored yet."""
        self._stopped = "handed in"
        self.hand.setText("Feedback" if scored else "Score")
        self.hand.setToolTip("What the attempt would have led to")
        self.show_time()
        self.show_case()
