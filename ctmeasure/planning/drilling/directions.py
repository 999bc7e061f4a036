"""Which way a drill can be pointed at a place on the canal wall, and whether the instrument fits on the way."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.planning.drilling.lumen import Lumen
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.sampling import in_threads

Floats = NDArray[np.float64]
Tri = NDArray[np.int8]

REACHABLE, BLOCKED, UNKNOWN = 1, 0, -1
OPEN_TILT_DEG = {"endaural": 20.0, "retroauricular": 30.0}
"""With the soft canal opened or reflected the shaft may lean this far off the canal axis before bone is asked (our own
choice)."""
LEANS = ((0.5, 8), (1.0, 8))
"""Poses that are asked: upright, and leaning by these shares of the largest tilt in so many directions."""
TURN_STEP_DEG = 15.0
"""The angled tip is turned about the shaft in steps of this."""
SIGHT_RAISED_MM = 0.3
"""What is looked at is the bur at the wall, not the wall: about its radius."""
PLACES_WORTH_A_THREAD = 200
SHAFT_CHECKED_MM = 14.0
"""The shaft is checked this far outwards; the map of the bony canal ends before."""
FREE, UNSEEN, TOO_OBLIQUE = 1, 2, 3
"""States of a pose, as in `kernels.access`, which is imported late."""
UNKNOWN_SHARE = 0.03
"""When more than this share of the checked points has no wall to compare with, access is not assessed."""


@dataclass(frozen=True, slots=True, eq=False)
class Access:
    """Directions at n places.

    Attributes
    ----------
    direction_lps, angle_to_normal_deg
        Shape (n, 3), (n,): the direction, into the bone, and its angle to the normal.
    reachable
        Shape (n,): 1 yes, 0 the instrument hits bone or cannot bend so, -1 not assessed.
    shaft_lps
        Shape (n, 3): where the shaft runs, outwards.
    freedom
        Shape (n,): share of the drill directions within the refused angle that the instrument reaches; NaN where it has
        none, or where the direction was given.
    """

    direction_lps: Floats
    angle_to_normal_deg: Floats
    reachable: Tri
    shaft_lps: Floats
    freedom: Floats


def speculum_tilt_deg(*, inner_diameter_mm: float, length_mm: float, shaft_radius_mm: float) -> float:
    """Largest tilt of a straight shaft inside a straight tube.

    Parameters
    ----------
    inner_diameter_mm, length_mm
        Of the speculum.
    shaft_radius_mm
        Of the shaft.

    Returns
    -------
    float
        Degrees: arccos(2 r / sqrt(L^2 + 4 R^2)) - arctan(L / 2 R), from 2 r + L sin a = 2 R cos a. 0 when it fits only
        just.

    Raises
    ------
    GeometryError
        When the shaft does not fit into the tube.

    Example
    -------
    >>> round(speculum_tilt_deg(inner_diameter_mm=6.0, length_mm=15.0, shaft_radius_mm=0.3), 3)
    19.673
    """
    if shaft_radius_mm * 2.0 > inner_diameter_mm:
        raise GeometryError(
            f"a shaft of {2 * shaft_radius_mm:g} mm in a speculum of {inner_diameter_mm:g} mm",
            expected="a shaft that fits",
            action="correct the instrument settings",
        )
    diagonal = math.hypot(length_mm, inner_diameter_mm)
    return math.degrees(math.acos(2.0 * shaft_radius_mm / diagonal) - math.atan2(length_mm, inner_diameter_mm))


def largest_tilt_deg(settings: Settings) -> float:
    """How far the shaft may lean off the canal axis for the approach; bone is checked besides.

    Through a speculum: as far as the soft canal lets the speculum lean, and the shaft inside it.

    Example
    -------
    >>> round(largest_tilt_deg(Settings()), 2)
    15.54
    """
    if settings.approach != "transcanal":
        return OPEN_TILT_DEG[settings.approach]
    return settings.speculum_lean_deg + speculum_tilt_deg(
        inner_diameter_mm=settings.speculum_inner_diameter_mm,
        length_mm=settings.speculum_length_mm,
        shaft_radius_mm=settings.instrument_shaft_diameter_mm / 2.0,
    )


def poses(settings: Settings) -> Floats:
    """The poses of the instrument that are asked, shape (m, 3): lean towards the wall and beside it, turn; radians.

    Example
    -------
    >>> poses(Settings()).shape
    (408, 3)
    """
    tilt = math.radians(largest_tilt_deg(settings))
    leans = [(0.0, 0.0)]
    for share, count in LEANS:
        around = 2.0 * np.pi * np.arange(count) / count
        leans += [(share * tilt * math.cos(a), share * tilt * math.sin(a)) for a in around]
    turns = np.radians(np.arange(0.0, 360.0, TURN_STEP_DEG))
    return np.array([(a, b, t) for a, b in leans for t in turns])


def best_directions(lumen: Lumen, entry_lps: ArrayLike, *, normal_lps: ArrayLike, settings: Settings) -> Access:
    """Of all drill directions that the instrument reaches, the one nearest to the wall normal.

    Parameters
    ----------
    lumen
        The bony lumen.
    entry_lps, normal_lps
        Shape (n, 3): places on the wall and normals into the bone; no NaN.
    settings
        Approach and instrument.

    Returns
    -------
    Access
        Where nothing reaches, the direction that comes nearest to the normal, marked blocked.

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    The shaft leans off the canal axis in any direction by no more than the approach allows, the angled tip is turned
    about it; shank and shaft as capsules must stay in the bony lumen with the bur at the wall. The best of some 400
    poses is then improved between them. A straight bur (bend 0) runs along the canal and meets its wall at 70 degrees
    and more to the normal.
    """
    entry, normal = _same(entry_lps, normal_lps)
    found, states = _ask(lumen, entry, normal, settings)
    axes = lumen.frame.axes_lps
    asked = (states != TOO_OBLIQUE).sum(axis=1)
    free = (states == FREE).sum(axis=1)
    freedom = np.where(asked > 0, free / np.maximum(asked, 1), np.nan)
    return Access(
        found[:, :3] @ axes, np.degrees(found[:, 6]), _tri(found[:, 7]), found[:, 3:6] @ axes, freedom
    )  # fmt: skip


def reached_directions(
    lumen: Lumen, entry_lps: ArrayLike, *, normal_lps: ArrayLike, settings: Settings
) -> list[tuple[Floats, Floats]]:
    """Every drill direction within the refused angle that the instrument reaches, place by place.

    Parameters
    ----------
    lumen, entry_lps, normal_lps, settings
        As for `best_directions`.

    Returns
    -------
    list of (directions, angles)
        For each place: shape (k, 3) LPS, into the bone, nearest to the normal first; shape (k,) degrees to the normal.

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    entry, normal = _same(entry_lps, normal_lps)
    _, states = _ask(lumen, entry, normal, settings)
    return [
        pose_directions(lumen, normal[i], poses(settings)[states[i] == FREE], settings=settings)
        for i in range(len(entry))
    ]


