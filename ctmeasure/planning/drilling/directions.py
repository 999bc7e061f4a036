"""Which way a drill can be pointed at a place on the canal wall, and whether the instrument fits on the way."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.imaging.canal_wall import CanalWall
from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]
Tri = NDArray[np.int8]

REACHABLE, BLOCKED, UNKNOWN = 1, 0, -1
OPEN_TILT_DEG = 30.0
"""With soft tissue reflected the shaft may lean this far off the canal axis before bone is asked (our choice)."""
TILTS = 9
CONE_STEPS = 11
"""Shaft positions asked for a given direction; odd, so that the middle of the arc is one of them."""
SAMPLE_MM = 0.6
SHAFT_CHECKED_MM = 14.0
"""The shaft is checked this far outwards; the map of the bony canal ends before."""
UNKNOWN_SHARE = 0.25
"""When more than this share of the checked points has no wall to compare with, access is not assessed."""


@dataclass(frozen=True, slots=True, eq=False)
class Access:
    """Directions at n places. ``reachable``: 1 yes, 0 the instrument hits bone or cannot bend so, -1 not assessed."""

    direction_lps: Floats
    angle_to_normal_deg: Floats
    reachable: Tri


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

    Example
    -------
    >>> round(largest_tilt_deg(Settings()), 2)
    5.54
    """
    if settings.approach != "transcanal":
        return OPEN_TILT_DEG
    return speculum_tilt_deg(
        inner_diameter_mm=settings.speculum_inner_diameter_mm,
        length_mm=settings.speculum_length_mm,
        shaft_radius_mm=settings.instrument_shaft_diameter_mm / 2.0,
    )


def best_directions(wall: CanalWall, entry_lps: ArrayLike, *, normal_lps: ArrayLike, settings: Settings) -> Access:
    """The direction nearest the wall normal that the angled instrument reaches, in the plane of canal axis and normal.

    Parameters
    ----------
    wall
        The canal wall.
    entry_lps, normal_lps
        Shape (n, 3): places on the wall and normals into the bone; no NaN.
    settings
        Approach and instrument.

    Returns
    -------
    Access
        Where nothing reaches, the direction that the bend allows, marked blocked.

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    A first access test: the tip turns by the stated bend off the shaft, the shaft leans off the canal axis by no more
    than the approach allows, and tip and shaft as capsules must stay inside the bony lumen with the bur at the wall.
    A straight bur (bend 0) runs along the canal and meets its wall at 80 degrees and more to the normal.
    """
    entry, normal = _same(entry_lps, normal_lps)
    axis = wall.canal.axis_lps
    inwards = -np.sum(normal * axis, axis=1)
    across = normal + inwards[:, None] * axis
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    normal_angle = np.degrees(np.arctan2(np.sum(normal * across, axis=1), inwards))
    tilt = largest_tilt_deg(settings)
    # Tilts in the order in which they come nearest to the normal.
    wanted = np.clip(normal_angle - settings.instrument_bend_deg, -tilt, tilt)
    offsets = np.linspace(-tilt, tilt, TILTS)
    candidates = np.concatenate([wanted[:, None], np.broadcast_to(offsets, (len(entry), TILTS))], axis=1)
    order = np.argsort(np.abs(candidates - wanted[:, None]), axis=1, kind="stable")
    candidates = np.take_along_axis(candidates, order, axis=1)
    direction = np.zeros((len(entry), 3))
    reachable = np.full(len(entry), BLOCKED, np.int8)
    todo = np.arange(len(entry))
    for turn in range(candidates.shape[1]):
        if len(todo) == 0:
            break
        lean = candidates[todo, turn]
        tip = _in_plane(axis, across[todo], lean + settings.instrument_bend_deg)
        shaft = -_in_plane(axis, across[todo], lean)
        state = _fits(wall, entry[todo], tip, shaft, normal[todo], settings)
        if turn == 0:
            direction[todo], reachable[todo] = tip, state
        else:
            better = state > reachable[todo]
            better &= state == REACHABLE
            direction[todo[better]], reachable[todo[better]] = tip[better], REACHABLE
        todo = todo[reachable[todo] != REACHABLE]
    return Access(direction, _angle(direction, normal), reachable)


