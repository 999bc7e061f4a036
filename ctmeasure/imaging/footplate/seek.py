"""From a click to a few places and turns where a footplate might be: a fixed template, tried everywhere at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.vectors import orthonormal_basis, unit
from ctmeasure.imaging.footplate.model import THICKNESS, Start, columns
from ctmeasure.imaging.levels import PointSpread
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

REACH_MM = 1.2
"""The plate's middle is looked for this far around the click; a click farther off is on something else."""
STEP_MM = 0.3
CLICK_SD_MM = 0.5
"""A click is off by about this much per axis at worst; farther places must look better to be taken."""
TILTS_DEG = (0.0, 22.0, 40.0)
"""Turns of the normal against the first guess."""
TURNS_DEG = tuple(range(0, 360, 60))
USUAL_SHAPE = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.35, 0.64, 0.3, 0.22, 0.8, 0.8, 0.0, 0.0])
"""Half axes of the window, how much wider the niche is, thickness, bone above and below: see `fit`."""
THICK_SHAPE = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.35, 0.64, 0.3, 0.8, 0.8, 1.2, 0.0, 0.0])
"""The same for a plate thickened by disease (our choice)."""
TEMPLATE_MM = (1.8, 1.15, 0.9)
TEMPLATE_STEP_MM = 0.36
LEAST_STEP = 0.3
"""Vestibule and niche must lie at least this share of the step from soft tissue to bone below the bone around."""
APART_MM, APART_DEG = 0.35, 15.0


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A place and turn, how badly the template fits there (in noise), and its levels niche, vestibule, bone."""

    start: Start
    misfit: float
    levels: Floats


def first_axes(normal_lps: Floats, superior_lps: Floats) -> Floats:
    """Rows: long axis (backwards), short axis (upwards), normal; the middle of what ears show.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the two directions are parallel.
    """
    normal = unit(normal_lps)
    short = unit(superior_lps - normal * float(superior_lps @ normal))
    long = np.cross(normal, short)
    return np.stack([long if long[1] > 0.0 else -long, short, normal])


def candidates(
    volume: Volume,
    click_lps: Floats,
    *,
    axes: Floats,
    levels: TubeLevels,
    spread: PointSpread,
    usual: Floats = USUAL_SHAPE,
    most: int = 3,
) -> list[Candidate]:
    """Places and turns at which the template fits best, best first.

    Parameters
    ----------
    volume
        The scan.
    click_lps
        Shape (3,), LPS mm.
    axes
        Shape (3, 3): first guess, rows long, short, normal.
    levels
        Grey levels around the click.
    spread
        The scan's point spread.
    usual
        Shape of the template.
    most
        How many at most.

    Returns
    -------
    list of Candidate
        Empty when nothing there looks like a plate in a window.

    Notes
    -----
    The template is the model of `columns` at the usual size, on a fixed set of places around the plate; its levels are
    least squares in closed form, so that a trial is one product of matrices.
    """
    deep = (*TEMPLATE_MM[:2], max(TEMPLATE_MM[2], float(usual[THICKNESS]) + 0.6))
    pattern = np.stack(
        np.meshgrid(*(np.arange(-w, w + 1e-9, TEMPLATE_STEP_MM) for w in deep), indexing="ij"), axis=-1
    ).reshape(-1, 3)
    offsets = _offsets()
    found: list[Candidate] = []
    for turned in _turned(axes):
        start = Start(click_lps, turned)
        around = click_lps + pattern @ turned
        design = columns(around, start, usual, spread)[:, :3]
        places = click_lps + offsets @ turned
        values = sample(volume, (places[:, None] + pattern @ turned).reshape(-1, 3), outside=levels.soft).values
        values = np.clip(values, levels.air, 1.15 * levels.bone).reshape(len(places), -1)
        fitted = values @ np.linalg.pinv(design).T
        left = np.abs(values - fitted @ design.T).mean(axis=1)
        wrong = _implausible(fitted, levels)
        misfit = left / levels.step + 0.12 * ((offsets / CLICK_SD_MM) ** 2).sum(axis=1) / 9.0 + wrong
        for n in np.argsort(misfit)[:4]:
            found.append(Candidate(Start(places[n], turned), float(misfit[n]), fitted[n]))
    found.sort(key=lambda one: one.misfit)
    kept: list[Candidate] = []
    for one in found:
        if one.misfit >= 1.0 or len(kept) == most:
            break
        if all(_apart(one, other) for other in kept):
            kept.append(one)
    return kept


def _implausible(fitted: Floats, levels: TubeLevels) -> Floats:
    """One where a trial's levels cannot be a plate: vestibule or niche as dense as bone, bone too thin."""
    niche, vestibule, bone = fitted.T
    step = bone - np.maximum(niche, vestibule)
    thin = step < LEAST_STEP * levels.step
    wet = np.abs(vestibule - levels.soft) > 0.45 * levels.step
    return np.where(thin | wet, 1.0, 0.0)


def _offsets() -> Floats:
    axis = np.arange(-REACH_MM, REACH_MM + 1e-9, STEP_MM)
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    return grid[np.linalg.norm(grid, axis=1) <= REACH_MM + 1e-9]


def _turned(axes: Floats) -> list[Floats]:
    """The first guess and its normal tilted about; the long axis stays as level as it can."""
    first, second = orthonormal_basis(axes[2])[:2]
    found = []
    for tilt in TILTS_DEG:
        for turn in TURNS_DEG if tilt else (0,):
            t, p = np.radians(tilt), np.radians(turn)
            normal = np.cos(t) * axes[2] + np.sin(t) * (np.cos(p) * first + np.sin(p) * second)
            found.append(first_axes(normal, axes[1]))
    return found


def _apart(one: Candidate, other: Candidate) -> bool:
    far = float(np.linalg.norm(one.start.centre_lps - other.start.centre_lps)) > APART_MM
    cosine = float(one.start.axes_lps[2] @ other.start.axes_lps[2])
    return far or cosine < np.cos(np.radians(APART_DEG))
