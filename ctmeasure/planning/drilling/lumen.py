"""The bony lumen as a field of distances to the bone, in which instruments and lines of sight are tried."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.frames import Frame
from ctmeasure.imaging.canal_wall import CanalWall

Floats = NDArray[np.float64]

STEP_MM = 0.4
"""Step of the field: a distance bends so little over it that reading between nodes is right to about 0.01 mm."""
NEAR_MM = 0.8
"""Up to here the tangent plane at the nearest surface point is nearer to the truth than the point itself."""
FAR_MM = 6.0
"""Without a known surface point within this, nothing is known of the bone there."""
BEYOND_MM = 1.2
"""How far into the bone, and beyond the last ring of its surface, the field goes on: farther than a shaft is thick."""


@dataclass(frozen=True, slots=True, eq=False)
class Lumen:
    """Signed distances to the bone, positive in the lumen, on a cubic grid of the canal frame; `seen` 0 where unknown.

    ``frame`` is that of the canal; ``hand`` is 1 where its second axis points to growing wall angles, else -1;
    ``removed_mm`` says how much overhang was taken off (0: the wall as it is).
    """

    field: Floats
    seen: NDArray[np.uint8]
    origin: Floats
    step_mm: float
    frame: Frame
    hand: float
    removed_mm: float = 0.0


def lumen_of(wall: CanalWall, *, removed_mm: float = 0.0) -> Lumen:
    """The lumen of a canal wall.

    Parameters
    ----------
    wall
        The canal wall.
    removed_mm
        A what-if: so much of the overhang is taken off before (see `without_overhang`).

    Returns
    -------
    Lumen

    Raises
    ------
    Nothing.

    Notes
    -----
    Distance to the nearest point of the surface, which lies on a grid of 2 degrees by 0.25 mm; near it, to the tangent
    plane of that point. The side is told by the radius at that wall angle and depth.
    """
    from scipy.spatial import cKDTree

    surface, canal = wall.surface, wall.canal
    radius = surface.radius_mm if removed_mm <= 0.0 else without_overhang(surface.radius_mm, removed_mm=removed_mm)
    angle, depth = np.meshgrid(surface.angles_deg, surface.depths_mm, indexing="ij")
    normal = wall.normal_at(angle, depth)
    known = np.isfinite(radius) & np.isfinite(normal).all(axis=-1)
    points = canal.frame.from_lps(canal.point_lps(angle[known], radius[known], depth[known]))
    normals = normal[known] @ canal.frame.axes_lps.T
    side = float(np.max(radius[known], initial=1.0)) + BEYOND_MM
    # Even about the axis, so that a mirrored ear has the mirrored field.
    count = int(np.ceil(side / STEP_MM))
    across = STEP_MM * np.arange(-count, count + 1)
    # Beyond the last ring the canal goes on as wide for a while: a shaft that leans still touches that ring from there.
    reach = surface.depths_mm[-1] - surface.depths_mm[0] + BEYOND_MM
    rings = math.ceil(reach / STEP_MM) + 1
    along = surface.depths_mm[0] + STEP_MM * np.arange(rings)
    nodes = np.stack(np.meshgrid(across, across, along, indexing="ij"), axis=-1)
    hand = 1.0 if float(canal.posterior_lps @ canal.frame.axes_lps[1]) > 0.0 else -1.0
    origin = np.array([across[0], across[0], along[0]])
    flat = nodes.reshape(-1, 3)
    field, seen = np.full(len(flat), -BEYOND_MM), np.zeros(len(flat), np.uint8)
    if len(points) == 0:
        return Lumen(field.reshape(nodes.shape[:3]), seen.reshape(nodes.shape[:3]), origin, STEP_MM, canal.frame, hand)
    node_angle = np.degrees(np.arctan2(hand * flat[:, 1], flat[:, 0])) % 360.0
    out = np.hypot(flat[:, 0], flat[:, 1])
    bone = _read(radius, node_angle, flat[:, 2], surface.depths_mm)
    asked = ~(out > np.nan_to_num(bone, nan=side) + BEYOND_MM)
    distance, nearest = cKDTree(points).query(flat[asked], distance_upper_bound=FAR_MM)
    found = np.isfinite(distance)
    nearest = np.where(found, nearest, 0)
    plane = np.sum((points[nearest] - flat[asked]) * normals[nearest], axis=1)
    inside = np.where(np.isfinite(bone[asked]), out[asked] < bone[asked], plane > 0.0)
    signed = np.where(distance < NEAR_MM, plane, np.where(inside, distance, -distance))
    field[asked] = np.where(found, signed, np.where(inside, FAR_MM, -FAR_MM))
    seen[:] = np.isfinite(bone) | (out < 0.5)
    return Lumen(
        np.ascontiguousarray(field.reshape(nodes.shape[:3])), np.ascontiguousarray(seen.reshape(nodes.shape[:3])),
        origin, STEP_MM, canal.frame, hand, removed_mm,
    )  # fmt: skip


def overhang_mm(radius_mm: Floats) -> Floats:
    """How far the wall juts into the lumen, compared with the widest place deeper in at the same wall angle.

    Parameters
    ----------
    radius_mm
        Shape (angles, depths), depths growing outwards; NaN where there is no surface.

    Returns
    -------
    numpy.ndarray
        mm, at least 0; NaN where there is no surface.

    Example
    -------
    >>> overhang_mm(np.array([[4.0, 3.5, 3.0, 4.5]])).tolist()
    [[0.0, 0.5, 1.0, 0.0]]
    """
    widest = np.maximum.accumulate(np.where(np.isfinite(radius_mm), radius_mm, -np.inf), axis=1)
    return np.where(np.isfinite(radius_mm), np.maximum(widest - radius_mm, 0.0), np.nan)


def without_overhang(radius_mm: Floats, *, removed_mm: float) -> Floats:
    """The wall after up to `removed_mm` of its overhang was drilled away (canalplasty); same shape as `overhang_mm`.

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    return np.asarray(radius_mm + np.minimum(overhang_mm(radius_mm), removed_mm))


def _read(radius: Floats, angle_deg: Floats, depth_mm: Floats, depths_mm: Floats) -> Floats:
    """Radius at angles and depths, the nearest node of the surface's own grid."""
    turn = np.round(angle_deg / (360.0 / radius.shape[0])).astype(np.intp) % radius.shape[0]
    row = np.round((depth_mm - depths_mm[0]) / (depths_mm[1] - depths_mm[0])).astype(np.intp)
    return np.asarray(radius[turn, np.clip(row, 0, radius.shape[1] - 1)])
