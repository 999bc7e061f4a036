"""A CT scanner for painted ears: anti-aliased painting, point spread, noise, overshoot, streaks, clipping.

The volume is painted slab by slab on a fine grid that divides every voxel, each fine sample being an average over its
own cell. The Gaussian point spread is applied at the fine step and read at the voxel centres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctmeasure.progress import Progress, no_progress
from ctmeasure_samples import kernels
from ctmeasure_samples.model import EarModel
from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.placement import Placement

# Fine steps are never coarser than this; sheets from 0.1 mm up then keep their area to 0.01 mm.
COARSEST_STEP_MM = 0.155
SIGMA_PER_FWHM = 1.0 / 2.354820045
# Gaussians are cut here; what is lost is under 1e-4 and is put back by normalising.
CUT_SIGMAS = 4.0
SLAB_SLICES = 20
TEXTURE_STEPS_MM = (3.0, 0.9)
TEXTURE_POINTS = 32
# A sharp kernel's negative part is this much wider than the point spread.
OVERSHOOT_WIDENING = 2.2


@dataclass(frozen=True, eq=False)
class Grid:
    """Voxel grid: shape (k, j, i) and affine to LPS (columns: steps along k, j, i; then the first voxel's centre)."""

    shape_kji: tuple[int, int, int]
    affine_lps: np.ndarray

    @property
    def spacing_mm(self) -> np.ndarray:
        """Steps along k, j, i."""
        return np.linalg.norm(self.affine_lps[:3, :3], axis=0)

    def to_lps(self, points_kji: np.ndarray) -> np.ndarray:
        """Index (..., 3) to LPS."""
        return np.asarray(points_kji, dtype=np.float64) @ self.affine_lps[:3, :3].T + self.affine_lps[:3, 3]

    def to_kji(self, points_lps: np.ndarray) -> np.ndarray:
        """LPS (..., 3) to index."""
        return np.linalg.solve(
            self.affine_lps[:3, :3],
            (np.asarray(points_lps, dtype=np.float64) - self.affine_lps[:3, 3]).reshape(-1, 3).T,
        ).T.reshape(np.shape(points_lps))


def make_grid(
    centre_lps: Sequence[float] | np.ndarray,
    size_mm: Sequence[float],
    *,
    spacing_mm: Sequence[float],
    row_direction: Sequence[float] = (1.0, 0.0, 0.0),
    column_direction: Sequence[float] = (0.0, 1.0, 0.0),
) -> Grid:
    """Grid around a centre.

    Parameters
    ----------
    centre_lps
        Centre of the volume.
    size_mm
        Extent along k, j, i.
    spacing_mm
        Steps along k, j, i.
    row_direction, column_direction
        LPS direction of growing column index i and growing row index j (DICOM order); slices grow along their cross
        product.

    Returns
    -------
    Grid
        Origin rounded to a thousandth of a millimetre, as DICOM text keeps it exactly.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> make_grid((0, 0, 0), (4, 3, 3), spacing_mm=(0.4, 0.3, 0.3)).shape_kji
    (10, 10, 10)
    """
    i = np.asarray(row_direction, dtype=np.float64)
    j = np.asarray(column_direction, dtype=np.float64)
    i = i / np.linalg.norm(i)
    j = j - i * float(i @ j)
    j = j / np.linalg.norm(j)
    # Text of at most 16 characters (DICOM decimal string) carries 12 decimals of a direction.
    i, j = np.round(i, 12), np.round(j, 12)
    k = np.cross(i, j)
    steps = np.asarray(spacing_mm, dtype=np.float64)
    shape = tuple(round(float(s / d)) for s, d in zip(size_mm, steps, strict=True))
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1], affine[:3, 2] = k * steps[0], j * steps[1], i * steps[2]
    affine[:3, 3] = np.round(np.asarray(centre_lps) - affine[:3, :3] @ ((np.array(shape) - 1) / 2.0), 3)
    return Grid((shape[0], shape[1], shape[2]), affine)


