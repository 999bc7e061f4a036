"""A small pane painted plainly: no canvas of the toolkit's, of which each takes a second to make.

It shows the same picture with the same marks, and hands the same mouse and keys on.
"""

from __future__ import annotations

import numpy as np
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import (
    QColor,
    QImage,
    QKeyEvent,
    QKeySequence,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QResizeEvent,
    QWheelEvent,
)
from qtpy.QtWidgets import QWidget

from . import adapter
from .hooks import Flat, Grip, Px
from .layers import Picture
from .panes import Pane
from .strokes import flat_spot, grey_bytes, screen_spot

QT_KEYS = {"PgUp": "PageUp", "PgDown": "PageDown", "Esc": "Escape", "Return": "Enter"}
"""Qt's names of keys to those the panes use, where they differ."""
NOTCH = 120.0
"""Eighths of a degree in one notch of a wheel (Qt's unit)."""


class PictureView(QWidget):
    """Shows one pane.

    Parameters
    ----------
    pane
        Which; its mouse hooks and keys are set.
    """

    def __init__(self, pane: Pane) -> None:
        super().__init__()
        self._pane = pane
        self._grip: Grip | None = None
        self._last: Px = (0.0, 0.0)
        self._image: tuple[Picture, QImage] | None = None
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the picture; its marks lie over it."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(0, 0, 0))
        if self._pane.shown is not None:
            picture = self._pane.shown.picture
            sight = adapter.sight_of(self._pane.model)
            half = picture.pixel_mm / 2.0
            corner = (picture.first_flat[0] - half, picture.first_flat[1] - half)
            rows, columns = picture.values.shape
            size_px = picture.pixel_mm * sight.px_per_mm
            at = QPointF(*screen_spot(corner, sight, self.width(), self.height()))
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            painter.drawImage(QRectF(at.x(), at.y(), columns * size_px, rows * size_px), self._grey(picture))
        painter.end()

    def _grey(self, picture: Picture) -> QImage:
        kept = self._image
        if kept is None or kept[0].values is not picture.values or kept[0].window != picture.window:
            rows, columns = picture.values.shape
            data = grey_bytes(picture.values, picture.window)
            image = QImage(data.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8).copy()
            self._image = (picture, image)
            return image
        return kept[1]

    def resizeEvent(self, event: QResizeEvent) -> None:
        """The model is told how large it is shown."""
        adapter.set_size(self._pane.model, self.height(), self.width())

    def _at(self, event: QMouseEvent | QWheelEvent) -> tuple[Flat, Px]:
        spot = event.position()
        px = (float(spot.x()), float(spot.y()))
        return flat_spot(px, adapter.sight_of(self._pane.model), self.width(), self.height()), px

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold, or begin to move the picture or its greys."""
        if self._pane.hooks is None or event.button() not in (Qt.MouseButton.LeftButton, Qt.MouseButton.RightButton):
            return
        at, px = self._at(event)
        self._last = px
        self._grip = Grip(self._pane.hooks, at, px, right=event.button() == Qt.MouseButton.RightButton)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Drag what was taken hold of, else the picture."""
        if self._grip is None:
            return
        at, px = self._at(event)
        if not self._grip.move(at, px) and self._grip.pans:
            adapter.pan_by(self._pane.model, *np.subtract(px, self._last).tolist())
        self._last = px

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Let go."""
        grip, self._grip = self._grip, None
        if grip is not None:
            grip.end(self._at(event)[0])

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Exchange it with the large one."""
        if self._pane.hooks is not None:
            self._pane.hooks.double_click(self._at(event)[0])

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Move the plane; with Control, zoom."""
        if self._pane.hooks is not None:
            zoom = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
            self._pane.hooks.wheel(event.angleDelta().y() / NOTCH, zoom, self._at(event)[0])
            event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """What a key means in this pane; what it does not know goes on to the window."""
        flags = Qt.KeyboardModifier
        held = {"Control": flags.ControlModifier, "Alt": flags.AltModifier, "Shift": flags.ShiftModifier}
        parts = [word for word, flag in held.items() if event.modifiers() & flag]
        key = QKeySequence(event.key()).toString()
        act = self._pane.keys.get("-".join([*parts, QT_KEYS.get(key, key)]))
        if act is None:
            super().keyPressEvent(event)
        else:
            act()
