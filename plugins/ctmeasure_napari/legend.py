"""The four verdict looks with their words, in one line."""

from __future__ import annotations

import numpy as np
from qtpy.QtCore import QPointF, QRectF, QSize, Qt
from qtpy.QtGui import QColor, QImage, QPainter, QPaintEvent
from qtpy.QtWidgets import QWidget

from ctmeasure.planning.results import VERDICT_WORDS

from .patterns import painted


class Legend(QWidget):
    """The four looks with their words."""

    SWATCH_PX, GAP_PX = 20, 6

    def __init__(self) -> None:
        super().__init__()
        self.setFixedHeight(20)

    def sizeHint(self) -> QSize:
        """As wide as the words."""
        widths = [self.fontMetrics().horizontalAdvance(words) for words in VERDICT_WORDS.values()]
        return QSize(sum(widths) + len(widths) * (self.SWATCH_PX + 3 * self.GAP_PX), 20)

    def minimumSizeHint(self) -> QSize:
        """It gives way when the 3-D picture is large."""
        return QSize(0, 20)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        x = 0
        for verdict, words in VERDICT_WORDS.items():
            data = np.ascontiguousarray(painted(np.array([[verdict]]), cell_px=(14, self.SWATCH_PX)))
            swatch = QImage(data.tobytes(), self.SWATCH_PX, 14, 3 * self.SWATCH_PX, QImage.Format.Format_RGB888)
            painter.drawImage(QPointF(x, 3), swatch)
            x += self.SWATCH_PX + self.GAP_PX
            width = self.fontMetrics().horizontalAdvance(words)
            painter.setPen(QColor("#eceef0"))
            painter.drawText(QRectF(x, 0, width + 2, self.height()), Qt.AlignmentFlag.AlignVCenter, words)
            x += width + 2 * self.GAP_PX
        painter.end()
