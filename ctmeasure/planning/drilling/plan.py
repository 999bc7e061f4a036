"""The drilling part of a plan in one call: wall, sites, map and pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from ctmeasure.anatomy.clock import clock_range_words
from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.sectors import sectors
from ctmeasure.anatomy.structures import Structure
from ctmeasure.planning.drilling.heat import HEAT_FLAG, HEAT_GAP_MM, heat_words
from ctmeasure.planning.drilling.pairs import HandleTip, rank_pairs
from ctmeasure.planning.drilling.scene import Scene, build_scene
from ctmeasure.planning.drilling.session import DrillSession
from ctmeasure.planning.drilling.sites import COARSE_RIM_FLAG, NOT_MARKED, DrillSite, assess_sites
from ctmeasure.planning.drilling.structures import RADIUS_FLAG
from ctmeasure.planning.drilling.wall_state import wall_sectors, wall_words
from ctmeasure.planning.drilling.what_if import canalplasty_words
from ctmeasure.planning.drilling.zone import Zone, map_zone
from ctmeasure.planning.results import CanalWallMap, HolePair, SiteResult, WallSector, ZoneCell
from ctmeasure.planning.settings import Settings
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.volume.quality import ScanFitness


SAME_CELL_MM = 1e-6
ASKED_ONLY = "only the holes that were asked for were assessed"
Array = TypeVar("Array", bound="np.ndarray[Any, Any]")


@dataclass(frozen=True, slots=True, eq=False)
class DrillInput:
    """What the drilling part of a plan needs.

    ``sites`` are candidate holes (id, entry point, direction or None). ``registration_u_mm`` is the standard
    uncertainty per axis of a registration common to all structures; 0 when they were marked on this very scan.
    ``rim_u_mm`` is that of the rim's placement, None: the placement noise as set.
    """

    volume: Volume
    canal: CanalFrame
    rim: RimCurve
    landmarks: LandmarkSet
    fitness: ScanFitness | None = None
    structures: tuple[Structure, ...] = ()
    facts: CaseFacts = field(default_factory=CaseFacts)
    settings: Settings = field(default_factory=Settings)
    sites: Sequence[DrillSite] = ()
    seed: int = 0
    registration_u_mm: float = 0.0
    rim_u_mm: float | None = None
    handle_tip: HandleTip | None = None


@dataclass(frozen=True, slots=True, eq=False)
class DrillOutput:
    """The drilling part of a plan; ``warnings`` and ``not_assessed`` are sentences for people."""

    sites: tuple[SiteResult, ...]
    zone: tuple[ZoneCell, ...]
    pairs: tuple[HolePair, ...]
    pairs_reason: str
    wall_map: CanalWallMap
    warnings: tuple[str, ...]
    not_assessed: tuple[str, ...]
    what_ifs: tuple[str, ...] = ()
    wall_sectors: tuple[WallSector, ...] = ()


def prepare_drilling(given: DrillInput, *, progress: Progress = no_progress) -> DrillSession:
    """Compute what does not depend on which holes are asked for: wall, structures, draws and map.

    Parameters
    ----------
    given
        As for `plan_drilling`; sites and handle tip are not looked at.
    progress
        Called between steps; may cancel.

    Returns
    -------
    DrillSession

    Raises
    ------
    ScanError
        When the canal wall is not in the scan.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    scene = _scene(given, part_of(progress, 0.0, 0.5))
    zone = map_zone(scene, progress=part_of(progress, 0.5, 1.0))
    return DrillSession(scene if zone.places is None else replace(scene, reading=zone.places.reading), zone)


