"""Compiled distances: segment to segment, bur capsule to tube, and the same under Monte Carlo draws.

The solids are those of `ctmeasure.geometry.capsules`: between two vertices of a tube the radius changes linearly and
the solid is the convex hull of the two end balls (round cone). All arrays are float64 millimetres in one frame.
Work is split over draws or paths only, never summed across threads, so results do not depend on the thread count.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.kernels.primitives import point_segment, segment_cone, segment_segment

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]

CHUNK = 8
"""Tube segments that share one bounding ball: few enough that a ball is tight, many enough that it saves work."""


@njit(cache=True, parallel=True)
def _segments(p1, q1, p2, q2, distance, s, t):  # type: ignore[no-untyped-def]
    for i in prange(p1.shape[0]):
        d, u, v = segment_segment(
            p1[i, 0], p1[i, 1], p1[i, 2], q1[i, 0] - p1[i, 0], q1[i, 1] - p1[i, 1], q1[i, 2] - p1[i, 2],
            p2[i, 0], p2[i, 1], p2[i, 2], q2[i, 0] - p2[i, 0], q2[i, 1] - p2[i, 1], q2[i, 2] - p2[i, 2],
        )  # fmt: skip
        distance[i], s[i], t[i] = d, u, v


@njit(cache=True, parallel=True)
def _tube_draws(p, q, bur, tube, radius, balls, modes, amplitude, radius_shift, gap, nearest):  # type: ignore[no-untyped-def]
    """Per draw: visit the chunks of the tube in order of their bounding balls' lower bound, skip what cannot win."""
    n, m = p.shape[0], tube.shape[0]
    chunks, width = balls.shape[0], modes.shape[1]
    for i in prange(n):
        px, py, pz = p[i, 0], p[i, 1], p[i, 2]
        dx, dy, dz = q[i, 0] - px, q[i, 1] - py, q[i, 2] - pz
        bound = np.empty(chunks)
        for k in range(chunks):
            distance, _ = point_segment(balls[k, 0], balls[k, 1], balls[k, 2], px, py, pz, dx, dy, dz)
            sway = 0.0
            for j in range(width):
                ax, ay, az = amplitude[i, j, 0], amplitude[i, j, 1], amplitude[i, j, 2]
                sway += balls[k, 4 + j] * math.sqrt(ax * ax + ay * ay + az * az)
            bound[k] = distance - balls[k, 3] - sway - max(radius_shift[i], 0.0)
        best, where = np.inf, 0
        for _ in range(chunks):
            k = int(np.argmin(bound))
            if bound[k] >= best:
                break
            bound[k] = np.inf
            first = k * CHUNK
            last = min(first + CHUNK, m - 1)
            ax, ay, az = tube[first, 0], tube[first, 1], tube[first, 2]
            for j in range(width):
                ax += modes[first, j] * amplitude[i, j, 0]
                ay += modes[first, j] * amplitude[i, j, 1]
                az += modes[first, j] * amplitude[i, j, 2]
            ra = max(radius[first] + radius_shift[i], 0.0)
            for v in range(first, last):
                bx, by, bz = tube[v + 1, 0], tube[v + 1, 1], tube[v + 1, 2]
                for j in range(width):
                    bx += modes[v + 1, j] * amplitude[i, j, 0]
                    by += modes[v + 1, j] * amplitude[i, j, 1]
                    bz += modes[v + 1, j] * amplitude[i, j, 2]
                rb = max(radius[v + 1] + radius_shift[i], 0.0)
                g = segment_cone(px, py, pz, dx, dy, dz, ax, ay, az, bx - ax, by - ay, bz - az, ra, rb)
                if g < best:
                    best, where = g, v
                ax, ay, az, ra = bx, by, bz, rb
        gap[i], nearest[i] = best - bur, where


def as_batch(array: ArrayLike, name: str, *shape: int) -> FloatArray:
    """Contiguous float64 of shape (n, *shape), or an error that names the array."""
    checked = np.ascontiguousarray(array, dtype=np.float64)
    if checked.ndim != 1 + len(shape) or any(
        want not in (-1, got) for want, got in zip(shape, checked.shape[1:], strict=True)
    ):
        raise GeometryError(f"{name} of shape {checked.shape}", expected=f"(n, {', '.join(map(str, shape))})")
    if not np.all(np.isfinite(checked)):
        raise GeometryError(f"{name} with a number that is not finite", expected="finite millimetres")
    return checked


def as_paths(p: ArrayLike, q: ArrayLike) -> tuple[FloatArray, FloatArray]:
    first, second = as_batch(p, "p", 3), as_batch(q, "q", 3)
    if first.shape != second.shape:
        raise GeometryError(f"{len(first)} starts and {len(second)} ends of bur paths", expected="as many of each")
    return first, second


