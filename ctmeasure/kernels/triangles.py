"""Compiled distances from segments to many triangles, sorted into groups so that few of them are measured.

Work is split over segments only, so results do not depend on the thread count.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.kernels.distances import FloatArray, IndexArray, as_batch, as_paths
from ctmeasure.kernels.primitives import point_segment, segment_triangle

GROUP = 12
"""Triangles that share one bounding ball: few enough that a ball is tight, many enough that it saves work."""


@njit(cache=True, parallel=True)
def _triangles(p, q, triangles, balls, groups, order, distance, nearest, foot):  # type: ignore[no-untyped-def]
    """Per segment: visit the groups of triangles in order of their balls' lower bound, skip what cannot win."""
    for i in prange(p.shape[0]):
        px, py, pz = p[i, 0], p[i, 1], p[i, 2]
        dx, dy, dz = q[i, 0] - px, q[i, 1] - py, q[i, 2] - pz
        best, where = np.inf, 0
        out, scratch, bound = np.empty(3), np.empty(3), np.empty(groups.shape[0])
        for g in range(groups.shape[0]):
            reach, _ = point_segment(groups[g, 0], groups[g, 1], groups[g, 2], px, py, pz, dx, dy, dz)
            bound[g] = reach - groups[g, 3]
        for _ in range(groups.shape[0]):
            g = int(np.argmin(bound))
            if bound[g] > best:
                break
            bound[g] = np.inf
            for k in range(g * GROUP, min((g + 1) * GROUP, triangles.shape[0])):
                reach, _ = point_segment(balls[k, 0], balls[k, 1], balls[k, 2], px, py, pz, dx, dy, dz)
                if reach - balls[k, 3] > best:
                    continue
                d = segment_triangle(px, py, pz, dx, dy, dz, triangles[k], out, scratch)
                if d < best:
                    best, where = d, order[k]
                    foot[i, 0], foot[i, 1], foot[i, 2] = out[0], out[1], out[2]
        distance[i], nearest[i] = best, where


@njit(cache=True, nogil=True)
def near_some_edge(points, starts, ends, tolerance, result):  # type: ignore[no-untyped-def]
    """Whether each point (n, 3) lies within the tolerance of some segment from starts to ends (e, 3)."""
    for i in range(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        result[i] = False
        for e in range(starts.shape[0]):
            ax, ay, az = starts[e, 0], starts[e, 1], starts[e, 2]
            off, _ = point_segment(x, y, z, ax, ay, az, ends[e, 0] - ax, ends[e, 1] - ay, ends[e, 2] - az)
            if off <= tolerance:
                result[i] = True
                break


def segment_to_triangles_distance(
    p: ArrayLike, q: ArrayLike, *, triangles_lps: ArrayLike
) -> tuple[FloatArray, IndexArray, FloatArray]:
    """Least distance between n segments and a set of triangles.

    Parameters
    ----------
    p, q
        Ends of the segments, shape (n, 3), LPS mm; equal ends make a point.
    triangles_lps
        Shape (k, 3, 3): triangle, corner, coordinate.

    Returns
    -------
    distance_mm, nearest, foot_lps
        Distance (n,), 0 when the segment pierces a triangle; index of the nearest triangle (n,); its nearest point
        (n, 3).

    Raises
    ------
    GeometryError
        When shapes disagree, there is no triangle, or a number is not finite.

    References
    ----------
    Moeller T, Trumbore B (1997) J Graphics Tools 2(1):21-28, doi:10.1080/10867651.1997.10487468 (piercing).
    Ericson C (2005) Real-Time Collision Detection, sections 5.1.5 and 5.1.10, ISBN 978-1-55860-732-3.

    Example
    -------
    >>> d, k, foot = segment_to_triangles_distance([[0.2, 0.2, 3]], [[0.2, 0.2, 1]],
    ...     triangles_lps=[[[0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    >>> d.tolist(), foot.tolist()
    ([1.0], [[0.2, 0.2, 0.0]])
    """
    return segment_to_tree_distance(p, q, tree=triangle_tree(triangles_lps))


class TriangleTree(NamedTuple):
    """Triangles sorted so that neighbours lie together, with balls around each and around each `GROUP` of them.

    ``triangles`` (k, 3, 3), ``balls`` (k, 4) and ``groups`` (g, 4): centre and radius; ``order`` (k,): which of the
    given triangles each is.
    """

    triangles: FloatArray
    balls: FloatArray
    groups: FloatArray
    order: IndexArray


def triangle_tree(triangles_lps: ArrayLike) -> TriangleTree:
    """Sort triangles for `segment_to_tree_distance`.

    Parameters
    ----------
    triangles_lps
        Shape (k, 3, 3): triangle, corner, coordinate.

    Returns
    -------
    TriangleTree

    Raises
    ------
    GeometryError
        When the shape is another, there is no triangle, or a number is not finite.

    Example
    -------
    >>> triangle_tree(np.zeros((30, 3, 3))).groups.shape
    (3, 4)
    """
    triangles = as_batch(triangles_lps, "triangles", 3, 3)
    if len(triangles) < 1:
        raise GeometryError("no triangle", expected="at least one", action="mark at least three points of the patch")
    order = np.asarray(_halved(triangles.mean(axis=1), np.arange(len(triangles))), dtype=np.int64)
    triangles = np.ascontiguousarray(triangles[order])
    centre = triangles.mean(axis=1)
    reach = np.max(np.linalg.norm(triangles - centre[:, None], axis=2), axis=1)
    groups = []
    for first in range(0, len(triangles), GROUP):
        corners = triangles[first : first + GROUP].reshape(-1, 3)
        middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
        groups.append([*middle, np.max(np.linalg.norm(corners - middle, axis=1))])
    return TriangleTree(triangles, np.ascontiguousarray(np.column_stack([centre, reach])), np.array(groups), order)


def _halved(centres: FloatArray, rows: IndexArray) -> IndexArray:
    """Rows in an order in which every `GROUP` lies together: halved across the widest extent, in whole groups."""
    if len(rows) <= GROUP:
        return rows
    part = centres[rows]
    axis = int(np.argmax(part.max(axis=0) - part.min(axis=0)))
    half = GROUP * ((len(rows) // GROUP + 1) // 2)
    rows = rows[np.argsort(part[:, axis], kind="stable")]
    return np.concatenate([_halved(centres, rows[:half]), _halved(centres, rows[half:])])


def segment_to_tree_distance(
    p: ArrayLike, q: ArrayLike, *, tree: TriangleTree
) -> tuple[FloatArray, IndexArray, FloatArray]:
    """`segment_to_triangles_distance` to triangles that were sorted before.

    Parameters
    ----------
    p, q
        Ends of the segments, shape (n, 3), LPS mm.
    tree
        From `triangle_tree`.

    Returns
    -------
    distance_mm, nearest, foot_lps
        As from `segment_to_triangles_distance`.

    Raises
    ------
    GeometryError
        When shapes disagree or a number is not finite.
    """
    start, end = as_paths(p, q)
    distance, nearest, foot = np.empty(len(start)), np.empty(len(start), dtype=np.int64), np.empty((len(start), 3))
    _triangles(start, end, tree.triangles, tree.balls, tree.groups, tree.order, distance, nearest, foot)
    return distance, nearest, foot
