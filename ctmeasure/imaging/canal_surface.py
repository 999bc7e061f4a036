"""The bone surface of the ear canal as radius over wall angle and depth: rays from the lumen, then along normals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.errors import ScanError
from ctmeasure.imaging import layers
from ctmeasure.imaging.canal_fields import periodic, smoothed, without_outliers
from ctmeasure.imaging.canal_rays import CanalRays
from ctmeasure.imaging.levels import PointSpread, TissueLevels
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Status = NDArray[np.uint8]

ANGLE_STEP_DEG = 2.0
DEPTH_STEP_MM = 0.25
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
    grid = CanalRays(volume, canal, angles, depths, centres, spread)
    progress("canal wall: rays", 0.2)
    radius, outside = _first_radius(grid, ring_radius, ring_depth, levels)
    if np.isfinite(radius).mean() < 0.05:
        raise ScanError(
            "no bony canal wall along the canal axis",
            expected="bone around canal_medial and canal_lateral",
            action="check the canal landmarks and the series",
        )
    radius = without_outliers(radius, OUTLIER_MM)
    progress("canal wall: bone level", 0.35)
    levels = _refined_levels(grid, radius, levels)
    lining: Floats | None = None
    found = None
    for turn in range(3):
        progress("canal wall: edges along the normals", 0.45 + 0.15 * turn)
        found = grid.refit(radius, levels, lining)
        radius = without_outliers(found.radius, OUTLIER_MM)
        lining = smoothed(np.where(found.air_lined, found.lining, np.nan), (4.0, 2.5))
    assert found is not None
    kept = without_outliers(radius, SMOOTHED_OUTLIER_MM)
    smooth = smoothed(kept, SMOOTHING_CELLS, most_missing=0.6)
    status = np.full(radius.shape, MEASURED, np.uint8)
    status[~found.air_lined & np.isfinite(kept)] = SOFT
    status[~np.isfinite(kept)] = GAP
    status[~np.isfinite(smooth)] = NO_EDGE
    status[outside & ~np.isfinite(smooth)] = OUTSIDE
    lined = np.zeros(radius.shape) if lining is None else np.nan_to_num(lining, nan=0.0)
    return _about_axis(grid, smooth, radius, found.u_mm, lined, status, levels)


def _centre_line(volume: Volume, canal: CanalFrame, depths: Floats, levels: TissueLevels) -> Floats:
    """Centre of the lumen (superior, posterior offsets from the axis, mm) at each depth, shape (depths, 2)."""
    angles = np.arange(0.0, 360.0, 15.0)
    coarse = np.arange(depths[0], depths[-1] + 0.5, 0.5)
    centres = np.zeros((len(coarse), 2))
    directions = np.column_stack([np.cos(np.radians(angles)), np.sin(np.radians(angles))])
    for _ in range(4):
        grid = CanalRays(volume, canal, angles, coarse, centres, None)
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
    grid: CanalRays, ring_radius: Floats, ring_depth: Floats, levels: TissueLevels
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
    outer = without_outliers(outer, OUTLIER_MM)
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


def _axis_shift(grid: CanalRays, ring_depth: Floats) -> Floats:
    """How much longer the ring's radius is about the centre line than about the axis (zero where they agree)."""
    angle = np.radians(grid.angles)
    centre = [np.interp(ring_depth, grid.depths, grid.centres[:, axis]) for axis in range(2)]
    return -(np.cos(angle) * centre[0] + np.sin(angle) * centre[1])


def _refined_levels(grid: CanalRays, radius: Floats, levels: TissueLevels) -> TissueLevels:
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


def _about_axis(
    grid: CanalRays, radius: Floats, raw: Floats, u_mm: Floats, lining: Floats, status: Status, levels: TissueLevels
) -> CanalSurface:
    """The same surface over the wall angle about the straight axis."""
    assert grid.spread is not None
    shape = radius.shape
    out = {name: np.full(shape, np.nan) for name in ("radius", "raw", "u", "lining")}
    out_status = np.full(shape, NO_EDGE, np.uint8)
    for row in range(shape[1]):
        if not np.any(grid.centres[row]):
            columns = (radius, raw, u_mm, lining)
            for name, column in zip(out, columns, strict=True):
                out[name][:, row] = column[:, row]
            out_status[:, row] = status[:, row]
            continue
        for name, field in (("radius", radius), ("raw", raw)):
            angle, distance = grid.polar(field[:, row], row)
            out[name][:, row] = periodic(grid.angles, angle, distance, step_deg=ANGLE_STEP_DEG)
        angle, _ = grid.polar(np.where(np.isfinite(radius[:, row]), radius[:, row], 3.0), row)
        for name, field in (("u", u_mm), ("lining", lining)):
            out[name][:, row] = periodic(grid.angles, angle, field[:, row], step_deg=ANGLE_STEP_DEG)
        apart = np.abs((grid.angles[:, None] - angle[None, :] + 180.0) % 360.0 - 180.0)
        out_status[:, row] = status[np.argmin(apart, axis=1), row]
    missing = ~np.isfinite(out["radius"]) & (out_status < NO_EDGE)
    out_status[missing] = NO_EDGE
    return CanalSurface(
        grid.canal, grid.angles, grid.depths, out["radius"], out["raw"], out["u"], out["lining"], out_status,
        levels, grid.spread,
    )  # fmt: skip
