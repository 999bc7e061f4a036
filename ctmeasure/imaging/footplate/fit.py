"""The shape of a plate and its window by least squares over the voxels around it, robust against what else is there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.footplate.model import LEVELS, SHAPE, THICKNESS, Start, axes_of, centre_of, columns
from ctmeasure.imaging.footplate.seek import USUAL_SHAPE, Candidate
from ctmeasure.imaging.levels import PointSpread
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

# What is known before: half the published plate of 2.9 (0.2) x 1.4 (0.12) mm less its seat (Gong et al. 2024, PMID
# 37622391; Calligas & Todd 2018, micro-CT), thickness 0.12 to 0.30 (histology to micro-CT). The rest is our choice.
PRIOR_SD = np.array([0.6, 0.6, 0.6, 0.5, 0.6, 0.35, 0.12, 0.08, 0.12, 0.08, 0.4, 0.4, 0.4, 0.4])
"""Standard deviations of the numbers of the shape; the turns in radians."""
OUTLIER = 0.16
"""Misfit from which a voxel counts less, as a share of the step from air to bone: what the simple shape leaves out."""
LEVEL_SD = 0.12
"""Doubt of the vestibule's level before, as a share of the step from soft tissue to bone."""
INSIDE_MM = (0.8, -0.95)
"""Voxels within the window are used this far above and below the plate."""
RING_MM = (0.3, -0.55)
"""Voxels of the bone around it: above, the niche's walls end; below, the vestibule widens."""
RING_WIDTH_MM = 0.6
SHARED = 2.0
"""Noise and misfit reach over neighbouring voxels: about this many, in each number's standard uncertainty."""
METAL_HALO_MM = 0.6
"""Voxels nearer to metal than this are left out."""
LEAST_VOXELS = 80
ROUNDS = 3
"""The voxels are chosen anew this often, each time around the better plate."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted shape.

    Parameters
    ----------
    start, shape
        Where the fit began, and the numbers of `model.SHAPE`.
    levels
        Shape (5,): niche, vestibule, bone, anterior and posterior crus (above the niche's level).
    covariance
        Shape (14, 14): of the shape, from noise and misfit.
    levels_u
        Shape (5,): standard uncertainties of the levels.
    rms
        Weighted misfit, in the scan's unit.
    cost
        Half the sum of robust squares a voxel, in noise, with the priors: comparable between starts.
    outliers
        Share of voxels that fit badly.
    spoilt
        Share of voxels left out because of metal.
    count
        Voxels used.
    """

    start: Start
    shape: Floats
    levels: Floats
    covariance: Floats
    levels_u: Floats
    rms: float
    cost: float
    outliers: float
    spoilt: float
    count: int

    @property
    def axes_lps(self) -> Floats:
        """Rows: long axis, short axis, normal into the middle ear."""
        return axes_of(self.start, self.shape)

    @property
    def centre_lps(self) -> Floats:
        """Middle of the tympanic surface."""
        return centre_of(self.start, self.shape)


def voxels_around(
    volume: Volume, start: Start, shape: Floats, *, metal_lps: Floats | None = None
) -> tuple[Floats, Floats, float]:
    """Places (n, 3) and values (n,) of the voxels that the model is about, and the share that metal spoils."""
    reach = float(max(shape[6] + shape[8] + RING_WIDTH_MM, 1.2)) + 0.1
    block = volume.crop_around(centre_of(start, shape)[None], margin_mm=reach)
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in block.values.shape), indexing="ij"), axis=-1).reshape(-1, 3)
    points = block.geometry.to_lps(grid.astype(np.float64))
    local = (points - centre_of(start, shape)) @ axes_of(start, shape).T
    a, b, wider, thick = shape[6:10]
    deeper = max(float(thick) - float(USUAL_SHAPE[THICKNESS]), 0.0)

    def within(grow: float) -> NDArray[np.bool_]:
        return np.asarray((local[:, 0] / (a + grow)) ** 2 + (local[:, 1] / (b + grow)) ** 2 < 1.0)

    z = local[:, 2]
    hollow = np.where(z > 0.0, within(wider), within(0.0)) & (z < INSIDE_MM[0]) & (z > INSIDE_MM[1] - deeper)
    ring = within(wider + RING_WIDTH_MM) & (z < RING_MM[0]) & (z > RING_MM[1] - deeper)
    kept = hollow | ring
    spoilt = np.zeros(len(points), np.bool_)
    if metal_lps is not None and len(metal_lps):
        from scipy.spatial import cKDTree

        spoilt[kept] = cKDTree(metal_lps).query(points[kept])[0] < METAL_HALO_MM
    share = float(spoilt.sum()) / max(int(kept.sum()), 1)
    kept &= ~spoilt
    return points[kept], block.values.reshape(-1)[kept].astype(np.float64), share


