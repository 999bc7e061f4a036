"""Look where each part of the ossicles should be: what is read there, against what lies around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.vectors import orthonormal_basis
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

SHELL_MM = 1.3
"""Around a part, at this distance from it, lies air in an aerated ear."""
FILLED_SHARE = 0.5
"""More than this of the shell reading as soft tissue or bone: the ear is filled there."""
STEP_MM = 0.2
CRUS_OVER_AIR, CRUS_OVER_SOFT = 0.12, 0.13
"""A crus of 0.3 mm reads this share above air, or above what fills the niche, at least (found on synthetic ears)."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A part to look for: a straight piece (of no length: a ball), how far it may lie off, what it must read.

    Parameters
    ----------
    start_lps, end_lps
        Shape (3,), LPS mm.
    radius_mm
        Of the core that is averaged.
    reach_mm
        How far across it may lie from there.
    share
        Level that tells it, as a share of the way from its surroundings to bone: thin parts read darker; 0 for a crus.
    """

    name: str
    start_lps: Floats
    end_lps: Floats
    radius_mm: float
    reach_mm: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """What was read at one part, in the scan's unit.

    ``level`` along its core, ``around`` on the shell, ``contrast_to_noise`` of the two, ``bone_mm3`` of bone-like
    voxels within a millimetre of it, ``moved_mm`` from the expected place, ``place_lps`` its middle; ``filled`` when
    the air around it is gone, ``outside`` when it lies outside the scan, ``metal`` when metal hides it.
    """

    part: Part
    level: float
    around: float
    contrast_to_noise: float
    bone_mm3: float
    moved_mm: float
    shift_lps: Floats
    place_lps: Floats
    seen: bool
    filled: bool
    outside: bool
    metal: bool

    @property
    def words(self) -> str:
        """The evidence in one phrase."""
        if self.outside:
            return f"{self.part.name}: outside the scan"
        if self.metal:
            return f"{self.part.name}: hidden by metal"
        where = ", ".join(f"{v:.1f}" for v in self.place_lps)
        found = "bone-like" if self.seen else "nothing bone-like"
        return (
            f"{self.part.name}: {found}, reads {self.level:.0f} against {self.around:.0f} around it (contrast to noise "
            f"{self.contrast_to_noise:.0f}), {self.bone_mm3:.1f} mm3 of bone-like voxels within 1 mm, "
            f"{self.moved_mm:.1f} mm from the expected place, at ({where})"
        )


def look_at(volume: Volume, part: Part, *, levels: TubeLevels) -> Sight:
    """Read one part.

    Parameters
    ----------
    volume
        The scan.
    part
        What is looked for.
    levels
        Grey levels around.

    Returns
    -------
    Sight
        At the brightest place within reach.

    Raises
    ------
    Nothing.
    """
    way = part.end_lps - part.start_lps
    length = float(np.linalg.norm(way))
    steps = max(int(length / STEP_MM), 1)
    line = part.start_lps + (np.arange(steps + 1) / steps)[:, None] * way if length > 0 else part.start_lps[None, :]
    basis = orthonormal_basis(way if length > 0 else [0.0, 0.0, 1.0])
    core = _ball(part.radius_mm) if length == 0 else _disc(part.radius_mm, basis)
    shifts = _ball(part.reach_mm) if length == 0 else _disc(part.reach_mm, basis)
    points = line[None, :, None, :] + shifts[:, None, None, :] + core[None, None, :, :]
    values, inside = sample(volume, points)
    middle = line.mean(axis=0)
    if not inside.all():
        return Sight(part, np.nan, np.nan, 0.0, 0.0, 0.0, np.zeros(3), middle, False, False, True, False)
    # the darkest third along a piece tells whether it is whole
    along = np.sort(values.mean(axis=2), axis=1)
    score = along[:, : max(along.shape[1] // 3, 1)].mean(axis=1)
    best = int(np.argmax(score - 40.0 * np.linalg.norm(shifts, axis=1)))
    line = line + shifts[best]
    shell, _ = sample(volume, line[:, None, :] + (part.radius_mm + SHELL_MM) * _sphere(), outside=levels.air)
    near, _ = sample(volume, (line.mean(axis=0) + _ball(1.0 + 0.5 * length)), outside=levels.air)
    around = float(np.median(shell))
    level = float(score[best])
    bone_mm3 = float((near > levels.soft + 0.4 * levels.step).mean() * 4.19 * (1.0 + 0.5 * length) ** 3)
    filled = float((shell > 0.5 * (levels.air + levels.soft)).mean()) > FILLED_SHARE
    seen = level > _threshold(part, levels, around, filled=filled)
    metal = bool(np.nanmax(shell) > levels.metal or values[best].max() > levels.metal)
    noise = (level - around) / max(levels.noise, 1e-9)
    moved = float(np.linalg.norm(shifts[best]))
    middle = line.mean(axis=0)
    return Sight(part, level, around, noise, bone_mm3, moved, shifts[best], middle, seen, filled, False, metal)


def _threshold(part: Part, levels: TubeLevels, around: float, *, filled: bool) -> float:
    """Level that tells a part: a share of the way from its surroundings to bone; of a crus, over what fills a niche.

    A crus lies so near to the niche's walls that its surroundings say nothing.
    """
    if part.share > 0.0:
        return around + part.share * (levels.bone - around)
    floor = levels.air + CRUS_OVER_AIR * (levels.bone - levels.air)
    return levels.soft + CRUS_OVER_SOFT * levels.step if filled else floor


def _ball(radius: float) -> Floats:
    grid = np.arange(-radius, radius + 1e-9, max(radius / 3.0, 0.1))
    points = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1).reshape(-1, 3)
    return points[np.linalg.norm(points, axis=1) <= radius + 1e-9]


def _disc(radius: float, basis: Floats) -> Floats:
    grid = np.arange(-radius, radius + 1e-9, max(radius / 4.0, 0.08))
    a, b = (v.ravel() for v in np.meshgrid(grid, grid, indexing="ij"))
    keep = np.hypot(a, b) <= radius + 1e-9
    return a[keep, None] * basis[0] + b[keep, None] * basis[1]


def _sphere() -> Floats:
    number = np.arange(60) + 0.5
    polar, turn = np.arccos(1.0 - 2.0 * number / 60.0), np.pi * (1.0 + 5.0**0.5) * number
    return np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