def pose_directions(lumen: Lumen, normal_lps: Floats, which: Floats, *, settings: Settings) -> tuple[Floats, Floats]:
    """Drill directions of poses at one place, LPS, nearest to the normal first, and their angles to it in degrees."""
    normal = lumen.frame.axes_lps @ normal_lps
    across = np.array([normal[0], normal[1], 0.0]) / max(float(np.hypot(normal[0], normal[1])), 1e-12)
    beside = lumen.hand * np.array([-across[1], across[0], 0.0])
    lean = np.hypot(which[:, 0], which[:, 1])
    share = np.where(lean > 1e-12, np.sin(lean) / np.maximum(lean, 1e-12), 0.0)
    shaft = -(which[:, :1] * across + which[:, 1:2] * beside) * share[:, None]
    shaft[:, 2] = np.cos(lean)
    first = across - (shaft @ across)[:, None] * shaft
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = lumen.hand * np.cross(shaft, first)
    bend, turn = math.radians(settings.instrument_bend_deg), which[:, 2:]
    tip = -math.cos(bend) * shaft + math.sin(bend) * (np.cos(turn) * first + np.sin(turn) * second)
    angle = np.degrees(np.arccos(np.clip(tip @ normal, -1.0, 1.0)))
    order = np.argsort(angle, kind="stable")
    return np.asarray(tip[order] @ lumen.frame.axes_lps), np.asarray(angle[order])


