"""Candidate holes, one by one: everything about each, with its budget."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.sectors import sector_of
from ctmeasure.errors import LandmarkError
from ctmeasure.imaging.wall_path import MODEL_U_MM, NOT_ASSESSED, STATES, WallPaths
from ctmeasure.planning.drilling.by_hand import RIM_FLAG, p_breaks_out
from ctmeasure.planning.drilling.changes import changes
from ctmeasure.planning.drilling.clearances import NO_END_FLAG, hole_clearances, unknown_clearances
from ctmeasure.planning.drilling.directions import BLOCKED, UNKNOWN
from ctmeasure.planning.drilling.far_words import names_any
from ctmeasure.planning.drilling.heat import HEAT_FLAG, HEAT_GAP_MM
from ctmeasure.planning.drilling.needs import need_words
from ctmeasure.planning.drilling.places import SHORT_TIP_FLAG, Places, measure_places
from ctmeasure.planning.drilling.risk import missing_by_place, structure_risks
from ctmeasure.planning.drilling.scene import TAKEN_DOWN_FLAG, DrillSite, Scene
from ctmeasure.planning.drilling.shaft import HIDDEN_FLAG, SHAFT_FLAG, shaft_contacts
from ctmeasure.planning.drilling.verdict import (
    ANGLE_FLAG,
    ANGLE_REFUSED_FLAG,
    UNSURE_EXIT_FLAG,
    UNSURE_FAR_SIDES,
    place_verdict,
)
from ctmeasure.planning.results import ANY, Clearance, SiteResult, ThicknessState, Verdict, WallPath
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.estimate import Contribution, Estimate

Floats = NDArray[np.float64]

FARTHEST_MOVE_MM = 1.0
"""A site is moved perpendicular to the wall by at most this; farther off, it is not a site on the wall."""
INTERVAL_BLOCKS = 10
"""Blocks of draws for the interval of a clearance (JCGM 101 clause 7.9 starts from 10,000 draws)."""
QUICK_BLOCKS = 1
"""The same while a hole is dragged."""
QUICK_DRAWS = 8000
"""Draws at most while a hole is dragged: enough for "clear" at 1 in 1000 without any event."""
ALONG_WALL_DEG = 85.0
"""A direction beyond this angle to the normal runs along the wall."""
OFF_WALL_FLAG = "off the wall"
NO_LENGTH_FLAG = "direction of length zero"
ALONG_FLAG = "direction along the wall"
OUTWARD_FLAG = "direction out of the wall"
NOT_MARKED = "not marked: "
COARSE_RIM_FLAG = "ring too coarse for rim distances"
RIM_GAP_FLAG = "bone was found only from {:.1f} mm beside the ring on: rim distances count from there"
LARGEST_RIM_GAP_MM = 0.25
"""One row of the fine wall; a larger gap between ring and found bone is said."""
BRIDGED_FLAG = "wall bridged from its neighbours"
UNREACHABLE_FLAG = "not reachable with this instrument"
ACCESS_UNKNOWN_FLAG = "access not assessed"
DIRECTION_CHOSEN_FLAG = "direction chosen: nearest to the normal that the instrument reaches"


def assess_sites(
    scene: Scene, sites: Sequence[DrillSite], *, progress: Progress = no_progress
) -> tuple[SiteResult, ...]:
    """Assess candidate holes.

    Parameters
    ----------
    scene
        The ear.
    sites
        Entry points on or near the wall, with directions or None for the best reachable one.
    progress
        Called for each site; may cancel.

    Returns
    -------
    tuple of SiteResult
        In the order given. A site off the wall or with an impossible direction is "not assessed" and flagged.

    Raises
    ------
    LandmarkError
        When two sites have the same id, or a coordinate is not a finite number.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    ids = [site.id for site in sites]
    for site_id in ids:
        if ids.count(site_id) > 1:
            raise LandmarkError(f"site '{site_id}' given twice", expected="one row a site", action="rename one")
    for site in sites:
        _check_numbers(site)
    results = []
    for turn, site in enumerate(sites):
        progress(f"site {site.id}", turn / len(sites))
        results.append(_assess(scene, site, quick=False))
    return tuple(results)


def reassess_site(scene: Scene, site: DrillSite) -> SiteResult:
    """One hole again while it is dragged: the same numbers from fewer draws (README says how long it takes).

    Parameters
    ----------
    scene
        The ear.
    site
        The hole where it is now.

    Returns
    -------
    SiteResult
        As from `assess_sites`, without what would change the answer. Intervals stand on 1,000 draws (250 for a
        structure that a bound settles); a structure not decided after 8,000 reads "caution".

    Raises
    ------
    LandmarkError
        When a coordinate is not a finite number.
    """
    _check_numbers(site)
    return _assess(scene, site, quick=True)


