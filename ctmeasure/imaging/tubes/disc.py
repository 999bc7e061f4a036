"""Cross-sections of a canal: the blurred disc in closed form, and circles fitted to blurred bony walls."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.polylines import vertex_tangents
from ctmeasure.imaging.levels import PointSpread
from ctmeasure.imaging.tubes.kinds import TubeKind
from ctmeasure.imaging.tubes.tissue import BONE_RELATIVE_SD, TubeLevels
from ctmeasure.volume.sampling import in_threads, sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

RAYS = 24
STEP_MM = 0.1
REACH_MM = 1.3
"""Profiles go on this far beyond the usual radius and a geniculate fossa's extra width."""
CORRELATION_MM = 0.5
"""Samples nearer than this share their noise: a profile counts for fewer samples than it has (our choice)."""
SHAPE_U_MM = 0.05
"""How far a real canal is from a circle, besides noise (our choice)."""
CENTRE_PRIOR_MM = 0.4
"""A section's centre is looked for within a few tenths of the path; weak enough not to bias a closed wall."""
CORE = 0.35
"""Share of the radius within which the level inside the canal is read."""


@lru_cache(maxsize=1)
def table() -> Floats:
    """Table of blurred discs, made once; see `kernels.tubes.disc_table`."""
    from ctmeasure.kernels.tubes import disc_table

    made = disc_table()
    made.setflags(write=False)
    return made


def blurred_disc(distances_mm: ArrayLike, *, radius_mm: float, sigma_mm: float) -> Floats:
    """Level of a disc (1 inside, 0 outside) seen through a round Gaussian blur.

    Parameters
    ----------
    distances_mm
        Shape (...,): from the disc's centre, mm.
    radius_mm, sigma_mm
        Radius and standard deviation of the blur, mm.

    Returns
    -------
    numpy.ndarray
        Shape (...,).

    Raises
    ------
    GeometryError
        When radius or blur is not above zero.

    Notes
    -----
    The distribution function of a non-central chi-square with two degrees of freedom: ``P(chi2_2((r / sigma)^2) <= (R /
    sigma)^2)``. Linear interpolation in a table of step 0.05 sigma, right to 2e-4.

    Example
    -------
    >>> float(blurred_disc(0.0, radius_mm=0.6, sigma_mm=0.25).round(4))
    0.9439
    """
    from scipy.special import chndtr

    if not (radius_mm > 0.0 and sigma_mm > 0.0):
        raise GeometryError(f"radius {radius_mm} mm, blur {sigma_mm} mm", expected="both above 0")
    places = np.asarray(distances_mm, dtype=np.float64) / sigma_mm
    return np.asarray(chndtr((radius_mm / sigma_mm) ** 2, 2, np.maximum(places**2, 1e-12)))


@dataclass(frozen=True, slots=True, eq=False)
class Sections:
    """Fitted cross-sections at n places of a path.

    Parameters
    ----------
    frames
        Shape (n, 3, 3): rows first axis, second axis, tangent.
    offset_mm
        Shape (n, 2): fitted centre less the path, along the first two axes.
    radius_mm, rms_mm
        Shape (n,).
    covariance
        Shape (n, 3, 3): of the two offsets and the radius, mm2.
    wall_share, open_rad
        Share of rays with a bony wall; widest angle without.
    wall_mm
        Median wall thickness where its outer side is seen; NaN elsewhere.
    bone
        Median fitted bone level; NaN where no ray shows a wall.
    valid
        Whether there was enough wall to fit.
    left_scan
        Whether a part lies outside the scan.
    """

    frames: Floats
    offset_mm: Floats
    radius_mm: Floats
    rms_mm: Floats
    covariance: Floats
    wall_share: Floats
    open_rad: Floats
    wall_mm: Floats
    bone: Floats
    valid: NDArray[np.bool_]
    left_scan: NDArray[np.bool_]


LEAST_WALL_SHARE = 0.3
"""With fewer rays on bone than this a section says nothing of its own."""


