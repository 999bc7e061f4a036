"""Candidate holes, one by one: everything about each, with its budget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.sectors import sector_of
from ctmeasure.errors import LandmarkError
from ctmeasure.imaging.wall_path import MODEL_U_MM, NOT_ASSESSED, STATES, WallPaths
from ctmeasure.planning.drilling.bores import Bores
from ctmeasure.planning.drilling.directions import BLOCKED, UNKNOWN
from ctmeasure.planning.drilling.far_words import names_any
from ctmeasure.planning.drilling.joint import clearance_estimate, joint_gaps, least_gaps
from ctmeasure.planning.drilling.needs import need_words
from ctmeasure.planning.drilling.places import SHORT_TIP_FLAG, Places, measure_places
from ctmeasure.planning.drilling.probability import BLOCK, clopper_pearson_arrays
from ctmeasure.planning.drilling.risk import StructureRisk, missing_by_place, structure_risks
from ctmeasure.planning.drilling.scene import TAKEN_DOWN_FLAG, DrillSite, Scene
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.planning.drilling.verdict import (
    ANGLE_FLAG,
    ANGLE_REFUSED_FLAG,
    UNSURE_EXIT_FLAG,
    UNSURE_FAR_SIDES,
    place_verdict,
    structure_verdict,
)
from ctmeasure.planning.results import ANY, Clearance, SiteResult, ThicknessState, Verdict, WallPath
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.estimate import Contribution, Estimate

Floats = NDArray[np.float64]

FARTHEST_MOVE_MM = 1.0
"""A site is moved perpendicular to the wall by at most this; farther off, it is not a site on the wall."""
INTERVAL_BLOCKS = 10
"""Blocks of draws for the interval of a clearance (JCGM 101 clause 7.9 starts from 10,000 draws)."""
SETTLED_BLOCKS = 2
"""The same for a structure so far away that a bound settles its verdict."""
ALONG_WALL_DEG = 85.0
"""A direction beyond this angle to the normal runs along the wall."""
OFF_WALL_FLAG = "off the wall"
NO_LENGTH_FLAG = "direction of length zero"
ALONG_FLAG = "direction along the wall"
OUTWARD_FLAG = "direction out of the wall"
BOUND_FLAG = "probabilities are proven upper bounds, not drawn"
NO_END_FLAG = "where the wall ends is not known"
NOT_MARKED = "not marked: "
COARSE_RIM_FLAG = "ring too coarse for rim distances"
BRIDGED_FLAG = "wall bridged from its neighbours"
UNREACHABLE_FLAG = "not reachable with this instrument"
ACCESS_UNKNOWN_FLAG = "access not assessed"
DIRECTION_CHOSEN_FLAG = "direction chosen: nearest to the normal that the instrument reaches"
HAND_SOURCES = (
    "hole placement along the canal",
    "hole placement around the canal",
    "wall surface",
    "skid",
    "drill angle",
    "drill angle across",
    "exit depth",
)


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
        numbers = [*site.entry_lps, *(site.direction_lps or ())]
        if not np.isfinite(numbers).all():
            raise LandmarkError(
                f"site '{site.id}' has a coordinate that is not a number", expected="finite LPS millimetres"
            )
    results = []
    for turn, site in enumerate(sites):
        progress(f"site {site.id}", turn / len(sites))
        results.append(_assess(scene, site))
    return tuple(results)


def _assess(scene: Scene, site: DrillSite) -> SiteResult:
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
    return _site_result(scene, site.id, places, moved, flags)


def _site_result(scene: Scene, site_id: str, places: Places, moved: float, flags: list[str]) -> SiteResult:
    settings = scene.settings
    angle, psi = float(places.wall_angle_deg[0]), float(places.angle_to_normal_deg[0])
    missing = missing_by_place(scene, places)[0]
    ends = bool(places.ends[0])
    risks = structure_risks(scene, places, missing=None, maximum=settings.draws_maximum)
    clearances, overall = _clearances(scene, places, risks) if ends else (_unknown(risks), None)
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
    verdict = place_verdict(
        tuple(row.verdict for row in rows), missing=bool(missing), end_known=ends, far_side=str(places.far_side[0]),
        steep=psi > settings.angle_caution_deg, refused=psi > settings.angle_refused_deg,
        barred=bool(scene.barred) or scene.taken_down(angle),
        limited=bool(finding) or BRIDGED_FLAG in flags or bool(places.paths.ambiguous[0]),
    )  # fmt: skip
    if overall is None:
        overall = Clearance(ANY, None, None, None, None, None, verdict)
    overall = Clearance(
        ANY, overall.estimate, overall.p_contact, overall.p_below_margin, None, None, verdict, overall.draws,
        tuple(NOT_MARKED + words for words in missing),
    )  # fmt: skip
    rim = float(places.rim_distance_mm[0])
    if scene.rim.coarse:
        flags.append(COARSE_RIM_FLAG)
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
        reachable, clearances + gaps, overall, tuple(dict.fromkeys((*flags, *finding, *scene.canal.flags))),
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
        _thickness(paths, index, flags), _state(state), to_exit if known else None, str(places.far_side[index]),
        float(paths.to_exit_u_mm[index]) if known else None, flags,
    )  # fmt: skip


def _state(state: int) -> ThicknessState:
    return STATES[state]  # type: ignore[return-value]


def _thickness(paths: WallPaths, index: int, flags: tuple[str, ...]) -> Estimate | None:
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


def _clearances(
    scene: Scene, places: Places, risks: tuple[StructureRisk, ...]
) -> tuple[tuple[Clearance, ...], Clearance | None]:
    """Rows of all structures and of any, on shared draws; structures that a bound settles are not counted by draws."""
    known = [risk for risk in risks if risk.obstacle.measured]
    common = {"doubts": scene.doubts, "bur_radius_mm": scene.settings.bur_radius_mm}
    events = _joint_events(scene, places.bores, [risk for risk in known if risk.draws[0] > 0])
    rows = []
    for risk in risks:
        central, margin = float(risk.central_mm[0]), float(risk.margin_mm[0])
        if not risk.obstacle.measured:
            rows.append(
                Clearance(
                    risk.obstacle.id, None, None, None, margin, risk.accepted_risk, risk.verdicts[0], 0, risk.flags(0)
                )
            )
            continue
        p_contact, p_below, verdict, draws = float(risk.p_contact[0]), float(risk.p_below[0]), risk.verdicts[0], 0
        if risk.obstacle.id in events.contact:
            draws = events.draws
            below = events.below[risk.obstacle.id]
            p_contact, p_below = events.contact[risk.obstacle.id] / draws, below / draws
            upper = float(clopper_pearson_arrays(np.array([below]), draws)[1][0])
            verdict = structure_verdict(
                central, margin, p_contact=p_contact, upper_below_margin=upper, accepted_risk=risk.accepted_risk
            )
        blocks = range(INTERVAL_BLOCKS if draws else SETTLED_BLOCKS)
        drawn = joint_gaps(places.bores, [risk.obstacle], blocks=blocks, **common)[0]  # type: ignore[arg-type]
        budget = clearance_budget(scene, places.bores, risk.obstacle, central)
        rows.append(
            Clearance(
                risk.obstacle.id, clearance_estimate(central, drawn, scene.seed, budget), p_contact, p_below, margin,
                risk.accepted_risk, verdict, draws, (*risk.flags(0), *(() if draws else (BOUND_FLAG,))),
            )
        )  # fmt: skip
    if not known:
        return tuple(rows), None
    centrals = np.array([[[float(risk.central_mm[0])] for risk in known]])
    obstacles = [risk.obstacle for risk in known]
    least = least_gaps([places.bores], obstacles, centrals_mm=centrals, blocks=INTERVAL_BLOCKS, **common)[0]  # type: ignore[arg-type]
    settled = [risk for risk in known if risk.draws[0] == 0]
    p_any = [
        min(count / max(events.draws, 1) + sum(float(getattr(risk, bound)[0]) for risk in settled), 1.0)
        for count, bound in ((events.any_contact, "p_contact"), (events.any_below, "p_below"))
    ]
    overall = Clearance(
        ANY, clearance_estimate(float(centrals.min()), least, scene.seed, ()), p_any[0], p_any[1], None, None,
        "not assessed", events.draws,
    )  # fmt: skip
    return tuple(rows), overall


@dataclass(frozen=True, slots=True)
class _Events:
    """Counts among ``draws`` shared draws: per structure id, and of any."""

    contact: dict[str, int]
    below: dict[str, int]
    any_contact: int
    any_below: int
    draws: int


def _joint_events(scene: Scene, bores: Bores, drawn: list[StructureRisk]) -> _Events:
    """Count contacts and broken margins of one bore on the same draws for every structure that needs draws."""
    if not drawn:
        return _Events({}, {}, 0, 0, 0)
    blocks = max(INTERVAL_BLOCKS, *(int(risk.draws[0]) // BLOCK for risk in drawn))
    count = np.zeros((2, len(drawn) + 1), np.int64)
    for number in range(blocks):
        gaps = np.stack(
            [
                scene.doubts.gaps(
                    bores, risk.obstacle, number, bur_radius_mm=scene.settings.bur_radius_mm, limit_mm=risk.margin_mm
                )[0]
                for risk in drawn
            ]
        )
        limits = np.stack([np.zeros(len(drawn)), [float(risk.margin_mm[0]) for risk in drawn]])
        hit = gaps[None] < limits[:, :, None]
        count[:, :-1] += hit.sum(axis=2)
        count[:, -1] += hit.any(axis=1).sum(axis=1)
    ids = [risk.obstacle.id for risk in drawn]
    contact, below = (dict(zip(ids, (int(n) for n in row[:-1]), strict=True)) for row in count)
    return _Events(contact, below, int(count[0, -1]), int(count[1, -1]), blocks * BLOCK)


def clearance_budget(scene: Scene, bores: Bores, obstacle: Obstacle, central: float) -> tuple[Contribution, ...]:
    """What each doubt adds to a clearance: half the change between plus and minus one standard deviation of it.

    Parameters
    ----------
    scene
        The ear.
    bores
        One bore.
    obstacle
        One structure.
    central
        Its central clearance, mm.

    Returns
    -------
    tuple of Contribution
        Largest first.

    Raises
    ------
    GeometryError
        When the bore's path is not finite.
    """
    from ctmeasure.kernels.drilling import HAND_COLUMNS, drawn_gaps

    hand = np.concatenate([np.eye(HAND_COLUMNS), -np.eye(HAND_COLUMNS)])
    none = np.zeros(len(hand))
    gaps = np.empty((1, len(hand)))
    drawn_gaps(
        bores.vectors, bores.depth, bores.sd, hand, np.zeros((len(hand), 3)), none, none + 1.0,
        scene.settings.bur_radius_mm, np.full(1, np.inf), np.full(1, -np.inf), *obstacle.elements, gaps, 0, len(hand),
    )  # fmt: skip
    gap = gaps[0]
    half = np.abs(gap[:HAND_COLUMNS] - gap[HAND_COLUMNS:]) / 2.0
    scale = scene.settings.scanner_scale_u * (max(central, 0.0) + scene.settings.bur_radius_mm)
    lines = [Contribution(name, float(u)) for name, u in zip(HAND_SOURCES, half, strict=True)]
    lines.append(Contribution(f"surface of {obstacle.label}", obstacle.surface_u_mm))
    lines.append(Contribution("scanner scale", scale))
    if scene.doubts.registration_u_mm > 0.0:
        lines.append(Contribution("registration", scene.doubts.registration_u_mm))
    return tuple(sorted(lines, key=lambda line: -line.standard_uncertainty))


def _unknown(risks: tuple[StructureRisk, ...]) -> tuple[Clearance, ...]:
    return tuple(
        Clearance(
            risk.obstacle.id, None, None, None, float(risk.margin_mm[0]), risk.accepted_risk, "not assessed", 0,
            (*risk.obstacle.flags, NO_END_FLAG),
        )
        for risk in risks
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
