"""The left panel: side, the five questions with their answers, the list under the open one, and what is in hand."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from qtpy.QtCore import Qt
from qtpy.QtGui import QMouseEvent
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QSizePolicy,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.live import LiveNumber, live_numbers
from ctmeasure.case.answers import QUESTIONS
from ctmeasure.report.figures.slices import side_words

from . import acts
from .checklist import NOT_ENTERED, item_of, rows_of
from .convert import EchoGuard
from .drawing_view import Drawing
from .one_line import OneLine
from .style import named
from .texts import MISSING_WORDS, brief_texts, question_texts, scan_words, state_words
from .workbench import Workbench

WIDTH_PX = 352
LARGE_SHARE = 1.5
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
        self._guard = EchoGuard()
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
        self.scan = _text("hint")
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
        self.list = self._list()
        column.addWidget(self.list, 1)
        column.addWidget(self._hand())
        workbench.listen(self.show_case)
        self.show_case()

    def _list(self) -> QTreeWidget:
        tree = QTreeWidget()
        tree.setHeaderLabels(["place", "state", "mm"])
        tree.headerItem().setToolTip(2, "doubt: standard uncertainty an axis")
        tree.setRootIsDecorated(False)
        tree.setUniformRowHeights(True)
        tree.setMinimumHeight(44)
        header = tree.header()
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        header.setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(2, QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(False)
        tree.setHeaderHidden(True)
        tree.itemClicked.connect(lambda row, _column: self._workbench.start_placing(row.data(0, 256)))
        return tree

    def _hand(self) -> QWidget:
        """What is in hand: its drawing, its sentence, and what can be said about it."""
        box = QWidget()
        column = QVBoxLayout(box)
        column.setContentsMargins(0, 3, 0, 0)
        column.setSpacing(3)
        row = QHBoxLayout()
        self.drawing = Drawing()
        row.addWidget(self.drawing)
        words = QVBoxLayout()
        self.name = named(QLabel(), "question")
        self.name.setWordWrap(True)
        self.sentence = _text("answer")
        self.sentence.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.sentence.setMinimumHeight(30)
        self.sentence.setMaximumHeight(self.drawing.height() - 22)
        words.addWidget(self.name)
        words.addWidget(self.sentence, 1)
        row.addLayout(words, 1)
        column.addLayout(row)
        self.point = named(OneLine(), "hint")
        column.addWidget(self.point)
        buttons = QHBoxLayout()
        buttons.setSpacing(3)
        bench = self._workbench
        self.next = self._button(buttons, "Next", bench.place_next, "The next thing nobody has said anything about (N)")
        self.again = self._button(buttons, "Again", self._place_again, "Place it once more: repeats give its doubt")
        self.absent = self._button(buttons, "Absent", lambda: bench.set_status("absent"), "It is not there (A)")
        self.unseen = self._button(
            buttons, "Not seen", lambda: bench.set_status("not_seen"), "It may be there, the scan does not show it (U)"
        )
        self.remove = self._button(buttons, "Clear", lambda: acts.remove(bench), "As if nobody had said anything")
        column.addLayout(buttons)
        return box

    def _button(self, row: QHBoxLayout, words: str, act: object, tip: str) -> QPushButton:
        button = QPushButton(words)
        button.setToolTip(tip)
        button.setStyleSheet("padding: 3px 6px;")
        button.clicked.connect(lambda _=False: act())  # type: ignore[operator]
        row.addWidget(button)
        return button

    def _open(self, number: int) -> None:
        self.opened = number
        self.show_case()

    def set_large(self, large: bool) -> None:
        """Make room for type twice as large."""
        self.setFixedWidth(int(WIDTH_PX * (LARGE_SHARE if large else 1.0)))
        self.drawing.setVisible(not large)

    def _place_again(self) -> None:
        bench = self._workbench
        name = bench.placing.item.id if bench.placing else bench.selected[0] if bench.selected else ""
        if name in bench.case.landmarks and bench.case.landmarks.placed(name):
            bench.start_placing(name, again=True)
        else:
            bench.say("only a placed landmark can be placed again")

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
        self._show_list()
        self._show_hand()
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

    def _show_list(self) -> None:
        workbench = self._workbench
        rows = rows_of(workbench.case, workbench.scene, self.opened)
        in_hand, _ = acts.in_hand(workbench)
        wanted = [
            (row.item.id, row.item.label + (" *" if row.item.needed else ""), row.state, row.doubt) for row in rows
        ]
        with self._guard.writing():
            found = [
                (item.data(0, 256), item.text(0), item.text(1), item.text(2))
                for item in (self.list.topLevelItem(i) for i in range(self.list.topLevelItemCount()))
            ]
            if found != wanted:
                self.list.clear()
                for item_id, label, state, doubt in wanted:
                    entry = QTreeWidgetItem([label, state, doubt])
                    entry.setData(0, 256, item_id)
                    entry.setToolTip(0, item_of(item_id).sentence)
                    if state == NOT_ENTERED:
                        font = entry.font(0)
                        font.setItalic(True)
                        entry.setFont(1, font)
                    self.list.addTopLevelItem(entry)
            for i, (item_id, *_) in enumerate(wanted):
                if item_id == in_hand:
                    self.list.setCurrentItem(self.list.topLevelItem(i))
                    return
            self.list.setCurrentItem(None)

    def _show_hand(self) -> None:
        workbench = self._workbench
        name, _ = acts.in_hand(workbench)
        for button in (self.again, self.absent, self.unseen, self.remove):
            button.setEnabled(bool(name) and not workbench.session.read_only)
        if not name:
            self.drawing.show_item(None, workbench.case.side)
            self.name.setText("Nothing in hand")
            self.sentence.setText("Choose from the list, click a cross, or press Next.")
        else:
            item = item_of(name)
            self.drawing.show_item(item, workbench.case.side)
            doing = (
                "" if workbench.placing is None else f" ({item.clicks_words(workbench.placing.clicks(workbench.case))})"
            )
            self.name.setText(item.label[:1].upper() + item.label[1:])
            self.sentence.setText(item.sentence + doing)
        words = workbench.selected_words()
        self.point.show_words(words, words)


class Answer(QLabel):
    """An answer that shows what it was computed from when it is clicked."""

    def __init__(self) -> None:
        super().__init__()
        _as_text(self, "answer")
        self._act: Callable[[], object] = lambda: None

    def when_clicked(self, act: Callable[[], object]) -> None:
        """What a click does."""
        self._act = act
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Show it."""
        self._act()


def _text(name: str) -> QLabel:
    return _as_text(QLabel(), name)


def _as_text(label: QLabel, name: str) -> QLabel:
    named(label, name)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label
