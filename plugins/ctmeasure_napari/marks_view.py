"""The marks of a pane, drawn over its picture: lines, names, side, edge letters, scale bar.

They are drawn here and not as layers of the toolkit: there, each change of a line builds a shader program anew, which
under software drawing took longer than all the rest of a scroll step.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from qtpy.QtCore import QEvent, QLineF, QObject, QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from . import looks
from .layers import PaneLayers, Sight
from .strokes import bar_mm, screen_pieces, screen_spot, shadow_alpha

EDGE_GAP_PX = 7.0
BAR_HEIGHT_PX = 5.0
SMALL_PX = 400
"""A picture narrower than this has no room for letters twice as large beside each other."""


class MarksView(QWidget):
    """Lies over a canvas, lets the mouse through, and draws what the pane last showed.

    Parameters
    ----------
    canvas
        What to lie on.
    layers
        Gives what there is to draw; None draws nothing.
    sight
        Gives which part of the plane the canvas shows.
    """

    def __init__(self, canvas: QWidget, layers: Callable[[], PaneLayers | None], sight: Callable[[], Sight]) -> None:
        super().__init__(canvas)
        self._layers, self._sight = layers, sight
        self.type_scale = 1.0
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAttribute(Qt.WidgetAttribute.WA_NoSystemBackground)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        canvas.installEventFilter(self)
        self.resize(canvas.size())
        self.show()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Stay as large as the canvas."""
        if event.type() == QEvent.Type.Resize and watched is self.parent():
            self.resize(self.parentWidget().size())
        return False

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        layers = self._layers()
        if layers is None:
            return
        sight = self._sight()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._lines(painter, layers, sight)
        self._words(painter, layers, sight)
        self._frame(painter, layers, sight)
        painter.end()

    def _font(self, size_pt: float, *, bold: bool = False) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(size_pt * self.type_scale)
        font.setBold(bold)
        return font

    def _lines(self, painter: QPainter, layers: PaneLayers, sight: Sight) -> None:
        pieces = screen_pieces(layers.lines.pieces_flat, sight, self.width(), self.height())
        colours, which = np.unique(layers.lines.colours, axis=0, return_inverse=True)
        groups = [[QLineF(*piece) for piece in pieces[which == n].tolist()] for n in range(len(colours))]
        for width, shadow in ((looks.SHADOW_PX, True), (looks.LINE_PX, False)):
            for colour, lines in zip(colours.tolist(), groups, strict=True):
                rgba = (*looks.SHADOW[:3], shadow_alpha(colour[3])) if shadow else colour
                pen = QPen(QColor.fromRgbF(*rgba), width * self.type_scale)
                pen.setCapStyle(Qt.PenCapStyle.FlatCap)
                painter.setPen(pen)
                painter.drawLines(lines)

    def _words(self, painter: QPainter, layers: PaneLayers, sight: Sight) -> None:
        painter.setFont(self._font(looks.WORD_PT))
        for word in layers.words:
            x, y = screen_spot(word.at_flat, sight, self.width(), self.height())
            width = painter.fontMetrics().horizontalAdvance(word.text)
            middle = 0.35 * painter.fontMetrics().ascent()
            at = QPointF(x - width / 2.0, y - word.lift_px * self.type_scale + middle)
            written(painter, at, word.text, QColor.fromRgbF(*word.colour))

    def _frame(self, painter: QPainter, layers: PaneLayers, sight: Sight) -> None:
        """What stands still: the side with the plane's name, the scale bar, and the edges' letters, which give way."""
        ink = QColor.fromRgbF(*looks.INK)
        small = self.width() < SMALL_PX
        letters = self._font(looks.LETTER_PT if not small or self.type_scale == 1.0 else looks.WORD_PT, bold=True)
        metrics = QFontMetricsF(letters)
        y, side_end = 0.0, 0.0
        for number, line in enumerate(layers.title.splitlines()):
            font = self._font(looks.WORD_PT) if number else letters
            painter.setFont(font)
            y += QFontMetricsF(font).height()
            written(painter, QPointF(EDGE_GAP_PX, y), line, ink)
            side_end = side_end or EDGE_GAP_PX + metrics.horizontalAdvance(line)
        painter.setFont(self._font(looks.SMALLEST_TYPE_PT))
        bar_start = draw_bar(painter, self, sight.px_per_mm)
        width, height, tall = float(self.width()), float(self.height()), metrics.ascent()
        painter.setFont(letters)
        for edge, text in layers.edges.items():
            wide = metrics.horizontalAdvance(text)
            middle = (width - wide) / 2.0
            at = {
                "left": QPointF(EDGE_GAP_PX, (height + tall) / 2.0),
                "right": QPointF(width - wide - EDGE_GAP_PX, (height + tall) / 2.0),
                "top": QPointF(max(middle, side_end + EDGE_GAP_PX), tall + 2.0),
                "bottom": QPointF(min(middle, bar_start - wide - EDGE_GAP_PX), height - EDGE_GAP_PX),
            }[edge]
            written(painter, at, text, ink)


def draw_bar(painter: QPainter, widget: QWidget, px_per_mm: float) -> float:
    """A bar of whole millimetres at the lower right of a picture; gives where it and its words begin, px."""
    length = bar_mm(px_per_mm, widget.width())
    metrics = painter.fontMetrics()
    right, bottom = widget.width() - EDGE_GAP_PX, widget.height() - EDGE_GAP_PX
    bar = QRectF(right - length * px_per_mm, bottom - BAR_HEIGHT_PX, length * px_per_mm, BAR_HEIGHT_PX)
    painter.setPen(QPen(QColor(0, 0, 0), 1.0))
    painter.setBrush(QColor.fromRgbF(*looks.INK))
    painter.drawRect(bar)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    words = f"{length} mm"
    at = QPointF(right - metrics.horizontalAdvance(words), bar.top() - 4.0)
    written(painter, at, words, QColor.fromRgbF(*looks.INK))
    return float(min(at.x(), bar.left()))


def written(painter: QPainter, at: QPointF, text: str, colour: QColor) -> None:
    """A word over its own shadow, so that it reads on bone and on air."""
    painter.setPen(QColor(0, 0, 0))
    for right, down in ((-1, -1), (1, -1), (-1, 1), (1, 1)):
        painter.drawText(at + QPointF(right, down), text)
    painter.setPen(colour)
    painter.drawText(at, text)
