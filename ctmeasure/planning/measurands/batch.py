"""Geometry of many draws at once: arrays (draws, ..., 3) in, arrays (draws, ...) out, no loop over draws.

These repeat on whole arrays what `ctmeasure.anatomy.frames` does for one set of points; tests hold the two together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def dot(a: Floats, b: Floats) -> Floats:
    """Inner product over the last axis."""
    return np.einsum("...i,...i->...", a, b)


def length(a: Floats) -> Floats:
    """Length over the last axis."""
    return np.sqrt(dot(a, a))


def unit(a: Floats) -> Floats:
    """Unit vectors over the last axis."""
    return a / length(a)[..., None]


def facing(normals: Floats, towards: Floats) -> Floats:
    """The same normals, each turned to the side of ``towards``."""
    return np.where(dot(normals, towards)[..., None] < 0.0, -normals, normals)


@dataclass(frozen=True, eq=False)
class Planes:
    """One plane a draw: points and unit normals, shape (draws, 3)."""

    point_lps: Floats
    normal_lps: Floats

    def signed_distance_mm(self, points_lps: Floats) -> Floats:
        """Signed distance of (draws, 3) points, shape (draws,)."""
        return dot(points_lps - self.point_lps, self.normal_lps)


def fit_planes(points_lps: Floats, towards_lps: Floats) -> Planes:
    """Least-squares planes through (draws, n, 3) points, normals on the side of ``towards_lps``.

    Notes
    -----
    The normal is the eigenvector of the least eigenvalue of the scatter matrix, in closed form: ten times faster here
    than a general eigenvalue routine called once a draw.

    References
    ----------
    Smith OK (1961) Eigenvalues of a symmetric 3 x 3 matrix. Commun ACM 4:168, DOI 10.1145/355578.366316.
    """
    points = points_lps.transpose(1, 0, 2)
    centre = points.sum(axis=0) / len(points)
    x, y, z = ((points[..., axis] - centre[:, axis]) for axis in range(3))
    products = [np.einsum("nd,nd->d", a, b) for a, b in ((x, x), (x, y), (x, z), (y, y), (y, z), (z, z))]
    scatter = np.stack([products[k] for k in (0, 1, 2, 1, 3, 4, 2, 4, 5)], axis=-1).reshape(-1, 3, 3)
    normal = _least_eigenvector(scatter)
    return Planes(centre, facing(normal, np.broadcast_to(towards_lps, normal.shape)))


def _least_eigenvector(scatter: Floats) -> Floats:
    third = np.trace(scatter, axis1=1, axis2=2) / 3.0
    deviator = scatter - third[:, None, None] * np.eye(3)
    spread = np.sqrt(np.einsum("dij,dij->d", deviator, deviator) / 6.0)
    rows = deviator / np.where(spread > 0.0, spread, 1.0)[:, None, None]
    half_det = np.clip(dot(rows[:, 0], np.cross(rows[:, 1], rows[:, 2])) / 2.0, -1.0, 1.0)
    least = 2.0 * np.cos(np.arccos(half_det) / 3.0 + 2.0 * np.pi / 3.0)
    rows[:, [0, 1, 2], [0, 1, 2]] -= least[:, None]
    crosses = np.stack([np.cross(rows[:, i], rows[:, (i + 1) % 3]) for i in range(3)], axis=1)
    squares = dot(crosses, crosses)
    return unit(np.take_along_axis(crosses, np.argmax(squares, axis=1)[:, None, None], axis=1)[:, 0])


@dataclass(frozen=True, eq=False)
class Canals:
    """One canal frame a draw: origin, axis u, superior and posterior directions, each (draws, 3)."""

    origin_lps: Floats
    axis_lps: Floats
    superior_lps: Floats
    posterior_lps: Floats

    def wall_angle_deg(self, points_lps: Floats) -> Floats:
        """Wall angle in [0, 360) of points (draws, ..., 3)."""
        extra = (1,) * (points_lps.ndim - 2)
        shape = (-1, *extra, 3)
        offset = points_lps - self.origin_lps.reshape(shape)
        up, back = dot(offset, self.superior_lps.reshape(shape)), dot(offset, self.posterior_lps.reshape(shape))
        return np.mod(np.degrees(np.arctan2(back, up)), 360.0)


def canals(medial_lps: Floats, lateral_lps: Floats, superior_hint_lps: Floats, *, right: bool) -> Canals:
    """Canal frames from the two canal centres and the direction that tells what superior is."""
    axis = unit(lateral_lps - medial_lps)
    up = unit(superior_hint_lps - dot(superior_hint_lps, axis)[..., None] * axis)
    across = np.cross(axis, up)
    return Canals(medial_lps, axis, up, across if right else -across)


def turn_vectors_deg(first: Floats, second: Floats) -> Floats:
    """Rotation from one direction to another as a vector: along the axis of turning, its length the angle in degrees.

    Its length is the angle without the loss of digits of an arc cosine; near zero its two components across the
    directions scatter like the two coordinates of a point, which is how an interval for a small angle is found.
    """
    a, b = unit(first), unit(second)
    cross = np.cross(a, b)
    sine = length(cross)
    angle = np.degrees(np.arctan2(sine, dot(a, b)))
    return np.where(sine > 0.0, angle / np.where(sine > 0.0, sine, 1.0), 0.0)[..., None] * cross


@dataclass(frozen=True, eq=False)
class NearestOnTube:
    """Where a tube comes nearest: gap to its wall (draws,), centre-line point (draws, 3) and radius (draws,) there."""

    gap_mm: Floats
    centre_lps: Floats
    radius_mm: Floats

    def wall_lps(self, points_lps: Floats, surface_mm: Floats) -> Floats:
        """The point of the tube's wall (moved out by ``surface_mm``) on the way from each point to the centre-line."""
        towards = points_lps - self.centre_lps
        reach = length(towards)
        share = (self.radius_mm + surface_mm) / np.where(reach > 0.0, reach, 1.0)
        return self.centre_lps + share[:, None] * towards


