"""Distances between segments, capsules, tubes and balls: the numpy reference, readable and exact.

The compiled versions for many pairs are in `ctmeasure.kernels.distances`; tests hold the two together.

A *tube* is a polyline with a radius at every vertex. Between two vertices its radius changes linearly along the
centre-line, and the solid meant is the union of all balls with those centres and radii (a "round cone", the convex hull
of its two end balls). The gap between the tube and a segment PQ swept by a bur is then exactly

    min over tube segments i, s in [0, 1], t in [0, 1]:  |P + s(Q - P) - c_i(t)| - r_i(t) - bur radius

which is convex in (s, t) for each i, so its minimum has a closed form: one inner critical point, else one of the four
edges of the unit square. That minimum is what is computed here, not the distance of the axes less the radius found
there (which over-states the gap of a tapering tube). Negative values mean overlap; a negative value is the least value
of the expression, not the depth of penetration in the sense of the shift needed to separate the solids.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import FloatArray, as_points

PARALLEL = 1e-14
"""Squared sine of the angle below which two segments are treated as parallel; the clamped end points then decide."""


def segment_segment(
    p1_lps: ArrayLike, q1_lps: ArrayLike, *, p2_lps: ArrayLike, q2_lps: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least distance between segments P1Q1 and P2Q2, with where it is reached.

    Parameters
    ----------
    p1_lps, q1_lps, p2_lps, q2_lps
        End points, shape (..., 3), LPS mm; broadcast against each other. A segment may be a single point.

    Returns
    -------
    distance_mm, s, t
        Distance, and the positions on the first and second segment (0 at P, 1 at Q) where it is reached.

    Raises
    ------
    GeometryError
        When a shape is wrong or a coordinate is not finite.

    Notes
    -----
    Every candidate (the inner critical point and the four end points clamped onto the other segment) is evaluated and
    the least is kept, so nearly parallel segments lose no accuracy. For parallel segments s and t are one of many.

    References
    ----------
    Ericson C (2005) Real-Time Collision Detection, section 5.1.9, ISBN 978-1-55860-732-3.

    Example
    -------
    >>> d, s, t = segment_segment([0, 0, 0], [10, 0, 0], p2_lps=[5, -3, 2], q2_lps=[5, 3, 2])
    >>> float(d), float(s), float(t)
    (2.0, 0.5, 0.5)
    """
    p1, q1 = as_points(p1_lps, "p1"), as_points(q1_lps, "q1")
    p2, q2 = as_points(p2_lps, "p2"), as_points(q2_lps, "q2")
    p1, q1, p2, q2 = np.broadcast_arrays(p1, q1, p2, q2)
    d1, d2, r = q1 - p1, q2 - p2, p1 - p2
    a, e, b = _dot(d1, d1), _dot(d2, d2), _dot(d1, d2)
    c, f = _dot(d1, r), _dot(d2, r)
    zero, one = np.zeros_like(a), np.ones_like(a)
    determinant = a * e - b * b
    skew = determinant > PARALLEL * a * e
    s_inner = np.where(skew, (b * f - c * e) / np.where(skew, determinant, 1.0), 0.0)
    s_inner = np.clip(s_inner, 0.0, 1.0)
    t_inner = _clamped(b * s_inner + f, e)
    candidates = [
        (_clamped(b * t_inner - c, a), t_inner),
        (zero, _clamped(f, e)),
        (one, _clamped(b + f, e)),
        (_clamped(-c, a), zero),
        (_clamped(b - c, a), one),
    ]
    s_all = np.stack([s for s, _ in candidates])
    t_all = np.stack([t for _, t in candidates])
    gap = r + s_all[..., None] * d1 - t_all[..., None] * d2
    distance = np.sqrt(_dot(gap, gap))
    best = np.argmin(distance, axis=0)[None]
    pick = [np.take_along_axis(array, best, axis=0)[0] for array in (distance, s_all, t_all)]
    return pick[0], pick[1], pick[2]


