"""Round canals in bone: exact distances to a curve, painted, blurred by scipy; nothing of the code under test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import ScanSource, Volume

AIR, SOFT, BONE = -1000.0, 40.0, 1650.0
FWHM = 2.3548200450309493
FINE_MM = 0.15


@dataclass(frozen=True)
class Canal:
    volume: Volume
    fitness: ScanFitness
    line_lps: np.ndarray
    radius_mm: float

    def distance_mm(self, points: np.ndarray) -> np.ndarray:
        return cKDTree(self.line_lps).query(points)[0]


def fitness_of(sigma_mm: float, noise: float = 30.0) -> ScanFitness:
    return ScanFitness(
        (0.3, 0.3, 0.3), (20.0, 20.0, 20.0), FWHM * sigma_mm, 0.01, FWHM * sigma_mm, 0.01, noise, metal=False
    )


def paint(
    line_lps: np.ndarray,
    *,
    radius_mm: float = 0.65,
    margin_mm: float = 4.0,
    sigma_mm: float = 0.2,
    noise: float = 30.0,
    seed: int = 3,
    also: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None,
    scale: tuple[float, float] | None = None,
) -> Canal:
    """A canal of soft tissue in solid bone. ``also(points, values)`` may paint over the unblurred scene."""
    low, high = line_lps.min(axis=0) - margin_mm, line_lps.max(axis=0) + margin_mm
    counts = 2 * np.ceil((high - low) / (2 * FINE_MM)).astype(int)
    z, y, x = np.meshgrid(*(low[a] + FINE_MM * np.arange(counts[a]) for a in (2, 1, 0)), indexing="ij")
    points = np.stack([x, y, z], axis=-1)
    distance = cKDTree(line_lps).query(points.reshape(-1, 3), distance_upper_bound=2.0)[0].reshape(x.shape)
    share = np.clip(0.5 - (distance - radius_mm) / FINE_MM, 0.0, 1.0)
    values = BONE + (SOFT - BONE) * share
    if also is not None:
        values = also(points, values)
    sigma = np.sqrt(sigma_mm**2 - FINE_MM**2 / 12.0) / FINE_MM
    values = gaussian_filter(values, sigma)[::2, ::2, ::2]
    grain = gaussian_filter(np.random.default_rng(seed).standard_normal(values.shape), 0.6)
    values = values + noise * grain / grain.std()
    unit = "HU"
    if scale is not None:
        values, unit = scale[0] * values + scale[1], "grey"
    step = 2 * FINE_MM
    affine = np.array([[0, 0, step, low[0]], [0, step, 0, low[1]], [step, 0, 0, low[2]], [0, 0, 0, 1.0]])
    geometry = Geometry(values.shape, affine, "1.2.826.0.1.3680043.10.543.7")
    volume = Volume(geometry, np.rint(values).astype(np.int16), ScanSource(intensity_unit=unit))
    gain = 1.0 if scale is None else scale[0]
    return Canal(volume, fitness_of(sigma_mm, noise * gain), line_lps, radius_mm)


def rounded(corners: np.ndarray, cut_mm: float = 2.0, step_mm: float = 0.02) -> np.ndarray:
    """A polyline with its corners rounded by parabolas, as dense points."""
    pieces = [corners[:1]]
    for a, b, c in zip(corners[:-2], corners[1:-1], corners[2:], strict=True):
        start, end = b + cut_mm * (a - b) / np.linalg.norm(a - b), b + cut_mm * (c - b) / np.linalg.norm(c - b)
        t = np.linspace(0.0, 1.0, 41)[:, None]
        pieces.append((1 - t) ** 2 * start + 2 * t * (1 - t) * b + t**2 * end)
    line = np.concatenate([*pieces, corners[-1:]])
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.arange(0.0, arc[-1], step_mm)
    return np.stack([np.interp(at, arc, line[:, k]) for k in range(3)], axis=1)


CORNERS = {
    # A left ear: outwards and forwards, backwards, then down. Angles at the bends 90 and 115 degrees by construction.
    "left": np.array(
        [
            [0.0, 0.0, 0.0],
            [4.0, 0.0, 0.0],
            [4.0 + 0.0, 10.0, 0.0],
            [4.0, 10.0 + 9.0 * np.cos(np.radians(65.0)), -9.0 * np.sin(np.radians(65.0))],
        ]
    )
}
CORNERS["right"] = CORNERS["left"] * [-1.0, 1.0, 1.0]


def facial_canal(side: str = "left", **changes) -> Canal:
    return paint(rounded(CORNERS[side]), **changes)


def clicks_on(canal: Canal, shares: tuple[float, ...], *, noise_mm: float = 0.0, seed: int = 1) -> np.ndarray:
    at = (np.array(shares) * (len(canal.line_lps) - 1)).astype(int)
    return canal.line_lps[at] + np.random.default_rng(seed).normal(0.0, noise_mm, (len(at), 3))