def nearest_on_tube(points_lps: Floats, tube_lps: Floats, radii_mm: Floats) -> NearestOnTube:
    """Least gap from points (draws, 3) to the wall of a tube (m, 3) whose radius changes linearly between vertices.

    Notes
    -----
    The segment of least gap comes from the exact kernel; the centre-line point on it is the foot of the perpendicular
    (where the radius changes along the segment, the least gap lies a little beside it, by the sine of the taper).
    """
    from ctmeasure.kernels.distances import capsule_to_tube_clearance

    gap, segment = capsule_to_tube_clearance(
        points_lps, points_lps, bur_radius_mm=0.0, tube_lps=tube_lps, tube_radius_mm=radii_mm
    )
    first = tube_lps[segment]
    along = tube_lps[segment + 1] - first
    t = np.clip(dot(points_lps - first, along) / dot(along, along), 0.0, 1.0)
    return _foot(gap, segment, t, tube_lps, radii_mm)


def nearest_tube_to_path(start_lps: Floats, end_lps: Floats, tube_lps: Floats, radii_mm: Floats) -> NearestOnTube:
    """Least gap from straight paths (draws, 3) to (draws, 3) to the wall of a tube; notes as in `nearest_on_tube`."""
    from ctmeasure.kernels.distances import capsule_to_tube_clearance, segment_segment_distance

    gap, segment = capsule_to_tube_clearance(
        start_lps, end_lps, bur_radius_mm=0.0, tube_lps=tube_lps, tube_radius_mm=radii_mm
    )
    _, _, t = segment_segment_distance(start_lps, end_lps, p2=tube_lps[segment], q2=tube_lps[segment + 1])
    return _foot(gap, segment, t, tube_lps, radii_mm)


def _foot(
    gap_mm: Floats, segment: npt.NDArray[np.int64], t: Floats, tube_lps: Floats, radii_mm: Floats
) -> NearestOnTube:
    centre = tube_lps[segment] + t[:, None] * (tube_lps[segment + 1] - tube_lps[segment])
    radius = radii_mm[segment] + t * (radii_mm[segment + 1] - radii_mm[segment])
    return NearestOnTube(gap_mm, centre, radius)