def fit_plate(
    volume: Volume,
    candidate: Candidate,
    *,
    click_lps: Floats,
    levels: TubeLevels,
    spread: PointSpread,
    metal_lps: Floats | None = None,
    usual: Floats = USUAL_SHAPE,
) -> Fit | None:
    """Fit the shape from one start.

    Parameters
    ----------
    volume
        The scan.
    candidate
        Where to begin.
    click_lps
        Shape (3,): a weak prior on the centre.
    levels
        Grey levels around.
    spread
        The scan's point spread.
    metal_lps
        Places of metal (n, 3); what lies near them is left out.
    usual
        Shape that is expected; thicker plates are less sure of their thickness.

    Returns
    -------
    Fit or None
        None when too few voxels are there.

    Notes
    -----
    Robust by a Cauchy loss whose width is a share of the step from air to bone; the priors are plain squares. The
    covariance is that of the weighted problem, with the misfit in place of the noise where it is larger, and inflated
    for voxels that share their noise.
    """
    from scipy.optimize import least_squares

    start = candidate.start
    shape = usual.copy()
    bone = min(max(float(candidate.levels[2]), levels.soft + 0.4 * levels.step), 1.3 * levels.bone)
    grey = np.array([candidate.levels[0], candidate.levels[1], bone, 0.0, 0.0])
    prior = np.concatenate([usual, [levels.soft, levels.soft, levels.bone, 0.0, 0.0]])
    prior[:3] = (click_lps - start.centre_lps) @ start.axes_lps.T
    step = levels.step
    prior_sd = np.concatenate([PRIOR_SD, np.array([2.0, LEVEL_SD, 0.5, 0.5, 0.5]) * step])
    prior_sd[THICKNESS] = max(PRIOR_SD[THICKNESS], 0.5 * (usual[THICKNESS] - USUAL_SHAPE[THICKNESS]))
    width = OUTLIER * (levels.bone - levels.air)
    scale = max(levels.noise, 0.03 * step)
    x = np.concatenate([shape, grey])
    limits = (np.full(SHAPE + LEVELS, -np.inf), np.full(SHAPE + LEVELS, np.inf))
    limits[0][6:12], limits[1][6:12] = (0.9, 0.35, 0.0, 0.02, 0.15, 0.3), (2.0, 1.1, 0.8, 1.2, 3.0, 3.0)
    typical = np.concatenate(
        [[0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.05, 0.1, 0.1, 0.2, 0.2, 0.2, 0.2], np.full(LEVELS, 0.1 * step)]
    )
    for number in range(ROUNDS):
        points, values, spoilt = voxels_around(volume, start, x[:SHAPE], metal_lps=metal_lps)
        if len(values) < LEAST_VOXELS:
            return None
        n = len(values)

        def residuals(x: Floats, points: Floats = points, values: Floats = values) -> Floats:
            model = columns(points, start, x[:SHAPE], spread) @ x[SHAPE:]
            return np.concatenate([(model - values) / scale, (x - prior) / prior_sd])

        def jacobian(x: Floats, points: Floats = points) -> Floats:
            base = columns(points, start, x[:SHAPE], spread)
            out = np.zeros((len(points) + SHAPE + LEVELS, SHAPE + LEVELS))
            for m in range(SHAPE):
                moved = x[:SHAPE].copy()
                moved[m] += 1e-4
                out[: len(points), m] = (columns(points, start, moved, spread) - base) @ x[SHAPE:] / (1e-4 * scale)
            out[: len(points), SHAPE:] = base / scale
            out[len(points) :] = np.diag(1.0 / prior_sd)
            return out

        def loss(squares: Floats, n: int = n) -> Floats:
            c = (width / scale) ** 2
            out = np.stack([squares, np.ones_like(squares), np.zeros_like(squares)])
            part = squares[:n] / c
            out[:, :n] = c * np.log1p(part), 1.0 / (1.0 + part), -1.0 / (c * (1.0 + part) ** 2)
            return out

        result = least_squares(
            residuals, x, jac=jacobian, bounds=limits, x_scale=typical, loss=loss, f_scale=1.0,
            max_nfev=6 if number < ROUNDS - 1 else 12, xtol=1e-4, ftol=1e-5,
        )  # fmt: skip
        x = result.x
    return _fit_of(x, start, residuals(x), jacobian(x), scale, width, n, levels, spoilt)


def _fit_of(
    x: Floats,
    start: Start,
    left: Floats,
    jac: Floats,
    scale: float,
    width: float,
    n: int,
    levels: TubeLevels,
    spoilt: float,
) -> Fit:
    weight = np.ones(len(left))
    weight[:n] = 1.0 / (1.0 + (left[:n] * scale / width) ** 2)
    rms = float(np.sqrt((weight[:n] * left[:n] ** 2).sum() / weight[:n].sum())) * scale
    # Misfit larger than the noise is what the shape leaves out; neighbours share it, as they share noise.
    share = max(rms, levels.noise) / scale * SHARED
    weight[:n] /= share**2
    covariance: Floats = np.asarray(np.linalg.inv((jac * weight[:, None]).T @ jac), dtype=np.float64)
    c = (width / scale) ** 2
    cost = float((c * np.log1p(left[:n] ** 2 / c)).sum() / n + (left[n:] ** 2).sum() / n)
    outliers = float((np.abs(left[:n]) * scale > width).mean())
    levels_u: Floats = np.sqrt(np.asarray(np.diag(covariance)[SHAPE:], dtype=np.float64))
    return Fit(
        start, x[:SHAPE], x[SHAPE:], covariance[:SHAPE, :SHAPE], levels_u, rms, cost, outliers, spoilt, n
    )  # fmt: skip