def check_directions(
    wall: CanalWall, entry_lps: ArrayLike, *, direction_lps: ArrayLike, normal_lps: ArrayLike, settings: Settings
) -> Access:
    """Whether given directions can be reached by some shaft position around the stated bend.

    Parameters
    ----------
    wall
        The canal wall.
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
    entry, normal = _same(entry_lps, normal_lps)
    direction, _ = _same(direction_lps, normal_lps)
    axis, tilt = wall.canal.axis_lps, largest_tilt_deg(settings)
    reachable = np.full(len(entry), BLOCKED, np.int8)
    # The shaft lies on a cone of the bend around the reversed tip; the part of it within the tilt of the canal axis is
    # an arc around its nearest line, asked from the middle outwards.
    along = np.sum(direction * axis, axis=1)
    towards = axis - along[:, None] * direction
    length = np.linalg.norm(towards, axis=1)
    first = np.where(length[:, None] > 1e-6, towards / np.maximum(length, 1e-6)[:, None], normal)
    second = np.cross(direction, first)
    bend = math.radians(settings.instrument_bend_deg)
    least = math.cos(math.radians(tilt) + 1e-9) + math.cos(bend) * along
    swing = math.sin(bend) * length
    possible = swing >= least
    arc = np.arccos(np.clip(least / np.maximum(swing, 1e-12), -1.0, 1.0))
    shares = np.linspace(-1.0, 1.0, CONE_STEPS)
    for share in shares[np.argsort(np.abs(shares), kind="stable")]:
        at = np.flatnonzero(possible & (reachable != REACHABLE))
        if len(at) == 0:
            break
        turn = (share * arc[at])[:, None]
        shaft = -math.cos(bend) * direction[at] + math.sin(bend) * (
            np.cos(turn) * first[at] + np.sin(turn) * second[at]
        )
        state = _fits(wall, entry[at], direction[at], shaft, normal[at], settings)
        reachable[at] = np.where(state == BLOCKED, reachable[at], state)
    return Access(direction, _angle(direction, normal), reachable)


def _same(first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or a.shape[1] != 3:
        raise GeometryError(f"arrays of shape {a.shape} and {b.shape}", expected="two of shape (n, 3)")
    return a, b


def _in_plane(axis: Floats, across: Floats, angle_deg: Floats) -> Floats:
    """Direction at an angle from "into the ear along the axis" towards the wall."""
    angle = np.radians(angle_deg)[:, None]
    return -np.cos(angle) * axis + np.sin(angle) * across


def _angle(direction: Floats, normal: Floats) -> Floats:
    cosine = np.sum(direction * normal, axis=1)
    across = np.linalg.norm(np.cross(direction, normal), axis=1)
    return np.asarray(np.degrees(np.arctan2(across, cosine)))


def _fits(wall: CanalWall, entry: Floats, tip: Floats, shaft: Floats, normal: Floats, settings: Settings) -> Tri:
    """Whether tip and shaft, the bur at the entry point, stay inside the bony lumen."""
    shank, radius = settings.instrument_tip_shank_diameter_mm / 2.0, settings.instrument_shaft_diameter_mm / 2.0
    length = settings.instrument_tip_length_mm
    cosine = np.maximum(np.sum(tip * normal, axis=1), 0.05)
    start = np.minimum(1.5 * shank / cosine + 0.2, length)
    share = np.linspace(0.0, 1.0, max(int(length / SAMPLE_MM), 3))
    back = start[:, None] + (length - start)[:, None] * share
    tip_points = entry[:, None] - back[..., None] * tip[:, None]
    out = np.arange(0.0, SHAFT_CHECKED_MM, SAMPLE_MM)
    shaft_points = tip_points[:, -1:] + out[None, :, None] * shaft[:, None]
    room_tip, seen_tip = _room(wall, tip_points)
    room_shaft, seen_shaft = _room(wall, shaft_points)
    hits = (room_tip < shank).any(axis=1) | (room_shaft < radius).any(axis=1)
    seen = np.concatenate([seen_tip, seen_shaft], axis=1)
    depth = wall.canal.depth_mm(np.concatenate([tip_points, shaft_points], axis=1))
    mapped = depth <= wall.surface.depths_mm[-1]
    unknown = (mapped & ~seen).sum(axis=1) > UNKNOWN_SHARE * np.maximum(mapped.sum(axis=1), 1)
    return np.where(hits, BLOCKED, np.where(unknown, UNKNOWN, REACHABLE)).astype(np.int8)


def _room(wall: CanalWall, points: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Distance from points in the lumen to the bone, measured across the local wall; infinite where none is known."""
    canal = wall.canal
    angle, depth = canal.wall_angle_deg(points), canal.depth_mm(points)
    bone = wall.radius_at(angle, depth)
    normal = wall.normal_at(angle, depth)
    facing = np.abs(np.sum(normal * canal.direction_lps(angle), axis=-1))
    room = (bone - canal.radius_mm(points)) * np.nan_to_num(facing, nan=1.0)
    seen = np.isfinite(bone)
    return np.where(seen, room, np.inf), seen