def point_segment(points_lps: ArrayLike, p_lps: ArrayLike, *, q_lps: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Least distance from points to segments PQ, with where on the segment it is reached.

    Parameters
    ----------
    points_lps, p_lps, q_lps
        Shape (..., 3), LPS mm; broadcast against each other.

    Returns
    -------
    distance_mm, t
        Distance, and the position on the segment (0 at P, 1 at Q).

    Raises
    ------
    GeometryError
        When a shape is wrong or a coordinate is not finite.

    Example
    -------
    >>> d, t = point_segment([1, 1, 0], [0, 0, 0], q_lps=[4, 0, 0])
    >>> float(d), float(t)
    (1.0, 0.25)
    """
    x, p, q = np.broadcast_arrays(as_points(points_lps), as_points(p_lps), as_points(q_lps))
    d = q - p
    t = _clamped(_dot(x - p, d), _dot(d, d))
    return np.linalg.norm(p + t[..., None] * d - x, axis=-1), t


def ball_clearance(
    p_lps: ArrayLike, q_lps: ArrayLike, *, bur_radius_mm: float, centre_lps: ArrayLike, radius_mm: ArrayLike
) -> FloatArray:
    """Signed gap between capsules PQ and balls.

    Parameters
    ----------
    p_lps, q_lps
        Ends of the bur path, shape (..., 3), LPS mm.
    bur_radius_mm
        Radius of the capsule.
    centre_lps, radius_mm
        Balls, shapes (..., 3) and (...); broadcast against the paths.

    Returns
    -------
    numpy.ndarray
        Gap in mm, negative when they overlap.

    Raises
    ------
    GeometryError
        When a shape is wrong or a coordinate is not finite.

    Example
    -------
    >>> float(ball_clearance([0, 0, 0], [0, 0, 4], bur_radius_mm=0.5, centre_lps=[0, 3, 2], radius_mm=1.0))
    1.5
    """
    distance, _ = point_segment(centre_lps, p_lps, q_lps=q_lps)
    return np.asarray(distance - np.asarray(radius_mm, dtype=np.float64) - bur_radius_mm)


def tube_clearance(
    p_lps: ArrayLike, q_lps: ArrayLike, *, bur_radius_mm: float, tube_lps: ArrayLike, tube_radius_mm: ArrayLike
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Signed gap between capsules PQ and a tube whose radius changes linearly between its vertices.

    Parameters
    ----------
    p_lps, q_lps
        Ends of the bur paths, shape (n, 3) or (3,), LPS mm.
    bur_radius_mm
        Radius of the capsule.
    tube_lps, tube_radius_mm
        Vertices (m, 3) and their radii (m,).

    Returns
    -------
    clearance_mm
        Shape of the leading axes of the paths; negative when the solids overlap.
    nearest
        Index of the tube segment where the gap is least (0 to m - 2; 0 for a tube of one vertex).

    Raises
    ------
    GeometryError
        When a shape is wrong or a number is not finite.

    Notes
    -----
    Builds arrays of n x m numbers; `ctmeasure.kernels.distances.capsule_to_tube_clearance` does not. The module's
    text says exactly which solid is meant.

    Example
    -------
    >>> gap, nearest = tube_clearance([0, 3, 0], [0, 1.5, 0], bur_radius_mm=0.3,
    ...     tube_lps=[[-5, 0, 0], [5, 0, 0]], tube_radius_mm=[0.6, 0.6])
    >>> round(float(gap), 9), int(nearest)
    (0.6, 0)
    """
    tube, radius = require_tube(tube_lps, tube_radius_mm)
    if len(tube) == 1:
        tube, radius = np.repeat(tube, 2, axis=0), np.repeat(radius, 2)
    p, q = np.broadcast_arrays(as_points(p_lps, "p"), as_points(q_lps, "q"))
    gap = _segment_round_cone(p[..., None, :], q[..., None, :], tube[:-1], tube[1:], radius[:-1], radius[1:])
    nearest = np.argmin(gap, axis=-1)
    return np.min(gap, axis=-1) - bur_radius_mm, nearest


def _point_round_cone(x: FloatArray, c0: FloatArray, c1: FloatArray, r0: FloatArray, r1: FloatArray) -> FloatArray:
    """Least of |x - c(t)| - r(t) over t in [0, 1], closed form."""
    d = c1 - c0
    e = _dot(d, d)
    length = np.sqrt(e)
    some = length > 0.0
    safe = np.where(some, length, 1.0)
    along = _dot(x - c0, d) / safe
    across = np.sqrt(np.maximum(_dot(x - c0, x - c0) - along**2, 0.0))
    slope = (r1 - r0) / safe
    tapered = np.abs(slope) < 1.0
    shift = slope * across / np.sqrt(np.where(tapered, 1.0 - slope**2, 1.0))
    t = np.where(tapered, np.clip((along + shift) / safe, 0.0, 1.0), np.where(slope > 0.0, 1.0, 0.0))
    t = np.where(some, t, np.where(r1 > r0, 1.0, 0.0))
    return np.asarray(np.linalg.norm(x - c0 - t[..., None] * d, axis=-1) - r0 - t * (r1 - r0))


def _segment_round_cone(
    p: FloatArray, q: FloatArray, c0: FloatArray, c1: FloatArray, r0: FloatArray, r1: FloatArray
) -> FloatArray:
    """Least of |p(s) - c(t)| - r(t) over the unit square: the inner critical point or one of its four edges."""
    d1, d2, r = q - p, c1 - c0, p - c0
    grow = r1 - r0
    a, e, b = _dot(d1, d1), _dot(d2, d2), _dot(d1, d2)
    c, f = _dot(d1, r), _dot(d2, r)
    determinant = a * e - b * b
    skew = determinant > PARALLEL * a * e
    safe = np.where(skew, determinant, 1.0)
    steep = 1.0 - grow**2 * a / safe
    skew &= steep > 0.0
    height = np.abs(_dot(np.cross(d1, d2), r)) / np.sqrt(safe)
    reach = grow * height / np.sqrt(np.where(skew, steep, 1.0))
    s = np.where(skew, np.clip((b * (f + reach) - c * e) / safe, 0.0, 1.0), 0.0)
    edges = [
        _point_round_cone(p + s[..., None] * d1, c0, c1, r0, r1),
        _point_round_cone(p + 0.0 * c0, c0, c1, r0, r1),
        _point_round_cone(q + 0.0 * c0, c0, c1, r0, r1),
        point_segment(c0 + 0.0 * p, p, q_lps=q)[0] - r0,
        point_segment(c1 + 0.0 * p, p, q_lps=q)[0] - r1,
    ]
    return np.asarray(np.min(np.stack(edges), axis=0))


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.sum(a * b, axis=-1))


