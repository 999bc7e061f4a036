"""Grey levels about the drum."""

from __future__ import annotations

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.imaging.drum.rays import CANAL_MM
from ctmeasure.imaging.footplate.levels import plate_levels
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume


def drum_levels(block: Volume, canal: CanalFrame, fitness: ScanFitness | None) -> tuple[TubeLevels, float]:
    """Levels of tissue in a block, and of air.

    Air is known on calibrated scans, else it is read in the canal: the block's darkest voxels are noise.
    """
    levels = plate_levels(block, fitness)
    if block.source.intensity_unit == "HU":
        return levels, levels.air
    angle, radius, depth = np.meshgrid(np.arange(0.0, 360.0, 45.0), (0.5, 1.5), np.arange(*CANAL_MM, 0.3))
    seen = sample(block, canal.point_lps(angle, radius, depth), outside=levels.soft).values
    return levels, min(float(np.median(seen)), 0.5 * (levels.air + levels.soft))
