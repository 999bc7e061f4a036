"""The bone surface of the ear canal as radius over wall angle and depth: rays from the lumen, then along normals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.errors import ScanError
from ctmeasure.imaging import layers
from ctmeasure.imaging.levels import PointSpread, TissueLevels
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.sampling import in_threads
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Status = NDArray[np.uint8]

ANGLE_STEP_DEG = 2.0
DEPTH_STEP_MM = 0.25
RAY_LENGTH_MM = 10.0
"""Rays from the centre line end here: no bony canal has a half-width of 10 mm (values around 3 to 4 mm)."""
CENTRE_FROM_DEPTH_MM = 2.5
"""Beyond this depth the lumen's own centre is used; at the rim the clicked centre, since a drum may fill the lumen."""
RIM_ZONE_MM = 2.0
"""Within this of the rim's depth the ring decides which of several edges is the wall (drum, handle, sulcus)."""
RING_REACH_MM = 1.3
"""An edge farther than this from the ring's radius is not the wall in the rim zone."""
OUTLIER_MM = 0.7
SHEET_SHARE = 0.4
"""A bump of this share of the step from air to soft tissue is a sheet (skin, or a plate of bone below resolution)."""
SMOOTHED_OUTLIER_MM = 0.25
NORMAL_RANGE_MM = (-2.4, 4.6)
MEASURED, SOFT, GAP, NO_EDGE, OUTSIDE = range(5)
STATUS_WORDS = ("measured", "soft tissue", "gap", "no edge", "outside scan")
SMOOTHING_CELLS = (1.3, 0.9)
"""Standard deviations of the smoothing in cells of angle and depth, about 0.15 and 0.22 mm on the wall."""


@dataclass(frozen=True, slots=True, eq=False)
class CanalSurface:
    """The surface on its own fine grid; arrays (angles, depths).

    ``radius_mm`` is the distance from the straight canal axis, NaN where there is no surface; ``raw_radius_mm`` the
    same before smoothing; ``u_mm`` its standard uncertainty; ``status`` indexes `STATUS_WORDS`.
    """

    canal: CanalFrame
    angles_deg: Floats
    depths_mm: Floats
    radius_mm: Floats
    raw_radius_mm: Floats
    u_mm: Floats
    lining_mm: Floats
    status: Status
    levels: TissueLevels
    spread: PointSpread

    def points_lps(self) -> Floats:
        """Surface points, shape (angles, depths, 3)."""
        return self.canal.point_lps(self.angles_deg[:, None], self.radius_mm, self.depths_mm[None, :])