def _check_numbers(site: DrillSite) -> None:
    if not np.isfinite([*site.entry_lps, *(site.direction_lps or ())]).all():
        raise LandmarkError(
            f"site '{site.id}' has a coordinate that is not a number", expected="finite LPS millimetres"
        )


def _assess(scene: Scene, site: DrillSite, *, quick: bool) -> SiteResult:
    entry = np.array([site.entry_lps], dtype=np.float64)
    on_wall = scene.wall.project_to_wall(entry)
    moved = float(on_wall.moved_mm[0])
    direction = None if site.direction_lps is None else np.array([site.direction_lps], dtype=np.float64)
    flags: list[str] = list(scene.barred)
    if not np.isfinite(moved) or moved > FARTHEST_MOVE_MM:
        flags.append(OFF_WALL_FLAG)
        return _refused(scene, site, flags, moved if np.isfinite(moved) else None)
    normal = on_wall.normals_lps
    if direction is None:
        flags.append(DIRECTION_CHOSEN_FLAG)
    else:
        length = float(np.linalg.norm(direction))
        if length < 1e-9:
            return _refused(scene, site, [*flags, NO_LENGTH_FLAG], moved)
        direction = direction / length
        psi = float(np.degrees(np.arccos(np.clip(np.sum(direction * normal), -1.0, 1.0))))
        if psi > ALONG_WALL_DEG:
            words = ALONG_FLAG if psi <= 180.0 - ALONG_WALL_DEG else OUTWARD_FLAG
            return _refused(scene, site, [*flags, words], moved, psi)
    places = measure_places(
        scene, on_wall.points_lps, normal_lps=normal, wall_angle_deg=on_wall.wall_angle_deg,
        rim_distance_mm=on_wall.rim_distance_mm, depth_mm=on_wall.depth_mm, surface_u_mm=on_wall.u_mm,
        direction_lps=direction,
    )  # fmt: skip
    if str(on_wall.status[0]) == "gap":
        flags.append(BRIDGED_FLAG)
    return _site_result(scene, site.id, places, moved, flags, quick=quick)


def _site_result(
    scene: Scene, site_id: str, places: Places, moved: float, flags: list[str], *, quick: bool
) -> SiteResult:
    settings = scene.settings
    angle, psi = float(places.wall_angle_deg[0]), float(places.angle_to_normal_deg[0])
    missing = missing_by_place(scene, places)[0]
    ends = bool(places.ends[0])
    maximum = min(QUICK_DRAWS, settings.draws_maximum) if quick else settings.draws_maximum
    risks = structure_risks(scene, places, missing=None, maximum=maximum)
    clearances, overall = unknown_clearances(risks), None
    if ends:
        blocks = QUICK_BLOCKS if quick else INTERVAL_BLOCKS
        clearances, overall = hole_clearances(scene, places, risks, blocks=blocks)
    if not ends:
        flags.append(NO_END_FLAG)
    rows = [row for row, risk in zip(clearances, risks, strict=True) if risk.counts(0)]
    flags += [NOT_MARKED + words for words in missing]
    if psi > settings.angle_refused_deg:
        flags.append(ANGLE_REFUSED_FLAG)
    elif psi > settings.angle_caution_deg:
        flags.append(ANGLE_FLAG)
    reachable = {BLOCKED: False, UNKNOWN: None}.get(int(places.reachable[0]), True)
    if reachable is not True:
        flags.append(UNREACHABLE_FLAG if reachable is False else ACCESS_UNKNOWN_FLAG)
    if places.tip_too_short[0]:
        flags.append(SHORT_TIP_FLAG)
    if names_any(str(places.far_side[0]), UNSURE_FAR_SIDES):
        flags.append(UNSURE_EXIT_FLAG)
    if scene.taken_down(angle):
        flags.append(TAKEN_DOWN_FLAG)
    finding = scene.finding_flags(angle)
    touched = shaft_contacts(scene, places)[0]
    flags += [SHAFT_FLAG + words for words in touched]
    sight = {0: False, 1: True}.get(int(places.in_sight[0]))
    if sight is False:
        flags.append(HIDDEN_FLAG)
    heat = any(
        row.structure == "facial_nerve" and row.estimate is not None and row.estimate.value < HEAT_GAP_MM
        for row in clearances
    )
    if heat:
        flags.append(HEAT_FLAG)
    rim = float(places.rim_distance_mm[0])
    out: float | None = None
    if np.isfinite(rim) and not scene.rim.coarse:
        out = float(p_breaks_out(rim, psi, settings=settings, rim_u_mm=scene.rim_u_mm))
    breaks_out = out is not None and out > settings.risk_rim_breakout
    if breaks_out:
        flags.append(f"{RIM_FLAG}: P {100.0 * (out or 0.0):.0f} %")
    verdict = place_verdict(
        tuple(row.verdict for row in rows), missing=bool(missing), end_known=ends, far_side=str(places.far_side[0]),
        steep=psi > settings.angle_caution_deg, refused=psi > settings.angle_refused_deg,
        barred=bool(scene.barred) or scene.taken_down(angle),
        limited=(
            bool(finding) or BRIDGED_FLAG in flags or bool(places.paths.ambiguous[0]) or bool(touched) or breaks_out
        ),
    )  # fmt: skip
    if overall is None:
        overall = Clearance(ANY, None, None, None, None, None, verdict)
    overall = Clearance(
        ANY, overall.estimate, overall.p_contact, overall.p_below_margin, None, None, verdict, overall.draws,
        tuple(NOT_MARKED + words for words in missing),
    )  # fmt: skip
    if scene.rim.coarse:
        flags.append(COARSE_RIM_FLAG)
    gap_mm = scene.wall.rim_gap_mm(scene.rim, angle)
    if gap_mm > LARGEST_RIM_GAP_MM:
        flags.append(RIM_GAP_FLAG.format(gap_mm))
    marked = {row.structure for row in clearances}
    gaps = tuple(
        Clearance(need.structure, None, None, None, None, None, "not assessed", 0, (NOT_MARKED + need_words(need),))
        for need in sector_of(angle).needs
        if need_words(need) in missing and need.structure not in marked
    )
    return SiteResult(
        site_id, _point(places.entry_lps[0]), _point(places.direction_lps[0]), moved, angle,
        float(clock_hour(angle, scene.canal.side)), None if scene.rim.coarse or not np.isfinite(rim) else rim,
        float(places.depth_mm[0]), psi, wall_path(places, 0), float(places.drill_depth_mm[0]) if ends else None,
        reachable, clearances + gaps, overall, tuple(dict.fromkeys((*flags, *finding, *scene.canal.flags))), sight,
        float(places.freedom[0]) if np.isfinite(places.freedom[0]) else None,
        () if quick or not ends else changes(scene, places.bores, clearances), out,
    )  # fmt: skip


