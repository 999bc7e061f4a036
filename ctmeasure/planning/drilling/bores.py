"""Planned bores as arrays, and the doubts of the hand that drills them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]

SURFACE_U_MM = 0.08
"""Standard uncertainty of the wall along its normal where its own is not known."""
EXIT_U_MM = 0.3
"""Standard uncertainty of the exit where its own is not known."""
STEEPEST_SKID_DEG = 80.0
TRAVEL_Z = np.linspace(-4.0, 4.0, 33)
"""Standard normals at which drawn travel is tabled, as in `kernels.drilling`, which is imported late."""
TRAVEL = slice(4, None)
"""Columns of that table in `Bores.sd`."""


@dataclass(frozen=True, slots=True, eq=False)
class Bores:
    """n planned bores; vectors LPS (n, 3), lengths mm (n,).

    ``along`` and ``around`` span the wall's tangent plane, ``tilt_a`` and ``tilt_b`` the plane across the drill;
    ``sd`` (n, 4 + nodes) holds the standard deviations of placement per axis, surface, skid and tilt (radians), then by
    how much the drawn travel differs from the planned one at the nodes of `TRAVEL_Z` (see `exits`).
    All bases come from the canal frame, so that a mirrored or moved ear sees the same draws.
    """

    entry: Floats
    direction: Floats
    normal: Floats
    depth: Floats
    along: Floats
    around: Floats
    tilt_a: Floats
    tilt_b: Floats
    downhill: Floats
    sd: Floats

    def __len__(self) -> int:
        return len(self.entry)

    @property
    def vectors(self) -> Floats:
        """All vectors in the order of the drawing kernel, shape (n, 8, 3)."""
        return np.ascontiguousarray(
            np.stack(
                [
                    self.entry,
                    self.direction,
                    self.normal,
                    self.along,
                    self.around,
                    self.tilt_a,
                    self.tilt_b,
                    self.downhill,
                ],
                axis=1,
            )
        )

    @property
    def ends(self) -> Floats:
        """Where the bur's centre stops, shape (n, 3)."""
        return self.entry + self.depth[:, None] * self.direction

    def with_travel(self, changes_mm: Floats) -> Bores:
        """The same with other drawn travel; rows that are not known keep theirs."""
        sd = self.sd.copy()
        known = np.isfinite(changes_mm).all(axis=1)
        sd[known, TRAVEL] = changes_mm[known]
        return replace(self, sd=sd)

    def take(self, rows: NDArray[np.intp]) -> Bores:
        """Some of them."""
        return Bores(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def make_bores(
    entry: Floats,
    direction: Floats,
    *,
    normal: Floats,
    depth: Floats,
    angle_to_normal_deg: Floats,
    surface_u_mm: Floats,
    exit_u_mm: Floats,
    canal: CanalFrame,
    settings: Settings,
) -> Bores:
    """Planned bores with their bases and doubts.

    Parameters
    ----------
    entry, direction, normal
        Shape (n, 3), unit vectors into the bone.
    depth
        Travel of the bur's centre, shape (n,), mm.
    angle_to_normal_deg
        Shape (n,).
    surface_u_mm, exit_u_mm
        Standard uncertainties of surface and exit, shape (n,); NaN takes the default. Drawn travel is normal.
    canal
        The canal frame, for the bases.
    settings
        Placement, angle and skid in the ear.

    Returns
    -------
    Bores

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    axis = np.broadcast_to(canal.axis_lps, entry.shape)
    turning = canal.direction_lps(canal.wall_angle_deg(entry) + 90.0)
    along = _across(axis, normal, turning)
    around = _remainder(turning, normal, along)
    tilt_a = _across(axis, direction, normal)
    tilt_b = _remainder(turning, direction, tilt_a)
    downhill = _across(direction, normal, along)
    psi = np.radians(np.clip(angle_to_normal_deg, 0.0, STEEPEST_SKID_DEG))
    sd = np.column_stack(
        [
            np.full(len(entry), settings.hole_placement_u_mm),
            np.nan_to_num(surface_u_mm, nan=SURFACE_U_MM),
            settings.skid_mm * np.tan(psi),
            np.full(len(entry), np.radians(settings.drill_angle_u_deg)),
            np.nan_to_num(exit_u_mm, nan=EXIT_U_MM)[:, None] * TRAVEL_Z,
        ]
    )
    arrays = (entry, direction, normal, depth, along, around, tilt_a, tilt_b, downhill, sd)
    return Bores(*(np.ascontiguousarray(a, dtype=np.float64) for a in arrays))


def _across(vector: Floats, axis: Floats, fallback: Floats) -> Floats:
    """Unit part of a vector across an axis; of the fallback where the vector runs along the axis."""
    part = vector - np.sum(vector * axis, axis=1, keepdims=True) * axis
    spare = fallback - np.sum(fallback * axis, axis=1, keepdims=True) * axis
    length = np.linalg.norm(part, axis=1, keepdims=True)
    part = np.where(length > 1e-6, part, spare)
    return part / np.maximum(np.linalg.norm(part, axis=1, keepdims=True), 1e-12)


def _remainder(vector: Floats, axis: Floats, first: Floats) -> Floats:
    """Unit vector across axis and first, on the side of a given vector."""
    third = np.cross(axis, first)
    sign = np.where(np.sum(third * vector, axis=1, keepdims=True) < 0, -1.0, 1.0)
    return sign * third
