"""The block of a scan around metal, and what the metal hides in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import ScanError
from ctmeasure.imaging.metal.pieces import Pieces
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

AIR_TO_BONE_HU = 2650.0
"""Step from air to cortical bone on a calibrated scan (common practice, no source): the unit of uncalibrated ones."""
FILL_SD_MM = 0.6
"""What metal hides is taken from within about this distance of it."""
AROUND_MM = 2.5
UNTOUCHED_SHARE = 0.05
"""A voxel that the metal changes by less than this share of the step from air to bone shows its own tissue."""
CUT_VOXELS = 10
"""So many voxels at the highest value mean that it is where the scan cuts off."""


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """Flat indices into a block: voxels that the metal changes, and the wider ones its surroundings are read from."""

    inner: NDArray[np.intp]
    around: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Voxels of a box as points and values, with the scan's noise, unit and limits.

    Parameters
    ----------
    points_lps, values
        Shape (n, 3) LPS mm and (n,).
    noise
        Standard deviation, in the scan's unit.
    unit
        Scan's units for one HU: 1 for calibrated scans.
    lowest, highest
        Values at which the scan cuts off; infinite when it does not.
    dense
        Above this no tissue reads.
    """

    points_lps: Floats
    values: Floats
    noise: float
    unit: float
    lowest: float
    highest: float

    dense: float = np.inf

    def near(self, pieces: Pieces, reach_mm: float) -> Near:
        """Voxels within reach of the metal's axis pieces, and those around them."""
        from scipy.spatial import cKDTree

        steps = np.linspace(0.0, 1.0, 25)[:, None, None]
        line = pieces.starts_lps + steps * (pieces.ends_lps - pieces.starts_lps)
        distance, _ = cKDTree(line.reshape(-1, 3)).query(self.points_lps, distance_upper_bound=reach_mm + AROUND_MM)
        return Near(np.flatnonzero(distance <= reach_mm), np.flatnonzero(np.isfinite(distance)))


def block_around(
    volume: Volume, points_lps: Floats, *, margin_mm: float, noise: float, unit: float, dense: float
) -> Block:
    """Cut the box around points out of a scan.

    Parameters
    ----------
    volume
        The scan.
    points_lps
        Shape (n, 3), LPS mm.
    margin_mm
        Kept on every side.
    noise, unit, dense
        See `Block`.

    Returns
    -------
    Block

    Raises
    ------
    ScanError
        When the box lies outside the scan.
    """
    index = volume.geometry.to_kji(points_lps)
    pad = margin_mm / np.asarray(volume.geometry.spacing_mm)
    shape = np.array(volume.geometry.shape_kji)
    low = np.maximum(np.floor(index.min(axis=0) - pad).astype(int), 0)
    high = np.minimum(np.ceil(index.max(axis=0) + pad).astype(int) + 1, shape)
    if (high - low < 3).any():
        raise ScanError("the metal lies outside the scan", expected="points inside it", action="check the clicks")
    k, j, i = np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij")
    values = volume.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float64).ravel()
    places = volume.geometry.to_lps(np.stack([k.ravel(), j.ravel(), i.ravel()], axis=1).astype(np.float64))
    top, bottom = float(volume.values.max()), float(volume.values.min())
    cut = int(np.count_nonzero(volume.values == top)) >= CUT_VOXELS
    floor = int(np.count_nonzero(volume.values == bottom)) >= CUT_VOXELS
    return Block(places, values, noise, unit, bottom if floor else -np.inf, top if cut else np.inf, dense)


def fill_beneath(block: Block, near: Near, excess: Floats) -> tuple[Floats, Floats]:
    """What the scan would show at the inner voxels without the metal, and how uneven the tissue around is.

    Parameters
    ----------
    block, near
        The voxels.
    excess
        Shape (a,): what the metal adds at the wider voxels.

    Returns
    -------
    numpy.ndarray, numpy.ndarray
        Shape (inner,) each, in the scan's unit.

    Raises
    ------
    Nothing.

    Notes
    -----
    Weighted means of voxels that the metal does not change. Where the metal adds little, the voxel itself less the
    metal's part is among them.
    """
    from scipy.spatial import cKDTree

    dense = block.dense
    untouched = (np.abs(excess) < UNTOUCHED_SHARE * AIR_TO_BONE_HU * block.unit) & (block.values[near.around] < dense)
    index = near.around[untouched]
    points, values = block.points_lps[near.inner], block.values[index] - excess[untouched]
    if len(index) < 8:
        return np.full(len(points), np.median(block.values)), np.full(len(points), block.values.std())
    distance, found = cKDTree(block.points_lps[index]).query(points, k=min(24, len(index)))
    nearest = distance[:, :1]
    weight = np.exp(-0.5 * (distance**2 - nearest**2) / FILL_SD_MM**2) + 1e-12
    weight /= weight.sum(axis=1, keepdims=True)
    mean = (weight * values[found]).sum(axis=1)
    spread = np.sqrt((weight * (values[found] - mean[:, None]) ** 2).sum(axis=1))
    return mean, spread
