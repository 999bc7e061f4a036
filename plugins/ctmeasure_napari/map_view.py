"""The unrolled canal wall as a widget: click a cell and the planes go there; drag a hole and it is assessed anew."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import QPointF, QRectF, QSize, Qt
from qtpy.QtGui import QColor, QFont, QImage, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from qtpy.QtWidgets import QSizePolicy, QWidget

from ctmeasure.planning.results import VERDICT_WORDS, ZoneCell
from ctmeasure.report.figures.wall import HoleOnWall, split_runs

from . import acts, live_hole, looks
from .patterns import GROUND, painted
from .wallmap import WallChart, cell_words, step_of, word_of
from .workbench import Workbench

LEFT_PX, BELOW_PX, EDGE_PX = 34, 20, 6
"""Room for the numbers of the axes."""
HOLE_PX = 12.0
"""A press this close to a hole takes hold of it."""
NOT_ASSESSED = VERDICT_WORDS["not assessed"]
INK, PAPER, GREY = QColor("#15171a"), QColor("#ffffff"), QColor("#8d959e")
SHADES = ("#14202e", "#2b3b4d", "#43576b", "#5f7488", "#7f93a5", "#a2b2c0", "#c6d1da", "#ebf0f3")
"""From dark to light: lightness alone orders them."""
WORD_SHADES = ("#e9e2d0", "#c9d6cf", "#b6bfd6", "#dccfd6", "#a9b3a4", "#d8d8d8", "#c2b59b", "#93a3ad")


class WallMap(QWidget):
    """The picture itself.

    Parameters
    ----------
    workbench
        What to show and whom to ask.
    """

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self.layer = "verdict"
        self._dragged: HoleOnWall | None = None
        self._drag_at: tuple[float, float] | None = None
        self._ground: tuple[Any, QImage] | None = None
        self._written: list[QRectF] = []
        self.type_pt = looks.SMALLEST_TYPE_PT
        self.setMouseTracking(True)
        self.setMinimumHeight(118)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def sizeHint(self) -> QSize:
        """Wide and low."""
        return QSize(640, 140)

    @property
    def chart(self) -> WallChart:
        """The map of the case as it stands."""
        return self._workbench.chart

    def frame(self) -> QRectF:
        """Where the wall is drawn."""
        grown = self.type_pt / looks.SMALLEST_TYPE_PT
        left, below = LEFT_PX * grown, BELOW_PX * grown
        return QRectF(left, EDGE_PX, self.width() - left - EDGE_PX, self.height() - below - EDGE_PX)

    def spot(self, hours: float, rim_mm: float) -> QPointF:
        """Pixel of a place on the wall."""
        low, high = self.chart.limits_mm
        box = self.frame()
        return QPointF(
            box.left() + hours / 12.0 * box.width(), box.bottom() - (rim_mm - low) / (high - low) * box.height()
        )

    def place(self, at: QPointF) -> tuple[float, float] | None:
        """Hours and mm from the rim under a pixel; None beside the wall."""
        box = self.frame()
        if not box.contains(at):
            return None
        low, high = self.chart.limits_mm
        return (
            float((at.x() - box.left()) / box.width() * 12.0),
            float(low + (box.bottom() - at.y()) / box.height() * (high - low)),
        )

    # painting --------------------------------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(QFont(self.font().family(), self.type_pt))
        box = self.frame()
        painter.fillRect(box, QColor(*GROUND))
        if self.chart.scene is None:
            self._nothing(painter, box)
        else:
            painter.setClipRect(box)
            painter.drawImage(box, self._image(box))
            holes = [
                self.spot(self.chart.hours_of(h.wall_angle_deg), h.rim_distance_mm) for h in self.chart.scene.holes
            ]
            self._written = [QRectF(at.x() - 6, at.y() - 6, 12, 12) for at in holes]
            self._shadow_lines(painter)
            self._marks(painter)
            self._words_over_blanks(painter)
            self._shadow_words(painter)
            painter.setClipping(False)
        self._axes(painter, box)
        painter.end()

    def _nothing(self, painter: QPainter, box: QRectF) -> None:
        pen = QPen(GREY)
        painter.setPen(pen)
        painter.fillRect(box, QColor(*GROUND))
        painter.fillRect(box, Qt.BrushStyle.DiagCrossPattern)
        words = f"not assessed: {self.chart.why}"
        space = painter.fontMetrics().boundingRect(words).adjusted(-8, -4, 8, 4)
        space.moveCenter(box.center().toPoint())
        painter.fillRect(space, PAPER)
        painter.setPen(INK)
        painter.drawText(space, Qt.AlignmentFlag.AlignCenter, words)

    def _image(self, box: QRectF) -> QImage:
        """The cells as one picture, kept until case, layer or size change."""
        size = (max(int(box.width()), 1), max(int(box.height()), 1))
        key = (self.chart, self.layer, size)
        if self._ground is None or self._ground[0] != key:
            self._ground = (key, self._cells_image(*size))
        return self._ground[1]

    def _cells_image(self, width: int, height: int) -> QImage:
        chart = self.chart
        low, high = chart.limits_mm
        hours = (np.arange(width) + 0.5) / width * 12.0
        rims = high - (np.arange(height) + 0.5) / height * (high - low)
        step_deg, step_mm = chart.case.settings.map_angle_step_deg, chart.case.settings.map_rim_step_mm
        assert chart.scene is not None
        columns = np.array([round(chart.angle_of(float(h)) / step_deg) % round(360.0 / step_deg) for h in hours])
        rows = np.round((rims - chart.scene.rim_limits_mm[0]) / step_mm).astype(int)
        high_row = max(row for _, row in chart.grid)
        table = np.full((high_row + 1, round(360.0 / step_deg)), "", dtype="U16")
        for (column, row), cell in chart.grid.items():
            table[row, column] = self._word(cell)
        inside = (rows >= 0) & (rows <= high_row) & (rims >= 0.0)
        words = np.where(inside[:, None], table[np.clip(rows, 0, high_row)][:, columns], "outside")
        picture = self._coloured(words)
        picture[~inside] = (241, 242, 244)
        data = np.ascontiguousarray(picture)
        return QImage(data.tobytes(), width, height, 3 * width, QImage.Format.Format_RGB888).copy()

    def _word(self, cell: ZoneCell) -> str:
        if self.layer == "verdict":
            return cell.verdict
        if self.layer in ("thickness", "risk"):
            step = step_of(self.layer, cell)
            return "" if step is None else str(step)
        return word_of(self.layer, cell)[:16]

    def _coloured(self, words: Any) -> Any:
        picture = painted(words if self.layer == "verdict" else np.full(words.shape, "not assessed"), cell_px=(1, 1))
        if self.layer == "verdict":
            return picture
        for number, word in enumerate(sorted(set(np.unique(words)) - {"", "outside"})):
            shades = SHADES if self.layer in ("thickness", "risk") else WORD_SHADES
            at = int(word) if word.isdigit() else number
            colour = QColor(shades[at % len(shades)] if self.layer != "risk" else shades[-1 - at % len(shades)])
            picture[words == word] = (colour.red(), colour.green(), colour.blue())
        return picture

    def _runs(self) -> list[tuple[str, list[QPointF]]]:
        """The shadows as lines on the picture, each with what throws it."""
        scene = self.chart.scene
        assert scene is not None
        low, high = self.chart.limits_mm
        found = []
        for shade in scene.shadows:
            x = np.array([self.chart.hours_of(float(a)) for a in shade.wall_angles_deg])
            keep = (shade.rim_distances_mm > low) & (shade.rim_distances_mm < high)
            for run in split_runs(x, keep, jump=3.0):
                spots = [self.spot(h, r) for h, r in zip(x[run], shade.rim_distances_mm[run], strict=True)]
                found.append((shade.label, spots))
        return found

    def _shadow_lines(self, painter: QPainter) -> None:
        for _, spots in self._runs():
            for pen in (QPen(PAPER, 4.0), QPen(INK, 1.6, Qt.PenStyle.DashLine)):
                painter.setPen(pen)
                painter.drawPolyline(QPolygonF(spots))

    def _shadow_words(self, painter: QPainter) -> None:
        runs = self._runs()
        for label in dict(runs):
            spots = max((spots for name, spots in runs if name == label), key=len)
            self._halo_text(painter, spots[len(spots) // 2], label)

    def _words_over_blanks(self, painter: QPainter) -> None:
        """The words over every wide stretch that was not assessed: the pattern alone does not say it."""
        if self.layer != "verdict":
            return
        for start, end in self.chart.blank_stretches:
            left, right = self.spot(start, 0.0).x(), self.spot(end, 0.0).x()
            width = painter.fontMetrics().horizontalAdvance(NOT_ASSESSED) + 10
            box = self.frame()
            space = QRectF(0.5 * (left + right) - width / 2, box.top() + 0.25 * box.height(), width, 18)
            space.moveLeft(min(max(space.left(), box.left()), box.right() - width))
            if right - left >= 0.6 * width:
                painter.fillRect(space, PAPER)
                painter.setPen(INK)
                painter.drawText(space, Qt.AlignmentFlag.AlignCenter, NOT_ASSESSED)
                self._written.append(space)

    def _marks(self, painter: QPainter) -> None:
        scene = self.chart.scene
        assert scene is not None
        painter.setPen(QPen(INK, 2.0))
        painter.drawLine(self.spot(0.0, 0.0), self.spot(12.0, 0.0))
        for point in scene.points:
            if not point.free:
                at = self.spot(self.chart.hours_of(point.wall_angle_deg), point.rim_distance_mm)
                self._cross(painter, at, 4.0)
        for hole in scene.holes:
            self._hole(painter, hole)
        focus = self.chart.place_of(self._workbench.focus_lps)
        if focus is not None:
            at = self.spot(*focus)
            box = self.frame()
            for pen in (QPen(PAPER, 3.0), QPen(QColor("#4a525d"), 1.2)):
                painter.setPen(pen)
                for a, b in (
                    (QPointF(at.x(), box.top()), at - QPointF(0, 7)),
                    (at + QPointF(0, 7), QPointF(at.x(), box.bottom())),
                    (QPointF(box.left(), at.y()), at - QPointF(7, 0)),
                    (at + QPointF(7, 0), QPointF(box.right(), at.y())),
                ):
                    painter.drawLine(a, b)

    def _hole(self, painter: QPainter, hole: HoleOnWall) -> None:
        place = (self.chart.hours_of(hole.wall_angle_deg), hole.rim_distance_mm)
        if self._dragged is hole and self._drag_at is not None:
            place = self._drag_at
        at = self.spot(*place)
        painter.setBrush(PAPER)
        for pen in (QPen(PAPER, 4.0), QPen(INK, 1.8)):
            painter.setPen(pen)
            painter.drawEllipse(at, 5.0, 5.0)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        self._halo_text(painter, at, hole.label, bold=True)

    def _cross(self, painter: QPainter, at: QPointF, arm: float) -> None:
        for pen in (QPen(PAPER, 3.4), QPen(INK, 1.4)):
            painter.setPen(pen)
            painter.drawLine(at - QPointF(arm, 0), at + QPointF(arm, 0))
            painter.drawLine(at - QPointF(0, arm), at + QPointF(0, arm))

    def _halo_text(self, painter: QPainter, at: QPointF, text: str, *, bold: bool = False) -> None:
        """Write a word beside a place, above, below, left or right of it, where no earlier word stands; else not."""
        font = painter.font()
        font.setBold(bold)
        painter.setFont(font)
        width, height = painter.fontMetrics().horizontalAdvance(text), painter.fontMetrics().ascent()
        for shift in (QPointF(8, -5), QPointF(8, height + 5), QPointF(-8 - width, -5), QPointF(-8 - width, height + 5)):
            space = QRectF(at.x() + shift.x(), at.y() + shift.y() - height, width, height)
            if self.frame().contains(space.adjusted(0, 0, 0, 8)) and not any(
                space.intersects(other) for other in self._written
            ):
                break
        else:
            return
        self._written.append(space)
        at = space.bottomLeft()
        painter.setPen(PAPER)
        for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, 1)):
            painter.drawText(at + QPointF(dx, dy), text)
        painter.setPen(INK)
        painter.drawText(at, text)
        font.setBold(False)
        painter.setFont(font)

    def _axes(self, painter: QPainter, box: QRectF) -> None:
        painter.setPen(QColor("#eceef0"))
        low, high = self.chart.limits_mm
        for rim in range(0, int(high) + 1, 2):
            at = self.spot(0.0, float(rim))
            painter.drawText(
                QRectF(0, at.y() - 18, box.left() - 6, 36), Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                f"{rim}" if rim else "rim",
            )  # fmt: skip
        letters = {12: "12 S", 6: "6 I", 9: "9 P", 3: "3 A"}
        if self.chart.case.side == "left":
            letters |= {9: "9 A", 3: "3 P"}
        for at_hours in range(13):
            hour = (at_hours + 5) % 12 + 1
            spot = self.spot(float(at_hours), low)
            where = QRectF(spot.x() - 40, box.bottom() + 1, 80, self.height() - box.bottom() - 2)
            where.moveLeft(min(max(where.left(), box.left() - 30.0), self.width() - 70.0))
            painter.drawText(where, Qt.AlignmentFlag.AlignCenter, letters.get(hour, str(hour)))

    # mouse -----------------------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Take hold of a hole, or go to the place."""
        if event.button() != Qt.MouseButton.LeftButton:
            return
        self._dragged = self._hole_at(event.position())
        self._drag_at = None
        if self._dragged is None:
            place = self.place(event.position())
            if place is not None:
                self._workbench.go_to_wall(*place)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Drag the hole, or say what is under the mouse."""
        place = self.place(event.position())
        if self._dragged is not None and place is not None:
            self._drag_at = (place[0], max(place[1], 0.0))
            bench = self._workbench
            point = self.chart.wall_point_lps(*self._drag_at)
            if point is not None:
                live_hole.follow(bench, acts.site_of_label(bench, self._dragged.label), point)
            self.update()
            return
        cell = self.chart.cell_at(*place) if place else None
        self.setToolTip(cell_words(cell) if cell else "")

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Put the hole down."""
        hole, at = self._dragged, self._drag_at
        self._dragged, self._drag_at = None, None
        if hole is None:
            return
        if at is None:
            self._workbench.go_to_wall(self.chart.hours_of(hole.wall_angle_deg), hole.rim_distance_mm)
        else:
            self._workbench.move_hole(hole.label, *at)
        self.update()

    def _hole_at(self, at: QPointF) -> HoleOnWall | None:
        holes = self.chart.scene.holes if self.chart.scene else ()
        found = [(h, self.spot(self.chart.hours_of(h.wall_angle_deg), h.rim_distance_mm) - at) for h in holes]
        near = [(float(np.hypot(d.x(), d.y())), h) for h, d in found]
        distance, hole = min(near, key=lambda pair: pair[0], default=(np.inf, None))
        return hole if distance <= HOLE_PX else None
