"""Surface patches clicked as points: triangulated over their own plane, with a rim beyond which nothing is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen

if TYPE_CHECKING:
    from ctmeasure.kernels.triangles import TriangleTree

RIM_TOLERANCE_MM = 1e-6
"""A nearest point closer to the rim than this lies on it: rounding, far below any scan."""

GAP_FACTOR = 2.5
"""A triangle this much longer than most spans a place that nobody marked (our own choice)."""

FLATTEST = 1e-6
"""Second spread below this part of the first: the points are on a line and span no surface."""


@dataclass(frozen=True, eq=False)
class PatchMesh:
    """A triangulated patch.

    Parameters
    ----------
    vertices_lps
        Shape (n, 3), LPS mm.
    faces
        Shape (k, 3), vertex indices.
    rim_edges
        Shape (e, 2), vertex indices of the edges that belong to one face only.

    Raises
    ------
    GeometryError
        Never by itself; `triangulate_patch` checks.

    Example
    -------
    >>> mesh = triangulate_patch([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0.1]])
    >>> mesh.faces.shape, mesh.rim_edges.shape
    ((2, 3), (4, 2))
    """

    vertices_lps: FloatArray
    faces: NDArray[np.intp]
    rim_edges: NDArray[np.intp]

    @cached_property
    def triangles_lps(self) -> FloatArray:
        """Corners, shape (k, 3, 3)."""
        return frozen(self.vertices_lps[self.faces])

    @cached_property
    def tree(self) -> TriangleTree:
        """The triangles sorted for distances."""
        from ctmeasure.kernels.triangles import triangle_tree

        return triangle_tree(self.triangles_lps)


def triangulate_patch(points_lps: ArrayLike, *, longest_edge_mm: float | None = None) -> PatchMesh:
    """Delaunay triangulation of clicked points over their least-squares plane.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 3, LPS mm, at different places of one sheet that does not fold over itself.
    longest_edge_mm
        Triangles with a longer edge are left out, so that a gap between clicks is not bridged; None: `GAP_FACTOR` times
        the median over all triangles of their longest edge.

    Returns
    -------
    PatchMesh
        Beyond its rim nothing is known.

    Raises
    ------
    GeometryError
        When there are fewer than three points, they lie on a line, or no triangle is left.

    Notes
    -----
    The points themselves are kept; only the connections come from the flat view.

    Example
    -------
    >>> len(triangulate_patch([[0, 0, 0], [2, 0, 0], [0, 2, 0]]).faces)
    1
    """
    points = as_points(points_lps, "patch")
    if points.ndim != 2 or len(points) < 3:
        raise GeometryError(f"a patch of shape {points.shape}", expected="at least three points (n, 3)")
    centred = points - points.mean(axis=0)
    _, spread, axes = np.linalg.svd(centred, full_matrices=False)
    if spread[0] == 0.0 or spread[1] < FLATTEST * spread[0]:
        raise GeometryError("a patch whose points lie on a line", expected="points that span a surface")
    from scipy.spatial import Delaunay

    faces = np.asarray(Delaunay(centred @ axes[:2].T).simplices, dtype=np.intp)
    corners = points[faces]
    longest = np.max(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    if longest_edge_mm is None:
        longest_edge_mm = GAP_FACTOR * float(np.median(longest))
    faces = faces[longest <= longest_edge_mm]
    if len(faces) == 0:
        raise GeometryError(
            f"no triangle with edges up to {longest_edge_mm} mm",
            expected="clicks close to each other",
            action="add points",
        )
    return PatchMesh(frozen(points), faces, _rim(faces))


def patch_distance(p_lps: ArrayLike, q_lps: ArrayLike, *, mesh: PatchMesh) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Distance from segments PQ to a patch, and whether the nearest point is on its rim.

    Parameters
    ----------
    p_lps, q_lps
        Shape (n, 3), LPS mm; equal ends make a point.
    mesh
        The patch.

    Returns
    -------
    distance_mm
        Shape (n,), 0 when the segment pierces the patch.
    at_rim
        Shape (n,): the nearest point lies on the rim, so the true surface, which goes on beyond it, may be nearer:
        not assessed.

    Raises
    ------
    GeometryError
        When shapes disagree or a coordinate is not finite.

    Example
    -------
    >>> mesh = triangulate_patch([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]])
    >>> d, rim = patch_distance([[0.5, 0.4, 2], [3, 0.5, 0]], [[0.5, 0.4, 1], [2, 0.5, 0]], mesh=mesh)
    >>> d.tolist(), rim.tolist()
    ([1.0, 1.0], [False, True])
    """
    from ctmeasure.kernels.triangles import near_some_edge, segment_to_tree_distance

    distance, _, foot = segment_to_tree_distance(p_lps, q_lps, tree=mesh.tree)
    rim = mesh.vertices_lps[mesh.rim_edges]
    at_rim = np.empty(len(foot), np.bool_)
    near_some_edge(foot, rim[:, 0].copy(), rim[:, 1].copy(), RIM_TOLERANCE_MM, at_rim)
    return distance, at_rim


def _rim(faces: NDArray[np.intp]) -> NDArray[np.intp]:
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    unique, counts = np.unique(edges, axis=0, return_counts=True)
    return np.asarray(unique[counts == 1])
