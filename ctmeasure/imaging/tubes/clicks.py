"""Clicks along a tube: are there enough, are they in order, on this side, inside the scan, on a canal?"""

from __future__ import annotations

from itertools import permutations
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.geometry.vectors import as_points
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Side = Literal["left", "right"]

LEAST, MOST = 2, 6
CLOSEST_MM = 1.0
"""Clicks nearer to each other than this say no direction: their own noise is about as large."""
DETOUR, DETOUR_MM = 1.3, 2.0
"""A chain of clicks longer than the shortest one through them by this factor and length is not in order."""
ORDER_TOLD_MM = 4.0
"""How much farther along its usual course the last click must be before the order is taken as reversed."""
WRONG_SIDE_MM = 3.0
"""The facial canal runs outwards; when the clicks run inwards by more than this they are in the other ear."""
NO_RIDGE = 0.12
"""A snapped click with less speed than this sits on no dark tube."""
IN_BONE, IN_AIR = 0.5, 0.35
"""Share of the way from soft tissue to bone, and to air, from which a click sits in bone or air."""

# Usual course of each tube, first to last click, per mm of LPS with x turned outwards: general anatomy, from memory.
# Facial canal: backwards, outwards, then down. Chorda: up and outwards from the canal, then forwards.
_COURSE = {"facial_nerve": (0.3, 0.5, -1.0), "chorda_tympani": (0.3, -0.6, 1.0)}


class Clicks(NamedTuple):
    """Clicks in order along the tube's usual course, and what had to be said about them."""

    points_lps: Floats
    flags: tuple[str, ...]


def check_clicks(points_lps: ArrayLike, *, structure_id: str, geometry: Geometry, side: Side | None) -> Clicks:
    """Check clicks before anything is traced.

    Parameters
    ----------
    points_lps
        Shape (n, 3), LPS mm, two to six, in order along the tube (either way).
    structure_id
        ``"facial_nerve"`` or ``"chorda_tympani"``.
    geometry
        Grid of the scan.
    side
        Ear the clicks belong to; None is not checked.

    Returns
    -------
    Clicks
        Along the usual course; clicks beyond the scan's end left out and flagged.

    Raises
    ------
    LandmarkError
        Too few or many, too close, out of order, on the wrong side.
    ScanError
        When fewer than two lie inside the scan, or one between others does not.

    Example
    -------
    >>> grid = Geometry((40, 40, 40), np.eye(4)[[2, 1, 0, 3]])
    >>> up = [[20.0, 20, 5], [20, 20, 15], [20, 18, 25]]
    >>> check_clicks(up, structure_id="facial_nerve", geometry=grid, side=None).flags
    ('clicks were in reverse order',)
    """
    points = as_points(points_lps, "clicks").reshape(-1, 3)
    if not LEAST <= len(points) <= MOST:
        raise LandmarkError(
            f"{len(points)} clicks on '{structure_id}'",
            expected=f"{LEAST} to {MOST}",
            action="click along the canal; a longer list is taken as the path itself, with radii",
        )
    gaps = np.linalg.norm(points[:, None] - points[None], axis=2) + 1e6 * np.eye(len(points))
    if gaps.min() < CLOSEST_MM:
        one, two = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
        raise LandmarkError(
            f"clicks {one + 1} and {two + 1} on '{structure_id}' are {gaps.min():.2f} mm apart",
            expected=f"at least {CLOSEST_MM:g} mm",
            action="delete one of them",
        )
    _check_order(points, structure_id)
    points, flags = _inside(points, structure_id, geometry)
    outwards = 0.0 if side is None else (1.0 if side == "left" else -1.0)
    run = points[-1] - points[0]
    along = float(run @ (np.array(_COURSE[structure_id]) * [outwards, 1.0, 1.0]))
    if along < -ORDER_TOLD_MM:
        points, run = points[::-1], -run
        flags = (*flags, "clicks were in reverse order")
    if structure_id == "facial_nerve" and run[0] * outwards < -WRONG_SIDE_MM:
        raise LandmarkError(
            f"clicks on '{structure_id}' run inwards by {-run[0] * outwards:.1f} mm in a {side} ear",
            expected="a canal that runs outwards on its way down",
            action="check the side: these clicks seem to be in the other ear",
        )
    return Clicks(points, flags)


def _check_order(points: Floats, structure_id: str) -> None:
    given = _length(points)
    best = min(permutations(range(len(points))), key=lambda order: _length(points[list(order)]))
    if given > DETOUR * _length(points[list(best)]) + DETOUR_MM:
        order = best if best[0] < best[-1] else best[::-1]
        raise LandmarkError(
            f"clicks on '{structure_id}' go back and forth ({given:.0f} mm)",
            expected="order along the canal, perhaps " + ", ".join(str(n + 1) for n in order),
            action="put them in order",
        )


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _inside(points: Floats, structure_id: str, geometry: Geometry) -> tuple[Floats, tuple[str, ...]]:
    inside = np.asarray(geometry.contains_lps(points))
    if inside.all():
        return points, ()
    number = int(np.argmin(inside)) + 1
    kept = np.flatnonzero(inside)
    if len(kept) < LEAST or not inside[kept[0] : kept[-1] + 1].all():
        raise ScanError(
            f"click {number} on '{structure_id}' lies outside the scan",
            expected="clicks inside the scan",
            action="check the series: the scan may end before the canal does",
        )
    return points[kept], (f"partial: the scan ends before click {number}",)


def check_on_canal(
    volume: Volume, clicks_lps: Floats, *, moved_lps: Floats, speed: Floats, levels: TubeLevels, structure_id: str
) -> tuple[int, tuple[str, ...]]:
    """Refuse clicks in bone or air with no canal in reach; flag those in soft tissue without one.

    Parameters
    ----------
    volume
        The scan.
    clicks_lps, moved_lps
        Shape (n, 3): as placed, and after snapping.
    speed
        Shape (n,): speed of the ridge after snapping.
    levels
        Grey levels.
    structure_id
        For the message. The chorda's last clicks may lie in air: there it has left its canal.

    Returns
    -------
    tuple
        How many clicks, from the first, are on a canal, and flags.

    Raises
    ------
    LandmarkError
        When a click sits in bone or in air and no canal is within reach.
    """
    around = 0.2 * np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])
    values = np.nanmean(sample(volume, moved_lps[:, None] + around).values, axis=1)
    lost = speed < NO_RIDGE
    in_bone = lost & (values > levels.soft + IN_BONE * levels.step)
    in_air = lost & (values < levels.soft - IN_AIR * (levels.soft - levels.air))
    flags = [f"click {n + 1}: no canal seen within reach" for n in np.flatnonzero(lost & ~in_bone & ~in_air)]
    used = len(values)
    if structure_id == "chorda_tympani":
        while used > LEAST and in_air[used - 1]:
            used -= 1
        if used < len(values):
            flags.append(f"partial: from click {used + 1} on the chorda runs in air; traced in its bony canal only")
    for n in np.flatnonzero((in_bone | in_air)[:used]):
        place = ", ".join(f"{v:.1f}" for v in clicks_lps[n])
        raise LandmarkError(
            f"click {n + 1} on '{structure_id}' at ({place}) lies in {'solid bone' if in_bone[n] else 'air'}",
            expected="a click inside the canal, within about half a millimetre",
            action="move the click onto the canal",
        )
    return used, tuple(flags)
