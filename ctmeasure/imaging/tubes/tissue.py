"""Grey levels around a tube: air, soft tissue, the bone of this ear; and the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import ScanError
from ctmeasure.imaging.levels import SOFT_LEVEL_FLAG, SOFT_SHARE, SOFT_TISSUE_HU
from ctmeasure.volume.quality import METAL_HU, ScanFitness, noise_sd
from ctmeasure.volume.volume import Volume

AIR_HU = -1000.0
BONE_PERCENTILE = 90.0
"""Of what is denser than half way: compact bone, not the marrow in it."""
BONE_RELATIVE_SD = 0.08
"""How much compact bone varies within an ear (our choice, no source)."""
SOFT_RELATIVE_SD = 0.04
"""Doubt of the soft-tissue level as a share of the step to bone; three times that where it is assumed (our choice)."""


@dataclass(frozen=True, slots=True)
class TubeLevels:
    """Levels in the scan's own unit; ``noise`` is the standard deviation of one voxel."""

    air: float
    soft: float
    bone: float
    noise: float
    metal: float
    soft_sd: float
    flags: tuple[str, ...] = ()

    @property
    def step(self) -> float:
        """From soft tissue to bone."""
        return self.bone - self.soft


def tube_levels(block: Volume, fitness: ScanFitness | None) -> TubeLevels:
    """Levels from the block of scan around the clicks.

    Parameters
    ----------
    block
        The scan around the tube.
    fitness
        Gives the noise; measured on the block when None.

    Returns
    -------
    TubeLevels

    Raises
    ------
    ScanError
        When the block holds no bone.

    Notes
    -----
    Bone is never taken from the literature. On uncalibrated scans soft tissue is assumed at a fixed share of the way
    from air to bone, and flagged.
    """
    values = np.asarray(block.values[::2, ::2, ::2], dtype=np.float64).ravel()
    hu = block.source.intensity_unit == "HU"
    metal = METAL_HU if hu else float("inf")
    values = values[values < metal]
    low, high = np.percentile(values, [1.0, 99.0]) if values.size else (0.0, 0.0)
    noise = max(fitness.noise_hu if fitness is not None else noise_sd(block), 1e-3 * (high - low), 1e-6)
    air = AIR_HU if hu else float(low)
    soft, flags = (SOFT_TISSUE_HU, ()) if hu else (air + SOFT_SHARE * (high - air), (SOFT_LEVEL_FLAG,))
    dense = values[values > soft + 0.5 * (high - soft)]
    if high - soft < 8.0 * noise or dense.size < 100:
        raise ScanError(
            "no bone around the clicks",
            expected="the canal's bony wall",
            action="check the clicks and the series",
        )
    bone = float(np.percentile(dense, 60.0))
    if not hu:
        soft = air + SOFT_SHARE * (bone - air)
    share = SOFT_RELATIVE_SD if hu else 3.0 * SOFT_RELATIVE_SD
    return TubeLevels(air, soft, bone, float(noise), metal, share * (bone - soft), flags)


def metal_places(block: Volume, levels: TubeLevels) -> NDArray[np.float64]:
    """Places of voxels denser than any bone, shape (n, 3), LPS mm."""
    found = np.argwhere(block.values > levels.metal)
    return block.geometry.to_lps(found.astype(np.float64)).reshape(-1, 3)
