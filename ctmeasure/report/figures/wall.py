"""From patient coordinates to the opened-out canal wall: dial position and distance from the rim."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.results import Verdict, ZoneCell

Floats = npt.NDArray[np.float64]
CellValue = Literal["thickness_mm", "clearance_mm", "p_below_margin", "angle_to_normal_deg", "over_margin_mm"]
"""Values of a cell that a map can show."""

SHADOW_STEP_MM = 0.3
"""Tubes are projected at points this far apart."""


@dataclass(frozen=True, slots=True)
class HoleOnWall:
    """One hole as drawn on the maps: its number, where it is and how large its mouth is."""

    label: str
    wall_angle_deg: float
    rim_distance_mm: float
    radius_mm: float
    first_pair: bool = False


@dataclass(frozen=True, slots=True)
class Shadow:
    """A structure projected outwards from the canal axis onto the wall.

    ``wall_angles_deg``, ``rim_distances_mm``, ``radii_mm``, ``axis_radii_mm`` have one entry a point of its course;
    the last is how far that point lies from the canal axis.
    """

    label: str
    wall_angles_deg: Floats
    rim_distances_mm: Floats
    radii_mm: Floats
    axis_radii_mm: Floats


@dataclass(frozen=True, slots=True)
class PointOnWall:
    """A landmark projected the same way; ``free`` when it is no point of the wall (drum centre, footplate)."""

    label: str
    wall_angle_deg: float
    rim_distance_mm: float
    axis_radius_mm: float
    free: bool = False


@dataclass(frozen=True, slots=True)
class WallScene:
    """Everything the maps draw, already in wall coordinates; `rim_radius_mm` is the mean radius of the rim,
    `key_words` says which asked-for hole each capital letter means."""

    side: Side
    cells: tuple[ZoneCell, ...]
    holes: tuple[HoleOnWall, ...]
    shadows: tuple[Shadow, ...]
    points: tuple[PointOnWall, ...]
    rim_radius_mm: float
    rim_limits_mm: tuple[float, float]
    angle_step_deg: float
    rim_step_mm: float
    hole_band_mm: tuple[float, float]
    clock_flag: str = ""
    key_words: str = ""

    @property
    def wall_angles_deg(self) -> Floats:
        """Middles of the map's columns, rising evenly, shape (n,)."""
        found = [cell.wall_angle_deg for cell in self.cells]
        steps = np.arange(round((max(found) - min(found)) / self.angle_step_deg) + 1, dtype=np.float64)
        return np.asarray(steps * self.angle_step_deg + min(found))

    @property
    def rims_mm(self) -> Floats:
        """Middles of the map's rows, rising evenly, shape (m,)."""
        low, high = self.rim_limits_mm
        steps = np.arange(round((high - low) / self.rim_step_mm) + 1, dtype=np.float64)
        return np.asarray(steps * self.rim_step_mm + low)

    @property
    def rim_edges_mm(self) -> Floats:
        """Edges of the map's rows, shape (m + 1,); nothing is drawn below the first row's middle."""
        edges = np.append(self.rims_mm, self.rims_mm[-1] + self.rim_step_mm) - self.rim_step_mm / 2.0
        edges[0] = self.rim_limits_mm[0]
        return edges

    def _place(self, cell: ZoneCell, first_deg: float) -> tuple[int, int]:
        row = round((cell.rim_distance_mm - self.rim_limits_mm[0]) / self.rim_step_mm)
        return row, round((cell.wall_angle_deg - first_deg) / self.angle_step_deg)

    def mask(self, cells: Iterable[ZoneCell]) -> npt.NDArray[np.bool_]:
        """Where on the grid some of the cells lie, shape (m, n)."""
        first = float(self.wall_angles_deg[0])
        found = np.zeros((len(self.rims_mm), len(self.wall_angles_deg)), dtype=np.bool_)
        for cell in cells:
            found[self._place(cell, first)] = True
        return found

    def table(self, value: CellValue) -> Floats:
        """One value of every cell on the grid, shape (m, n), NaN where there is none."""
        first = float(self.wall_angles_deg[0])
        found = np.full((len(self.rims_mm), len(self.wall_angles_deg)), np.nan)
        for cell in self.cells:
            number = getattr(cell, value)
            if number is not None:
                found[self._place(cell, first)] = number
        return found

    @property
    def out_of_reach(self) -> tuple[ZoneCell, ...]:
        """The cells that this instrument cannot reach, whatever their verdict."""
        return tuple(cell for cell in self.cells if cell.reachable is False)

    def verdict_cells(self, verdict: Verdict) -> list[ZoneCell]:
        """The cells of one verdict."""
        return [cell for cell in self.cells if cell.verdict == verdict]


def dial(wall_angle_deg: npt.ArrayLike, side: Side) -> Floats:
    """Position along the opened-out wall in hours: 0 at 6 o'clock, through 9, 12 and 3, to 12 at 6 o'clock again.

    Example
    -------
    >>> float(dial(0.0, "right")), float(dial(90.0, "right")), float(dial(90.0, "left"))
    (6.0, 3.0, 9.0)
    """
    return np.mod(clock_hour(wall_angle_deg, side) + 6.0, 12.0)


def project(points_lps: Floats, canal: CanalFrame, rim: RimCurve) -> tuple[Floats, Floats, Floats]:
    """Wall angle, distance from the rim along the canal axis, and distance from that axis, for points (n, 3).

    Notes
    -----
    The distance is taken straight along the axis, not over the bone: a shadow, good for seeing what lies behind which
    part of the wall, and no measurement.
    """
    angle = canal.wall_angle_deg(points_lps)
    rim_depth = canal.depth_mm(rim.point_lps(angle))
    return angle, canal.depth_mm(points_lps) - rim_depth, canal.radius_mm(points_lps)


def shadow(label: str, points_lps: Floats, radii_mm: Floats, canal: CanalFrame, rim: RimCurve) -> Shadow:
    """A tube as projected onto the wall."""
    from ctmeasure.report.figures.marks import dense

    along, radii = dense(points_lps, radii_mm, step_mm=SHADOW_STEP_MM)
    angle, distance, axis_radius = project(along, canal, rim)
    return Shadow(label, angle, distance, radii, axis_radius)


def split_runs(x: Floats, keep: npt.NDArray[np.bool_], *, jump: float) -> list[slice]:
    """Stretches of a projected line that may be drawn in one stroke: kept points without a jump over the seam."""
    runs, start = [], None
    for i in range(len(x)):
        broken = not keep[i] or (start is not None and abs(x[i] - x[i - 1]) > jump)
        if broken and start is not None:
            runs.append(slice(start, i))
            start = None
        if keep[i] and start is None:
            start = i
    if start is not None:
        runs.append(slice(start, len(x)))
    return [r for r in runs if r.stop - r.start >= 2]