def segment_segment_distance(
    p1: ArrayLike, q1: ArrayLike, *, p2: ArrayLike, q2: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least distance between n pairs of segments.

    Parameters
    ----------
    p1, q1, p2, q2
        End points, shape (n, 3), mm, one frame. A segment may be a single point.

    Returns
    -------
    distance_mm, s, t
        Shape (n,): distance, and where on each segment (0 at p, 1 at q).

    Raises
    ------
    GeometryError
        When shapes differ or a coordinate is not finite.

    References
    ----------
    Ericson C (2005) Real-Time Collision Detection, section 5.1.9, ISBN 978-1-55860-732-3.

    Example
    -------
    >>> segment_segment_distance([[0, 0, 0]], [[10, 0, 0]], p2=[[5, -3, 2]], q2=[[5, 3, 2]])[0].tolist()
    [2.0]
    """
    a, b = as_paths(p1, q1)
    c, d = as_paths(p2, q2)
    if len(a) != len(c):
        raise GeometryError(f"{len(a)} and {len(c)} segments", expected="as many of each")
    distance, s, t = np.empty(len(a)), np.empty(len(a)), np.empty(len(a))
    _segments(a, b, c, d, distance, s, t)
    return distance, s, t


def capsule_to_tube_clearance(
    p: ArrayLike, q: ArrayLike, *, bur_radius_mm: float, tube_lps: ArrayLike, tube_radius_mm: ArrayLike
) -> tuple[FloatArray, IndexArray]:
    """Signed gap between n bur capsules and one tube.

    Parameters
    ----------
    p, q
        Ends of the bur paths, shape (n, 3), LPS mm.
    bur_radius_mm
        Radius of the bur, run-out included.
    tube_lps, tube_radius_mm
        Vertices (m, 3) and radii (m,); between vertices the radius is linear and the solid the hull of the end balls.

    Returns
    -------
    clearance_mm, nearest
        Shape (n,): gap (negative when they overlap), and the index of the tube segment where it is least.

    Raises
    ------
    GeometryError
        When shapes disagree, a number is not finite or a radius is negative.

    Example
    -------
    >>> gap, nearest = capsule_to_tube_clearance([[0, 3, 0]], [[0, 1.5, 0]], bur_radius_mm=0.3,
    ...     tube_lps=[[-5, 0, 0], [5, 0, 0]], tube_radius_mm=[0.6, 0.6])
    >>> gap.round(9).tolist(), nearest.tolist()
    ([0.6], [0])
    """
    return tube_clearance_draws(p, q, bur_radius_mm=bur_radius_mm, tube_lps=tube_lps, tube_radius_mm=tube_radius_mm)


def tube_clearance_draws(
    p: ArrayLike,
    q: ArrayLike,
    *,
    bur_radius_mm: float,
    tube_lps: ArrayLike,
    tube_radius_mm: ArrayLike,
    shift_mm: ArrayLike | None = None,
    rotation_rad: ArrayLike | None = None,
    pivot_lps: ArrayLike | None = None,
    modes: ArrayLike | None = None,
    mode_amplitude_mm: ArrayLike | None = None,
    radius_shift_mm: ArrayLike | None = None,
) -> tuple[FloatArray, IndexArray]:
    """Signed gap per Monte Carlo draw between a drawn bur path and a drawn tube.

    In draw i, vertex j of the tube lies at

        pivot + R(rotation_i) (tube_j + sum_k modes[j, k] amplitude[i, k] - pivot) + shift_i

    and its radius is tube_radius_j + radius_shift_i (not below 0).

    Parameters
    ----------
    p, q
        Ends of the bur path in each draw, shape (n, 3), LPS mm.
    bur_radius_mm
        Radius of the bur, run-out included.
    tube_lps, tube_radius_mm
        Mean vertices (m, 3) and radii (m,).
    shift_mm, rotation_rad, pivot_lps
        Rigid part: shift (n, 3), rotation vector (n, 3) about the pivot (3,), by default the mean vertex.
    modes, mode_amplitude_mm
        Smooth part: shape functions at the vertices (m, K) and drawn amplitudes (n, K, 3).
    radius_shift_mm
        Shape (n,).

    Returns
    -------
    clearance_mm, nearest
        Shape (n,): gap (negative when they overlap) and the tube segment where it is least.

    Raises
    ------
    GeometryError
        When shapes disagree, a number is not finite or a radius is negative.

    Notes
    -----
    Nothing of size n x m is kept. Chunks of the tube are skipped when a ball around them (widened by the largest drawn
    displacement) cannot hold the least gap; the result is the same as without skipping.

    Example
    -------
    >>> tube = [[-5.0, 0, 0], [0, 0, 0], [5.0, 0, 0]]
    >>> gap, _ = tube_clearance_draws([[0, 3.0, 0]] * 2, [[0, 1.5, 0]] * 2, bur_radius_mm=0.3, tube_lps=tube,
    ...     tube_radius_mm=[0.6] * 3, shift_mm=[[0, 0, 0], [0, 0.25, 0]])
    >>> gap.round(9).tolist()
    [0.6, 0.35]
    """
    start, end = as_paths(p, q)
    tube, radius = as_batch(tube_lps, "tube", 3), as_batch(tube_radius_mm, "tube radius")
    if len(tube) < 1 or len(tube) != len(radius) or np.any(radius < 0.0):
        raise GeometryError(
            f"a tube of {len(tube)} vertices and {len(radius)} radii, least radius {np.min(radius, initial=0.0)}",
            expected="at least one vertex and one radius of 0 mm or more at each",
        )
    n = len(start)
    if shift_mm is not None or rotation_rad is not None:
        pivot = tube.mean(axis=0) if pivot_lps is None else np.asarray(pivot_lps, dtype=np.float64)
        start = undo_rigid_draws(start, shift_mm=shift_mm, rotation_rad=rotation_rad, pivot_lps=pivot)
        end = undo_rigid_draws(end, shift_mm=shift_mm, rotation_rad=rotation_rad, pivot_lps=pivot)
    shapes = np.zeros((len(tube), 0)) if modes is None else as_batch(modes, "modes", -1)
    amplitude = np.zeros((n, 0, 3)) if mode_amplitude_mm is None else as_batch(mode_amplitude_mm, "amplitudes", -1, 3)
    widening = np.zeros(n) if radius_shift_mm is None else as_batch(radius_shift_mm, "radius shift")
    if len(shapes) != len(tube) or amplitude.shape[:2] != (n, shapes.shape[1]) or len(widening) != n:
        raise GeometryError(
            f"modes {shapes.shape}, amplitudes {amplitude.shape} and radius shifts {widening.shape}",
            expected=f"({len(tube)}, K), ({n}, K, 3) and ({n},)",
        )
    if len(tube) == 1:
        tube, radius, shapes = np.repeat(tube, 2, 0), np.repeat(radius, 2), np.repeat(shapes, 2, 0)
    gap, nearest = np.empty(n), np.empty(n, dtype=np.int64)
    balls = _chunk_balls(tube, radius, shapes)
    _tube_draws(start, end, float(bur_radius_mm), tube, radius, balls, shapes, amplitude, widening, gap, nearest)
    return gap, nearest


def _chunk_balls(tube: FloatArray, radius: FloatArray, modes: FloatArray) -> FloatArray:
    """Per chunk of segments: centre (3), radius that holds the solid, and the largest |mode| of each mode."""
    rows = []
    for first in range(0, len(tube) - 1, CHUNK):
        part = slice(first, min(first + CHUNK, len(tube) - 1) + 1)
        centre = 0.5 * (tube[part].min(axis=0) + tube[part].max(axis=0))
        reach = np.max(np.linalg.norm(tube[part] - centre, axis=1) + radius[part])
        rows.append(np.concatenate([centre, [reach], np.max(np.abs(modes[part]), axis=0)]))
    return np.ascontiguousarray(rows)


def undo_rigid_draws(
    points: ArrayLike, *, shift_mm: ArrayLike | None, rotation_rad: ArrayLike | None, pivot_lps: ArrayLike
) -> FloatArray:
    """Move points by the inverse of each draw's rigid error, so that a still structure can stand for a moved one.

    Parameters
    ----------
    points
        Shape (n, 3), LPS mm: one point per draw.
    shift_mm, rotation_rad
        Shape (n, 3): the structure of draw i is at pivot + R_i (x - pivot) + shift_i. None means none.
    pivot_lps
        Shape (3,).

    Returns
    -------
    numpy.ndarray
        Shape (n, 3), the points as the unmoved structure sees them.

    Raises
    ------
    GeometryError
        When shapes disagree or a number is not finite.

    Example
    -------
    >>> undo_rigid_draws([[1.0, 0, 0]], shift_mm=[[1.0, 0, 0]], rotation_rad=None, pivot_lps=[0, 0, 0]).tolist()
    [[0.0, 0.0, 0.0]]
    """
    moved = as_batch(points, "points", 3)
    pivot = np.asarray(pivot_lps, dtype=np.float64)
    for name, array in (("shift", shift_mm), ("rotation", rotation_rad)):
        if array is not None and as_batch(array, name, 3).shape != moved.shape:
            raise GeometryError(f"{len(np.asarray(array))} draws of {name}", expected=f"{len(moved)}, one per point")
    if shift_mm is not None:
        moved = moved - np.asarray(shift_mm, dtype=np.float64)
    if rotation_rad is not None:
        from scipy.spatial.transform import Rotation

        moved = Rotation.from_rotvec(np.asarray(rotation_rad, dtype=np.float64)).inv().apply(moved - pivot) + pivot
    return np.ascontiguousarray(moved)