def find_surface(
    volume: Volume,
    canal: CanalFrame,
    *,
    rim: RimCurve,
    spread: PointSpread,
    levels: TissueLevels,
    reach_mm: float,
    progress: Progress = no_progress,
) -> CanalSurface:
    """Find the bone surface of the canal from inside the rim to `reach_mm` outside it.

    Parameters
    ----------
    volume, canal, rim
        Scan, canal frame and rim curve.
    spread, levels
        Point spread and first grey levels.
    reach_mm
        How far outside the rim, along the canal, mm.
    progress
        Called between the passes.

    Returns
    -------
    CanalSurface
        With the grey levels refined on this ear's own thick wall.

    Raises
    ------
    ScanError
        When no wall is found at all.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    angles = np.arange(0.0, 360.0, ANGLE_STEP_DEG)
    ring = rim.point_lps(angles)
    ring_radius, ring_depth = canal.radius_mm(ring), canal.depth_mm(ring)
    depths = np.arange(ring_depth.min() - 2.0, ring_depth.max() + reach_mm + 1.0, DEPTH_STEP_MM)
    progress("canal wall: centre line", 0.05)
    centres = _centre_line(volume, canal, depths, levels)
    grid = _Rays(volume, canal, angles, depths, centres, spread)
    progress("canal wall: rays", 0.2)
    radius, outside = _first_radius(grid, ring_radius, ring_depth, levels)
    if np.isfinite(radius).mean() < 0.05:
        raise ScanError(
            "no bony canal wall along the canal axis",
            expected="bone around canal_medial and canal_lateral",
            action="check the canal landmarks and the series",
        )
    radius = _without_outliers(radius, OUTLIER_MM)
    progress("canal wall: bone level", 0.35)
    levels = _refined_levels(grid, radius, levels)
    lining: Floats | None = None
    found = None
    for turn in range(3):
        progress("canal wall: edges along the normals", 0.45 + 0.15 * turn)
        found = grid.refit(radius, levels, lining)
        radius = _without_outliers(found.radius, OUTLIER_MM)
        lining = smoothed(np.where(found.air_lined, found.lining, np.nan), (4.0, 2.5))
    assert found is not None
    kept = _without_outliers(radius, SMOOTHED_OUTLIER_MM)
    smooth = smoothed(kept, SMOOTHING_CELLS, most_missing=0.6)
    status = np.full(radius.shape, MEASURED, np.uint8)
    status[~found.air_lined & np.isfinite(kept)] = SOFT
    status[~np.isfinite(kept)] = GAP
    status[~np.isfinite(smooth)] = NO_EDGE
    status[outside & ~np.isfinite(smooth)] = OUTSIDE
    lined = np.zeros(radius.shape) if lining is None else np.nan_to_num(lining, nan=0.0)
    return grid.about_axis(smooth, radius, found.u_mm, lined, status, levels)


def smoothed(field: Floats, cells: tuple[float, float], *, most_missing: float = 0.9) -> Floats:
    """Gaussian smoothing of an (angle, depth) field, closed in angle, leaving NaN out.

    Cells whose neighbourhood misses more than `most_missing` of its weight stay NaN.

    Example
    -------
    >>> import numpy as np
    >>> float(smoothed(np.full((10, 10), 3.0), (1.0, 1.0))[0, 0])
    3.0
    """
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(field)
    sigma, mode = cells, ("wrap", "nearest")
    weight = gaussian_filter(known.astype(np.float64), sigma, mode=mode, truncate=3.0)
    # Subtracting a rough mean keeps the quotient exact for a constant field.
    base = float(np.mean(field[known])) if known.any() else 0.0
    total = gaussian_filter(np.where(known, field - base, 0.0), sigma, mode=mode, truncate=3.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        result = base + total / weight
    return np.where(weight >= 1.0 - most_missing, result, np.nan)


def _without_outliers(field: Floats, limit: float) -> Floats:
    """NaN where a value is more than `limit` off the median of its neighbourhood (7 angles, 5 depths)."""
    padded = np.pad(np.pad(field, ((3, 3), (0, 0)), mode="wrap"), ((0, 0), (2, 2)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (7, 5)).reshape(*field.shape, -1)
    with np.errstate(all="ignore"):
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            middle = np.nanmedian(windows, axis=-1)
    few = np.isfinite(windows).sum(axis=-1) < 8
    return np.where((np.abs(field - middle) <= limit) & ~few, field, np.nan)


def _centre_line(volume: Volume, canal: CanalFrame, depths: Floats, levels: TissueLevels) -> Floats:
    """Centre of the lumen (superior, posterior offsets from the axis, mm) at each depth, shape (depths, 2)."""
    angles = np.arange(0.0, 360.0, 15.0)
    coarse = np.arange(depths[0], depths[-1] + 0.5, 0.5)
    centres = np.zeros((len(coarse), 2))
    directions = np.column_stack([np.cos(np.radians(angles)), np.sin(np.radians(angles))])
    for _ in range(4):
        grid = _Rays(volume, canal, angles, coarse, centres, None)
        edges, counts = grid.rising(levels, room=1)
        radius = np.where(counts > 0, edges[..., 0, 0], np.nan)
        with np.errstate(invalid="ignore"):
            points = radius[..., None] * directions[:, None, :]
        enough = np.isfinite(radius).mean(axis=0) > 0.7
        # The mean of opposite rays' half-differences is the centre even when single rays miss.
        half = 0.5 * (points + np.roll(points, len(angles) // 2, axis=0))
        move = np.zeros_like(centres)
        for row in np.flatnonzero(enough):
            pairs = half[np.isfinite(half[:, row, 0]), row]
            if len(pairs) >= 8:
                move[row] = 2.0 * np.mean(pairs, axis=0)
        centres = centres + np.clip(move, -1.0, 1.0)
        share = np.clip((coarse - CENTRE_FROM_DEPTH_MM + 1.0) / 1.0, 0.0, 1.0)
        centres = np.clip(centres, -3.0, 3.0) * share[:, None]
        kernel = np.ones(5) / 5.0
        for axis in range(2):
            centres[:, axis] = np.convolve(np.pad(centres[:, axis], 2, mode="edge"), kernel, mode="valid")
    return np.column_stack([np.interp(depths, coarse, centres[:, axis]) for axis in range(2)])


def _first_radius(
    grid: _Rays, ring_radius: Floats, ring_depth: Floats, levels: TissueLevels
) -> tuple[Floats, NDArray[np.bool_]]:
    """The wall's first guess: the first bone seen from the lumen; in the rim zone the one nearest to the ring."""
    edges, counts = grid.rising(levels, room=4)
    radii = np.where(np.arange(4) < counts[..., None], edges[..., 0], np.nan)
    # A sheet crossed on the way to the first bone may be a wall too thin to tell from skin: then nothing is claimed.
    with np.errstate(invalid="ignore"):
        sheet = edges[..., 0, 3] > SHEET_SHARE * (levels.soft - levels.air)
    first = np.where(sheet, np.nan, radii[..., 0])
    offset = grid.depths[None, :] - ring_depth[:, None]
    outer = np.where(offset > RIM_ZONE_MM, first, np.nan)
    outer = _without_outliers(outer, OUTLIER_MM)
    # Radius expected in the rim zone: from the ring to the wall found just outside it.
    just_outside = np.where((offset > RIM_ZONE_MM) & (offset < RIM_ZONE_MM + 1.0), outer, np.nan)
    seen = np.isfinite(just_outside)
    mean = np.where(seen, just_outside, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    ring_about_centre = ring_radius + _axis_shift(grid, ring_depth)
    mean = np.where(seen.any(axis=1), mean, ring_about_centre)
    share = np.clip(offset / (RIM_ZONE_MM + 0.5), 0.0, 1.0)
    expected = ring_about_centre[:, None] * (1.0 - share) + mean[:, None] * share
    distance = np.abs(radii - expected[..., None])
    with np.errstate(invalid="ignore"):
        nearest = np.argmin(np.where(np.isfinite(distance), distance, np.inf), axis=-1)
    chosen = np.take_along_axis(radii, nearest[..., None], axis=-1)[..., 0]
    close = np.take_along_axis(distance, nearest[..., None], axis=-1)[..., 0] <= RING_REACH_MM
    inner = np.where(close & (offset > -RIM_ZONE_MM), chosen, np.nan)
    return np.where(offset > RIM_ZONE_MM, outer, inner), grid.left_scan


def _axis_shift(grid: _Rays, ring_depth: Floats) -> Floats:
    """How much longer the ring's radius is about the centre line than about the axis (zero where they agree)."""
    angle = np.radians(grid.angles)
    centre = [np.interp(ring_depth, grid.depths, grid.centres[:, axis]) for axis in range(2)]
    return -(np.cos(angle) * centre[0] + np.sin(angle) * centre[1])


def _refined_levels(grid: _Rays, radius: Floats, levels: TissueLevels) -> TissueLevels:
    """Bone level from thick stretches of this wall, each fitted with its own level free; then the noise."""
    rays = grid.along_normals(radius)
    cells = np.argwhere(np.isfinite(radius))[::7]
    values, sigma = rays.read(cells)
    found = layers.walk(values, rays.offsets, levels=levels, search_mm=(-0.9, 1.2), exit_gap_mm=0.6)
    thick = np.isfinite(found.peak_x) & (np.nan_to_num(found.fall_x, nan=9.0) > layers.THICK_FWHM * sigma * 2.3548)
    if thick.sum() < 20:
        return levels
    chosen = layers.Walk(*(column[thick] for column in found))
    count = int(thick.sum())
    fitted = layers.fit(
        values[thick], rays.offsets, found=chosen, sigma_mm=sigma[thick], levels=levels,
        bone=np.full(count, levels.bone), bone_sd=np.full(count, np.inf), blur_relative_u=0.0,
    )  # fmt: skip
    bone = fitted.bone[fitted.ok & (fitted.bone > levels.bone_like)]
    if len(bone) < 20:
        return levels
    middle = float(np.median(bone))
    scatter = 1.4826 * float(np.median(np.abs(bone - middle)))
    misfit = float(np.clip(np.median(fitted.misfit[fitted.ok]), 0.3, 4.0))
    refined = levels.with_bone(middle, float(np.clip(scatter, 0.04 * middle, 0.12 * (middle - levels.soft))))
    noise = float(np.clip(levels.noise * misfit, 0.004 * (middle - levels.air), 0.12 * (middle - levels.air)))
    return type(levels)(refined.air, refined.soft, refined.bone, refined.bone_sd, noise, refined.flags)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    radius: Floats
    u_mm: Floats
    lining: Floats
    air_lined: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _NormalRays:
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


class _Rays:
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

    def along_normals(self, radius: Floats) -> _NormalRays:
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
        return _NormalRays(self.volume, self.spread, points, normals, np.abs(radial), offsets)

    def refit(self, radius: Floats, levels: TissueLevels, lining: Floats | None) -> _Found:
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
        result = _Found(
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

    def about_axis(
        self, radius: Floats, raw: Floats, u_mm: Floats, lining: Floats, status: Status, levels: TissueLevels
    ) -> CanalSurface:
        """The same surface over the wall angle about the straight axis."""
        assert self.spread is not None
        shape = radius.shape
        out = {name: np.full(shape, np.nan) for name in ("radius", "raw", "u", "lining")}
        out_status = np.full(shape, NO_EDGE, np.uint8)
        for row in range(shape[1]):
            if not np.any(self.centres[row]):
                columns = (radius, raw, u_mm, lining)
                for name, column in zip(out, columns, strict=True):
                    out[name][:, row] = column[:, row]
                out_status[:, row] = status[:, row]
                continue
            for name, field in (("radius", radius), ("raw", raw)):
                angle, distance = self._polar(field[:, row], row)
                out[name][:, row] = _periodic(self.angles, angle, distance)
            angle, _ = self._polar(np.where(np.isfinite(radius[:, row]), radius[:, row], 3.0), row)
            for name, field in (("u", u_mm), ("lining", lining)):
                out[name][:, row] = _periodic(self.angles, angle, field[:, row])
            apart = np.abs((self.angles[:, None] - angle[None, :] + 180.0) % 360.0 - 180.0)
            out_status[:, row] = status[np.argmin(apart, axis=1), row]
        missing = ~np.isfinite(out["radius"]) & (out_status < NO_EDGE)
        out_status[missing] = NO_EDGE
        return CanalSurface(
            self.canal, self.angles, self.depths, out["radius"], out["raw"], out["u"], out["lining"], out_status,
            levels, self.spread,
        )  # fmt: skip

    def _polar(self, radius: Floats, row: int) -> tuple[Floats, Floats]:
        """Wall angle and distance about the straight axis of points given about the centre line."""
        angle = np.radians(self.angles)
        up = self.centres[row, 0] + radius * np.cos(angle)
        back = self.centres[row, 1] + radius * np.sin(angle)
        return np.mod(np.degrees(np.arctan2(back, up)), 360.0), np.hypot(up, back)


def _periodic(wanted: Floats, angle: Floats, value: Floats) -> Floats:
    """Interpolate over a closed angle; NaN wherever the nearest given value is more than two steps away."""
    known = np.isfinite(value) & np.isfinite(angle)
    if known.sum() < 4:
        return np.full(len(wanted), np.nan)
    order = np.argsort(angle[known])
    a, v = angle[known][order], value[known][order]
    wrapped, values = np.concatenate([a[-2:] - 360.0, a, a[:2] + 360.0]), np.concatenate([v[-2:], v, v[:2]])
    result = np.interp(wanted, wrapped, values)
    after = np.searchsorted(wrapped, wanted)
    near = np.minimum(
        np.abs(wrapped[np.clip(after, 0, len(wrapped) - 1)] - wanted),
        np.abs(wanted - wrapped[np.clip(after - 1, 0, len(wrapped) - 1)]),
    )
    return np.where(near <= 2.0 * ANGLE_STEP_DEG, result, np.nan)
