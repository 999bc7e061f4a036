"""The left panel: side, pseudonym, the five questions with their answers, and the point in hand."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from ctmeasure.report.figures.slices import side_words

from . import looks
from .convert import EchoGuard
from .scene import PointRef
from .style import named
from .texts import question_texts, scan_words, state_words
from .workbench import Workbench

WIDTH_PX = 376


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
        column.addWidget(self.side)
        column.addWidget(self.scan)
        column.addSpacing(4)
        column.addWidget(self.state)
        self.questions: list[tuple[QLabel, QLabel, QLabel]] = []
        for _ in question_texts(workbench.case, changed=False):
            rows = (named(QLabel(), "question"), _text("answer"), _text("missing"))
            column.addSpacing(5)
            for row in rows:
                column.addWidget(row)
            self.questions.append(rows)
        column.addStretch(1)
        self._point_box(column)
        workbench.listen(self.show_case)
        self.show_case()

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
        self.point.setMinimumHeight(40)
        self.point.setAlignment(Qt.AlignmentFlag.AlignTop)
        column.addWidget(self.point)
        hint = _text("hint")
        hint.setText("Drag a cross, or arrow keys 0.1 mm (shift 0.5). " + looks.FADE_WORDS)
        column.addWidget(hint)

    def _chosen(self, index: int) -> None:
        if not self._guard.busy:
            ref: PointRef | None = self.points.itemData(index)
            self._workbench.select(tuple(ref) if ref else None, go=ref is not None)  # type: ignore[arg-type]

    def show_case(self) -> None:
        """Bring every word up to date."""
        workbench, case = self._workbench, self._workbench.case
        self.side.setText(side_words(case.side))
        self.scan.setText(scan_words(case))
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
            missing.setText(f"missing: {text.missing}" if text.missing else "")
            missing.setToolTip(text.all_missing)
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
