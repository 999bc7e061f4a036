"""Rods and discs of metal in air, painted on a fine grid, blurred by scipy and cut off: phantoms for metal tests."""

from __future__ import annotations

import numpy as np

from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import ScanSource, Volume

FINE = 5
SPACING_MM = (0.4, 0.3, 0.3)
SHAPE_KJI = (26, 30, 30)
FWHM_MM = (0.55, 0.45, 0.45)
METAL_HU, AIR_HU = 9000.0, -1000.0


def metal_phantom(
    foot: np.ndarray,
    top: np.ndarray,
    *,
    radius_mm: float,
    head_mm: float = 0.0,
    thickness_mm: float = 0.25,
    noise_hu: float = 40.0,
    highest: float = 3071.0,
    floor_z: float | None = None,
) -> tuple[Volume, ScanFitness]:
    """A flat-ended rod from foot to top (LPS mm, the grid's middle is 0) with a disc inside its top end.

    Below ``floor_z`` lies bone instead of air.
    """
    from scipy.ndimage import gaussian_filter

    affine = np.zeros((4, 4))
    affine[2, 0], affine[1, 1], affine[0, 2] = SPACING_MM
    affine[3, 3] = 1.0
    affine[:3, 3] = -affine[:3, :3] @ ((np.array(SHAPE_KJI) - 1) / 2.0)
    geometry = Geometry(SHAPE_KJI, affine, "1.2.3")
    fine_shape = [n * FINE for n in SHAPE_KJI]
    index = np.stack(np.meshgrid(*(np.arange(n) for n in fine_shape), indexing="ij"), axis=-1)
    points = geometry.to_lps((index - (FINE - 1) / 2.0) / FINE)
    axis = (top - foot) / np.linalg.norm(top - foot)
    along = (points - foot) @ axis
    across = np.linalg.norm(points - foot - along[..., None] * axis, axis=-1)
    length = float(np.linalg.norm(top - foot))
    metal = (along >= 0) & (along <= length) & (across <= radius_mm)
    metal |= (along >= length - thickness_mm) & (along <= length) & (across <= head_mm)
    values = np.full(fine_shape, AIR_HU)
    if floor_z is not None:
        values[points[..., 2] < floor_z] = 1700.0
    values[metal] = METAL_HU
    sigma = [f / 2.354820 / s * FINE for f, s in zip(FWHM_MM, SPACING_MM, strict=True)]
    blurred = gaussian_filter(values, sigma, mode="nearest")
    # an odd number of fine samples a voxel: the middle one lies at the voxel's centre
    coarse = blurred[FINE // 2 :: FINE, FINE // 2 :: FINE, FINE // 2 :: FINE]
    coarse = coarse + np.random.default_rng(3).normal(0.0, noise_hu, coarse.shape)
    volume = Volume(
        geometry, np.clip(np.rint(coarse), -1024, highest).astype(np.int16), ScanSource(spacing_mm=SPACING_MM)
    )
    extent = tuple(float(n * s) for n, s in zip(SHAPE_KJI, SPACING_MM, strict=True))
    fitness = ScanFitness(SPACING_MM, extent, FWHM_MM[1], 0.02, FWHM_MM[0], 0.02, noise_hu)  # type: ignore[arg-type]
    return volume, fitness
