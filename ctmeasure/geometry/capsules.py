"""Distances between segments, capsules, tubes, balls and triangle patches: the numpy reference, readable and exact.

The compiled versions for many pairs are in `ctmeasure.kernels.distances`; tests hold the two together.

A *tube* is a polyline with a radius at every vertex. Between two vertices its radius changes linearly along the
centre-line, and the solid meant is the union of the balls with those centres and radii (a "round cone": the convex hull
of its two end balls). So the gap between the tube and a segment swept by a bur is exactly

    min over tube segments i, over p on the bur path, over t in [0, 1]:  |p - c_i(t)| - r_i(t) - bur radius

and that minimum, not the distance of the axes less the radius found there, is what is computed here. Where the radius
is constant the two agree. Negative values say how far the solids overlap measured along the centre-line normals; they
are exact as "overlap or not", and as a depth they are the least value of the expression above.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

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
