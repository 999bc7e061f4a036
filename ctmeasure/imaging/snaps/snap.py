"""Move a point to what the image shows: a bone surface, the middle of a dark tube, the middle of the canal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.geometry.vectors import orthonormal_basis
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

STEP_MM = 0.05
FREE_MM = 3.0
"""Standard deviation along directions in which a snap says nothing."""
EDGE_U_MM = 0.10
RIDGE_U_MM = 0.12
CENTRE_U_MM = 0.15
"""How far a snapped place is from the true one per axis, noise apart (found on synthetic ears)."""
LEAST_RISE = 0.3
"""An edge of bone rises by at least this share of the step from air to bone."""
BONE_SHARE = 0.45
"""Bone reads more than this share of the way from soft tissue to cortical bone."""
RING_BEYOND_MM = 0.45
LEAST_DARKER = 0.15
"""A tube is darker than its wall by at least this share of the step from soft tissue to bone."""
CLOSED_LEVEL, CLOSED_SHARE = 0.35, 0.7
"""So much of the wall around a tube reads as bone, this share of the way from soft tissue."""


@dataclass(frozen=True, slots=True, eq=False)
class Snap:
    """Where a point was moved, or why not.

    Parameters
    ----------
    point_lps
        Shape (3,): the snapped point; the given one when nothing was found.
    covariance
        Shape (3, 3), mm2: large along directions in which the image says nothing.
    moved_mm
        How far it moved.
    found
        Whether the image showed it.
    why
        One phrase: what was found, or why nothing was.
    """

    point_lps: Floats
    covariance: Floats
    moved_mm: float
    found: bool
    why: str


def _known_along(way_lps: Floats, u_mm: float) -> Floats:
    """Covariance of a place known to `u_mm` along one direction (a unit vector) and free across it."""
    along = np.outer(way_lps, way_lps)
    return u_mm**2 * along + FREE_MM**2 * (np.eye(3) - along)


def _known_across(way_lps: Floats, u_mm: float) -> Floats:
    """Covariance of a place known to `u_mm` across a direction (a unit vector) and free along it."""
    along = np.outer(way_lps, way_lps)
    return u_mm**2 * (np.eye(3) - along) + FREE_MM**2 * along


def nothing(point_lps: Floats, why: str) -> Snap:
    """A snap that found nothing: the point stays."""
    return Snap(point_lps, FREE_MM**2 * np.eye(3), 0.0, False, why)


def snap_to_edge(
    volume: Volume, point_lps: ArrayLike, *, along_lps: ArrayLike, levels: TubeLevels, reach_mm: float = 1.2
) -> Snap:
    """Move a point along a view direction to the surface of bone.

    Parameters
    ----------
    volume
        The scan.
    point_lps
        Shape (3,), LPS mm.
    along_lps
        Shape (3,): the way one looks, from what is not bone into bone.
    levels
        Grey levels around.
    reach_mm
        How far it may move, either way.

    Returns
    -------
    Snap
        Known along the view direction only.

    Raises
    ------
    Nothing.

    Notes
    -----
    The edge lies where the profile passes half of its own rise, which for a blurred step between two thick layers is
    the surface. The nearest such edge counts.
    """
    point = np.asarray(point_lps, dtype=np.float64)
    way = np.asarray(along_lps, dtype=np.float64)
    way = way / np.linalg.norm(way)
    along = np.arange(-reach_mm - 0.8, reach_mm + 0.8 + STEP_MM / 2, STEP_MM)
    values, inside = sample(volume, point + along[:, None] * way, order="cubic")
    if not inside.all():
        return nothing(point, "outside the scan")
    margin = round(0.8 / STEP_MM)
    bone = levels.soft + BONE_SHARE * levels.step
    rise = LEAST_RISE * (levels.bone - levels.air)
    best, slope = None, 0.0
    for n in range(margin, len(along) - margin - 1):
        before, after = values[n - margin : n + 1].min(), values[n : n + margin + 1].max()
        half = 0.5 * (before + after)
        if values[n] <= half < values[n + 1] and after > bone and before < bone and after - before > rise:
            place = along[n] + STEP_MM * (half - values[n]) / (values[n + 1] - values[n])
            if best is None or abs(place) < abs(best):
                best, slope = float(place), float(values[n + 1] - values[n]) / STEP_MM
    if best is None or abs(best) > reach_mm:
        return nothing(point, f"no surface of bone within {reach_mm:g} mm")
    u = float(np.hypot(EDGE_U_MM, levels.noise / max(slope, 1e-9)))
    return Snap(point + best * way, _known_along(way, u), abs(best), True, f"bone surface, moved {abs(best):.2f} mm")


def snap_to_ridge(
    volume: Volume,
    point_lps: ArrayLike,
    *,
    along_lps: ArrayLike,
    radius_mm: float,
    levels: TubeLevels,
    reach_mm: float = 0.9,
) -> Snap:
    """Move a point across a tube's direction to the tube's middle: darker than the bone all round.

    Parameters
    ----------
    volume
        The scan.
    point_lps
        Shape (3,), LPS mm.
    along_lps
        Shape (3,): about the tube's direction.
    radius_mm
        About its radius.
    levels
        Grey levels around.
    reach_mm
        How far it may move.

    Returns
    -------
    Snap
        Known across the direction only.

    Raises
    ------
    Nothing.
    """
    point = np.asarray(point_lps, dtype=np.float64)
    basis = orthonormal_basis(along_lps)
    grid = np.arange(-reach_mm, reach_mm + 0.05, 0.1)
    a, b = np.meshgrid(grid, grid, indexing="ij")
    places = point + a[..., None] * basis[0] + b[..., None] * basis[1]
    turn = np.arange(12) * np.pi / 6.0
    circle = np.cos(turn)[:, None] * basis[0] + np.sin(turn)[:, None] * basis[1]
    wall, inside = sample(volume, places[..., None, :] + (radius_mm + RING_BEYOND_MM) * circle)
    core, core_inside = sample(volume, places[..., None, :] + np.concatenate([[np.zeros(3)], 0.5 * radius_mm * circle]))
    if not (inside.all() and core_inside.all()):
        return nothing(point, "outside the scan")
    middle = core.mean(axis=-1)
    darker = np.minimum(wall, levels.bone).mean(axis=-1) - middle
    closed = (wall > levels.soft + CLOSED_LEVEL * levels.step).mean(axis=-1)
    darker[closed < CLOSED_SHARE] = -np.inf
    # air inside is no canal
    darker[middle < levels.soft - 0.5 * (levels.soft - levels.air)] = -np.inf
    darker[np.hypot(a, b) > reach_mm] = -np.inf
    at = np.unravel_index(int(np.argmax(darker)), darker.shape)
    if not darker[at] > LEAST_DARKER * levels.step:
        return nothing(point, f"no dark tube within {reach_mm:g} mm")
    best = np.array([grid[at[0]], grid[at[1]]])
    for axis in range(2):
        n = at[axis]
        if 0 < n < len(grid) - 1:
            line = np.take(darker, at[1 - axis], axis=1 - axis)[n - 1 : n + 2]
            bend = line[0] - 2.0 * line[1] + line[2]
            if np.isfinite(line).all() and bend < 0:
                best[axis] += 0.1 * 0.5 * (line[0] - line[2]) / bend
    moved = float(np.hypot(*best))
    if moved > reach_mm - 0.05:
        return nothing(point, f"no dark tube within {reach_mm:g} mm")
    where = point + best[0] * basis[0] + best[1] * basis[1]
    return Snap(where, _known_across(basis[2], RIDGE_U_MM), moved, True, f"dark tube in bone, moved {moved:.2f} mm")


def snap_to_canal_centre(
    volume: Volume, point_lps: ArrayLike, *, axis_lps: ArrayLike, levels: TubeLevels, reach_mm: float = 7.0
) -> Snap:
    """Move a point across the canal axis to the middle of the air it lies in.

    Parameters
    ----------
    volume
        The scan.
    point_lps
        Shape (3,), LPS mm: in the canal's air.
    axis_lps
        Shape (3,): the canal axis.
    levels
        Grey levels around.
    reach_mm
        Farthest wall.

    Returns
    -------
    Snap
        Known across the axis only.

    Raises
    ------
    Nothing.

    Notes
    -----
    36 rays go to where air ends; the centroid of the outline they make is the next start, three times over.
    """
    start = np.asarray(point_lps, dtype=np.float64)
    basis = orthonormal_basis(axis_lps)
    turn = np.arange(36) * np.pi / 18.0
    rays = np.cos(turn)[:, None] * basis[0] + np.sin(turn)[:, None] * basis[1]
    along = np.arange(0.0, reach_mm, 0.1)
    level = 0.5 * (levels.air + levels.soft)
    centre = start
    for _ in range(3):
        values, inside = sample(volume, centre + along[None, :, None] * rays[:, None, :], outside=levels.air)
        if values[:, 0].mean() > level:
            return nothing(start, "not in air: the canal may be filled")
        ended = values > level
        if not ended.any(axis=1).mean() > 0.8 or not inside[:, 0].all():
            return nothing(start, f"no wall within {reach_mm:g} mm all round")
        wall = np.where(ended.any(axis=1), along[ended.argmax(axis=1)], np.nan)
        wall = np.where(np.isfinite(wall), wall, np.nanmedian(wall))
        corners = np.stack([wall * np.cos(turn), wall * np.sin(turn)], axis=1)
        following = np.roll(corners, -1, axis=0)
        cross = corners[:, 0] * following[:, 1] - following[:, 0] * corners[:, 1]
        shift = ((corners + following) * cross[:, None]).sum(axis=0) / (3.0 * cross.sum())
        centre = centre + shift[0] * basis[0] + shift[1] * basis[1]
    moved = float(np.linalg.norm(centre - start))
    known = _known_across(basis[2], CENTRE_U_MM)
    return Snap(centre, known, moved, True, f"middle of the canal's air, moved {moved:.2f} mm")


def fused(expected_lps: Floats, covariance: Floats, snap: Snap) -> tuple[Floats, Floats]:
    """Combine where a point is to be expected with where the image shows it; shape (3,) and (3, 3).

    Example
    -------
    >>> point, cov = fused(np.zeros(3), np.eye(3), Snap(np.array([1.0, 0, 0]), np.eye(3), 1.0, True, ""))
    >>> point.tolist(), float(cov[0, 0])
    ([0.5, 0.0, 0.0], 0.5)
    """
    gain = covariance @ np.linalg.inv(covariance + snap.covariance)
    return expected_lps + gain @ (snap.point_lps - expected_lps), (np.eye(3) - gain) @ covariance


def agrees(expected_lps: Floats, covariance: Floats, snap: Snap) -> bool:
    """Whether a snap lies where it may be expected: within three standard deviations."""
    off = snap.point_lps - expected_lps
    return bool(float(off @ np.linalg.solve(covariance + snap.covariance, off)) < 9.0 + 2.0)
