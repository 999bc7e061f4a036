"""Grey levels around footplate and drum, also where metal elsewhere has made the scan noisy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ctmeasure.imaging.tubes.tissue import TubeLevels, tube_levels
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

MOST_NOISE_SHARE = 0.05
"""Noise is taken as no more than this share of the block's range: a fit over hundreds of voxels stands more of it than
one voxel does, and its misfit is what counts for its doubt."""
NOISY_FLAG = "noisy scan: less sure than usual"


def plate_levels(block: Volume, fitness: ScanFitness | None) -> TubeLevels:
    """Levels of a block around a plate or a drum.

    Parameters
    ----------
    block
        The scan around it.
    fitness
        Gives the noise; measured on the block when None.

    Returns
    -------
    TubeLevels
        Flagged where the scan's noise is above what is usual.

    Raises
    ------
    ScanError
        When the block holds no bone.
    """
    if fitness is None:
        return tube_levels(block, None)
    low, high = np.percentile(block.values, [1.0, 99.0])
    most = MOST_NOISE_SHARE * float(high - low)
    if fitness.noise_hu <= most or most <= 0.0:
        return tube_levels(block, fitness)
    levels = tube_levels(block, replace(fitness, noise_hu=most))
    return replace(levels, flags=(*levels.flags, NOISY_FLAG))
