"""The left panel: side, the five questions with their answers, the list under the open one, and what is in hand."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from qtpy.QtCore import Qt
from qtpy.QtGui import QMouseEvent
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.live import LiveNumber, live_numbers
from ctmeasure.case.answers import QUESTIONS
from ctmeasure.report.figures.slices import side_words

from .checklist import rows_of
from .hand_view import HandBox, ItemList, as_text, text_label
from .one_line import OneLine
from .style import named
from .texts import MISSING_WORDS, brief_texts, question_texts, scan_words, state_words
from .workbench import Workbench

WIDTH_PX = 352
LARGE_SHARE = 1.8
COMPUTING = "being computed"


class QuestionsPanel(QWidget):
    """Shows the case in words; everything it does goes through the workbench.

    Parameters
    ----------
    workbench
        What to show and whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self.computing = False
        self.opened = 2
        self._live_of: object = None
        self._live: tuple[LiveNumber, ...] = ()
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setFixedWidth(WIDTH_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(12, 4, 8, 4)
        column.setSpacing(1)
        self.side = named(QLabel(), "side")
        self.scan = text_label("hint")
        self.scan.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        head = QHBoxLayout()
        head.addWidget(self.side)
        head.addWidget(self.scan, 1)
        column.addLayout(head)
        self.state = named(OneLine(), "state")
        column.addWidget(self.state)
        self.questions: list[tuple[QPushButton, Answer]] = []
        for number, words in enumerate(QUESTIONS, start=1):
            button = named(QPushButton(), "head")
            button.setToolTip(f"{words} Click: what is placed for it, and the whole answer")
            button.clicked.connect(partial(self._open, number))
            answer = Answer()
            column.addWidget(button)
            column.addWidget(answer)
            self.questions.append((button, answer))
        column.addWidget(named(QFrame(), "rule"))
        self.list, self.hand = ItemList(workbench), HandBox(workbench)
        column.addWidget(self.list, 1)
        column.addWidget(self.hand)
        workbench.listen(self.show_case)
        self.show_case()

    def _open(self, number: int) -> None:
        self.opened = number
        self.show_case()

    def set_large(self, large: bool) -> None:
        """Make room for type twice as large."""
        self.setFixedWidth(int(WIDTH_PX * (LARGE_SHARE if large else 1.0)))
        self.hand.set_large(large)
        self.list.setVisible(not large)

    # showing ---------------------------------------------------------------------------------------------------------

    def show_case(self) -> None:
        """Bring every word up to date."""
        workbench, case = self._workbench, self._workbench.case
        self.side.setText(side_words(case.side))
        scan, whole = scan_words(case)
        self.scan.setText(scan)
        self.scan.setToolTip(whole)
        state = state_words(case, changed=workbench.changed)
        if case.results is None and self.computing:
            state = "Being computed from the points as they stand."
        said = workbench.message or workbench.session.read_only or state
        self.state.show_words(said, said)
        stale = "false" if case.results is not None and not workbench.message else "true"
        if self.state.property("stale") != stale:
            self.state.setProperty("stale", stale)
            self.state.style().unpolish(self.state)
            self.state.style().polish(self.state)
        self._show_answers()
        self.list.show_rows(rows_of(case, workbench.scene, self.opened))
        self.hand.show_hand()
        self._lay_out()

    def _show_answers(self) -> None:
        workbench, case = self._workbench, self._workbench.case
        shown = workbench.dragging or case
        state = COMPUTING if self.computing else state_words(case, changed=workbench.changed).lower().rstrip(".")
        if shown.results is None and shown is not self._live_of:
            self._live_of, self._live = shown, live_numbers(shown, workbench.volume.geometry)
        briefs = brief_texts(shown, self._live, state=state)
        wholes = question_texts(case, changed=workbench.changed)
        for number, ((button, answer), brief, whole) in enumerate(zip(self.questions, briefs, wholes, strict=True), 1):
            mark = "\N{BLACK DOWN-POINTING SMALL TRIANGLE}" if number == self.opened else ""
            button.setText(f"{number}  {whole.question} {mark}")
            count = len(whole.all_missing.splitlines())
            left_out = f". {MISSING_WORDS.get(number, 'missing').capitalize()}: {count}" if count else ""
            if answer.text() != brief.rstrip(".") + left_out:
                answer.setText(brief.rstrip(".") + left_out)
                answer.updateGeometry()
            tip = "\n".join(t for t in (whole.answer, whole.missing and f"{whole.missing}") if t)
            answer.setToolTip(tip.replace(". ", ".\n"))

    def _lay_out(self) -> None:
        """Answers changed their number of lines: make room at once, not at the next resize."""
        layout = self.layout()
        layout.invalidate()
        layout.activate()


class Answer(QLabel):
    """An answer that shows what it was computed from when it is clicked."""

    def __init__(self) -> None:
        super().__init__()
        as_text(self, "answer")
        self._act: Callable[[], object] = lambda: None

    def when_clicked(self, act: Callable[[], object]) -> None:
        """What a click does."""
        self._act = act
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Show it."""
        self._act()
