"""From a finely painted block to the scan of it: blurred and noised by scipy; nothing of the code under test."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

FWHM = 2.3548200450309493
FINE_MM = 0.1
SIGMA_MM = 0.2
VOXEL_MM = 0.3


def scanned(fine: np.ndarray, first_lps: tuple[float, float, float], *, noise: float, seed: int, uid: str) -> Volume:
    """The scan of a block (axes z, y, x at `FINE_MM`): blur of `SIGMA_MM`, every third voxel, grainy noise.

    ``first_lps`` is the place of the second fine voxel along each axis, the first that is kept.
    """
    values = gaussian_filter(fine, np.sqrt(SIGMA_MM**2 - FINE_MM**2 / 12.0) / FINE_MM)[1::3, 1::3, 1::3]
    grain = gaussian_filter(np.random.default_rng(seed).standard_normal(values.shape), 0.6)
    values = np.clip(values + noise * grain / grain.std(), -1024.0, 3071.0)
    affine = np.zeros((4, 4))
    affine[[2, 1, 0, 3], [0, 1, 2, 3]] = VOXEL_MM, VOXEL_MM, VOXEL_MM, 1.0
    affine[:3, 3] = first_lps
    source = ScanSource(spacing_mm=(VOXEL_MM,) * 3)
    return Volume(Geometry(values.shape, affine, uid), np.round(values).astype(np.int16), source)
