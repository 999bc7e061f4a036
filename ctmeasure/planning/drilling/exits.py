"""How far a hand drills that is not quite where it was planned: it meets the cells and the exit of its own path.

A hand strays by half a millimetre and some degrees, and in cellular bone a path beside the planned one may end
millimetres earlier or later. So the drawn travel comes from every place where the paths of such hands may end, each
read with its own doubt, and not from the planned path alone.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.canal_wall import CanalWall
from ctmeasure.imaging.ends import spread_about_chosen
from ctmeasure.imaging.wall_path import WallPaths, measure_wall_paths, ray_ends
from ctmeasure.planning.drilling.bores import TRAVEL_Z, Bores
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

BIN_MM = 0.1
"""Step of the table of exits: finer than any of them is read."""
LEAST_READING_U_MM = 0.05
"""No exit is read better than this."""
STEPS = np.array([-2.8569700, -1.3556262, 0.0, 1.3556262, 2.8569700])
STEP_WEIGHTS = np.array([0.0112574, 0.2220759, 0.5333333, 0.2220759, 0.0112574])
"""Five nodes and weights of a standard normal (Gauss-Hermite, exact to the ninth power; Abramowitz and Stegun 1964,
table 25.10, turned to unit variance)."""
LEAST_WEIGHT = 1e-3
"""Strays less likely than this are not followed."""
FARTHEST_MOVE_MM = 1.0
"""A strayed entry farther than this off the wall has no wall to start from."""


class MapGrid(NamedTuple):
    """Which cells of the map the places are: their numbers, by wall angle and then rim distance."""

    cells: Rows
    wall: CanalWall


def travel_changes(
    scene: Scene, paths: WallPaths, bores: Bores, *, over_mm: Floats, grid: MapGrid | None, surface_u_mm: Floats
) -> Floats:
    """Drawn travel less planned travel at the nodes of `TRAVEL_Z`.

    Parameters
    ----------
    scene
        The ear.
    paths, bores
        Planned paths as read, and their bores, n each.
    over_mm
        Over-travel past the exit, shape (n,).
    grid
        When the places are cells of the map: the paths of the cells around stand for those of strayed hands. None: such
        paths are read besides.
    surface_u_mm
        Standard uncertainty of the wall, shape (n,).

    Returns
    -------
    numpy.ndarray
        Shape (n, nodes), mm, rising; NaN where no path has an exit.

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    A hand strays by its placement along the wall and around it; its tilt moves the path by half of its depth besides.
    Strays are normal; paths that never end are left out, as the planned depth has an end.
    """
    table = exit_table(paths, scene.settings)
    if grid is None:
        table = _strayed(scene, table, bores, paths, surface_u_mm)
    else:
        table = _blurred(scene, table, bores, paths, grid)
    return quantiles(table) + over_mm[:, None] - bores.depth[:, None]


def exit_table(paths: WallPaths, settings: Settings) -> Floats:
    """Probability that a path ends in each step of its length, shape (n, steps); rows sum to one, or to nothing.

    Parameters
    ----------
    paths
        As read.
    settings
        How far exits are looked for.

    Returns
    -------
    numpy.ndarray
        Shape (n, steps) of `BIN_MM`.

    Raises
    ------
    Nothing.
    """
    from scipy.ndimage import gaussian_filter1d

    ends, n = paths.exits, len(paths.to_exit_mm)
    steps = math.ceil(settings.arm_length_mm / BIN_MM) + 2
    own = ends.places_mm[np.arange(n), np.maximum(ends.chosen, 0)]
    # What was measured of the chosen end beyond its half level holds for all of them: it is the front that moved.
    moved = np.where((ends.chosen >= 0) & np.isfinite(paths.to_exit_mm), paths.to_exit_mm - own, 0.0)
    at = np.clip((ends.places_mm[:, :-1] + moved[:, None]) / BIN_MM, 0.0, steps - 1.001)
    low, share = at.astype(np.intp), at - np.floor(at)
    weights = ends.weights[:, :-1]
    rows = np.broadcast_to(np.arange(n)[:, None], low.shape)
    table = np.zeros((n, steps))
    np.add.at(table, (rows, low), weights * (1.0 - share))
    np.add.at(table, (rows, low + 1), weights * share)
    u = np.sqrt(np.maximum(paths.to_exit_u_mm**2 - spread_about_chosen(ends) ** 2, LEAST_READING_U_MM**2))
    reading = float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else LEAST_READING_U_MM
    table = gaussian_filter1d(table, reading / BIN_MM, axis=1, mode="reflect")
    total = table.sum(axis=1, keepdims=True)
    return np.where(total > 0.0, table / np.maximum(total, 1e-12), 0.0)


def quantiles(table: Floats) -> Floats:
    """Lengths at the nodes of `TRAVEL_Z`, shape (n, nodes), from probabilities by step; NaN for an empty row.

    Example
    -------
    >>> found = quantiles(np.eye(40)[[20]])
    >>> found.shape == (1, len(TRAVEL_Z)), bool(abs(found - 2.0).max() <= BIN_MM / 2.0)
    (True, True)
    """
    from scipy.special import ndtr

    total = table.sum(axis=1)
    upper = np.cumsum(table, axis=1) / np.maximum(total, 1e-12)[:, None]
    rows = np.arange(len(table))
    found = np.empty((len(table), len(TRAVEL_Z)))
    for node, target in enumerate(ndtr(TRAVEL_Z)):
        k = np.minimum((upper < target).sum(axis=1), table.shape[1] - 1)
        before = np.where(k > 0, upper[rows, np.maximum(k - 1, 0)], 0.0)
        inside = upper[rows, k] - before
        share = np.clip(np.where(inside > 0.0, (target - before) / np.maximum(inside, 1e-15), 0.5), 0.0, 1.0)
        found[:, node] = (k - 0.5 + share) * BIN_MM
    return np.where(total[:, None] > 0.0, np.maximum(found, 0.0), np.nan)


def stray_mm(bores: Bores, paths: WallPaths, settings: Settings) -> Floats:
    """Standard deviation per axis of how far a hand's path lies beside the planned one half-way down, shape (n,)."""
    deep = np.nan_to_num(paths.to_exit_mm, nan=0.0)
    tilt = 0.5 * deep * math.radians(settings.drill_angle_u_deg)
    return np.sqrt(settings.hole_placement_u_mm**2 + 0.5 * bores.sd[:, 2] ** 2 + tilt**2)


