"""What no method can do better: how far the true bone along a ray changes when the walls behind it move unseen.

Noise leaves the place of a wall open by its Cramer-Rao bound. A ray that passes the edge of a cell meets it or misses
it within that, so even somebody who knows the shape of everything, but sees each wall no better than noise allows,
cannot tell where its bone ends. The bound is taken low on purpose: the largest contrast (air against bone), a patch of
wall one point spread wide whose shape is known, noise that is known, no doubt of point spread and bone level.
"""

from __future__ import annotations

import numpy as np
from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.truth import EarTruth
from wall_truth import LEAD_MM, LENGTH_MM, NARROW_MM, true_first_gap

FWHM_PER_SIGMA = 2.354820
CONTRAST_HU = 2700.0
REACH_MM = 1.5
PATCH_SAMPLES = 15
ROUNDING_HU2 = 1.0 / 12.0
DISPLACEMENTS = 2
"""Two are enough: the variance of two is unbiased, and it is averaged over many rays."""
FARTHEST_MM = 12.0
"""Bone without a gap counts as this long: how far a ray is followed."""


def wall_place_mm(scanner: ScannerParameters) -> float:
    """Cramer-Rao bound of the displacement of a patch of wall that runs across the slices.

    The patch's image moves by ``contrast * (patch blurred)`` a millimetre; with the noise covariance C its displacement
    is known to ``1 / sqrt(d^T C^-1 d)`` (Kay 1993, Fundamentals of statistical signal processing I, 3.9; from memory).
    """
    steps = np.array(scanner.spacing_mm)
    counts = np.ceil(REACH_MM / steps).astype(int)
    axes = [np.arange(-n, n + 1) * step for n, step in zip(counts, steps, strict=True)]
    voxels = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    widths = np.array([scanner.fwhm_through_plane_mm, scanner.fwhm_in_plane_mm, scanner.fwhm_in_plane_mm])
    sigma = widths / FWHM_PER_SIGMA
    radius = 0.5 * scanner.fwhm_in_plane_mm
    across = np.linspace(-radius, radius, PATCH_SAMPLES)
    patch = np.stack(np.meshgrid(across, across, [0.0], indexing="ij"), axis=-1).reshape(-1, 3)
    patch = patch[np.linalg.norm(patch, axis=1) <= radius]
    z = (voxels[:, None] - patch) / sigma
    bell = np.exp(-0.5 * np.sum(z**2, axis=-1)).sum(axis=1) / (np.prod(sigma) * (2.0 * np.pi) ** 1.5)
    moves = CONTRAST_HU * bell * np.pi * radius**2 / len(patch)
    apart = (voxels[:, None] - voxels) / (scanner.noise_fwhm_mm / FWHM_PER_SIGMA)
    covariance = scanner.noise_hu**2 * np.exp(-0.25 * np.sum(apart**2, axis=-1))
    covariance[np.diag_indices(len(voxels))] += ROUNDING_HU2 + (0.02 * scanner.noise_hu) ** 2
    return float(1.0 / np.sqrt(moves @ np.linalg.solve(covariance, moves)))


def unseen_variance(
    truth: EarTruth,
    points: np.ndarray,
    normals: np.ndarray,
    directions: np.ndarray,
    *,
    rays: np.ndarray,
    place_mm: float,
    seed: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Variance of the true bone over displaced rays, for some rays; whether it changes by over 0.3 mm."""
    at, along = truth.placement.from_lps(points), truth.placement.directions_from_lps(directions)
    out = truth.placement.directions_from_lps(normals)
    rng = np.random.default_rng([20256, seed])
    lengths = np.full((len(at), DISPLACEMENTS), np.nan)
    for i in np.flatnonzero(rays):
        p, u, n = at[i], along[i], out[i]
        first = np.cross(u, np.eye(3)[int(np.argmin(np.abs(u)))])
        first /= np.linalg.norm(first)
        for turn, (a, b) in enumerate(place_mm * rng.standard_normal((DISPLACEMENTS, 2))):
            off = a * first + b * np.cross(u, first)
            start = p + off - (off @ n) / (u @ n) * u
            runs = truth.ear.runs(start - LEAD_MM * u, u, LENGTH_MM)
            lengths[i, turn] = min(true_first_gap(runs, NARROW_MM)[0], FARTHEST_MM)
    return np.var(lengths, axis=1, ddof=1), np.ptp(lengths, axis=1) > NARROW_MM