def _clamped(numerator: FloatArray, squared_length: FloatArray) -> FloatArray:
    """Position on a segment, 0 to 1; 0 when the segment is a point."""
    some = squared_length > 0.0
    return np.clip(np.where(some, numerator / np.where(some, squared_length, 1.0), 0.0), 0.0, 1.0)


def require_tube(tube_lps: ArrayLike, tube_radius_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Check a tube: at least one vertex, one radius per vertex, no negative radius.

    Parameters
    ----------
    tube_lps
        Vertices, shape (m, 3), LPS mm.
    tube_radius_mm
        Shape (m,).

    Returns
    -------
    tube_lps, tube_radius_mm
        float64 arrays.

    Raises
    ------
    GeometryError
        When shapes disagree or a radius is negative or not finite.

    Example
    -------
    >>> require_tube([[0, 0, 0], [1, 0, 0]], [0.5, 0.6])[1].tolist()
    [0.5, 0.6]
    """
    tube = as_points(tube_lps, "tube")
    radius = np.asarray(tube_radius_mm, dtype=np.float64)
    if tube.ndim != 2 or len(tube) < 1 or radius.shape != (len(tube),):
        raise GeometryError(
            f"tube of shape {tube.shape} with radii of shape {radius.shape}", expected="(m, 3) vertices and (m,) radii"
        )
    if not np.all(np.isfinite(radius)) or np.any(radius < 0.0):
        raise GeometryError("a tube radius that is negative or not finite", expected="a radius of 0 mm or more")
    return tube, radius