def _blurred(scene: Scene, table: Floats, bores: Bores, paths: WallPaths, grid: MapGrid) -> Floats:
    """Tables of the map's cells, each mixed with those around it as hands stray."""
    from scipy.ndimage import gaussian_filter1d

    wall, stray = grid.wall, float(np.median(stray_mm(bores, paths, scene.settings)))
    angles, rims = wall.wall_angles_deg, wall.rim_distances_mm
    flat = np.zeros((len(angles) * len(rims), table.shape[1]))
    flat[grid.cells] = table
    whole = flat.reshape(len(angles), len(rims), -1)
    radius = float(np.median(scene.canal.radius_mm(bores.entry)))
    step_mm = radius * math.radians(360.0 / len(angles))
    whole = gaussian_filter1d(whole, stray / step_mm, axis=0, mode="wrap")
    if len(rims) > 1:
        whole = gaussian_filter1d(whole, stray / float(rims[1] - rims[0]), axis=1, mode="constant")
    found = whole.reshape(flat.shape)[grid.cells]
    return np.where(found.sum(axis=1, keepdims=True) > 0.0, found, table)


def _strayed(scene: Scene, table: Floats, bores: Bores, paths: WallPaths, surface_u_mm: Floats) -> Floats:
    """Tables of places, each from paths read beside it as hands stray."""
    along, around = (a.ravel() for a in np.meshgrid(STEPS, STEPS, indexing="ij"))
    weight = np.outer(STEP_WEIGHTS, STEP_WEIGHTS).ravel()
    kept = (weight >= LEAST_WEIGHT) & (np.hypot(along, around) > 0.0)
    along, around, weight = along[kept], around[kept], weight[kept]
    n, m = len(table), len(weight)
    aside = along[:, None] * bores.along[:, None] + around[:, None] * bores.around[:, None]
    start = bores.entry[:, None] + stray_mm(bores, paths, scene.settings)[:, None, None] * aside
    on_wall = scene.wall.project_to_wall(start.reshape(-1, 3))
    direction = np.repeat(bores.direction, m, axis=0)
    there = np.isfinite(on_wall.moved_mm) & (on_wall.moved_mm <= FARTHEST_MOVE_MM)
    there &= np.sum(np.nan_to_num(on_wall.normals_lps) * direction, axis=1) > 0.0
    mixed = STEP_WEIGHTS[2] ** 2 * table
    if there.any():
        reach = ray_ends(on_wall.points_lps[there], direction[there], arm_length_mm=scene.settings.arm_length_mm)
        prepared = scene.reading if scene.reading is not None and scene.reading.covers(scene.volume, reach) else None
        read = measure_wall_paths(
            scene.volume, on_wall.points_lps[there], direction_lps=direction[there], spread=scene.wall.surface.spread,
            levels=scene.wall.surface.levels, exit_gap_mm=scene.settings.exit_gap_mm,
            arm_length_mm=scene.settings.arm_length_mm, normal_lps=on_wall.normals_lps[there],
            surface_u_mm=np.repeat(surface_u_mm, m)[there],
            lining_mm=scene.wall.lining_at(on_wall.wall_angle_deg[there], on_wall.depth_mm[there]),
            reading=prepared,
        )  # fmt: skip
        rows = np.repeat(np.arange(n), m)[there]
        np.add.at(mixed, rows, np.tile(weight, n)[there, None] * exit_table(read, scene.settings))
    return mixed