def wall_path(places: Places, index: int) -> WallPath:
    """The record of the bone along one place's direction."""
    paths, state = places.paths, int(places.state[index])
    flags = paths.flags(index)
    if state != int(paths.state[index]):
        flags = (*flags, "point spread assumed")
    to_exit = float(paths.to_exit_mm[index])
    known = np.isfinite(to_exit)
    return WallPath(
        thickness_estimate(paths, index, flags), _state(state), to_exit if known else None, str(places.far_side[index]),
        float(paths.to_exit_u_mm[index]) if known else None, flags,
    )  # fmt: skip


def _state(state: int) -> ThicknessState:
    return STATES[state]  # type: ignore[return-value]


def thickness_estimate(paths: WallPaths, index: int, flags: tuple[str, ...]) -> Estimate | None:
    """Bone to the first gap along one path, with its interval; None where it is not known."""
    value, u = float(paths.to_first_gap_mm[index]), float(paths.to_first_gap_u_mm[index])
    if not (np.isfinite(value) and np.isfinite(u)):
        return None
    budget = (
        Contribution("noise", float(paths.u_noise[index])),
        Contribution("bone level", float(paths.u_bone[index])),
        Contribution("point spread", float(paths.u_blur[index])),
        Contribution("unevenness beside the path", float(np.nan_to_num(paths.u_uneven[index]))),
        Contribution("model", MODEL_U_MM),
    )
    return Estimate(
        value, u, max(float(paths.to_first_gap_low_mm[index]), 0.0), float(paths.to_first_gap_high_mm[index]), "mm",
        "two blurred edges, bone level of the same ear as prior", budget, flags,
    )  # fmt: skip


def _refused(
    scene: Scene, site: DrillSite, flags: list[str], moved: float | None, psi: float | None = None
) -> SiteResult:
    """A site that cannot be assessed at all, with the reason."""
    verdict: Verdict = "not assessed"
    direction = site.direction_lps or (0.0, 0.0, 0.0)
    return SiteResult(
        site.id, _point(np.asarray(site.entry_lps)), _point(np.asarray(direction)), moved, None, None, None, None, psi,
        WallPath(None, _state(NOT_ASSESSED), None, "not assessed"), None, None, (),
        Clearance(ANY, None, None, None, None, None, verdict, 0, tuple(flags)), tuple(flags),
    )  # fmt: skip


def _point(values: Floats) -> PointLps:
    return (float(values[0]), float(values[1]), float(values[2]))
