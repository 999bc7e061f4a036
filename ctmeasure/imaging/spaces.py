"""Spaces in bone as regions of the scan: air or not, how wide, how dense, and where their middle lies."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

MARGIN_MM = 4.0
"""Scan kept around the stretches: a space that reaches farther is wide whatever it is."""
BONE_SHARE = 0.5
"""Above this share of the step from soft tissue to bone a voxel is bone."""
CORE_MM = 0.45
"""Only what lies this deep in a space shows its own level: nearer to its wall, bone and air are blurred into it."""
LEVEL_SIGMA_MM = 1.0
"""The level is a mean over the core with this Gaussian weight: marrow is mottled."""
LOOKS = 13
"""Places looked at along a stretch."""
FIRST_MM = 4.0
"""The space is looked for in this first part of the stretch."""
LEAST_MM = 0.6
"""A shorter stretch is looked at as if it were this long: its ends are no surer."""
STRIDE = 2
"""The middle of a space is climbed to over steps of up to two voxels an axis, so that noise does not hold it up."""
CLIMBS = 25
AIR_SHARE = 0.3
"""A voxel this share of the step from soft tissue to air below soft tissue holds air; a small cell never shows all."""


class Spaces(NamedTuple):
    """Spaces met by n stretches; arrays over them.

    ``air``: the space holds air. ``radius_mm``: of the largest ball inside the space around its middle, found by
    climbing from the stretch (0: nothing but bone), to the nearest bone or change of content. ``level``: share of the
    step from soft tissue to bone of what is no air, averaged over the core; NaN where the space is too narrow to show
    it. ``middle_lps`` (n, 3): centre of that ball.
    """

    air: NDArray[np.bool_]
    radius_mm: Floats
    level: Floats
    middle_lps: Floats


class Regions(NamedTuple):
    """A block of the scan with its spaces as regions; arrays on the block's grid.

    ``depth_air``, ``depth_dense``: how deep a voxel lies in air, or in what is neither air nor bone, mm. ``level``: as
    in `Spaces`, around each voxel.
    """

    block: Volume
    depth_air: NDArray[np.float32]
    depth_dense: NDArray[np.float32]
    level: NDArray[np.float32]


def regions_around(volume: Volume, points_lps: Floats, *, levels: TissueLevels) -> Regions:
    """Find the regions of the block that holds some points.

    Parameters
    ----------
    volume
        The scan.
    points_lps
        Shape (n, 3), LPS mm.
    levels
        Grey levels of the ear.

    Returns
    -------
    Regions

    Raises
    ------
    GeometryError
        When no point lies near the scan.
    """
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    block = volume.crop_around(points_lps, margin_mm=MARGIN_MM)
    values = np.asarray(block.values, dtype=np.float32)
    spacing = block.geometry.spacing_mm
    air = values < levels.air_soft
    dense = ~air & (values <= levels.soft + BONE_SHARE * (levels.bone - levels.soft))
    depth_air = distance_transform_edt(air, sampling=spacing).astype(np.float32)
    depth_dense = distance_transform_edt(dense, sampling=spacing).astype(np.float32)
    core = depth_dense > CORE_MM
    sigma = [LEVEL_SIGMA_MM / step for step in spacing]
    weight = gaussian_filter(core.astype(np.float32), sigma, truncate=2.5)
    total = gaussian_filter(np.where(core, values, np.float32(0.0)), sigma, truncate=2.5)
    mean = np.divide(total, weight, out=np.full_like(total, np.nan), where=weight > 1e-3)
    level = (mean - np.float32(levels.soft)) / np.float32(levels.bone - levels.soft)
    return Regions(block, depth_air, depth_dense, level)


def look_into_spaces(
    volume: Volume, begin_lps: Floats, end_lps: Floats, *, levels: TissueLevels, regions: Regions | None = None
) -> Spaces:
    """Look into the spaces that some stretches of rays lie in.

    Parameters
    ----------
    volume
        The scan.
    begin_lps, end_lps
        Shape (n, 3), LPS mm: where each stretch enters the space and where it leaves it.
    levels
        Grey levels of the ear.
    regions
        Made before of a block that holds all stretches; None: of their own block.

    Returns
    -------
    Spaces

    Raises
    ------
    GeometryError
        When shapes disagree, or no stretch lies near the scan.

    Notes
    -----
    A region is what lies on one side of two levels, midway between air and soft tissue and midway between soft tissue
    and bone. Two spaces that open into each other count as one only as far as the climb leads uphill in width.
    """
    begin, end = np.asarray(begin_lps, dtype=np.float64), np.asarray(end_lps, dtype=np.float64)
    if begin.shape != end.shape or begin.ndim != 2 or begin.shape[1] != 3:
        raise GeometryError(f"stretches of shapes {begin.shape} and {end.shape}", expected="twice (n, 3)")
    if regions is None:
        regions = regions_around(volume, np.concatenate([begin, end]), levels=levels)
    block, depth_air, depth_dense, level = regions
    seen = _voxels(block, begin, end)
    air_on, in_air = _deepest(depth_air, seen)
    dense_on, in_dense = _deepest(depth_dense, seen)
    lowest = block.values[seen[..., 0], seen[..., 1], seen[..., 2]].min(axis=1)
    holds_air = (air_on > 0.0) | (lowest < levels.soft - AIR_SHARE * (levels.soft - levels.air))
    holds_air &= ~(dense_on > np.maximum(2.0 * air_on, CORE_MM))
    air_middle, air_radius = _middles(depth_air, in_air, holds_air)
    dense_middle, dense_radius = _middles(depth_dense, in_dense, ~holds_air)
    middle = block.geometry.to_lps(np.where(holds_air[:, None], air_middle, dense_middle))
    radius = np.where(holds_air, air_radius, dense_radius).astype(np.float64)
    return Spaces(holds_air, radius, level[tuple(in_dense.T)].astype(np.float64), middle)


def _voxels(block: Volume, begin: Floats, end: Floats) -> NDArray[np.intp]:
    """Voxels along each stretch, shape (n, LOOKS, 3)."""
    along = end - begin
    length = np.linalg.norm(along, axis=1)
    reach = np.clip(length, LEAST_MM, FIRST_MM)
    step = along / np.maximum(length, 1e-9)[:, None] * reach[:, None]
    places = begin[:, None] + np.linspace(0.0, 1.0, LOOKS)[None, :, None] * step[:, None]
    kji = np.round(block.geometry.to_kji(places)).astype(np.intp)
    return np.clip(kji, 0, np.array(block.geometry.shape_kji) - 1)


def _deepest(depth: NDArray[np.float32], seen: NDArray[np.intp]) -> tuple[Floats, NDArray[np.intp]]:
    """Depth and index of the deepest voxel along each stretch."""
    found = depth[seen[..., 0], seen[..., 1], seen[..., 2]]
    best = np.argmax(found, axis=1)
    rows = np.arange(len(seen))
    return found[rows, best], seen[rows, best]


def _middles(
    depth: NDArray[np.float32], start: NDArray[np.intp], rows: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], Floats]:
    """`_climb` from the starts of some rows, each voxel once; the others stay where they are, at depth 0."""
    at, radius = start.copy(), np.zeros(len(start))
    if rows.any():
        flat, inverse = np.unique(np.ravel_multi_index(tuple(start[rows].T), depth.shape), return_inverse=True)
        middle, deep = _climb(depth, np.stack(np.unravel_index(flat, depth.shape), axis=1))
        at[rows], radius[rows] = middle[inverse], deep[inverse]
    return at, radius


def _climb(depth: NDArray[np.float32], start: NDArray[np.intp]) -> tuple[NDArray[np.intp], Floats]:
    """Follow the depth uphill from each voxel to the middle of the space, and the depth there."""
    around = np.stack(np.meshgrid(*[np.arange(-STRIDE, STRIDE + 1)] * 3, indexing="ij"), -1).reshape(-1, 3)
    around = around[np.argsort(np.sum(around**2, axis=1), kind="stable")]
    last = np.array(depth.shape) - 1
    at = start.copy()
    moving = np.flatnonzero(depth[tuple(at.T)] > 0.0)
    for _ in range(CLIMBS):
        if len(moving) == 0:
            break
        near = np.clip(at[moving][:, None] + around[None], 0, last)
        best = near[np.arange(len(moving)), np.argmax(depth[near[..., 0], near[..., 1], near[..., 2]], axis=1)]
        moved = np.any(best != at[moving], axis=1)
        at[moving] = best
        moving = moving[moved]
    return at, depth[tuple(at.T)]
