"""The left panel: side, pseudonym, the five questions with their answers, and the point in hand."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QResizeEvent
from qtpy.QtWidgets import (
    QComboBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.report.figures.slices import side_words

from . import looks
from .convert import EchoGuard
from .scene import PointRef
from .style import named
from .texts import question_texts, scan_words, state_words
from .workbench import Workbench

WIDTH_PX = 394


class OneLine(QLabel):
    """A line that ends in an ellipsis where it does not fit; the whole text shows when pointed at."""

    def __init__(self) -> None:
        super().__init__()
        self._words = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def show_words(self, words: str, whole: str) -> None:
        """Show these words, and the whole text when pointed at."""
        self._words = words
        self.setToolTip(whole)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Cut anew."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self.setText(self.fontMetrics().elidedText(self._words, Qt.TextElideMode.ElideRight, max(self.width(), 40)))


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
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        named(self)
        self.setFixedWidth(WIDTH_PX)
        column = QVBoxLayout(self)
        column.setContentsMargins(14, 8, 12, 8)
        column.setSpacing(3)
        self.side = named(QLabel(), "side")
        self.scan = _text("hint")
        self.state = _text("state")
        self.scan.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        head = QHBoxLayout()
        head.addWidget(self.side)
        head.addWidget(self.scan, 1)
        column.addLayout(head)
        column.addSpacing(3)
        column.addWidget(self.state)
        self.questions: list[tuple[QLabel, QLabel, OneLine]] = []
        column.addWidget(self._questions(), 1)
        self._point_box(column)
        workbench.listen(self.show_case)
        self.show_case()

    def _questions(self) -> QScrollArea:
        """The five questions; they scroll only where answers are longer than the smallest screen can hold."""
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        for _ in question_texts(self._workbench.case, changed=False):
            rows = (named(QLabel(), "question"), _text("answer"), named(OneLine(), "missing"))
            for row in rows:
                column.addWidget(row)
            column.addSpacing(3)
            self.questions.append(rows)
        column.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setFrameShape(QFrame.Shape.NoFrame)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        area.setWidget(inner)
        return area

    def _point_box(self, column: QVBoxLayout) -> None:
        column.addWidget(named(QFrame(), "rule"))
        column.addSpacing(3)
        row = QHBoxLayout()
        row.addWidget(named(QLabel("Point"), "question"))
        self.points = QComboBox()
        self.points.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.points.setMinimumContentsLength(12)
        self.points.activated.connect(self._chosen)
        row.addWidget(self.points, 1)
        self.go = QPushButton("Go to it")
        self.go.setToolTip("Turn every plane to the point in hand")
        self.go.clicked.connect(lambda: self._workbench.select(self._workbench.selected, go=True))
        row.addWidget(self.go)
        column.addLayout(row)
        self.point = _text("answer")
        self.point.setMinimumHeight(38)
        self.point.setAlignment(Qt.AlignmentFlag.AlignTop)
        column.addWidget(self.point)
        hint = _text("hint")
        keys = f"Drag a cross, or arrow keys {looks.NUDGE_MM:g} mm (shift {looks.LARGE_NUDGE_MM:g})."
        hint.setText(f"{keys}\n{looks.FADE_WORDS}")
        column.addWidget(hint)

    def _chosen(self, index: int) -> None:
        if not self._guard.busy:
            ref: PointRef | None = self.points.itemData(index)
            self._workbench.select(tuple(ref) if ref else None, go=ref is not None)  # type: ignore[arg-type]

    def show_case(self) -> None:
        """Bring every word up to date."""
        workbench, case = self._workbench, self._workbench.case
        self.side.setText(side_words(case.side))
        scan, whole = scan_words(case)
        self.scan.setText(scan)
        self.scan.setToolTip(whole)
        state = state_words(case, changed=workbench.changed)
        self.state.setText(workbench.message or state)
        stale = "false" if case.results is not None and not workbench.message else "true"
        if self.state.property("stale") != stale:
            self.state.setProperty("stale", stale)
            self.state.style().unpolish(self.state)
            self.state.style().polish(self.state)
        for rows, text in zip(self.questions, question_texts(case, changed=workbench.changed), strict=True):
            question, answer, missing = rows
            question.setText(f"{text.number}  {text.question}")
            answer.setText(text.answer)
            missing.show_words(text.missing, text.all_missing)
            missing.setVisible(bool(text.missing))
        self._show_points()
        self.point.setText(workbench.selected_words())
        self.go.setEnabled(workbench.selected is not None)

    def _show_points(self) -> None:
        marks = self._workbench.scene.points
        wanted = [(mark.label, mark.ref) for mark in marks]
        with self._guard.writing():
            if [self.points.itemText(i) for i in range(1, self.points.count())] != [label for label, _ in wanted]:
                self.points.clear()
                self.points.addItem("none", None)
                for label, ref in wanted:
                    self.points.addItem(label, ref)
            refs = [mark.ref for mark in marks]
            selected = self._workbench.selected
            self.points.setCurrentIndex(refs.index(selected) + 1 if selected in refs else 0)


def _text(name: str) -> QLabel:
    label = named(QLabel(), name)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return label
