"""Structures a bur must keep clear of: tubes, patches and balls, each with the doubt of its surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.vocabulary import Status, structure_term
from ctmeasure.errors import LandmarkError

Floats = npt.NDArray[np.float64]

TRACED_UP_TO_POINTS = 6
"""A tube of two to six points without radii is a set of clicks to trace from, not a tube to measure to."""
PATCH_MINIMUM_POINTS = 3
"""Three points span the smallest patch."""


@dataclass(frozen=True, slots=True)
class _Marked:
    id: str
    status: Status
    points: tuple[PointLps, ...]
    surface_u_mm: float | None = None
    confirmed_by: str = ""

    def __post_init__(self) -> None:
        structure_term(self.id)
        if self.status in ("absent", "not_seen"):
            if self.points:
                raise LandmarkError(
                    f"structure '{self.id}' has status {self.status} and coordinates",
                    expected="no coordinates for an absent or not seen structure",
                    action="delete the coordinates or set the status to placed",
                )
            return
        if not self.points:
            raise LandmarkError(
                f"structure '{self.id}' has no coordinates",
                expected="coordinates, or status absent or not_seen",
                action="mark it or set its status",
            )
        if not np.isfinite(self.points).all():
            raise LandmarkError(
                f"structure '{self.id}' has a coordinate that is not a number",
                expected="finite LPS millimetres",
                action="correct the row",
            )
        if self.surface_u_mm is not None and not (np.isfinite(self.surface_u_mm) and self.surface_u_mm >= 0):
            raise LandmarkError(
                f"structure '{self.id}' has surface uncertainty {self.surface_u_mm}",
                expected="a number of mm, zero or more",
                action="correct u_mm",
            )

    @property
    def is_marked(self) -> bool:
        """Whether there is anything to measure a clearance to."""
        return bool(self.points)

    @property
    def points_lps(self) -> Floats:
        """The marked points, shape (n, 3), LPS mm."""
        return np.array(self.points, dtype=np.float64).reshape(-1, 3)


@dataclass(frozen=True, slots=True)
class Tube(_Marked):
    """A polyline with a radius at every vertex (None where it is still to be measured in the scan).

    ``bulges_mm`` says how much of each radius is an allowance for a nerve that stands out of an open canal; empty where
    nobody looked for open stretches.

    Example
    -------
    >>> Tube("facial_nerve", "placed", ((0.0, 0.0, 0.0), (0.0, 0.0, 5.0)), radii_mm=(0.6, 0.7)).has_radii
    True
    """

    radii_mm: tuple[float | None, ...] = ()
    bulges_mm: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        _Marked.__post_init__(self)
        if len(self.bulges_mm) not in (0, len(self.points)):
            raise LandmarkError(
                f"tube '{self.id}' has {len(self.points)} points and {len(self.bulges_mm)} allowances",
                expected="one allowance a point, or none",
            )
        if len(self.radii_mm) != len(self.points):
            raise LandmarkError(
                f"tube '{self.id}' has {len(self.points)} points and {len(self.radii_mm)} radii",
                expected="one radius (or none) a point",
                action="correct radius_mm",
            )
        if self.is_marked and len(self.points) < 2:
            raise LandmarkError(
                f"tube '{self.id}' of one point", expected="two or more in order", action="mark more of its course"
            )
        if any(r is not None and not (np.isfinite(r) and r > 0) for r in self.radii_mm):
            raise LandmarkError(
                f"tube '{self.id}' has a radius that is not above zero", expected="mm", action="correct radius_mm"
            )

    @property
    def has_radii(self) -> bool:
        """Whether a radius is given at every vertex."""
        return self.is_marked and all(r is not None for r in self.radii_mm)

    @property
    def radii(self) -> Floats:
        """Radius at every vertex, shape (n,), mm; NaN where none is given."""
        return np.array([np.nan if r is None else r for r in self.radii_mm], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Patch(_Marked):
    """Points on the side that faces the drill; not assessed beyond its edge."""

    def __post_init__(self) -> None:
        _Marked.__post_init__(self)
        if self.is_marked and len(self.points) < PATCH_MINIMUM_POINTS:
            raise LandmarkError(
                f"patch '{self.id}' of {len(self.points)} points",
                expected=f"at least {PATCH_MINIMUM_POINTS}",
                action="mark more of its surface",
            )


@dataclass(frozen=True, slots=True)
class Ball(_Marked):
    """A centre with a radius."""

    radius_mm: float | None = None

    def __post_init__(self) -> None:
        _Marked.__post_init__(self)
        if self.is_marked and (
            len(self.points) != 1 or self.radius_mm is None or not (np.isfinite(self.radius_mm) and self.radius_mm > 0)
        ):
            raise LandmarkError(
                f"ball '{self.id}' of {len(self.points)} points and radius {self.radius_mm}",
                expected="one centre and a radius above zero",
                action="give a radius, or mark it as a patch of three or more points",
            )


Structure = Tube | Patch | Ball
