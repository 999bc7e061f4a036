"""Blurred steps in a scan: where they are, how wide they are, and how their width depends on direction."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""Full width at half maximum of a Gaussian per standard deviation, 2.3548."""

HALF_LENGTH_MM, STEP_MM = 1.6, 0.1
"""Reach and spacing of the profiles: 3.5 sigma of a 1.0 mm point spread on either side."""

BALL_MM = 0.6
"""Radius over which the direction of an edge is averaged: about one point spread."""

TRIED, KEPT_PER_BAND = 400_000, 350
"""Voxels looked at, and edges kept in each band of direction."""

AT_ONCE = 400
"""Edges whose balls are sampled together: 2 MB at a time."""

BANDS = 8
"""Bands of the squared cosine between edge normal and slice normal; each is filled alike."""

WIDTHS_MM = (0.05, 1.5)
"""Edge sigmas outside this range are not a scanner's."""

WINDOW_SIGMAS = 3.0
"""How far from the edge a profile must look like one step; beyond it other tissue may begin."""

LEAST_SHARE = 200
"""Fewer profiles than this are not worth another thread."""

FAR_SIGMAS = (4.0, 7.0)
"""Where a profile's far levels are read: beyond the overshoot of a sharp kernel."""


@dataclass(frozen=True)
class Edges:
    """Steps that a blurred edge fits.

    Parameters
    ----------
    points_lps, normals_lps
        Shape (n, 3): the half-level point, and the unit normal towards the denser side.
    sigma_mm, sigma_u_mm
        Shape (n,): fitted Gaussian width, and its standard uncertainty from the misfit.
    contrast
        Shape (n,): height of the step, in the scan's unit.
    cos2
        Shape (n,): squared cosine between edge normal and slice normal.
    shape
        Shape (m, 2): distance from the edge in sigmas, and intensity from 0 to 1, the mean over all edges.
    """

    points_lps: NDArray[np.float64]
    normals_lps: NDArray[np.float64]
    sigma_mm: NDArray[np.float64]
    sigma_u_mm: NDArray[np.float64]
    contrast: NDArray[np.float64]
    cos2: NDArray[np.float64]
    shape: NDArray[np.float64]


def find_edges(volume: Volume, *, least_contrast: float, noise: float, seed: int = 6) -> Edges:
    """Fit blurred steps at places with a steep gradient, all directions alike.

    Parameters
    ----------
    volume
        The scan.
    least_contrast
        Smallest step (scan's unit) that counts.
    noise
        Standard deviation of the noise; decides how well a step must fit.
    seed
        Of the voxels looked at: the same scan always gives the same edges.

    Returns
    -------
    Edges
        Possibly none.

    Raises
    ------
    ValueError
        Never by itself.

    Notes
    -----
    Model: ``b + C Phi((x - x0) / sigma)`` along the gradient. Edges of thin walls, or lined by skin, or strongly curved
    fit badly and drop out; a curved edge's half-level shifts by about sigma^2 / (2 R) but its width hardly changes.
    """
    points, normals = _candidates(volume, least_contrast, np.random.default_rng(seed))
    if not len(points):
        empty = np.empty(0)
        return Edges(np.empty((0, 3)), np.empty((0, 3)), empty, empty, empty, empty, np.empty((0, 2)))
    points, normals = _steadied(volume, points, normals)
    offsets = np.arange(-HALF_LENGTH_MM, HALF_LENGTH_MM + STEP_MM / 2, STEP_MM)
    values, inside = sample(volume, points[:, None] + offsets[:, None] * normals[:, None], order="cubic")
    whole = inside.all(axis=1)
    points, normals, values = points[whole], normals[whole], values[whole]
    centre, sigma, height, misfit, sigma_u = _fit_steps(offsets, values)
    slice_normal = volume.geometry.directions_lps[0]
    cos2 = (normals @ slice_normal) ** 2
    allowed = 0.04 * height + 1.5 * noise
    good = (
        (height >= least_contrast)
        & (sigma > WIDTHS_MM[0])
        & (sigma < WIDTHS_MM[1])
        & (np.abs(centre) + WINDOW_SIGMAS * sigma < HALF_LENGTH_MM)
        & (misfit < allowed)
    )
    shape = _mean_shape(offsets, values[good], centre[good], sigma[good])
    found = points + centre[:, None] * normals
    return Edges(found[good], normals[good], sigma[good], sigma_u[good], height[good], cos2[good], shape)