def check_directions(
    lumen: Lumen, entry_lps: ArrayLike, *, direction_lps: ArrayLike, normal_lps: ArrayLike, settings: Settings
) -> Access:
    """Whether given directions can be reached by some shaft position around the stated bend.

    Parameters
    ----------
    lumen
        The bony lumen.
    entry_lps, direction_lps, normal_lps
        Shape (n, 3); directions of length one, into the bone.
    settings
        Approach and instrument.

    Returns
    -------
    Access

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    from ctmeasure.kernels.access import given_directions

    entry, normal = _same(entry_lps, normal_lps)
    direction, _ = _same(direction_lps, normal_lps)
    axes, found = lumen.frame.axes_lps, np.zeros((len(entry), 4))
    given_directions(
        lumen.field, lumen.seen, lumen.origin, lumen.step_mm, _inside(lumen, entry), _turned(axes, normal),
        _turned(axes, direction), math.radians(settings.instrument_bend_deg), math.radians(largest_tilt_deg(settings)),
        _tool(settings), found, 0, len(entry),
    )  # fmt: skip
    shaft = np.asarray(found[:, :3] @ axes)
    return Access(direction, _angle(direction, normal), _tri(found[:, 3]), shaft, np.full(len(entry), np.nan))


def in_sight(lumen: Lumen, entry_lps: ArrayLike, *, normal_lps: ArrayLike, settings: Settings) -> Tri:
    """Whether the bur at a place can be seen from outside along a straight line: 1 yes, 0 no, -1 not assessed.

    Parameters
    ----------
    lumen
        The bony lumen.
    entry_lps, normal_lps
        Shape (n, 3): places on the wall and normals into the bone.
    settings
        Approach and speculum.

    Returns
    -------
    numpy.ndarray
        Shape (n,).

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    A line of sight may lean as far as the speculum does and a line inside it does (bone is checked besides); with the
    soft canal opened, as far as a shaft. A rigid telescope sees round corners and is not considered.
    """
    from ctmeasure.kernels.access import lines_of_sight

    entry, normal = _same(entry_lps, normal_lps)
    raised = _inside(lumen, entry - SIGHT_RAISED_MM * normal)
    largest = math.radians(_largest_sight_deg(settings))
    lines = [(0.0, 0.0, 1.0)]
    for share, count in ((1.0 / 3.0, 8), (2.0 / 3.0, 12), (1.0, 16)):
        lean = share * largest
        for a in 2.0 * np.pi * np.arange(count) / count:
            lines.append((math.sin(lean) * math.cos(a), math.sin(lean) * math.sin(a), math.cos(lean)))
    result = np.zeros(len(entry), np.int8)
    lines_of_sight(lumen.field, lumen.seen, lumen.origin, lumen.step_mm, raised, np.array(lines), result, 0, len(entry))
    return result


def _largest_sight_deg(settings: Settings) -> float:
    if settings.approach != "transcanal":
        return OPEN_TILT_DEG[settings.approach]
    within = math.degrees(math.atan2(settings.speculum_inner_diameter_mm, settings.speculum_length_mm))
    return settings.speculum_lean_deg + within


def _ask(lumen: Lumen, entry: Floats, normal: Floats, settings: Settings) -> tuple[Floats, NDArray[np.uint8]]:
    """The best pose at every place, and the states of all."""
    from ctmeasure.kernels.access import all_poses

    asked = poses(settings)
    start_lps, turned = _inside(lumen, entry), _turned(lumen.frame.axes_lps, normal)
    best, states = np.zeros((len(entry), 8)), np.zeros((len(entry), len(asked)), np.uint8)
    in_threads(
        lambda start, stop: all_poses(
            lumen.field, lumen.seen, lumen.origin, lumen.step_mm, start_lps, turned, asked, lumen.hand,
            math.radians(settings.instrument_bend_deg), math.radians(largest_tilt_deg(settings)),
            math.radians(settings.angle_refused_deg), _tool(settings), states, best, start, stop,
        ),
        len(entry),
        smallest=PLACES_WORTH_A_THREAD,
    )  # fmt: skip
    return best, states


def _tool(settings: Settings) -> Floats:
    """The instrument as the kernel wants it."""
    return np.array(
        [
            settings.instrument_tip_length_mm, settings.instrument_tip_shank_diameter_mm / 2.0,
            settings.instrument_shaft_diameter_mm / 2.0, SHAFT_CHECKED_MM, UNKNOWN_SHARE,
        ]
    )  # fmt: skip


def _inside(lumen: Lumen, points_lps: Floats) -> Floats:
    return np.ascontiguousarray(lumen.frame.from_lps(points_lps))


def _turned(axes: Floats, vectors: Floats) -> Floats:
    return np.ascontiguousarray(vectors @ axes.T)


def _tri(state: Floats) -> Tri:
    return np.where(state == FREE, REACHABLE, np.where(state == UNSEEN, UNKNOWN, BLOCKED)).astype(np.int8)


def _same(first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or a.shape[1] != 3:
        raise GeometryError(f"arrays of shape {a.shape} and {b.shape}", expected="two of shape (n, 3)")
    return a, b


def _angle(direction: Floats, normal: Floats) -> Floats:
    cosine = np.sum(direction * normal, axis=1)
    across = np.linalg.norm(np.cross(direction, normal), axis=1)
    return np.asarray(np.degrees(np.arctan2(across, cosine)))
