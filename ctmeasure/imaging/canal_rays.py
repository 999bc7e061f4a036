"""Rays of the canal: from the centre line across the axis, and along the normals of the surface found so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.imaging import layers
from ctmeasure.imaging.canal_fields import smoothed
from ctmeasure.imaging.levels import PointSpread, TissueLevels
from ctmeasure.volume.sampling import in_threads
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

RAY_LENGTH_MM = 10.0
"""Rays from the centre line end here: no bony canal has a half-width of 10 mm (values around 3 to 4 mm)."""
NORMAL_RANGE_MM = (-2.4, 4.6)
"""Profiles along normals: from well inside the lumen to behind any plate that shows its own level."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What a refit found, arrays (angles, depths): radius, its uncertainty, lining, and whether air lines the wall."""

    radius: Floats
    u_mm: Floats
    lining: Floats
    air_lined: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class NormalRays:
    """Rays along the surface normals at every cell."""

    volume: Volume
    spread: PointSpread
    points: Floats
    normals: Floats
    radial: Floats
    offsets: Floats

    def read(self, cells: NDArray[np.intp]) -> tuple[Floats, Floats]:
        at = (cells[:, 0], cells[:, 1])
        values = layers.profiles(self.volume, self.points[at], directions_lps=self.normals[at], offsets_mm=self.offsets)
        return values, self.spread.sigma_mm(self.normals[at])


class CanalRays:
    """Rays from the centre line across the axis, one for each (angle, depth)."""

    def __init__(
        self,
        volume: Volume,
        canal: CanalFrame,
        angles: Floats,
        depths: Floats,
        centres: Floats,
        spread: PointSpread | None,
    ) -> None:
        self.volume, self.canal, self.angles, self.depths = volume, canal, angles, depths
        self.centres, self.spread = centres, spread
        self.origins = (
            canal.frame.origin_lps
            + depths[:, None] * canal.axis_lps
            + centres[:, :1] * canal.superior_lps
            + centres[:, 1:] * canal.posterior_lps
        )
        self.across = canal.direction_lps(angles)
        self.left_scan: NDArray[np.bool_] = np.zeros((len(angles), len(depths)), np.bool_)

    def rising(self, levels: TissueLevels, *, room: int) -> tuple[Floats, NDArray[np.int64]]:
        """Rising edges seen from the centre line: (angles, depths, room, 3) and their counts."""
        from ctmeasure.kernels.rays import EDGE_COLUMNS, rising_edges

        offsets = np.arange(0.0, RAY_LENGTH_MM, 0.15)
        shape = (len(self.angles), len(self.depths))
        origins = np.broadcast_to(self.origins[None], (*shape, 3)).reshape(-1, 3)
        directions = np.broadcast_to(self.across[:, None], (*shape, 3)).reshape(-1, 3)
        values = layers.profiles(self.volume, origins, directions_lps=directions, offsets_mm=offsets)
        n = len(values)
        edges, counts = np.full((n, room, EDGE_COLUMNS), np.nan), np.zeros(n, np.int64)
        in_threads(
            lambda start, stop: rising_edges(
                values, offsets, levels.bone_like, levels.soft, levels.drop, edges, counts, start, stop
            ),
            n,
            smallest=layers.ROWS_WORTH_A_THREAD,
        )
        self.left_scan = np.asarray((~np.isfinite(values)).any(axis=1)).reshape(shape)
        return edges.reshape(*shape, room, EDGE_COLUMNS), counts.reshape(shape)

    def along_normals(self, radius: Floats) -> NormalRays:
        """Rays along the normals of the smoothed surface, through the surface points themselves."""
        assert self.spread is not None
        smooth = smoothed(radius, (3.0, 2.0), most_missing=0.97)
        filled = np.where(np.isfinite(smooth), smooth, np.nan)
        surface = self.origins[None] + filled[..., None] * self.across[:, None, :]
        around = np.roll(surface, -1, axis=0) - np.roll(surface, 1, axis=0)
        along = np.gradient(surface, axis=1)
        along = np.where(np.isfinite(along), along, self.canal.axis_lps)
        around = np.where(np.isfinite(around), around, np.cross(self.canal.axis_lps, self.across)[:, None, :])
        normals = np.cross(around, along)
        normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-12)
        radial = np.einsum("adx,ax->ad", normals, self.across)
        normals = np.where(radial[..., None] < 0, -normals, normals)
        points = self.origins[None] + radius[..., None] * self.across[:, None, :]
        offsets = np.arange(NORMAL_RANGE_MM[0], NORMAL_RANGE_MM[1], layers.STEP_MM)
        return NormalRays(self.volume, self.spread, points, normals, np.abs(radial), offsets)

    def refit(self, radius: Floats, levels: TissueLevels, lining: Floats | None) -> Found:
        """Move every radius to the fitted edge along the normal there."""
        assert self.spread is not None
        rays = self.along_normals(radius)
        cells = np.argwhere(np.isfinite(radius) & (rays.radial > 0.35))
        values, sigma = rays.read(cells)
        found = layers.walk(values, rays.offsets, levels=levels, search_mm=(-0.9, 1.2), exit_gap_mm=0.6)
        at = (cells[:, 0], cells[:, 1])
        prior = None if lining is None else np.nan_to_num(lining[at], nan=layers.LINING_MM)
        count = len(cells)
        fitted = layers.fit(
            values, rays.offsets, found=found, sigma_mm=sigma, levels=levels,
            bone=np.full(count, levels.bone), bone_sd=np.full(count, levels.bone_sd),
            blur_relative_u=0.0, lining_mm=prior,
            lining_sd_mm=layers.LINING_SD_MM if lining is None else 0.03,
        )  # fmt: skip
        shape = radius.shape
        result = Found(
            np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, np.bool_)
        )
        # A hollow cylinder's half level lies sigma^2 / 2R towards its axis.
        shift = fitted.front_x + sigma**2 / (2.0 * np.maximum(radius[at], 1.0))
        good = fitted.ok & (np.abs(fitted.front_x) < 0.8)
        result.radius[at] = np.where(good, radius[at] + shift / rays.radial[at], np.nan)
        result.u_mm[at] = np.where(good, np.hypot(fitted.u_front, 0.02), np.nan)
        result.lining[at] = fitted.lining
        result.air_lined[at] = fitted.air_lined
        return result

    def polar(self, radius: Floats, row: int) -> tuple[Floats, Floats]:
        """Wall angle and distance about the straight axis of points given about the centre line."""
        angle = np.radians(self.angles)
        up = self.centres[row, 0] + radius * np.cos(angle)
        back = self.centres[row, 1] + radius * np.sin(angle)
        return np.mod(np.degrees(np.arctan2(back, up)), 360.0), np.hypot(up, back)
