"""Drums of known shape across a round canal, painted and blurred by scipy; nothing of the code under test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from painted import FINE_MM, FWHM, SIGMA_MM, scanned

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.geometry.frames import Frame
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

AIR, SOFT, BONE = -1000.0, 40.0, 1700.0
RADIUS_MM = 4.3


@dataclass(frozen=True)
class DrumScene:
    """A left ear's drum: annulus plane x = 0, canal along +x; the heights of its faces are known."""

    volume: Volume
    fitness: ScanFitness
    canal: CanalFrame
    rim_lps: np.ndarray


def drum(
    *,
    apex_mm: float = -1.6,
    rim_mm: float = 0.0,
    thick_mm: float = 0.14,
    at_mm: tuple[float, float] = (-0.3, -0.5),
    filled: bool = False,
    opening_mm: float = 0.0,
    canal_filled: bool = False,
    present: bool = True,
    noise: float = 40.0,
    seed: int = 2,
) -> DrumScene:
    """A cone from its apex (over ``at_mm``: y, z) to the rim; equal heights make a flat sheet."""
    x = (np.arange(150) - 70) * FINE_MM
    across = (np.arange(150) - 74.5) * FINE_MM
    z, y, xx = np.meshgrid(across, across, x, indexing="ij")
    radius = np.hypot(y, z)
    # Way from the apex to the rim's circle through each place.
    dy, dz = y - at_mm[0], z - at_mm[1]
    square = dy**2 + dz**2 + 1e-12
    mixed = dy * at_mm[0] + dz * at_mm[1]
    leave = (-mixed + np.sqrt(mixed**2 + square * (RADIUS_MM**2 - at_mm[0] ** 2 - at_mm[1] ** 2))) / square
    medial = apex_mm + (rim_mm - apex_mm) / np.maximum(leave, 1.0)
    values = np.full(xx.shape, BONE)
    lumen = (radius < RADIUS_MM) & (xx >= 0.0)
    values[lumen] = SOFT if canal_filled else AIR
    values[(radius < RADIUS_MM + 1.3) & (xx < 0.0) & (xx > -5.5)] = AIR
    behind = (radius < RADIUS_MM + 0.05) & (xx < medial) & (xx > -5.5)
    values[behind] = SOFT if filled else AIR
    # Each fine voxel holds the share of the sheet that lies in it.
    share = np.clip(xx + 0.5 * FINE_MM, medial, medial + thick_mm) - np.clip(
        xx - 0.5 * FINE_MM, medial, medial + thick_mm
    )
    share = share / FINE_MM * (radius < RADIUS_MM) * (np.hypot(dy, dz) >= opening_mm) * present
    values = values + share * (SOFT - values)
    place = (x[1], across[1], across[1])
    volume = scanned(values, place, noise=noise, seed=seed, uid="1.2.826.0.1.3680043.10.543.8")
    fitness = ScanFitness((0.3,) * 3, (15.0,) * 3, FWHM * SIGMA_MM, 0.01, FWHM * SIGMA_MM, 0.01, noise, metal=False)
    frame = Frame(np.zeros(3), np.array([[0.0, 0, 1], [0, 1, 0], [1, 0, 0]]) * [[1], [-1], [1]], "canal")
    turn = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    rim = np.stack([0.0 * turn, RADIUS_MM * np.sin(turn), RADIUS_MM * np.cos(turn)], axis=1)
    return DrumScene(volume, fitness, CanalFrame(frame, "left", "lateral semicircular canal"), rim)
