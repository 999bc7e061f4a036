"""From patient coordinates to the opened-out canal wall: dial position and distance from the rim."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.results import Verdict, ZoneCell

Floats = npt.NDArray[np.float64]

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


def grid_of(cells: Sequence[ZoneCell], value: str) -> tuple[Floats, Floats, Floats]:
    """Cell values on the grid: sorted wall angles (n,), rim distances (m,), values (m, n) with NaN for none."""
    angles = np.array(sorted({c.wall_angle_deg for c in cells}))
    rims = np.array(sorted({c.rim_distance_mm for c in cells}))
    column = {a: i for i, a in enumerate(angles)}
    row = {r: i for i, r in enumerate(rims)}
    table = np.full((len(rims), len(angles)), np.nan)
    for cell in cells:
        found = getattr(cell, value)
        if found is not None:
            table[row[cell.rim_distance_mm], column[cell.wall_angle_deg]] = found
    return angles, rims, table


def columns_of(cells: Sequence[ZoneCell], step_mm: float) -> list[tuple[float, float, float]]:
    """Cells joined along the wall: (wall angle, lowest rim distance, highest rim distance) of every gapless run.

    Example
    -------
    >>> columns_of((), 0.5)
    []
    """
    runs: list[tuple[float, float, float]] = []
    for angle, rim in sorted((cell.wall_angle_deg, cell.rim_distance_mm) for cell in cells):
        if runs and runs[-1][0] == angle and rim - runs[-1][2] <= 1.5 * step_mm:
            runs[-1] = (angle, runs[-1][1], rim)
        else:
            runs.append((angle, rim, rim))
    return runs
