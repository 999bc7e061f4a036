"""The unrolled canal wall: a quantity over wall angle and rim distance, read anywhere and averaged by area."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.clock import in_stretch
from ctmeasure.anatomy.facts import WallState
from ctmeasure.errors import GeometryError
from ctmeasure.imaging.canal_surface import OUTSIDE, STATUS_WORDS
from ctmeasure.imaging.canal_wall import CanalWall

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CLIPPED = "clipped"
"""Status of a cell that the scan does not hold."""
ENTERED_WORDS = {
    "eroded_scutum": "eroded",
    "taken_down": "taken down",
    "rebuilt": "rebuilt",
    "earlier_holes": "earlier hole",
}
"""Status of a cell by what was entered about its sector; it goes before what the scan shows."""
EQUAL_STEPS_DEG = 1e-6
"""Wall angles whose steps differ by more than this do not go round evenly."""


@dataclass(frozen=True, slots=True, eq=False)
class UnrolledMap:
    """A quantity on the canal wall.

    Attributes
    ----------
    wall_angles_deg, rim_distances_mm
        Shape (a,) and (r,); the angles go round in equal steps.
    values
        Shape (a, r), in ``unit``; NaN where there is none.
    areas_mm2
        Shape (a, r): bone surface that each cell stands for; 0 where no surface was found.
    status
        Shape (a, r): "measured", "soft tissue", "gap", "no edge", "clipped", or what was entered ("eroded",
        "taken down", "rebuilt", "earlier hole").
    """

    wall_angles_deg: Floats
    rim_distances_mm: Floats
    values: Floats
    areas_mm2: Floats
    status: NDArray[np.str_]
    unit: str

    def sample(self, wall_angle_deg: ArrayLike, rim_distance_mm: ArrayLike) -> Floats:
        """Read the map, bilinearly and closed in angle; NaN outside it or where a cell with weight has no value.

        Raises
        ------
        ValueError
            When the shapes do not broadcast.
        """
        angle, rim = np.broadcast_arrays(np.asarray(wall_angle_deg, float), np.asarray(rim_distance_mm, float))
        count, rims = len(self.wall_angles_deg), self.rim_distances_mm
        column = np.mod(angle - self.wall_angles_deg[0], 360.0) / (360.0 / count)
        row = np.interp(rim, rims, np.arange(len(rims)), left=np.nan, right=np.nan)
        known = np.isfinite(column) & np.isfinite(row)
        column, row = np.where(known, column, 0.0), np.where(known, row, 0.0)
        i, j = np.floor(column).astype(np.intp) % count, np.minimum(np.floor(row).astype(np.intp), len(rims) - 1)
        a, b = column - np.floor(column), row - j
        total = np.zeros(angle.shape)
        for di, dj, weight in ((0, 0, (1 - a) * (1 - b)), (1, 0, a * (1 - b)), (0, 1, (1 - a) * b), (1, 1, a * b)):
            corner = self.values[(i + di) % count, np.minimum(j + dj, len(rims) - 1)]
            total = total + np.where(weight > 1e-9, weight * corner, 0.0)
        return np.where(known, total, np.nan)

    def within(self, start_deg: float, end_deg: float, *, rim_low_mm: float, rim_high_mm: float) -> Bools:
        """Cells between two wall angles (start included, end excluded, through 0) and two rim distances."""
        angles = in_stretch(self.wall_angles_deg, start_deg, end_deg)
        rims = (self.rim_distances_mm >= rim_low_mm) & (self.rim_distances_mm <= rim_high_mm)
        return angles[:, None] & rims[None, :]

    def area_mm2(self, cells: Bools | None = None) -> float:
        """Area of some cells, with a value or without."""
        return float(self.areas_mm2[_all(cells, self.values)].sum())

    def known_share(self, cells: Bools | None = None) -> float:
        """Share of the area of some cells that has a value; 0 where there is no area."""
        chosen = _all(cells, self.values)
        area = self.areas_mm2[chosen].sum()
        return float(self.areas_mm2[chosen & np.isfinite(self.values)].sum() / area) if area > 0 else 0.0

    def mean(self, cells: Bools | None = None) -> float:
        """Mean over the area of some cells that have a value; NaN without any."""
        values, areas = self._weighed(cells)
        return float(np.average(values, weights=areas)) if areas.sum() > 0 else float("nan")

    def quantile(self, share: float, cells: Bools | None = None) -> float:
        """Value below which this share of the area lies (of cells with a value); NaN without any.

        Raises
        ------
        GeometryError
            When the share is not between 0 and 1.
        """
        if not 0.0 <= share <= 1.0:
            raise GeometryError(f"a share of {share:g}", expected="0 to 1")
        values, areas = self._weighed(cells)
        if not areas.sum() > 0:
            return float("nan")
        order = np.argsort(values, kind="stable")
        below = np.cumsum(areas[order]) / areas.sum()
        return float(values[order][np.searchsorted(below, share - 1e-12)])

    def share(self, where: Bools, cells: Bools | None = None) -> float:
        """Share of the area (of cells with a value) where something holds; NaN without any."""
        chosen = _all(cells, self.values) & np.isfinite(self.values)
        area = self.areas_mm2[chosen].sum()
        return float(self.areas_mm2[chosen & where].sum() / area) if area > 0 else float("nan")

    def _weighed(self, cells: Bools | None) -> tuple[Floats, Floats]:
        chosen = _all(cells, self.values) & np.isfinite(self.values)
        return self.values[chosen], self.areas_mm2[chosen]


def unroll(wall: CanalWall, values: ArrayLike, *, unit: str = "mm", entered: Iterable[WallState] = ()) -> UnrolledMap:
    """Lay a quantity of the wall's cells out as a map.

    Parameters
    ----------
    wall
        On a grid whose wall angles go round in equal steps.
    values
        Shape (a, r), one for each cell of the wall; NaN: none.
    unit
        Of the values.
    entered
        What was entered about sectors of the wall.

    Returns
    -------
    UnrolledMap

    Raises
    ------
    GeometryError
        When the shape is not the wall's, or its angles do not go round evenly.

    Notes
    -----
    A cell's area is that of the parallelogram of the surface's steps around and along it (half a step at the ends along
    the canal), so that a mean does not count the narrow deep end as much as the wide outer one.
    """
    field = np.array(values, dtype=np.float64)
    angles, rims = wall.wall_angles_deg, wall.rim_distances_mm
    if field.shape != wall.status.shape:
        raise GeometryError(
            f"values of shape {field.shape}", expected=f"one for each cell of the wall, {wall.status.shape}"
        )
    steps = np.diff(np.append(angles, angles[0] + 360.0))
    if len(angles) < 3 or len(rims) < 2 or np.ptp(steps) > EQUAL_STEPS_DEG:
        raise GeometryError(
            f"{len(angles)} wall angles in steps of {steps.min():g} to {steps.max():g} degrees",
            expected="at least 3 in equal steps all round, and 2 rim distances",
            action="find the wall on an even grid",
        )
    areas = cell_areas_mm2(wall.points_lps)
    status = np.where(wall.status == STATUS_WORDS[OUTSIDE], CLIPPED, wall.status).astype("<U16")
    for state in entered:
        if state.finding in ENTERED_WORDS:
            sector = in_stretch(angles, state.start_deg, state.end_deg)[:, None] & (status != CLIPPED)
            status = np.where(sector, ENTERED_WORDS[state.finding], status)
    for array in (field, areas, status):
        array.setflags(write=False)
    return UnrolledMap(angles, rims, field, areas, status, unit)


def cell_areas_mm2(points_lps: Floats) -> Floats:
    """Area of each cell of a closed surface grid (around first, then along), shape (a, r); 0 where it has no point.

    Example
    -------
    >>> angle = np.radians(np.arange(0.0, 360.0, 2.0))[:, None]
    >>> x = np.linspace(0.0, 5.0, 11)[None, :]
    >>> tube = np.stack(np.broadcast_arrays(3.0 * np.cos(angle), 3.0 * np.sin(angle), x), axis=-1)
    >>> bool(abs(cell_areas_mm2(tube).sum() / (2 * np.pi * 3.0 * 5.0) - 1) < 1e-3)
    True
    """
    around = 0.5 * (_step(points_lps, 1) - _step(points_lps, -1))
    ahead = np.full(points_lps.shape, np.nan)
    ahead[:, :-1] = points_lps[:, 1:] - points_lps[:, :-1]
    behind = np.full(points_lps.shape, np.nan)
    behind[:, 1:] = ahead[:, :-1]
    # Half a step to either neighbour that is there: a cell at the end of the wall stands for half a step.
    along = 0.5 * (np.nan_to_num(ahead) + np.nan_to_num(behind))
    area = np.linalg.norm(np.cross(np.nan_to_num(around), along), axis=-1)
    return np.where(np.isfinite(points_lps).all(axis=-1), area, 0.0)


def _step(points: Floats, by: int) -> Floats:
    """The neighbour around the canal; the point itself where there is none, which makes a one-sided half step."""
    beside = np.roll(points, -by, axis=0)
    return np.where(np.isfinite(beside), beside, points)


def _all(cells: Bools | None, values: Floats) -> Bools:
    return np.ones(values.shape, np.bool_) if cells is None else np.asarray(cells, dtype=np.bool_)
