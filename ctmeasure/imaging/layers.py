"""Layers along rays: read profiles, find the bone in them, fit its blurred edges."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.levels import FWHM_PER_SIGMA, TissueLevels
from ctmeasure.volume.sampling import in_threads, sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

STEP_MM = 0.1
"""Step along a profile: at least four samples a point-spread width on every scan this is meant for."""
LINING_MM = 0.12
"""Thickness of the skin or mucosa on the bone, when the profile itself does not tell (from memory)."""
LINING_SD_MM = 0.12
AIR_LINED_REACH_MM = 0.7
"""Air within this distance before the bone makes the wall air-lined; farther, it is under soft tissue."""
THICK_FWHM = 2.5
"""A wall at least this many point-spread widths thick shows its own bone level."""
ROWS_WORTH_A_THREAD = 200
WIDE_GAP_MM = 1.3
"""A gap wider than this behind the bone shows its own level and its far edge lies outside the window."""
NARROW_LEVEL_SD_SHARE, NARROW_WIDTH_SD_MM = 0.15, 0.15
"""Level and width of a narrower one are held to what the walk saw, within these: a cell is no slab, and a model of it
as a slab full of air makes the cell too narrow and the bone before it 0.1 mm too long (synthetic ears)."""
BEHIND_SIGMAS = 2.5
"""The fitted window ends this many standard deviations of the blur behind the last edge."""


class Walk(NamedTuple):
    """What `walk` finds along each ray; shapes (n,), NaN where there is none. See `kernels.rays.walk_profiles`."""

    peak_x: Floats
    peak: Floats
    fall_x: Floats
    gap_low: Floats
    gap_width: Floats
    exit_x: Floats
    exit_width: Floats
    exit_level: Floats
    exit_low: Floats
    end_x: Floats
    code: Floats


class LayerFit(NamedTuple):
    """Fitted layers; shapes (n,). Lengths mm along the ray; ``u_*`` standard uncertainties."""

    front_x: Floats
    lining: Floats
    thickness: Floats
    bone: Floats
    gap_level: Floats
    u_front: Floats
    u_thickness: Floats
    u_noise: Floats
    u_bone: Floats
    u_blur: Floats
    misfit: Floats
    air_lined: NDArray[np.bool_]
    ok: NDArray[np.bool_]


def profiles(volume: Volume, origins_lps: Floats, *, directions_lps: Floats, offsets_mm: Floats) -> Floats:
    """Values along rays, shape (n, m); NaN outside the scan. Catmull-Rom, which adds no blur to second order."""
    points = origins_lps[:, None, :] + offsets_mm[None, :, None] * directions_lps[:, None, :]
    return sample(volume, points, order="cubic").values


def walk(
    values: Floats, offsets_mm: Floats, *, levels: TissueLevels, search_mm: tuple[float, float], exit_gap_mm: float
) -> Walk:
    """Walk each profile from its front through bone to the exit space."""
    from ctmeasure.kernels.rays import WALK_COLUMNS, walk_profiles

    n = len(values)
    result = np.empty((n, WALK_COLUMNS))
    bone_from, drop, gap_below = (np.full(n, level) for level in (levels.bone_like, levels.drop, levels.gap_below))
    in_threads(
        lambda start, stop: walk_profiles(
            values, offsets_mm, search_mm[0], search_mm[1], bone_from, drop, gap_below, exit_gap_mm, result, start, stop
        ),
        n,
        smallest=ROWS_WORTH_A_THREAD,
    )
    return Walk(*result.T)


def fit(
    values: Floats,
    offsets_mm: Floats,
    *,
    found: Walk,
    sigma_mm: Floats,
    levels: TissueLevels,
    bone: Floats,
    bone_sd: Floats,
    blur_relative_u: float,
    front_mm: Floats | None = None,
    front_sd_mm: Floats | None = None,
    lining_mm: Floats | None = None,
    lining_sd_mm: float = LINING_SD_MM,
) -> LayerFit:
    """Fit front, lining, bone and what is behind it to each profile.

    Parameters
    ----------
    values, offsets_mm
        Shape (n, m) and (m,).
    found
        From `walk` on the same profiles.
    sigma_mm
        Blur along the ray, shape (n,).
    levels
        Grey levels of the ear.
    bone, bone_sd
        Prior of the bone level per ray, shape (n,); an infinite sd leaves it to the profile.
    blur_relative_u
        Prior relative sd of the blur; 0 holds it fixed.
    front_mm, front_sd_mm
        Prior of the bone front per ray; without it the profile alone decides.
    lining_mm, lining_sd_mm
        Prior of the lining's thickness.

    Returns
    -------
    LayerFit
        ``ok`` False where there was no bone to fit.
    """
    from ctmeasure.kernels import wall_layers as model

    n = len(values)
    contrast = levels.bone - levels.air
    has_bone = np.isfinite(found.peak_x)
    has_fall = has_bone & np.isfinite(found.fall_x)
    edge, before = _front_guess(values, offsets_mm, found.peak_x, found.peak, levels)
    air_lined = before < levels.air_soft
    begin = np.zeros((n, model.PARAMETERS))
    sd = np.zeros((n, model.PARAMETERS))
    begin[:, model.FRONT_X] = np.where(has_bone, edge, 0.0)
    sd[:, model.FRONT_X] = np.inf
    begin[:, model.LINING] = np.where(air_lined, LINING_MM if lining_mm is None else lining_mm, 0.0)
    sd[:, model.LINING] = np.where(air_lined, lining_sd_mm, 0.0)
    begin[:, model.BONE] = np.where(has_fall, np.maximum(found.fall_x - edge, 0.15), model.NONE_MM)
    sd[:, model.BONE] = np.where(has_fall, np.inf, 0.0)
    narrow = has_fall & (found.gap_width < WIDE_GAP_MM)
    begin[:, model.GAP] = np.where(narrow, np.maximum(found.gap_width, 0.1), model.NONE_MM)
    sd[:, model.GAP] = np.where(narrow, NARROW_WIDTH_SD_MM, 0.0)
    begin[:, model.FRONT_LEVEL] = np.where(air_lined, levels.air, before)
    sd[:, model.FRONT_LEVEL] = np.where(air_lined, 0.05, 0.5) * contrast
    begin[:, model.LINING_LEVEL] = levels.soft
    begin[:, model.BONE_LEVEL], sd[:, model.BONE_LEVEL] = bone, bone_sd
    begin[:, model.GAP_LEVEL] = np.maximum(np.where(has_fall, found.gap_low, levels.soft), levels.air)
    level_sd = np.where(narrow, NARROW_LEVEL_SD_SHARE, 0.5) * contrast
    sd[:, model.GAP_LEVEL] = np.where(has_fall, level_sd, 0.0)
    begin[:, model.BLUR] = 1.0
    sd[:, model.BLUR] = blur_relative_u
    mean = begin.copy()
    if front_mm is not None and front_sd_mm is not None:
        mean[:, model.FRONT_X], sd[:, model.FRONT_X] = front_mm, front_sd_mm
    window_low = edge - np.where(air_lined, AIR_LINED_REACH_MM, 0.0) - BEHIND_SIGMAS * sigma_mm
    window_high = _window_end(found, edge, has_fall, narrow, sigma_mm)
    fwhm = sigma_mm * FWHM_PER_SIGMA
    weight = np.minimum(STEP_MM / fwhm, 1.0) / levels.noise**2
    sigma = np.where(has_bone, sigma_mm, 1.0)
    fitted, spread, quality = np.zeros((n, model.PARAMETERS)), np.zeros((n, 5)), np.zeros((n, 3))
    rows = np.flatnonzero(has_bone)
    packed = [np.ascontiguousarray(a[rows]) for a in (values, sigma, begin, mean, sd, window_low, window_high, weight)]
    y, s, b, m, d, lo, hi, w = packed
    out, out_spread, out_quality = fitted[rows], spread[rows], quality[rows]
    in_threads(
        lambda start, stop: model.fit_layers(
            y, offsets_mm, s, b, m, d, lo, hi, w, out, out_spread, out_quality, start, stop
        ),
        len(rows),
        smallest=ROWS_WORTH_A_THREAD,
    )
    fitted[rows], spread[rows], quality[rows] = out, out_spread, out_quality
    with np.errstate(invalid="ignore", divide="ignore"):
        misfit = np.sqrt(quality[:, 0] / np.maximum(quality[:, 1] * weight, 1e-12)) / levels.noise
    ok = has_bone & np.isfinite(spread[:, 0]) & (np.abs(fitted[:, model.FRONT_X] - edge) < 1.5)
    return LayerFit(
        np.where(ok, fitted[:, model.FRONT_X], np.nan),
        fitted[:, model.LINING],
        np.where(ok & has_fall, fitted[:, model.BONE], np.nan),
        fitted[:, model.BONE_LEVEL],
        fitted[:, model.GAP_LEVEL],
        spread[:, 0],
        spread[:, 1],
        spread[:, 2],
        spread[:, 3],
        spread[:, 4],
        misfit,
        air_lined & ok,
        ok,
    )


def _front_guess(
    values: Floats, offsets_mm: Floats, peak_x: Floats, peak: Floats, levels: TissueLevels
) -> tuple[Floats, Floats]:
    """First guess of the bone front (midway between soft tissue and the peak) and the lowest value just before it."""
    top = np.searchsorted(offsets_mm, np.nan_to_num(peak_x, nan=0.0) - 1e-9)
    level = 0.5 * (levels.soft + np.nan_to_num(peak, nan=levels.bone))[:, None]
    at = np.arange(len(offsets_mm))[None, :]
    with np.errstate(invalid="ignore"):
        below = (values < level) & (at <= top[:, None])
    last = np.where(below.any(axis=1), len(offsets_mm) - 1 - np.argmax(below[:, ::-1], axis=1), np.maximum(top - 3, 0))
    last = np.minimum(last, len(offsets_mm) - 2)
    rows = np.arange(len(values))
    y0, y1 = values[rows, last], values[rows, last + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.clip(np.nan_to_num((level[:, 0] - y0) / (y1 - y0), nan=0.5), 0.0, 1.0)
    edge = offsets_mm[last] + part * (offsets_mm[last + 1] - offsets_mm[last])
    near = (offsets_mm[None, :] >= (edge - AIR_LINED_REACH_MM)[:, None]) & (offsets_mm[None, :] <= edge[:, None])
    before = np.nanmin(np.where(near & np.isfinite(values), values, np.inf), axis=1)
    return edge, np.where(np.isfinite(before), before, levels.soft)


def _window_end(
    found: Walk, edge: Floats, has_fall: NDArray[np.bool_], narrow: NDArray[np.bool_], sigma_mm: Floats
) -> Floats:
    """End of the fitted window: behind the first edge or narrow gap, before whatever comes next."""
    reach = BEHIND_SIGMAS * sigma_mm
    gap = np.nan_to_num(found.gap_width, nan=0.0, posinf=np.inf)
    behind = np.where(narrow, gap + 1.5 * sigma_mm, np.minimum(reach, np.maximum(gap - 1.5 * sigma_mm, sigma_mm)))
    solid = np.maximum(np.nan_to_num(found.peak_x, nan=0.0), edge + reach + 0.3)
    return np.where(has_fall, np.nan_to_num(found.fall_x, nan=0.0) + behind, solid)
