"""Places on the wall with their direction, bone path, far side and bur path, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.reading import Reading, make_reading
from ctmeasure.imaging.wall_path import PRESENT, WallPaths, measure_wall_paths, ray_ends
from ctmeasure.planning.drilling.bores import Bores, make_bores
from ctmeasure.planning.drilling.directions import BLOCKED, UNKNOWN, Access, best_directions, check_directions, in_sight
from ctmeasure.planning.drilling.envelope import drill_depth_mm, over_travel_mm
from ctmeasure.planning.drilling.exits import MapGrid, travel_changes
from ctmeasure.planning.drilling.far_side import name_far_sides
from ctmeasure.planning.drilling.scene import Scene

Floats = NDArray[np.float64]

UNRESOLVED_BELOW_MM = 1.0
"""Without a measured point spread, no wall thinner than this counts as resolved."""
SHORT_TIP_FLAG = "wall thicker than the tip is long"


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """n places on the wall; arrays over them. ``bores`` has travel 0 where ``ends`` is False: end of wall unknown.

    ``reading`` is the scan as their bone was read in it.
    """

    entry_lps: Floats
    normal_lps: Floats
    wall_angle_deg: Floats
    rim_distance_mm: Floats
    depth_mm: Floats
    direction_lps: Floats
    angle_to_normal_deg: Floats
    reachable: NDArray[np.int8]
    tip_too_short: NDArray[np.bool_]
    paths: WallPaths
    state: NDArray[np.uint8]
    far_side: NDArray[np.str_]
    drill_depth_mm: Floats
    ends: NDArray[np.bool_]
    bores: Bores
    shaft_lps: Floats
    freedom: Floats
    in_sight: NDArray[np.int8]
    reading: Reading

    def __len__(self) -> int:
        return len(self.entry_lps)


def measure_places(
    scene: Scene,
    entry_lps: Floats,
    *,
    normal_lps: Floats,
    wall_angle_deg: Floats,
    rim_distance_mm: Floats,
    depth_mm: Floats,
    surface_u_mm: Floats,
    direction_lps: Floats | None,
    grid: MapGrid | None = None,
) -> Places:
    """Measure places on the wall along given or best directions.

    Parameters
    ----------
    scene
        The ear.
    entry_lps, normal_lps
        Shape (n, 3), on the wall, unit normals into the bone; no NaN.
    wall_angle_deg, rim_distance_mm, depth_mm, surface_u_mm
        Shape (n,).
    direction_lps
        Unit directions, or None for the best reachable ones.
    grid
        Where the places are cells of the map: those around a cell tell what strayed hands meet.

    Returns
    -------
    Places

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    settings = scene.settings
    access: Access
    if direction_lps is None:
        access = best_directions(scene.lumen, entry_lps, normal_lps=normal_lps, settings=settings)
    else:
        access = check_directions(
            scene.lumen, entry_lps, direction_lps=direction_lps, normal_lps=normal_lps, settings=settings
        )
    direction, psi = access.direction_lps, access.angle_to_normal_deg
    spread, levels = scene.wall.surface.spread, scene.wall.surface.levels
    ends_lps = ray_ends(entry_lps, direction, arm_length_mm=settings.arm_length_mm)
    reading = scene.reading
    if reading is None or not reading.covers(scene.volume, ends_lps):
        reading = make_reading(scene.volume, ends_lps, spread=spread, levels=levels)
    paths = measure_wall_paths(
        scene.volume,
        entry_lps,
        direction_lps=direction,
        spread=spread,
        levels=levels,
        exit_gap_mm=settings.exit_gap_mm,
        arm_length_mm=settings.arm_length_mm,
        normal_lps=normal_lps,
        surface_u_mm=surface_u_mm,
        lining_mm=scene.wall.lining_at(wall_angle_deg, depth_mm),
        reading=reading,
    )
    state = paths.state.copy()
    if spread.assumed:
        thin = paths.to_first_gap_mm * np.cos(np.radians(psi)) < UNRESOLVED_BELOW_MM
        state[thin & np.isfinite(paths.to_first_gap_mm)] = PRESENT
    far = name_far_sides(
        paths,
        entry_lps,
        volume=scene.volume,
        direction_lps=direction,
        rim=scene.rim,
        levels=levels,
        obstacles=scene.obstacles,
        regions=reading.regions,
    )
    depth = drill_depth_mm(paths.to_exit_mm, psi, settings=settings)
    ends = np.isfinite(depth)
    short = ends & ~_tip_reaches(paths.to_exit_mm, psi, scene)
    reachable = np.where(short & (access.reachable != UNKNOWN), BLOCKED, access.reachable).astype(np.int8)
    bores = make_bores(
        entry_lps, direction, normal=normal_lps, depth=np.where(ends, depth, 0.0), angle_to_normal_deg=psi,
        surface_u_mm=surface_u_mm, exit_u_mm=paths.to_exit_u_mm, canal=scene.canal, settings=settings,
    )  # fmt: skip
    changes = travel_changes(
        scene, paths, bores, over_mm=over_travel_mm(psi, settings), grid=grid, surface_u_mm=surface_u_mm
    )
    bores = bores.with_travel(np.where(ends[:, None], changes, np.nan))
    return Places(
        entry_lps, normal_lps, wall_angle_deg, rim_distance_mm, depth_mm, direction, psi, reachable, short, paths,
        state, far, depth, ends, bores, access.shaft_lps, access.freedom,
        in_sight(scene.lumen, entry_lps, normal_lps=normal_lps, settings=settings), reading,
    )  # fmt: skip


def _tip_reaches(to_exit_mm: Floats, psi_deg: Floats, scene: Scene) -> NDArray[np.bool_]:
    """Whether the bur gets through before the shaft behind the bend meets the wall."""
    settings = scene.settings
    left = settings.instrument_tip_length_mm - np.nan_to_num(to_exit_mm) - settings.bur_radius_mm
    return left * np.cos(np.radians(psi_deg)) >= settings.instrument_shaft_diameter_mm / 2.0
