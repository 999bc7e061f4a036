"""What lies behind a hole, named from the region of the scan behind the bone and from where that is in the ear."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import RimCurve
from ctmeasure.imaging.ends import likeliest
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.imaging.spaces import Regions, Spaces, look_into_spaces
from ctmeasure.imaging.wall_path import NO_EXIT, WallPaths
from ctmeasure.planning.drilling.far_words import join_spaces
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.planning.drilling.verdict import KEEP_OUT_FAR_SIDES
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Words = NDArray[np.str_]
Bools = NDArray[np.bool_]

MOST_ENDS = 6
"""Separate places where a path may end that are looked behind."""
LEAST_WEIGHT = 0.004
"""A place that carries less than this probability is not looked behind."""
DANGER_SHARE = 0.007
"""A joint, dura or vein is named from this probability on."""
OTHER_SHARE = 0.2
"""Any other space beside the likeliest from this on."""
SOFT_SHARE = 0.05
"""A space whose level lies above this share of the step from soft tissue to bone is marrow, or a cell that bone and
fluid average to that level (on synthetic ears soft spaces reach 0.02, marrow 0.07 and more)."""
CAVITY_MM = 1.2
"""Air in which a ball of this radius fits is a named space, not a cell (cells reach 1.0, attic and antrum begin at 1.3
on synthetic ears)."""
MARROW_MM = 0.8
"""A dense space in which no ball of this radius fits is a cell that bone and air average to that density: on synthetic
ears 97 percent of cells that look dense are narrower, and 4 percent of marrow; it stays possibly marrow."""
WIDE_MM = 1.3
"""Soft tissue in which a ball of this radius fits is a space of its own; narrower, it fills a cell or a canal."""
NEAR_MM = 1.0
"""A marked surface within this of where the bone ends is what lies behind."""
SUTURE_NEAR_MM = 0.3
"""A suture is a narrow cleft: what lies beside it is not behind it."""
MAYBE_NEAR_MM = 3.0
"""Wide soft tissue this close to a marked joint, dura or vein, on its side of the ear, may be a part nobody marked."""
BEFORE_MM, BEHIND_MM = 0.3, 0.7
"""Marked surfaces are looked for this far before and behind the end of the bone."""
PIERCED_MM = 0.1
"""A marked surface this near to the path before its end is met on the way, even when no edge shows it."""
FROM_ENTRY_MM = 0.3
"""Nothing is met nearer to the entry than this."""
ANTRUM_BEHIND_MM = 6.0
"""Air whose middle lies this far behind the canal axis is antrum; before that, above, it is attic."""
RECESS_BEHIND_MM = 3.5
"""Air inside the rim whose middle lies this far behind the canal axis is facial recess."""
CELLAR_BELOW_MM = 4.0
"""Air inside the rim whose middle lies this far below the canal axis is hypotympanum."""
ATTIC_ABOVE_MM = 4.0
"""Air whose middle lies this far above the canal axis is attic (the rim's radius is about this)."""
INSIDE_RIM_MM = 0.0
"""Air whose middle lies farther in than this belongs to the middle ear however narrow it is."""
LARGEST_CAVITY_MM = 3.6
"""No filled attic or antrum holds a ball of more than this radius (from memory)."""
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
SIDES = {"dura": (300.0, 90.0), "joint": (200.0, 310.0), "vein": (60.0, 230.0)}
"""Wall angles of the end of the bone behind which wide soft tissue may be this (dura above and behind the antrum, the
joint in front, sinus and bulb behind and below)."""
CELL, SOFT, MARROW = "mastoid cell", "soft tissue", "closed cell or marrow"
UNKNOWN = "not assessed"


def name_far_sides(
    paths: WallPaths,
    entry_lps: Floats,
    *,
    volume: Volume,
    direction_lps: Floats,
    rim: RimCurve,
    levels: TissueLevels,
    obstacles: Iterable[Obstacle],
    regions: Regions | None = None,
) -> Words:
    """Name what lies behind each path.

    Parameters
    ----------
    paths
        From `measure_wall_paths`.
    entry_lps, direction_lps
        Shape (n, 3); unit directions.
    volume
        The scan.
    rim
        The rim curve, with the canal frame.
    levels
        Grey levels of the ear.
    obstacles
        Marked structures.
    regions
        Spaces of the scan, made before of a block that holds the paths; None: of their own block.

    Returns
    -------
    numpy.ndarray
        Words, shape (n,), as `far_words` reads them: the likeliest space, then what else it may be.

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    Every place where the path may end is looked behind: as a region of the scan (air or not, its width, its level, the
    place of its middle about the rim) and for marked structures. A marked tegmen, joint, vein or nerve within 1 mm of
    soft tissue behind the bone names it, and one that the path meets on the way is possible whatever the scan shows.
    Wide soft tissue where dura, joint or vein can lie is possibly that, marked or not. Grey values tell marrow from
    soft tissue, but not scar, fluid, nerve and brain from each other.
    """
    n = len(entry_lps)
    columns, carried = likeliest(paths.exits, most=MOST_ENDS, least=LEAST_WEIGHT)
    last = paths.exits.places_mm.shape[1] - 1
    found = [dict[str, float]() for _ in range(n)]
    besides = [dict[str, float]() for _ in range(n)]
    ended = np.isfinite(paths.to_exit_mm) | paths.no_exit
    for row, turn in np.argwhere((columns == last) & ended[:, None]):
        word = UNKNOWN if paths.left_scan[row] else NO_EXIT
        found[row][word] = found[row].get(word, 0.0) + float(carried[row, turn])
    looked = (columns >= 0) & (columns < last) & ended[:, None]
    row, turn = np.nonzero(looked)
    if len(row):
        column = columns[row, turn]
        along = direction_lps[row]
        begin = entry_lps[row] + paths.exits.places_mm[row, column][:, None] * along
        end = entry_lps[row] + paths.exits.until_mm[row, column][:, None] * along
        spaces = look_into_spaces(volume, begin, end, levels=levels, regions=regions)
        names, maybe = _names(spaces, entry_lps[row], begin, along, rim, tuple(obstacles))
        for i, (r, t) in enumerate(zip(row, turn, strict=True)):
            weight = float(carried[r, t])
            word = str(names[i])
            found[r][word] = found[r].get(word, 0.0) + weight
            for word in maybe[i]:
                besides[r][word] = besides[r].get(word, 0.0) + weight
    return np.array([_words(*weights) for weights in zip(found, besides, strict=True)], dtype=np.str_)


def _words(weights: dict[str, float], besides: dict[str, float]) -> str:
    """The likeliest space, then dangerous ones, then others that remain possible."""
    if not weights:
        return UNKNOWN
    first = max(weights, key=lambda word: weights[word])
    every = {word: weights.get(word, 0.0) + besides.get(word, 0.0) for word in (*weights, *besides)}
    order = sorted((word for word in every if word != first), key=lambda word: -every[word])
    danger = [word for word in order if word in KEEP_OUT_FAR_SIDES and every[word] >= DANGER_SHARE]
    other = [word for word in order if word not in KEEP_OUT_FAR_SIDES and every[word] >= OTHER_SHARE]
    return join_spaces((first, *danger, *other))


def _names(
    spaces: Spaces, entry: Floats, begin: Floats, along: Floats, rim: RimCurve, obstacles: tuple[Obstacle, ...]
) -> tuple[Words, list[list[str]]]:
    """The name of each space, and which dangerous spaces it may be besides."""
    soft = ~spaces.air & (spaces.level <= SOFT_SHARE)
    wide = spaces.radius_mm >= WIDE_MM
    cavity = _cavities(spaces, rim)
    names = np.where(spaces.air, cavity, MARROW).astype("<U48")
    small = ~spaces.air & ~soft & (spaces.radius_mm < MARROW_MM)
    names[(soft & ~wide) | small] = CELL
    names[soft & wide] = np.where(cavity == CELL, SOFT, cavity)[soft & wide]
    names[soft & wide & (spaces.radius_mm > LARGEST_CAVITY_MM)] = SOFT
    reach = np.linalg.norm(begin - entry, axis=1, keepdims=True)
    before = entry + np.minimum(FROM_ENTRY_MM, reach) * along
    angle = rim.canal.wall_angle_deg(begin)
    maybe: list[list[str]] = [[MARROW] if unsure else [] for unsure in small]
    nearest = np.full(len(entry), NEAR_MM)
    close = {word: np.full(len(entry), np.inf) for word in KEEP_OUT_FAR_SIDES}
    marked = set()
    for obstacle in obstacles:
        if obstacle.id not in BEHIND_NAMES or not obstacle.measured:
            continue
        word = BEHIND_NAMES[obstacle.id]
        no_air = soft | (np.isnan(spaces.level) & ~spaces.air)
        gap = _gap_mm(obstacle, begin - BEFORE_MM * along, begin + BEHIND_MM * along, no_air, MAYBE_NEAR_MM)
        limit = np.minimum(nearest, SUTURE_NEAR_MM) if obstacle.id == "suture_or_gap" else nearest
        closer = gap < limit
        names[closer] = word
        nearest[closer] = gap[closer]
        if word in close:
            marked.add(word)
            close[word] = np.minimum(close[word], gap)
            pierced = _gap_mm(obstacle, before, begin, names != word, PIERCED_MM) < PIERCED_MM
            for i in np.flatnonzero(pierced):
                maybe[i].append(word)
    for word, (first, until) in SIDES.items():
        there = soft & wide & ((angle - first) % 360.0 <= (until - first) % 360.0)
        there &= (close[word] < MAYBE_NEAR_MM) if word in marked else np.ones(len(entry), np.bool_)
        for i in np.flatnonzero(there & (names != word)):
            if str(names[i]) not in KEEP_OUT_FAR_SIDES:
                maybe[i].append(word)
    return names, maybe


def _gap_mm(obstacle: Obstacle, p: Floats, q: Floats, rows: Bools, limit_mm: float) -> Floats:
    """Gap between paths and a structure for some rows, where the boxes around both come within the limit; else inf."""
    if obstacle.mesh is not None:
        corners = obstacle.mesh.triangles_lps.reshape(-1, 3)
        low, high = corners.min(axis=0), corners.max(axis=0)
    else:
        assert obstacle.tube_lps is not None
        assert obstacle.radii_mm is not None
        low = (obstacle.tube_lps - obstacle.radii_mm[:, None]).min(axis=0)
        high = (obstacle.tube_lps + obstacle.radii_mm[:, None]).max(axis=0)
    near = (np.minimum(p, q) <= high + limit_mm) & (np.maximum(p, q) >= low - limit_mm)
    asked = np.flatnonzero(rows & near.all(axis=1))
    gap = np.full(len(p), np.inf)
    if len(asked):
        gap[asked] = obstacle.gap_mm(p[asked], q[asked], bur_radius_mm=0.0)
    return gap


def _cavities(spaces: Spaces, rim: RimCurve) -> Words:
    """Names of air spaces by their width and by where their middle lies about canal axis and rim."""
    canal = rim.canal
    angle = canal.wall_angle_deg(spaces.middle_lps)
    radius = canal.radius_mm(spaces.middle_lps)
    up, back = radius * np.cos(np.radians(angle)), radius * np.sin(np.radians(angle))
    outside = canal.depth_mm(spaces.middle_lps) - canal.depth_mm(rim.point_lps(angle))
    inside = outside < INSIDE_RIM_MM
    names = np.full(len(angle), CELL, dtype="<U48")
    named = (spaces.radius_mm >= CAVITY_MM) | inside
    names[named & inside] = "middle ear"
    names[named & inside & (back > RECESS_BEHIND_MM) & (up < ATTIC_ABOVE_MM)] = "facial recess"
    names[named & inside & (up < -CELLAR_BELOW_MM)] = "hypotympanum"
    names[named & (up > ATTIC_ABOVE_MM)] = "attic"
    names[named & (back > ANTRUM_BEHIND_MM) & (up > 0.0)] = "antrum"
    return names
