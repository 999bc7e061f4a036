"""Feedback in the window: what would have followed, then each point in the plane that would have shown it."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtGui import QPixmap
from qtpy.QtWidgets import (
    QDialog,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.practice.attempts import HandedIn, feedback_lines
from ctmeasure.app.practice.feedback import PICTURE_KEY, can_be_shown, five_answers_twice, point_pictures
from ctmeasure.planning.cautions import CAUTIONS
from ctmeasure.planning.scoring.answers import Answer
from ctmeasure.planning.scoring.points import PointScore
from ctmeasure.planning.scoring.score import advice, point_words, worst_points

from .style import named
from .workbench import Workbench

PICTURES = 2
PICTURE_PX = 330
"""Side of a picture: two stand side by side on a small screen."""


class FeedbackDialog:
    """Shows one scored attempt; choosing a point turns the window behind it to the reference's place.

    Parameters
    ----------
    handed, answer
        What was handed in and scored.
    workbench
        The window behind.
    parent
        Its frame.
    """

    def __init__(self, handed: HandedIn, answer: Answer, workbench: Workbench, parent: QWidget | None = None) -> None:
        self._handed, self._answer, self._bench = handed, answer, workbench
        self.dialog = named(QDialog(parent))
        self.dialog.setWindowTitle("What would have followed")
        self.dialog.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        self.dialog.resize(1180, 700)
        column = QVBoxLayout(self.dialog)
        self.words = QTextBrowser()
        self.words.setPlainText("\n".join((*feedback_lines(handed), *five_answers_twice(handed), *CAUTIONS)))
        column.addWidget(self.words, 1)
        row = QHBoxLayout()
        self.list = QListWidget()
        self.list.setWordWrap(True)
        self.points: tuple[PointScore, ...] = worst_points(handed.score, count=len(handed.score.points))
        for point in self.points:
            self.list.addItem(QListWidgetItem(point_words(point)))
        self.list.currentRowChanged.connect(self.show_point)
        row.addWidget(self.list, 1)
        self.pictures = [QLabel() for _ in range(PICTURES)]
        for picture in self.pictures:
            picture.setFixedSize(PICTURE_PX, PICTURE_PX)
            row.addWidget(picture)
        column.addLayout(row)
        self.hint = QLabel()
        self.hint.setWordWrap(True)
        column.addWidget(self.hint)
        self._made: dict[str, list[Any]] = {}
        shown = (i for i, point in enumerate(self.points) if can_be_shown(handed, point.id))
        self.list.setCurrentRow(next(shown, 0))
        self.dialog.show()

    def show_point(self, number: int) -> None:
        """Show one point beside the reference on the same plane, and on the plane that would have shown it."""
        if not 0 <= number < len(self.points):
            return
        point = self.points[number]
        if point.id not in self._made:
            self._made[point.id] = list(point_pictures(self._handed, self._answer, self._bench.volume, point))
        shown = self._made[point.id]
        for label, picture in zip(self.pictures, (*shown, *[None] * PICTURES), strict=False):
            label.clear()
            if picture is not None:
                pixels = QPixmap()
                pixels.loadFromData(picture.png)
                label.setPixmap(
                    pixels.scaled(PICTURE_PX, PICTURE_PX, Qt.AspectRatioMode.KeepAspectRatio,
                                  Qt.TransformationMode.SmoothTransformation)
                )  # fmt: skip
                label.setToolTip(picture.plane.replace("_", " "))
        hints = (advice(point), PICTURE_KEY if shown else "no single place to show in a plane")
        self.hint.setText("; ".join(words for words in hints if words))
        spread = self._handed.reference.spread(point.id)
        if spread is not None and shown:
            self._bench.look_at(spread[0][0])
