"""A short drill in the window: clock hours right and left, or what lies behind a place of the wall."""

from __future__ import annotations

import os
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDialog, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

from ctmeasure.planning.scoring.drills import Question, grade, questions

from .style import named

COUNT = 10


class DrillDialog:
    """Asks, says at once whether it was right and why, and keeps the result at the end.

    Parameters
    ----------
    store, reader
        Database and pseudonym; an unknown person is refused before the first question.
    kind
        ``clock`` or ``behind``.
    parent
        Owner.
    seed
        The same questions again.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When nobody is known by that pseudonym, or the database does not answer.
    """

    def __init__(
        self, store: Any, reader: str, kind: str, parent: QWidget | None = None, *, seed: int | None = None
    ) -> None:
        from ctmeasure.store.attempts import drills

        drills(store, reader)
        self._store, self._reader, self._kind = store, reader, kind
        drawn = int.from_bytes(os.urandom(4), "big") if seed is None else seed
        self.asked: tuple[Question, ...] = questions(kind, COUNT, seed=drawn)
        self.answers: list[str] = []
        self.dialog = named(QDialog(parent))
        self.dialog.setWindowTitle("Drill")
        self.dialog.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        self.dialog.resize(560, 240)
        column = QVBoxLayout(self.dialog)
        self.said, self.question = QLabel(), named(QLabel(), "question")
        for label in (self.said, self.question):
            label.setWordWrap(True)
            column.addWidget(label, 1)
        self.answer = QLineEdit()
        self.answer.returnPressed.connect(self.take)
        column.addWidget(self.answer)
        self.button = QPushButton("Answer")
        self.button.setAutoDefault(False)
        self.button.clicked.connect(lambda _=False: self.take())
        column.addWidget(self.button)
        self._ask()
        self.dialog.show()

    def _ask(self) -> None:
        at = len(self.answers)
        self.question.setText(f"{at + 1} of {len(self.asked)}. {self.asked[at].text}")
        self.answer.clear()
        self.answer.setFocus()

    def take(self) -> None:
        """Take the answer that stands there."""
        if len(self.answers) == len(self.asked):
            self.dialog.close()
            return
        question = self.asked[len(self.answers)]
        self.answers.append(self.answer.text().strip())
        right = grade([question], self.answers[-1:]).right[0]
        self.said.setText(("Right: " if right else "No: ") + question.explanation)
        if len(self.answers) < len(self.asked):
            self._ask()
        else:
            self._end()

    def _end(self) -> None:
        from ctmeasure.errors import CtmeasureError
        from ctmeasure.store.attempts import add_drill

        right = sum(grade(self.asked, self.answers).right)
        words = f"{right} of {len(self.asked)} right"
        try:
            add_drill(self._store, self._reader, kind=self._kind, right=right, asked=len(self.asked))
        except CtmeasureError as error:
            words += f"; not kept: {error}"
        self.question.setText(words)
        self.answer.setEnabled(False)
        self.button.setText("Close")