def plan_drilling(
    given: DrillInput, *, session: DrillSession | None = None, progress: Progress = no_progress
) -> DrillOutput:
    """Compute where holes can go.

    Parameters
    ----------
    given
        Scan, frames, marks, facts, settings, sites, seed.
    session
        From `prepare_drilling` on the same input (sites, handle tip and landmarks that holes do not depend on may
        differ); None: it is prepared.
    progress
        Called between steps; may cancel.

    Returns
    -------
    DrillOutput
        The same for the same input and seed, whatever the number of threads.

    Raises
    ------
    ScanError
        When the canal wall is not in the scan.
    LandmarkError
        When sites are named twice or hold no numbers.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    if session is None:
        session = prepare_drilling(given, progress=part_of(progress, 0.0, 0.8))
    scene, zone = replace(session.scene, landmarks=given.landmarks), session.zone
    sites = assess_sites(scene, given.sites, progress=part_of(progress, 0.8, 0.9))
    progress("pairs of holes", 0.92)
    pairs, reason = rank_pairs(scene, zone, handle_tip=given.handle_tip)
    progress("drilling done", 1.0)
    heat = any(HEAT_FLAG in site.flags for site in sites) or _hot(zone, pairs)
    states = wall_sectors(scene, zone)
    return DrillOutput(
        sites, zone.cells, pairs, reason, wall_map_of(scene),
        (*_warnings(scene), *wall_words(states), *((heat_words(),) if heat else ())),
        _not_assessed(scene, zone.cells), canalplasty_words(scene, zone), states,
    )  # fmt: skip


def plan_sites(given: DrillInput, *, progress: Progress = no_progress) -> DrillOutput:
    """Assess only the holes that were asked for: no map and no pairs, in a fraction of the time.

    Parameters, results and errors as `plan_drilling`; a hole reads the same in both.
    """
    scene = _scene(given, part_of(progress, 0.0, 0.8))
    sites = assess_sites(scene, given.sites, progress=part_of(progress, 0.8, 1.0))
    return DrillOutput(sites, (), (), ASKED_ONLY, wall_map_of(scene), _warnings(scene), (), (), ())


def _scene(given: DrillInput, progress: Progress) -> Scene:
    return build_scene(
        given.volume, given.canal, rim=given.rim, fitness=given.fitness, landmarks=given.landmarks,
        structures=given.structures, facts=given.facts, settings=given.settings, seed=given.seed,
        registration_u_mm=given.registration_u_mm, rim_u_mm=given.rim_u_mm, progress=progress,
    )  # fmt: skip


def _hot(zone: Zone, pairs: tuple[HolePair, ...]) -> bool:
    """Whether the first pair listed comes near the facial canal."""
    nerve = next((risk for risk in zone.risks if risk.obstacle.id == "facial_nerve"), None)
    if nerve is None or not pairs or zone.places is None:
        return False
    entries = np.array([pairs[0].entry_1_lps, pairs[0].entry_2_lps])
    away = np.linalg.norm(zone.places.entry_lps[:, None] - entries[None], axis=2).min(axis=1)
    return bool((nerve.central_mm[away < SAME_CELL_MM] < HEAT_GAP_MM).any())


def wall_map_of(scene: Scene) -> CanalWallMap:
    """The wall as a record for drawing."""
    wall = scene.wall
    return CanalWallMap(
        _kept(wall.wall_angles_deg),
        _kept(wall.rim_distances_mm),
        _kept(wall.points_lps),
        _kept(wall.normals_lps),
        _kept(wall.status),
        _kept(wall.rim_lps),
    )


def _kept(array: Array) -> Array:
    copy = array.copy()
    copy.setflags(write=False)
    return copy


def _warnings(scene: Scene) -> tuple[str, ...]:
    surface = scene.wall.surface
    found = [f"Drilling: {reason}." for reason in scene.barred]
    if surface.spread.assumed:
        found.append(
            "The point spread of this scan could not be measured and is assumed: walls under 1 mm are not resolved."
        )
    found += [f"Canal wall: {flag}." for flag in surface.levels.flags]
    if scene.rim.coarse:
        found.append(f"Drum rim: {COARSE_RIM_FLAG}; no map and no pairs of holes.")
    for obstacle in scene.obstacles:
        if not obstacle.measured:
            found.append(f"{_capital(obstacle.label)}: {RADIUS_FLAG}, so its clearance is not assessed.")
        elif not obstacle.is_patch and not obstacle.confirmed:
            found.append(f"{_capital(obstacle.label)}: not confirmed by a person; a wider uncertainty is used.")
    return tuple(found)


def _not_assessed(scene: Scene, cells: tuple[ZoneCell, ...]) -> tuple[str, ...]:
    """One sentence for each sector in which something needed is not marked."""
    found = []
    for sector in sectors():
        missing: dict[str, int] = {}
        inside = [c for c in cells if sector.contains(c.wall_angle_deg)]
        for cell in inside:
            for flag in cell.flags:
                if flag.startswith(NOT_MARKED):
                    words = flag.removeprefix(NOT_MARKED)
                    missing[words] = missing.get(words, 0) + 1
        if missing:
            parts = [w if n == len(inside) else f"{w} (for a part of it)" for w, n in missing.items()]
            where = clock_range_words(sector.start_deg, sector.end_deg, scene.canal.side)
            found.append(f"{where}: not assessed, because not marked: {', '.join(parts)}")
    return tuple(found)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
