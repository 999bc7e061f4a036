"""Along the nerve: two pictures straightened along a marked tube, a quarter turn apart, with the crosshair linked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from qtpy.QtCore import QLineF, QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QComboBox, QDialog, QLabel, QVBoxLayout, QWidget

from ctmeasure.anatomy.structures import Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.app.curved import along_tube
from ctmeasure.errors import CtmeasureError

from . import looks
from .along import flat_at, lps_at
from .layers import Sight
from .marks_view import draw_bar, written
from .strokes import flat_spot, grey_bytes, screen_spot
from .style import named
from .workbench import Workbench

if TYPE_CHECKING:
    from ctmeasure.imaging.tubes.curved import CurvedPicture

TURNS_DEG = (0.0, 90.0)
SIZE_PX = (980, 430)
NAMES_WITHIN_MM = 1.0
EXPLAINED = (
    "Straightened along the tube, twice, a quarter turn apart: angles and lengths across are not those of the patient. "
    "A click puts the crosshair there, or places the point."
)


class StraightPicture(QWidget):
    """One straightened picture: a click puts the crosshair there, or places what is being placed.

    Parameters
    ----------
    workbench
        Whom to tell.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self.picture: CurvedPicture | None = None
        self.why = ""
        self.setMinimumHeight(120)

    def show_picture(self, picture: CurvedPicture | None, why: str = "") -> None:
        """Another picture; without one the reason is written."""
        self.picture, self.why = picture, why
        self.update()

    @property
    def sight(self) -> Sight:
        """The whole picture fits."""
        assert self.picture is not None
        rows, columns = self.picture.image.shape
        fits = min(self.width() / rows, self.height() / columns)
        return Sight((0.0, 0.0), max(fits / self.picture.pixel_mm, 1e-3))

    def spot(self, at: tuple[float, float]) -> QPointF:
        """Pixel of a flat position."""
        return QPointF(*screen_spot(at, self.sight, self.width(), self.height()))

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        painter.fillRect(self.rect(), QColor(0, 0, 0))
        if self.picture is None:
            painter.setPen(QColor.fromRgbF(*looks.INK))
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, self.why)
        else:
            self._grey(painter, self.picture)
            self._walls(painter, self.picture)
            self._marks(painter, self.picture)
            draw_bar(painter, self, self.sight.px_per_mm)
        painter.end()

    def _grey(self, painter: QPainter, picture: CurvedPicture) -> None:
        low = self._workbench.window[0]
        values = np.nan_to_num(picture.image.T, nan=low)
        data = np.ascontiguousarray(grey_bytes(values, self._workbench.window))
        rows, columns = data.shape
        image = QImage(data.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8)
        size = picture.pixel_mm * self.sight.px_per_mm
        half = QPointF(columns * size / 2.0, rows * size / 2.0)
        middle = self.spot((0.0, 0.0))
        painter.drawImage(QRectF(middle - half, middle + half), image)

    def _walls(self, painter: QPainter, picture: CurvedPicture) -> None:
        along = (np.arange(len(picture.edges_mm)) - (len(picture.edges_mm) - 1) / 2.0) * picture.pixel_mm
        for side in range(2):
            across = picture.edges_mm[:, side]
            known = np.isfinite(across)
            spots = [self.spot((float(d), float(r))) for d, r in zip(across[known], along[known], strict=True)]
            for width, colour in ((looks.SHADOW_PX, looks.SHADOW), (looks.LINE_PX, looks.STRUCTURE)):
                painter.setPen(QPen(QColor.fromRgbF(*colour), width))
                painter.drawPolyline(QPolygonF(spots))

    def _marks(self, painter: QPainter, picture: CurvedPicture) -> None:
        bench = self._workbench
        reach = (picture.image.shape[1] - 1) / 2.0 * picture.pixel_mm
        at, off = flat_at(picture, bench.focus_lps)
        if abs(at[0]) <= reach and looks.strength(off):
            self._cross(painter, at, looks.faded(looks.NEUTRAL, looks.strength(off)), 10.0)
        taken: list[QRectF] = []
        named_ids: set[str] = set()
        for mark in sorted(bench.scene.points, key=lambda mark: mark.ref != bench.selected):
            at, off = flat_at(picture, mark.point_lps)
            strength = looks.strength(off)
            if strength and abs(at[0]) <= reach and mark.kind in ("landmark", "structure"):
                colour = looks.LANDMARK if mark.kind == "landmark" else looks.STRUCTURE
                self._cross(painter, at, looks.faded(colour, strength), looks.CROSS_MM)
                wanted = mark.ref == bench.selected or (mark.kind == "landmark" and abs(off) < NAMES_WITHIN_MM)
                spot = self.spot(at) + QPointF(8, -6)
                space = QRectF(painter.fontMetrics().boundingRect(mark.label)).translated(spot)
                if wanted and mark.ref[0] not in named_ids and not any(space.intersects(other) for other in taken):
                    named_ids.add(mark.ref[0])  # a ring is named once
                    taken.append(space)
                    written(painter, spot, mark.label, QColor.fromRgbF(*colour))

    def _cross(self, painter: QPainter, at: tuple[float, float], colour: looks.RGBA, arm_mm: float) -> None:
        down, right = at
        arms = ((0.0, arm_mm), (arm_mm, 0.0))
        for width, line in ((looks.SHADOW_PX, looks.SHADOW), (looks.LINE_PX, colour)):
            painter.setPen(QPen(QColor.fromRgbF(*line), width))
            for y, x in arms:
                painter.drawLine(QLineF(self.spot((down - y, right - x)), self.spot((down + y, right + x))))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Put the crosshair there, or place a point there."""
        if self.picture is None or event.button() != Qt.MouseButton.LeftButton:
            return
        spot = event.position()
        at = flat_spot((float(spot.x()), float(spot.y())), self.sight, self.width(), self.height())
        self._workbench.clicked(self._workbench.in_use, lps_at(self.picture, at))


class AlongView:
    """The two pictures in a small window that stays while one works in the large one.

    Parameters
    ----------
    workbench
        Whose case.
    parent
        The window.
    """

    def __init__(self, workbench: Workbench, parent: QWidget) -> None:
        self._workbench = workbench
        self._shown: tuple[object, str] = (None, "")
        self.dialog = named(QDialog(parent))
        self.dialog.setWindowTitle("Along the nerve")
        self.dialog.setAttribute(Qt.WidgetAttribute.WA_StyledBackground, True)
        self.dialog.resize(*SIZE_PX)
        column = QVBoxLayout(self.dialog)
        self.which = QComboBox()
        self.which.activated.connect(lambda _: self.show_case())
        column.addWidget(self.which)
        self.pictures = tuple(StraightPicture(workbench) for _ in TURNS_DEG)
        for picture in self.pictures:
            column.addWidget(picture, 1)
        words = named(QLabel(EXPLAINED), "hint")
        words.setWordWrap(True)
        column.addWidget(words)
        workbench.listen(self.show_case)
        self.show_case()
        self.dialog.show()

    def reveal(self) -> None:
        """Show it again, in front."""
        self.show_case()
        self.dialog.show()
        self.dialog.raise_()

    def show_case(self) -> None:
        """Bring pictures and crosshair up to date."""
        case = self._workbench.case
        tubes = [s.id for s in case.structures_in_plan if isinstance(s, Tube) and s.is_marked]
        labels = [structure_term(name).label for name in tubes]
        if [self.which.itemText(i) for i in range(self.which.count())] != labels:
            at = self.which.currentText()
            self.which.clear()
            self.which.addItems(labels)
            self.which.setCurrentIndex(max(self.which.findText(at), 0))
        name = tubes[self.which.currentIndex()] if tubes else "facial_nerve"
        if self._shown != (case.structures_in_plan, name):
            self._shown = (case.structures_in_plan, name)
            for picture, turn in zip(self.pictures, TURNS_DEG, strict=True):
                try:
                    picture.show_picture(along_tube(case, self._workbench.volume, name, turn_deg=turn))
                except CtmeasureError as error:
                    picture.show_picture(None, str(error))
        for picture in self.pictures:
            picture.update()
