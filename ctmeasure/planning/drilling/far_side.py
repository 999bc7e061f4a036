"""What lies behind a hole, named from what the ray meets and where that is in the ear."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import RimCurve
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.imaging.wall_path import BELOW, NO_EXIT, NO_WALL, NOT_ASSESSED, WallPaths
from ctmeasure.planning.drilling.structures import Obstacle

Floats = NDArray[np.float64]

SPACE_MM = 2.5
"""An air space shorter than this along the ray is a cell; a longer one is one of the named spaces."""
NEAR_MM = 1.0
"""A marked surface within this of where the bone ends is what lies behind."""
LATERAL_OF_RIM_MM = 4.0
"""Air above and behind, farther outside the rim than this, is antrum or mastoid rather than attic or facial recess."""
BEHIND_NAMES = {
    "tegmen": "dura",
    "joint_fossa": "joint",
    "sigmoid_sinus": "vein",
    "jugular_bulb": "vein",
    "facial_nerve": "facial canal",
    "suture_or_gap": "suture",
    "ossicle_remnant": "ossicle remnant",
    "carotid_canal": "carotid canal",
    "lateral_semicircular_canal": "lateral semicircular canal",
}
CELL = "mastoid cell"
SOFT, MARROW, SOFT_OR_MARROW = "soft tissue", "closed cell or marrow", "soft tissue or marrow"
SOFT_SHARE, MARROW_SHARE = 0.06, 0.12
"""Shares of the step from soft tissue to bone: up to the first it is soft tissue, from the second on marrow (or a cell
that bone and fluid average to that level); between them, either."""
UNKNOWN = "not assessed"


def name_far_sides(
    paths: WallPaths,
    entry_lps: Floats,
    *,
    direction_lps: Floats,
    rim: RimCurve,
    levels: TissueLevels,
    obstacles: Iterable[Obstacle],
) -> NDArray[np.str_]:
    """Name what lies behind each path.

    Parameters
    ----------
    paths
        From `measure_wall_paths`.
    entry_lps, direction_lps
        Shape (n, 3); unit directions.
    rim
        The rim curve, with the canal frame.
    levels
        Grey levels of the ear.
    obstacles
        Marked structures.

    Returns
    -------
    numpy.ndarray
        Words, shape (n,).

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    A marked tegmen, joint, vein or nerve within 1 mm of where the bone ends, or pierced before, names the far side.
    Otherwise air is named by its size and by where it lies about the rim, and what is no air by its level: grey values
    tell marrow from soft tissue, but not scar, fluid, nerve and brain from each other.
    """
    names = np.full(len(entry_lps), UNKNOWN, dtype="<U32")
    names[paths.no_exit] = NO_EXIT
    there = np.isfinite(paths.to_exit_mm)
    if not there.any():
        return names
    exit_lps = entry_lps + np.nan_to_num(paths.to_exit_mm)[:, None] * direction_lps
    canal = rim.canal
    angle = canal.wall_angle_deg(exit_lps)
    outside_rim = canal.depth_mm(exit_lps) - canal.depth_mm(rim.point_lps(angle))
    air = _air_names(angle, outside_rim, np.nan_to_num(paths.exit_width_mm))
    share = (np.nan_to_num(paths.exit_level) - levels.soft) / (levels.bone - levels.soft)
    dense = np.where(share < SOFT_SHARE, SOFT, np.where(share > MARROW_SHARE, MARROW, SOFT_OR_MARROW))
    names = np.where(there, np.where(paths.air_exit, air, dense), names)
    nearest = np.full(len(entry_lps), NEAR_MM)
    reach = np.nan_to_num(paths.to_exit_mm)[:, None]
    for obstacle in obstacles:
        if obstacle.id not in BEHIND_NAMES or not obstacle.measured:
            continue
        # From the entry to the exit: a marked surface met on the way is behind the bone even when no edge shows it.
        from_wall = entry_lps + np.minimum(0.3, reach) * direction_lps
        gap = np.where(there, obstacle.gap_mm(from_wall, exit_lps, bur_radius_mm=0.0), np.inf)
        closer = gap < nearest
        names = np.where(closer, BEHIND_NAMES[obstacle.id], names)
        nearest = np.where(closer, gap, nearest)
    names[np.isin(paths.state, (BELOW, NO_WALL, NOT_ASSESSED)) & ~there & ~paths.no_exit] = UNKNOWN
    return names


def _air_names(angle_deg: Floats, outside_rim_mm: Floats, width_mm: Floats) -> NDArray[np.str_]:
    """Names of air spaces by wall angle, distance outside the rim and length along the ray."""
    above = (angle_deg >= 300.0) | (angle_deg < 60.0)
    behind = (angle_deg >= 60.0) & (angle_deg < 150.0)
    below = (angle_deg >= 150.0) & (angle_deg < 250.0)
    near_rim = outside_rim_mm < LATERAL_OF_RIM_MM
    inside = outside_rim_mm < 0.5
    wide = width_mm >= SPACE_MM
    names = np.full(len(angle_deg), CELL, dtype="<U32")
    names[above & near_rim & wide] = "attic"
    names[above & ~near_rim & wide & (angle_deg < 60.0)] = "antrum"
    names[behind & near_rim & wide] = "facial recess"
    names[behind & ~near_rim & wide] = "antrum"
    names[below & inside & wide] = "hypotympanum"
    names[~above & ~behind & ~below & inside & wide] = "middle ear"
    return names
