"""The canal wall as people use it: the bone surface over wall angle and rim distance."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.imaging.canal_fields import smoothed
from ctmeasure.imaging.canal_surface import (
    ANGLE_STEP_DEG,
    GAP,
    NO_EDGE,
    OUTSIDE,
    STATUS_WORDS,
    CanalSurface,
    find_surface,
)
from ctmeasure.imaging.levels import canal_levels, point_spread
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.volume.quality import ScanFitness

Floats = NDArray[np.float64]

NORMAL_SMOOTHING_CELLS = (3.0, 2.0)
"""Smoothing for normals, cells of 2 degrees and 0.25 mm: about the width of the bur."""
PROJECTION_TURNS = 4
RIM_PROJECTION_REACH_MM = 1.5
"""A ring point farther than this from the surface found at its angle has no rim to measure from."""
LARGEST_STEP_MM = 0.6
"""Two neighbouring depths whose radii differ by more than this are not one wall: the surface ends there."""


class WallProjection(NamedTuple):
    """Points moved onto the wall; arrays over the points. NaN where there is no wall."""

    points_lps: Floats
    normals_lps: Floats
    wall_angle_deg: Floats
    rim_distance_mm: Floats
    depth_mm: Floats
    moved_mm: Floats
    u_mm: Floats
    status: NDArray[np.str_]


@dataclass(frozen=True, slots=True, eq=False)
class CanalWall:
    """The bone surface on a regular grid of wall angle and rim distance, and the fine surface it was read from.

    Attributes
    ----------
    wall_angles_deg, rim_distances_mm
        Shape (a,) and (r,).
    points_lps, normals_lps
        Shape (a, r, 3); NaN where there is no surface. Normals are unit vectors out of the lumen, into the bone.
    depth_mm, u_mm
        Shape (a, r): depth along the straight axis; standard uncertainty of the surface along its normal.
    status
        Shape (a, r): "measured", "soft tissue" (found under soft tissue), "gap" (bridged from its neighbours),
        "no edge" or "outside scan" (no surface).
    rim_lps
        Shape (a, 3): the ring projected onto the surface, NaN where that failed.
    surface
        The fine surface.
    """

    wall_angles_deg: Floats
    rim_distances_mm: Floats
    points_lps: Floats
    normals_lps: Floats
    depth_mm: Floats
    u_mm: Floats
    status: NDArray[np.str_]
    rim_lps: Floats
    surface: CanalSurface
    _fine_normals: Floats
    _fine_rim: Floats
    _kept: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def canal(self) -> CanalFrame:
        """The canal frame that the angles refer to."""
        return self.surface.canal

    def radius_at(self, wall_angle_deg: ArrayLike, depth_mm: ArrayLike) -> Floats:
        """Distance of the wall from the straight axis at wall angles and depths; NaN where there is no surface."""
        return self._read(self.surface.radius_mm, wall_angle_deg, depth_mm)

    def rim_gap_mm(self, rim: RimCurve, wall_angle_deg: float) -> float:
        """How far from the ring the bone begins from which rim distances count at an angle; NaN without any."""
        nearest = int(np.argmin(np.abs((self.wall_angles_deg - wall_angle_deg + 180.0) % 360.0 - 180.0)))
        return float(np.linalg.norm(self.rim_lps[nearest] - rim.point_lps(self.wall_angles_deg[nearest])))

    def normal_at(self, wall_angle_deg: ArrayLike, depth_mm: ArrayLike) -> Floats:
        """Unit normal out of the lumen at wall angles and depths, shape (..., 3); NaN where there is no surface."""
        normal = self._read(self._fine_normals, wall_angle_deg, depth_mm)
        return normal / np.linalg.norm(normal, axis=-1, keepdims=True)

    def lining_at(self, wall_angle_deg: ArrayLike, depth_mm: ArrayLike) -> Floats:
        """Thickness of the lining along the normal where the scan showed it."""
        return self._read(self.surface.lining_mm, wall_angle_deg, depth_mm)

    def _read(self, field: Floats, wall_angle_deg: ArrayLike, depth_mm: ArrayLike) -> Floats:
        """Bilinear, closed in angle, NaN when any corner with weight is NaN; extra trailing axes are kept."""
        angle = np.mod(np.asarray(wall_angle_deg, dtype=np.float64), 360.0) / ANGLE_STEP_DEG
        depths = self.surface.depths_mm
        row = (np.asarray(depth_mm, dtype=np.float64) - depths[0]) / (depths[1] - depths[0])
        angle, row = np.broadcast_arrays(angle, row)
        outside = ~((row >= 0) & (row <= len(depths) - 1) & np.isfinite(angle))
        angle, row = np.where(outside, 0.0, angle), np.where(outside, 0.0, row)
        n = len(self.surface.angles_deg)
        i0 = np.floor(angle).astype(np.intp) % n
        j0 = np.clip(np.floor(row).astype(np.intp), 0, len(depths) - 2)
        a, b = angle - np.floor(angle), row - j0
        i1 = (i0 + 1) % n
        tail = (None,) * (field.ndim - 2)
        weights = [(1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b]
        corners = [field[i0, j0], field[i1, j0], field[i0, j0 + 1], field[i1, j0 + 1]]
        total = np.zeros(corners[0].shape)
        for weight, corner in zip(weights, corners, strict=True):
            w = weight[(..., *tail)] if tail else weight
            total = total + np.where(w > 1e-9, w * corner, 0.0)
        return np.where(outside[(..., *tail)] if tail else outside, np.nan, total)

    def project_to_wall(self, points_lps: ArrayLike) -> WallProjection:
        """Move points perpendicular to the wall onto it.

        Parameters
        ----------
        points_lps
            Shape (n, 3), LPS mm.

        Returns
        -------
        WallProjection
            ``moved_mm`` is the distance moved. NaN where no wall is near.

        Raises
        ------
        ctmeasure.errors.GeometryError
            When the last axis is not 3.
        """
        points = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
        canal, (tree, fine, normals) = self.canal, self._known_surface()
        if tree is None:
            nothing = np.full(len(points), np.nan)
            empty = np.full((len(points), 3), np.nan)
            words = np.full(len(points), STATUS_WORDS[NO_EDGE])
            return WallProjection(empty, empty, nothing, nothing, nothing, nothing, nothing, words)
        _, nearest = tree.query(points)
        foot, normal = fine[nearest], normals[nearest]
        for _ in range(PROJECTION_TURNS):
            foot = points - np.sum((points - foot) * normal, axis=1, keepdims=True) * normal
            angle, depth = canal.wall_angle_deg(foot), canal.depth_mm(foot)
            radius = self.radius_at(angle, depth)
            there = np.isfinite(radius)
            foot = np.where(there[:, None], canal.point_lps(angle, np.nan_to_num(radius), depth), np.nan)
            normal = self.normal_at(angle, depth)
        angle, depth = canal.wall_angle_deg(foot), canal.depth_mm(foot)
        return WallProjection(
            foot,
            normal,
            np.where(np.isfinite(foot[:, 0]), angle, np.nan),
            self._read(self._fine_rim, angle, depth),
            depth,
            np.linalg.norm(points - foot, axis=1),
            self._read(self.surface.u_mm, angle, depth),
            self._status_at(angle, depth),
        )

    def _known_surface(self) -> tuple[Any, Floats, Floats]:
        """The fine surface where it is known, as a search tree (None: nowhere), points and normals; made once."""
        if "surface" not in self._kept:
            from scipy.spatial import cKDTree

            fine = self.surface.points_lps()
            known = np.isfinite(fine).all(axis=-1) & np.isfinite(self._fine_normals).all(axis=-1)
            tree = cKDTree(fine[known]) if known.any() else None
            self._kept["surface"] = tree, fine[known], self._fine_normals[known]
        found: tuple[Any, Floats, Floats] = self._kept["surface"]
        return found

    def _status_at(self, wall_angle_deg: Floats, depth_mm: Floats) -> NDArray[np.str_]:
        known = np.isfinite(wall_angle_deg) & np.isfinite(depth_mm)
        angle = np.where(known, wall_angle_deg, 0.0) / ANGLE_STEP_DEG
        depths = self.surface.depths_mm
        row = (np.where(known, depth_mm, depths[0]) - depths[0]) / (depths[1] - depths[0])
        i = np.round(angle).astype(np.intp) % len(self.surface.angles_deg)
        j = np.clip(np.round(row).astype(np.intp), 0, len(depths) - 1)
        return np.array(STATUS_WORDS)[np.where(known, self.surface.status[i, j], NO_EDGE)]


def find_canal_wall(
    volume: Volume,
    canal: CanalFrame,
    *,
    rim: RimCurve,
    fitness: ScanFitness | None = None,
    wall_angles_deg: ArrayLike,
    rim_distances_mm: ArrayLike,
    progress: Progress = no_progress,
) -> CanalWall:
    """Find the bone surface of the ear canal and lay it out over wall angle and rim distance.

    Parameters
    ----------
    volume
        The scan.
    canal, rim
        Canal frame and rim curve.
    fitness
        What the scan-quality check found (its point spread); None: the point spread is assumed and flagged.
    wall_angles_deg, rim_distances_mm
        The grid wanted; rim distances along the bone surface, negative inside the middle ear.
    progress
        Called between passes; may cancel.

    Returns
    -------
    CanalWall

    Raises
    ------
    ScanError
        When the canal is outside the scan or no wall is found.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The wall is the bone, not its lining: air, lining and bone are fitted as three blurred layers, with the bone level
    of the same ear. Rim distance is arc length in the half plane of one wall angle through the straight canal axis,
    from the ring projected onto the surface. Each edge is fitted along the local normal of the smoothed surface.
    """
    angles = np.atleast_1d(np.asarray(wall_angles_deg, dtype=np.float64))
    rims = np.atleast_1d(np.asarray(rim_distances_mm, dtype=np.float64))
    surface = find_surface(
        volume,
        canal,
        rim=rim,
        spread=point_spread(volume, fitness),
        levels=canal_levels(volume, canal),
        reach_mm=max(float(rims.max()), 1.0),
        progress=part_of(progress, 0.0, 0.9),
    )
    progress("canal wall: rim distances", 0.92)
    rim_depth, fine_rim = _rim_distances(surface, rim)
    wall = CanalWall(
        angles, rims, np.empty(0), np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.str_), np.empty(0),
        surface, _normals(surface), fine_rim,
    )  # fmt: skip
    depth = _depth_of_rim_distance(wall, angles, rims, rim_depth)
    grid_angle = np.broadcast_to(angles[:, None], depth.shape)
    radius = wall.radius_at(grid_angle, depth)
    there = np.isfinite(radius)
    safe_depth = np.where(there, depth, 0.0)
    points = np.where(there[..., None], canal.point_lps(grid_angle, np.nan_to_num(radius), safe_depth), np.nan)
    normals = wall.normal_at(grid_angle, depth)
    status = wall._status_at(np.where(there, grid_angle, np.nan), depth)
    status = np.where(there, status, _missing_words(wall, grid_angle, depth))
    own_depth = np.interp(angles, *_closed(surface.angles_deg, rim_depth))
    rim_radius = wall.radius_at(angles, own_depth)
    rim_points = np.where(
        np.isfinite(rim_radius)[:, None],
        canal.point_lps(angles, np.nan_to_num(rim_radius), np.nan_to_num(own_depth)),
        np.nan,
    )
    for array in (points, normals):
        array.setflags(write=False)
    return CanalWall(
        angles, rims, points, normals, np.where(there, depth, np.nan), wall._read(surface.u_mm, grid_angle, depth),
        status, rim_points, surface, wall._fine_normals, fine_rim,
    )  # fmt: skip


def _normals(surface: CanalSurface) -> Floats:
    """Unit normals of the smoothed surface, out of the lumen, shape (angles, depths, 3)."""
    canal = surface.canal
    radius = smoothed(surface.radius_mm, NORMAL_SMOOTHING_CELLS, most_missing=0.97)
    by_angle = (np.roll(radius, -1, 0) - np.roll(radius, 1, 0)) / (2.0 * np.radians(ANGLE_STEP_DEG))
    by_depth = np.gradient(radius, surface.depths_mm, axis=1)
    across = canal.direction_lps(surface.angles_deg)[:, None, :]
    around = canal.direction_lps(surface.angles_deg + 90.0)[:, None, :]
    by_angle, by_depth = np.nan_to_num(by_angle), np.nan_to_num(by_depth)
    # The gradient of (distance from the axis - radius) points out of the lumen.
    normal = across - (by_angle / radius)[..., None] * around - by_depth[..., None] * canal.axis_lps
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def _rim_distances(surface: CanalSurface, rim: RimCurve) -> tuple[Floats, Floats]:
    """Depth of the rim at every fine angle, and the rim distance of every fine cell (NaN beyond a break)."""
    ring = rim.point_lps(surface.angles_deg)
    ring_radius, ring_depth = surface.canal.radius_mm(ring), surface.canal.depth_mm(ring)
    depths = surface.depths_mm
    fine = np.arange(depths[0], depths[-1], 0.02)
    rim_depth = np.full(len(ring_depth), np.nan)
    distance = np.full(surface.radius_mm.shape, np.nan)
    for i, radius in enumerate(surface.radius_mm):
        known = np.isfinite(radius)
        if known.sum() < 3:
            continue
        curve = np.interp(fine, depths[known], radius[known])
        near = np.interp(fine, depths, known.astype(float)) > 0.5
        apart = np.where(near, np.hypot(curve - ring_radius[i], fine - ring_depth[i]), np.inf)
        best = int(np.argmin(apart))
        if apart[best] > RIM_PROJECTION_REACH_MM:
            continue
        rim_depth[i] = fine[best]
        broken = ~known | np.append(False, np.abs(np.diff(radius)) > LARGEST_STEP_MM)
        step = np.hypot(np.diff(curve, prepend=curve[0]), np.append(0.0, np.diff(fine)))
        length = np.cumsum(step)
        length -= length[best]
        at = np.interp(depths, fine, length)
        row = int(np.clip(np.searchsorted(depths, fine[best]), 1, len(depths) - 1))
        ok = np.zeros(len(depths), np.bool_)
        out_break = np.flatnonzero(broken[row:])
        ok[row : row + (out_break[0] if len(out_break) else len(depths))] = True
        in_break = np.flatnonzero(broken[:row][::-1])
        ok[row - (in_break[0] if len(in_break) else row) : row] = True
        distance[i] = np.where(ok & known, at, np.nan)
    return rim_depth, distance


def _depth_of_rim_distance(wall: CanalWall, angles: Floats, rims: Floats, rim_depth: Floats) -> Floats:
    """Depth at each wanted rim distance, shape (angles, rims); NaN where there is none."""
    fine_angles, depths = wall.surface.angles_deg, wall.surface.depths_mm
    per_angle = np.full((len(fine_angles), len(rims)), np.nan)
    for i, distance in enumerate(wall._fine_rim):
        known = np.isfinite(distance)
        if known.sum() < 2:
            continue
        d, z = distance[known], depths[known]
        inside = (rims >= d[0] - 1e-9) & (rims <= d[-1] + 1e-9)
        per_angle[i, inside] = np.interp(rims[inside], d, z)
    position = np.mod(angles, 360.0) / ANGLE_STEP_DEG
    i0 = np.floor(position).astype(np.intp) % len(fine_angles)
    share = (position - np.floor(position))[:, None]
    first, second = per_angle[i0], per_angle[(i0 + 1) % len(fine_angles)]
    return np.where(share < 1e-9, first, (1.0 - share) * first + share * second)


def _missing_words(wall: CanalWall, wall_angle_deg: Floats, depth_mm: Floats) -> NDArray[np.str_]:
    """Why a cell has no surface: outside the scan where the fine surface says so nearby, else no edge."""
    out = wall.surface.status == OUTSIDE
    share = out.mean(axis=1)
    index = np.round(np.mod(wall_angle_deg, 360.0) / ANGLE_STEP_DEG).astype(np.intp) % len(share)
    return np.where(share[index] > 0.5, STATUS_WORDS[OUTSIDE], STATUS_WORDS[NO_EDGE])


def _closed(angles_deg: Floats, values: Floats) -> tuple[Floats, Floats]:
    known = np.isfinite(values)
    if not known.any():
        return np.array([0.0, 360.0]), np.array([np.nan, np.nan])
    a, v = angles_deg[known], values[known]
    return np.concatenate([[a[-1] - 360.0], a, [a[0] + 360.0]]), np.concatenate([[v[-1]], v, [v[0]]])


__all__ = ["GAP", "CanalWall", "WallProjection", "find_canal_wall"]
