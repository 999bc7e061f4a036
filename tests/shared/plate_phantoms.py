"""Footplates in bony windows, painted from their shapes and blurred by scipy; nothing of the code under test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from painted import FINE_MM, FWHM, SIGMA_MM, scanned
from scipy.spatial.transform import Rotation

from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

AIR, SOFT, FLUID, BONE, METAL = -1000.0, 40.0, 10.0, 2000.0, 9000.0
SIZE_MM = 9.0


@dataclass(frozen=True)
class Plate:
    """A scan of one window, and its truth: centre of the tympanic surface, axes (rows long, short, normal)."""

    volume: Volume
    fitness: ScanFitness
    centre_lps: np.ndarray
    axes_lps: np.ndarray


def fitness_of(sigma_mm: float = SIGMA_MM, noise: float = 40.0) -> ScanFitness:
    return ScanFitness(
        (0.3, 0.3, 0.3), (SIZE_MM,) * 3, FWHM * sigma_mm, 0.01, FWHM * sigma_mm, 0.01, noise, metal=False
    )


def plate(
    *,
    side: str = "left",
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    centre_mm: tuple[float, float, float] = (0.13, -0.07, 0.05),
    half_mm: tuple[float, float] = (1.4, 0.68),
    thick_mm: float | None = 0.22,
    niche_level: float = AIR,
    shoe: bool = False,
    roof_mm: float | None = None,
    noise: float = 40.0,
    seed: int = 1,
) -> Plate:
    """A plate between niche and vestibule; ``thick_mm`` None: an open window; ``roof_mm``: half height of the niche."""
    lateral = 1.0 if side == "left" else -1.0
    axes = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [lateral, 0.0, 0.0]])
    axes = Rotation.from_rotvec(np.radians(turn_deg)).apply(axes)
    centre = np.array(centre_mm)
    count = round(SIZE_MM / FINE_MM / 6) * 6
    step = (np.arange(count) - (count - 1) / 2.0) * FINE_MM
    z, y, x = np.meshgrid(step, step, step, indexing="ij")
    u, v, w = np.moveaxis((np.stack([x, y, z], axis=-1) - centre) @ axes.T, -1, 0)
    values = np.full(x.shape, BONE)
    ring = (u / half_mm[0]) ** 2 + (v / half_mm[1]) ** 2
    outer = (u / (half_mm[0] + 0.3)) ** 2 + (v / (half_mm[1] + (0.3 if roof_mm is None else roof_mm - half_mm[1]))) ** 2
    thick = thick_mm or 0.0
    values[(w > 0.0) & (outer < 1.0)] = niche_level
    values[w > 1.2] = niche_level
    values[(w < -thick) & (ring < 1.0)] = FLUID
    values[w < -1.0] = FLUID
    values[w < -3.0] = BONE
    if thick_mm is None:
        values[(w > -0.05) & (w < 0.0) & (ring < 1.0)] = niche_level
    if shoe:
        values[(w > 0.0) & (w < 0.9) & (u**2 + v**2 < 0.3**2)] = METAL
    volume = scanned(values, (step[1],) * 3, noise=noise, seed=seed, uid="1.2.826.0.1.3680043.10.543.7")
    return Plate(volume, fitness_of(noise=noise), centre, axes)