def fit_sections(
    volume: Volume,
    path_lps: Floats,
    *,
    radius_mm: Floats,
    kind: TubeKind,
    levels: TubeLevels,
    spread: PointSpread,
    bone: Floats,
    inner_shift: float = 0.0,
) -> Sections:
    """Fit a circle to the bony wall in the plane across a path at each of its vertices.

    Parameters
    ----------
    volume
        The scan.
    path_lps
        Shape (n, 3), LPS mm.
    radius_mm
        Shape (n,): expected radius, a weak prior.
    kind
        What is known of the tube.
    levels
        Grey levels.
    spread
        Point spread.
    bone
        Shape (n,): expected bone level.
    inner_shift
        Added to the level inside the canal, to see what its doubt does.

    Returns
    -------
    Sections

    Raises
    ------
    GeometryError
        When neighbours of the path coincide.

    Notes
    -----
    Along each of 24 rays: a disc of the canal's level, a bony wall of some thickness, whatever lies beyond, all seen
    through the scan's directional point spread with the shift a curved edge suffers. A circle, robust against rays on
    open wall, then goes through the inner edges.
    """
    from ctmeasure.kernels import tubes as kernel

    frames = across_frames(path_lps)
    angles = np.arange(RAYS) * 2.0 * np.pi / RAYS
    circle = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    out = np.einsum("ra,nax->nrx", circle, frames[:, :2])
    along = np.einsum("ra,nax->nrx", np.stack([-circle[:, 1], circle[:, 0]], axis=1), frames[:, :2])
    places = np.arange(0.0, kind.radius_mm + kind.radius_sd_mm + REACH_MM, STEP_MM)
    points = path_lps[:, None, None, :] + places[None, None, :, None] * out[:, :, None, :]
    values, inside = sample(volume, points, order="cubic")
    blur = np.zeros((len(path_lps), RAYS, 1, 3))
    blur[..., 0, 0] = 1.0
    blur[..., 0, 1], blur[..., 0, 2] = spread.sigma_mm(out), spread.sigma_mm(along)
    inner = _inner_level(values, places, radius_mm, bone, blur, levels) + inner_shift
    weight = min(STEP_MM / CORRELATION_MM, 1.0) / levels.noise**2
    rays = np.empty((len(path_lps), RAYS, kernel.RAY_COLUMNS))
    bone_sd = np.full(len(path_lps), BONE_RELATIVE_SD * levels.step)
    in_threads(
        lambda a, b: kernel.fit_rays(
            values, places, table(), blur, inner, bone, bone_sd, levels.air - 3.0 * levels.noise, levels.soft,
            levels.metal, weight, rays, a, b,
        ),
        len(rays),
        smallest=8,
    )  # fmt: skip
    fitted, covariance = np.empty((len(rays), 6)), np.empty((len(rays), 3, 3))
    kernel.fit_circles(
        rays, circle, SHAPE_U_MM, CENTRE_PRIOR_MM, radius_mm, kind.radius_sd_mm, fitted, covariance, 0, len(rays)
    )
    on_wall = rays[..., kernel.CODE] == kernel.FITTED
    walls = np.where(on_wall & (rays[..., kernel.WALL] < 5.0), rays[..., kernel.WALL], np.nan)
    bones = np.where(on_wall, rays[..., kernel.BONE], np.nan)
    near = int(np.ceil((kind.radius_mm + 0.3) / STEP_MM))
    valid = np.array(fitted[:, 4] >= LEAST_WALL_SHARE, dtype=np.bool_)
    left_scan = np.array(~inside[:, :, :near].all(axis=(1, 2)), dtype=np.bool_)
    return Sections(
        frames,
        fitted[:, :2],
        fitted[:, 2],
        fitted[:, 3],
        covariance,
        fitted[:, 4],
        fitted[:, 5],
        _median(walls),
        _median(bones),
        valid,
        left_scan,
    )


def across_frames(path_lps: Floats) -> Floats:
    """Two axes across a path and its tangent at every vertex, shape (n, 3, 3); they may turn about it."""
    tangents = vertex_tangents(path_lps)
    hints = np.eye(3)[np.argmin(np.abs(tangents), axis=1)]
    first = hints - tangents * (hints * tangents).sum(axis=1, keepdims=True)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, np.cross(tangents, first), tangents], axis=1)


def _inner_level(
    values: Floats, places: Floats, radius_mm: Floats, bone: Floats, blur: Floats, levels: TubeLevels
) -> Floats:
    """Level inside the canal per section: what is read in its core, less what the wall's blur adds there.

    Sharp kernels undershoot in a canal as narrow as their negative part, so the level is read, not assumed; the
    tissue's own level keeps it in bounds where the canal is no wider than the blur.
    """
    sigma = blur[:, :, 0, 1].mean(axis=1)
    core = places[None, None, :] <= CORE * radius_mm[:, None, None]
    seen = core & np.isfinite(values)
    read = np.where(seen, values, 0.0).sum(axis=(1, 2)) / np.maximum(seen.sum(axis=(1, 2)), 1)
    full = 1.0 - np.exp(-0.5 * (radius_mm / sigma) ** 2)
    found = bone + (read - bone) / np.clip(full, 0.3, 1.0)
    trust = np.clip((radius_mm / sigma - 1.5) / 1.0, 0.0, 1.0)
    low, high = levels.soft - 0.35 * levels.step, levels.soft + 0.15 * levels.step
    return levels.soft + trust * (np.clip(np.nan_to_num(found, nan=levels.soft), low, high) - levels.soft)


def _median(values: Floats) -> Floats:
    seen = np.isfinite(values).any(axis=1)
    result = np.full(len(values), np.nan)
    result[seen] = np.nanmedian(values[seen], axis=1)
    return result
