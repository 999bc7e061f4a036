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

HALF_LENGTH_MM = 1.6
"""Reach of an edge on either side: 3.5 sigma of a 1.0 mm point spread."""

VOXELS = 48
"""Voxels an edge is fitted to: those nearest to its normal (within about 0.4 mm on a scan of 0.3 by 0.4 mm)."""

INDEPENDENT_SHARE = 0.5
"""Share of the voxels whose noise counts as independent: neighbours share some."""

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
    base, misfit
        Shape (n,): lower level of the step, and root mean square misfit, in the scan's unit.
    distances_mm, values
        Shape (n, v): distance from the edge, along its normal, of the voxels it was fitted to, and what they read.
    """

    points_lps: NDArray[np.float64]
    normals_lps: NDArray[np.float64]
    sigma_mm: NDArray[np.float64]
    sigma_u_mm: NDArray[np.float64]
    contrast: NDArray[np.float64]
    cos2: NDArray[np.float64]
    shape: NDArray[np.float64]
    base: NDArray[np.float64]
    misfit: NDArray[np.float64]
    distances_mm: NDArray[np.float64]
    values: NDArray[np.float64]


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
    Model: ``b + C Phi((x - x0) / sigma)``, fitted to the voxels around the normal themselves, not to values read
    between them: cubic interpolation widens an edge of 0.45 mm on 0.3 mm pixels by 6 percent. Edges of thin walls, or
    lined by skin, or strongly curved fit badly and drop out; a curved edge's half-level shifts by about
    sigma^2 / (2 R) but its width hardly changes.
    """
    points, normals = _candidates(volume, least_contrast, np.random.default_rng(seed))
    if len(points):
        points, normals = _steadied(volume, points, normals)
        points, normals, offsets, values = _voxels_around(volume, points, normals)
    if not len(points):
        empty, none = np.empty(0), np.empty((0, VOXELS))
        nowhere = np.empty((0, 3))
        return Edges(nowhere, nowhere, empty, empty, empty, empty, np.empty((0, 2)), empty, empty, none, none)
    centre, sigma, height, base, misfit, sigma_u = _fit_steps(offsets, values)
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
    distances = offsets[good] - centre[good, None]
    shape = _mean_shape(distances / sigma[good, None], values[good])
    found = points[good] + centre[good, None] * normals[good]
    return Edges(
        found, normals[good], sigma[good], sigma_u[good], height[good], cos2[good], shape, base[good], misfit[good],
        distances, values[good],
    )  # fmt: skip


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


def _voxels_around(volume: Volume, points: NDArray, normals: NDArray) -> tuple[NDArray, ...]:
    """Points and normals whose surroundings the scan holds, and distance along the normal and value of their voxels."""
    geometry = volume.geometry
    spacing = np.asarray(geometry.spacing_mm)
    reach = np.ceil(HALF_LENGTH_MM / spacing).astype(np.intp)
    place = geometry.to_kji(points)
    nearest = np.rint(place).astype(np.intp)
    held = ((nearest >= reach) & (nearest + reach < np.array(geometry.shape_kji))).all(axis=1)
    points, normals, nearest, place = points[held], normals[held], nearest[held], place[held]
    across = (normals @ geometry.directions_lps.T).astype(np.float32)
    around = np.stack(np.meshgrid(*[np.arange(-r, r + 1) for r in reach], indexing="ij"), axis=-1).reshape(-1, 3)
    strides = np.array([volume.values.shape[1] * volume.values.shape[2], volume.values.shape[2], 1])
    flat, steps = volume.values.reshape(-1), around @ strides
    grid = (around * spacing).astype(np.float32)
    count = min(VOXELS, len(around) - 1)
    offsets, values = np.empty((len(points), count)), np.empty((len(points), count))
    for first in range(0, len(points), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        start = ((nearest[part] - place[part]) * spacing).astype(np.float32)
        along = across[part] @ grid.T + np.sum(start * across[part], axis=1)[:, None]
        aside = np.sum(grid * grid, axis=1) + 2.0 * start @ grid.T + np.sum(start * start, axis=1)[:, None] - along**2
        aside[np.abs(along) > HALF_LENGTH_MM] = np.inf
        chosen = np.argpartition(aside, count, axis=1)[:, :count]
        offsets[part] = np.take_along_axis(along, chosen, axis=1)
        values[part] = flat[(nearest[part] @ strides)[:, None] + steps[chosen]]
    return points, normals, offsets, values


def _fit_steps(offsets: NDArray, values: NDArray) -> tuple[NDArray, ...]:
    """Fit all profiles, a share of them on each core; each is fitted by itself, so the shares change nothing."""
    cores = min(os.cpu_count() or 1, max(len(values) // LEAST_SHARE, 1))
    with ThreadPoolExecutor(cores, thread_name_prefix="ctmeasure-edges") as pool:
        shares = zip(np.array_split(offsets, cores), np.array_split(values, cores), strict=True)
        parts = list(pool.map(lambda share: _fit_share(*share), shares))
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _fit_share(offsets: NDArray, values: NDArray) -> tuple[NDArray, ...]:
    """Fit edges all at once by Gauss-Newton, then once more within three sigmas of each: offsets and values (n, v)."""
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
            variance = (weight * residual**2).sum(axis=1) / np.maximum(count * INDEPENDENT_SHARE - 4, 1.0)
            sigma_u = np.sqrt(np.linalg.inv(normal)[:, 1, 1] * variance / INDEPENDENT_SHARE)
    return centre, sigma, height, base, misfit, sigma_u


def _mean_shape(z: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the mean edge, over distance in sigmas, against its far levels: fitted levels would swallow an overshoot."""
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