def _weights(sigma_mm: float, step_mm: float, factor: int) -> tuple[np.ndarray, int]:
    """Gaussian weights over fine samples around a voxel centre, and the first one's index."""
    rest = max(sigma_mm**2 - step_mm**2 / 12.0, (0.3 * step_mm) ** 2)
    sigma = float(np.sqrt(rest))
    reach = int(np.ceil(CUT_SIGMAS * sigma / step_mm)) + 1
    centre = 0.5 * (factor - 1)
    first = int(np.floor(centre)) - reach
    index = np.arange(first, int(np.ceil(centre)) + reach + 1)
    w = np.exp(-0.5 * ((index - centre) * step_mm / sigma) ** 2)
    return w / w.sum(), first


def _textures(seed: int) -> np.ndarray:
    """Two periodic random lattices whose trilinear fields have unit standard deviation."""
    rng = np.random.default_rng([77, seed])
    raw = rng.standard_normal((2, TEXTURE_POINTS, TEXTURE_POINTS, TEXTURE_POINTS))
    # Trilinear interpolation of white values keeps (2/3)^3 of the variance.
    return np.ascontiguousarray(np.clip(raw, -3.0, 3.0) / np.sqrt((2.0 / 3.0) ** 3))


def blurred_scene(
    ears: Sequence[tuple[EarModel, Placement]],
    grid: Grid,
    scanner: ScannerParameters,
    *,
    progress: Progress = no_progress,
) -> np.ndarray:
    """Paint and blur: what a noiseless scanner would store, in HU, unclipped.

    Parameters
    ----------
    ears
        One ear, or both ears of a head (each paints its own half).
    grid
        Voxel grid.
    scanner
        Point spread and overshoot are taken from here.
    progress
        Listener; may cancel.

    Returns
    -------
    numpy.ndarray
        float32, shape of the grid.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener stops it.
    """
    spacing = grid.spacing_mm
    factors = [max(1, int(np.ceil(s / COARSEST_STEP_MM - 1e-6))) for s in spacing]
    steps = [float(s / f) for s, f in zip(spacing, factors, strict=True)]
    sigmas = [scanner.fwhm_through_plane_mm, scanner.fwhm_in_plane_mm, scanner.fwhm_in_plane_mm]
    kernels_kji = [
        _weights(f * SIGMA_PER_FWHM, step, factor) for f, step, factor in zip(sigmas, steps, factors, strict=True)
    ]
    wide = [
        _weights(OVERSHOOT_WIDENING * sigmas[a] * SIGMA_PER_FWHM, steps[a], factors[a]) if a else kernels_kji[0]
        for a in range(3)
    ]
    nk, nj, ni = grid.shape_kji
    out = np.empty(grid.shape_kji, np.float32)
    pads = [(-k[1], k[1] + len(k[0]) - f) for k, f in zip(wide, factors, strict=True)]
    fine_to_lps = grid.affine_lps[:3, :3] / np.array(factors)
    textures = [_textures(ear.parameters.seed) for ear, _ in ears]
    for first in range(0, nk, SLAB_SLICES):
        count = min(SLAB_SLICES, nk - first)
        progress("painting", first / nk)
        shape = (
            count * factors[0] + pads[0][0] + pads[0][1],
            nj * factors[1] + pads[1][0] + pads[1][1],
            ni * factors[2] + pads[2][0] + pads[2][1],
        )
        fine = np.full(shape, -1000.0, np.float32)
        start_kji = np.array([first * factors[0] - pads[0][0], -pads[1][0], -pads[2][0]], dtype=np.float64)
        # The centre of fine sample m of a voxel lies at (m - (factor - 1) / 2) fine steps from the voxel's centre.
        start_kji -= (np.array(factors) - 1.0) / 2.0
        origin = grid.affine_lps[:3, 3] + fine_to_lps @ start_kji
        for (ear, placement), texture in zip(ears, textures, strict=True):
            inverse = np.linalg.inv(placement.tf_lps_ear)
            kernels.paint(
                fine,
                np.ascontiguousarray(inverse[:3, :3] @ fine_to_lps),
                inverse[:3, :3] @ origin + inverse[:3, 3],
                float(np.mean(steps)),
                *ear.program,
                ear.boxes,
                np.array([e.shape.stretch for e in ear.elements]),
                ear.levels(),
                texture,
                np.array(TEXTURE_STEPS_MM),
                ear.texture_sds(),
                -1000.0,
                1.0 if len(ears) > 1 else 0.0,
                -ear.head.rim_to_midline_mm,
            )
        sharp = _sample(fine, kernels_kji, factors, pads, (count, nj, ni))
        if scanner.overshoot > 0.0:
            blurred = _sample(fine, wide, factors, pads, (count, nj, ni))
            sharp = (1.0 + scanner.overshoot) * sharp - scanner.overshoot * blurred
        out[first : first + count] = sharp
    progress("painting", 1.0)
    return out