def _candidates(
    volume: Volume, least_contrast: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give points with a steep gradient and its direction, as many from each band of direction."""
    spacing = np.asarray(volume.geometry.spacing_mm)
    reach = np.maximum(np.rint(0.3 / spacing), 1).astype(int)  # differences over about 0.6 mm: steady against noise
    low, high = reach + 1, np.asarray(volume.geometry.shape_kji) - reach - 1
    if np.any(high <= low):
        return np.empty((0, 3)), np.empty((0, 3))
    index = rng.integers(low, high, size=(TRIED, 3))
    gradient = np.empty(index.shape)
    flat = volume.values.reshape(-1)
    strides = np.array([volume.values.shape[1] * volume.values.shape[2], volume.values.shape[2], 1])
    at = index @ strides
    order = np.argsort(at)  # memory is read in its own order, which is several times faster on a large scan
    at = at[order]
    for axis in range(3):
        ahead = flat[at + reach[axis] * strides[axis]].astype(np.float32)
        behind = flat[at - reach[axis] * strides[axis]].astype(np.float32)
        gradient[order, axis] = (ahead - behind) / (2 * reach[axis] * spacing[axis])
    # A step of that height, blurred to 1.0 mm, still has this slope in the middle.
    steep = np.linalg.norm(gradient, axis=1) > least_contrast * FWHM_PER_SIGMA / math.sqrt(2 * math.pi) / 1.4
    index, gradient = index[steep], gradient[steep]
    normals_kji = gradient / np.linalg.norm(gradient, axis=1, keepdims=True)
    band = np.minimum((normals_kji[:, 0] ** 2 * BANDS).astype(int), BANDS - 1)
    taken = np.concatenate([np.flatnonzero(band == number)[:KEPT_PER_BAND] for number in range(BANDS)])
    normals_lps = normals_kji[taken] @ volume.geometry.directions_lps
    return volume.geometry.to_lps(index[taken]), normals_lps


def _steadied(
    volume: Volume, points: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Replace each normal by the least-squares gradient over a ball, which noise tilts far less.

    A profile taken at an angle to the normal looks wider than the edge is, so this is what keeps the widths unbiased.
    """
    grid = np.arange(-BALL_MM, BALL_MM + 1e-9, BALL_MM / 3)
    ball = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1).reshape(-1, 3)
    ball = ball[np.linalg.norm(ball, axis=1) <= BALL_MM + 1e-9]
    gradient, whole = np.empty_like(points), np.empty(len(points), bool)
    for first in range(0, len(points), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        values, inside = sample(volume, points[part, None] + ball)
        whole[part] = inside.all(axis=1)
        gradient[part] = values @ ball  # the ball is symmetric: its mean drops out
    gradient = gradient[whole]
    length = np.linalg.norm(gradient, axis=1, keepdims=True)
    steady = gradient / np.maximum(length, 1e-12)
    kept = np.sum(steady * normals[whole], axis=1) > 0.8
    return points[whole][kept], steady[kept]


def _fit_steps(offsets: NDArray, values: NDArray) -> tuple[NDArray, ...]:
    """Fit all profiles, a share of them on each core; each is fitted by itself, so the shares change nothing."""
    cores = min(os.cpu_count() or 1, max(len(values) // LEAST_SHARE, 1))
    with ThreadPoolExecutor(cores, thread_name_prefix="ctmeasure-edges") as pool:
        parts = list(pool.map(lambda share: _fit_share(offsets, share), np.array_split(values, cores)))
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _fit_share(offsets: NDArray, values: NDArray) -> tuple[NDArray, ...]:
    """Fit profiles all at once by Gauss-Newton, then once more within three sigmas of each edge."""
    from scipy.special import ndtr

    low, high = np.percentile(values, 5, axis=1), np.percentile(values, 95, axis=1)
    height, base = np.maximum(high - low, 1.0), low.copy()
    centre, sigma = np.zeros(len(values)), np.full(len(values), 0.3)
    weight = np.ones_like(values)
    misfit = np.zeros(len(values))
    sigma_u = np.zeros(len(values))
    jacobian = np.ones((len(values), 4, values.shape[1]))
    for turn in range(24):
        if turn >= 8:  # by now the edge is roughly known: look only at what belongs to it
            weight = (np.abs(offsets - centre[:, None]) <= WINDOW_SIGMAS * np.maximum(sigma, 0.12)[:, None]) * 1.0
        z = (offsets - centre[:, None]) / sigma[:, None]
        step = ndtr(z)
        bell = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        slope = height[:, None] * bell / sigma[:, None]
        np.negative(slope, out=jacobian[:, 0])
        np.multiply(jacobian[:, 0], z, out=jacobian[:, 1])
        jacobian[:, 3] = step
        residual = values - base[:, None] - height[:, None] * step
        weighted = jacobian * weight[:, None]
        normal = weighted @ jacobian.transpose(0, 2, 1)
        normal += np.eye(4) * (1e-9 + 1e-6 * np.trace(normal, axis1=1, axis2=2)[:, None, None])
        change = np.linalg.solve(normal, weighted @ residual[..., None])[..., 0]
        centre += np.clip(change[:, 0], -0.2, 0.2)
        sigma = np.clip(sigma + np.clip(change[:, 1], -0.1, 0.1), 0.02, 3.0)
        base += change[:, 2]
        height = np.maximum(height + change[:, 3], 1.0)
        count = np.maximum(weight.sum(axis=1), 5.0)
        misfit = np.sqrt((weight * residual**2).sum(axis=1) / count)
        if turn == 23:
            free = count * min(STEP_MM / 0.2, 1.0) - 4  # samples 0.1 mm apart share voxels: about half are independent
            variance = (weight * residual**2).sum(axis=1) / np.maximum(free, 1.0)
            sigma_u = np.sqrt(np.linalg.inv(normal)[:, 1, 1] * variance * 2.0)
    return centre, sigma, height, misfit, sigma_u


def _mean_shape(
    offsets: NDArray[np.float64], values: NDArray[np.float64], centre: NDArray[np.float64], sigma: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give the mean edge against its far levels: the fitted levels would swallow an overshoot."""
    z = (offsets - centre[:, None]) / sigma[:, None]
    below, above = (z > -FAR_SIGMAS[1]) & (z < -FAR_SIGMAS[0]), (z > FAR_SIGMAS[0]) & (z < FAR_SIGMAS[1])
    reaches = (below.sum(axis=1) >= 3) & (above.sum(axis=1) >= 3)
    z, values, below, above = z[reaches], values[reaches], below[reaches], above[reaches]
    low = np.sum(values * below, axis=1) / np.maximum(below.sum(axis=1), 1)
    high = np.sum(values * above, axis=1) / np.maximum(above.sum(axis=1), 1)
    share = (values - low[:, None]) / np.maximum(high - low, 1.0)[:, None]
    bins = np.arange(-FAR_SIGMAS[0], FAR_SIGMAS[0] + 1e-9, 0.25)
    place = np.digitize(z.ravel(), bins)
    rows = []
    for number in range(1, len(bins)):
        inside = share.ravel()[place == number]
        if len(inside) >= 30:
            rows.append((0.5 * (bins[number - 1] + bins[number]), float(np.median(inside))))
    return np.array(rows).reshape(-1, 2)
