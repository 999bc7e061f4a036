"""Paints the small line drawing of the thing in hand."""

from __future__ import annotations

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QWidget

from ctmeasure.anatomy.vocabulary import Side

from .checklist import Item
from .drawings import HEIGHT, WIDTH, Sketch, sketch
from .looks import SMALLEST_TYPE_PT

SIZE_PX = (146, 110)
LETTERS_PX = 16


class Drawing(QWidget):
    """The drawing; empty when nothing is in hand."""

    def __init__(self) -> None:
        super().__init__()
        self._sketch: Sketch | None = None
        self.setFixedSize(*SIZE_PX)

    def show_item(self, item: Item | None, side: Side) -> None:
        """Show where this is clicked, for this ear."""
        found = sketch(item.drawing, item.spot, side) if item is not None else None
        if found != self._sketch:
            self._sketch = found
            self.setToolTip("" if item is None else item.sentence)
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor("#1c1e22"))
        if self._sketch is not None:
            self._paint(painter, self._sketch)
        painter.end()

    def _paint(self, painter: QPainter, drawn: Sketch) -> None:
        box = QRectF(self.rect()).adjusted(LETTERS_PX, LETTERS_PX, -LETTERS_PX, -LETTERS_PX)
        scale = min(box.width() / WIDTH, box.height() / HEIGHT)

        def at(x: float, y: float) -> QPointF:
            centre = box.center()
            return QPointF(centre.x() + (x - WIDTH / 2) * scale, centre.y() + (y - HEIGHT / 2) * scale)

        painter.setPen(QPen(QColor("#b9c0c8"), 1.4))
        for line in drawn.lines:
            painter.drawPolyline(QPolygonF([at(x, y) for x, y in line]))
        spot = at(*drawn.spot)
        for pen in (QPen(QColor("#15171a"), 5.0), QPen(QColor("#ffd44d"), 2.2)):
            painter.setPen(pen)
            painter.drawEllipse(spot, 6.0, 6.0)
            painter.drawPoint(spot)
        font = painter.font()
        font.setPointSize(SMALLEST_TYPE_PT)
        painter.setFont(font)
        painter.setPen(QColor("#c9ced6"))
        whole = QRectF(self.rect())
        painter.drawText(whole, Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignHCenter, drawn.top)
        painter.drawText(whole, Qt.AlignmentFlag.AlignBottom | Qt.AlignmentFlag.AlignHCenter, drawn.bottom)
        for words, left in ((drawn.left, True), (drawn.right, False)):
            painter.save()
            painter.translate(whole.left() + 9 if left else whole.right() - 8, whole.center().y())
            painter.rotate(-90.0)
            painter.drawText(QRectF(-50, -9, 100, 18), Qt.AlignmentFlag.AlignCenter, words)
            painter.restore()