def _sample(
    fine: np.ndarray,
    weights: Sequence[tuple[np.ndarray, int]],
    factors: Sequence[int],
    pads: Sequence[tuple[int, int]],
    shape: tuple[int, int, int],
) -> np.ndarray:
    """Blur and read at voxel centres, axis after axis (the axis that shrinks most first)."""
    for axis in range(3):
        w, first = weights[axis]
        fine = kernels.sample_axis(fine, w, pads[axis][0] + first, factors[axis], shape[axis], axis)
    return fine


def metal_streaks(clean: np.ndarray, grid: Grid, seed: int) -> np.ndarray:
    """Rays of alternating sign from metal in each slice, fading with distance; a look, not a physics model."""
    out = np.zeros_like(clean)
    rng = np.random.default_rng([88, seed])
    phases = rng.uniform(0.0, 2.0 * np.pi, 6)
    jj, ii = np.mgrid[0 : clean.shape[1], 0 : clean.shape[2]]
    step = float(grid.spacing_mm[2])
    for k in range(clean.shape[0]):
        metal = clean[k] > 3000.0
        if not metal.any():
            continue
        amount = float(metal.sum()) * step**2
        cj, ci = np.argwhere(metal).mean(axis=0)
        distance = np.hypot(jj - cj, ii - ci) * step
        angle = np.arctan2(jj - cj, ii - ci)
        rays = sum(np.cos((4 + 3 * m) * angle + phase) for m, phase in enumerate(phases)) / np.sqrt(3.0)
        fade = np.exp(-distance / 9.0) * np.clip(distance / 0.6, 0.0, 1.0)
        out[k] = min(260.0, 90.0 * np.sqrt(amount)) * fade * rays
    return out


def scan(
    ears: Sequence[tuple[EarModel, Placement]],
    grid: Grid,
    scanner: ScannerParameters,
    *,
    progress: Progress = no_progress,
) -> np.ndarray:
    """Scan ears: paint, blur, add streaks and noise, clip, turn into grey values.

    Parameters
    ----------
    ears
        One ear, or both ears of a head.
    grid
        Voxel grid.
    scanner
        Scanner setting; its seed fixes the noise.
    progress
        Listener; may cancel.

    Returns
    -------
    numpy.ndarray
        int16, shape of the grid: HU, or grey values when the setting is uncalibrated.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener stops it.

    Notes
    -----
    The same input gives the same bytes on one machine type; noise is drawn by numpy's PCG64.
    """
    values = blurred_scene(ears, grid, scanner, progress=progress)
    if scanner.streaks and any(e.material == "titanium" for ear, _ in ears for e in ear.elements):
        values = values + metal_streaks(values, grid, scanner.seed)
    if scanner.noise_hu > 0.0:
        values = values + noise_field(grid, scanner)
    low, high = scanner.clip_hu
    values = scanner.gain * np.clip(values, low, high) + scanner.offset
    return np.clip(np.rint(values), -32768, 32767).astype(np.int16)


def noise_field(grid: Grid, scanner: ScannerParameters) -> np.ndarray:
    """Gaussian noise of the stated standard deviation and correlation length (float32, HU)."""
    from scipy.ndimage import gaussian_filter1d

    rng = np.random.default_rng([99, scanner.seed])
    noise = rng.standard_normal(grid.shape_kji, dtype=np.float32)
    gain = 1.0
    for axis, step in enumerate(grid.spacing_mm):
        sigma = scanner.noise_fwhm_mm * SIGMA_PER_FWHM / float(step)
        if sigma < 0.05:
            continue
        noise = gaussian_filter1d(noise, sigma, axis=axis, mode="wrap", truncate=4.0)
        delta = np.zeros(65)
        delta[32] = 1.0
        gain *= float(np.sum(gaussian_filter1d(delta, sigma, truncate=4.0) ** 2))
    return noise * np.float32(scanner.noise_hu / np.sqrt(gain))
