"""Everything that a drill plan is computed from, prepared once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import in_stretch
from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.anatomy.frames import CanalFrame, RimCurve
from ctmeasure.anatomy.landmarks import LandmarkSet, PointLps
from ctmeasure.anatomy.sectors import sector_of
from ctmeasure.anatomy.structures import Structure
from ctmeasure.imaging.canal_wall import CanalWall, find_canal_wall
from ctmeasure.imaging.reading import Reading
from ctmeasure.planning.drilling.lumen import Lumen, lumen_of
from ctmeasure.planning.drilling.probability import Doubts, SharedDraws
from ctmeasure.planning.drilling.structures import Obstacle, obstacles
from ctmeasure.planning.settings import Settings
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.volume.quality import ScanFitness

SLICE_FLAG = "slices too far apart for a drill plan"
TAKEN_DOWN_SOMEWHERE_FLAG = "wall entered as taken down, but not where"
CARE_FLAGS = {
    "facial_dehiscence": ("facial_nerve", "facial canal entered as dehiscent"),
    "tegmen_defect": ("tegmen", "tegmen defect entered"),
    "high_jugular_bulb": ("jugular_bulb", "high jugular bulb entered"),
    "carotid_variant": ("carotid_canal", "carotid variant entered"),
    "lateral_canal_fistula": ("lateral_semicircular_canal", "lateral-canal fistula entered"),
}
"""Findings that ask for care in every sector that needs the structure, and how they read."""
SEEN_BARE_FLAG = "nerve entered as seen bare"
VOID_FLAG = "plan void: operated since this scan"
TAKEN_DOWN_FLAG = "wall taken down there"
WALL_FINDING_FLAGS = {
    "eroded_scutum": "wall entered as eroded",
    "rebuilt": "wall entered as rebuilt",
    "earlier_holes": "earlier holes entered there",
}


class DrillSite(Protocol):
    """A candidate hole: id, entry point, and a direction or None for the best reachable one."""

    @property
    def id(self) -> str: ...
    @property
    def entry_lps(self) -> PointLps: ...
    @property
    def direction_lps(self) -> PointLps | None: ...


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The ear, its wall, what is marked in it, and the doubts; ``barred`` says why nothing may be assessed.

    ``reading``: the scan prepared for bone paths around the map, once there is a map; None: each path prepares its own.
    """

    volume: Volume
    canal: CanalFrame
    rim: RimCurve
    wall: CanalWall
    landmarks: LandmarkSet
    structures: tuple[Structure, ...]
    obstacles: tuple[Obstacle, ...]
    facts: CaseFacts
    settings: Settings
    doubts: Doubts
    seed: int
    barred: tuple[str, ...]
    lumen: Lumen
    reading: Reading | None = None
    rim_u_mm: float = 0.0

    def wall_findings(self, wall_angle_deg: float) -> tuple[WallState, ...]:
        """What was entered about the wall at an angle."""
        return tuple(s for s in self.facts.canal_wall if in_stretch(wall_angle_deg, s.start_deg, s.end_deg))

    def taken_down(self, wall_angle_deg: float) -> bool:
        """Whether the wall at an angle was entered as taken down."""
        return any(state.finding == "taken_down" for state in self.wall_findings(wall_angle_deg))

    def finding_flags(self, wall_angle_deg: float) -> tuple[str, ...]:
        """Flags of what was entered about the wall at an angle, and about what its sector has to keep clear of."""
        wall = [
            WALL_FINDING_FLAGS[s.finding] for s in self.wall_findings(wall_angle_deg) if s.finding in WALL_FINDING_FLAGS
        ]
        near = {need.structure for need in sector_of(wall_angle_deg).needs}
        care = [
            words
            for finding, (structure, words) in CARE_FLAGS.items()
            if structure in near and self.facts.finding(finding) == "present"
        ]
        if "facial_nerve" in near and self.facts.nerve_seen_bare == "yes":
            care.append(SEEN_BARE_FLAG)
        return (*wall, *care)


def build_scene(
    volume: Volume,
    canal: CanalFrame,
    *,
    rim: RimCurve,
    fitness: ScanFitness | None,
    landmarks: LandmarkSet,
    structures: tuple[Structure, ...],
    facts: CaseFacts,
    settings: Settings,
    seed: int,
    registration_u_mm: float = 0.0,
    rim_u_mm: float | None = None,
    progress: Progress = no_progress,
) -> Scene:
    """Find the canal wall and prepare structures and draws.

    Parameters
    ----------
    volume, canal, rim, fitness
        Scan, frames, and what the scan-quality check found.
    landmarks, structures, facts, settings
        What was marked, entered and set.
    seed
        Of all draws.
    registration_u_mm
        Standard uncertainty per axis of a registration common to all structures (0: marked on this very scan).
    rim_u_mm
        Standard uncertainty per axis of the rim's placement; None: the placement noise as set.
    progress
        May cancel.

    Returns
    -------
    Scene

    Raises
    ------
    ScanError
        When there is no canal wall in the scan.
    GeometryError
        When a patch is a line.
    """
    wall = find_canal_wall(
        volume,
        canal,
        rim=rim,
        fitness=fitness,
        wall_angles_deg=map_angles_deg(settings),
        rim_distances_mm=map_rims_mm(settings),
        progress=progress,
    )
    doubts = Doubts(SharedDraws(seed), canal, settings.scanner_scale_u, registration_u_mm)
    return Scene(
        volume, canal, rim, wall, landmarks, tuple(structures),
        obstacles(structures, landmarks=landmarks, settings=settings, facts=facts), facts, settings, doubts, seed,
        _barred(volume, facts, settings), lumen_of(wall, removed_mm=settings.canalplasty_mm),
        rim_u_mm=settings.placement_noise_mm if rim_u_mm is None else rim_u_mm,
    )  # fmt: skip


def map_angles_deg(settings: Settings) -> NDArray[np.float64]:
    """Wall angles of the map: from 0 in the set step, as many as go round.

    Example
    -------
    >>> len(map_angles_deg(Settings()))
    90
    """
    count = max(round(360.0 / settings.map_angle_step_deg), 8)
    return np.asarray(np.arange(count) * (360.0 / count), dtype=np.float64)


def map_rims_mm(settings: Settings) -> NDArray[np.float64]:
    """Rim distances of the map.

    Example
    -------
    >>> map_rims_mm(Settings())[[0, -1]].tolist()
    [0.0, 8.0]
    """
    count = round((settings.map_rim_high_mm - settings.map_rim_low_mm) / settings.map_rim_step_mm)
    rims = settings.map_rim_low_mm + settings.map_rim_step_mm * np.arange(count + 1)
    return np.asarray(rims, dtype=np.float64)


def _barred(volume: Volume, facts: CaseFacts, settings: Settings) -> tuple[str, ...]:
    reasons = []
    if max(volume.geometry.spacing_mm[0], volume.source.spacing_mm[0]) > settings.slice_limit_mm + 1e-6:
        reasons.append(SLICE_FLAG)
    if facts.plan_is_void:
        reasons.append(VOID_FLAG)
    if facts.wall_taken_down == "yes" and all(state.finding != "taken_down" for state in facts.canal_wall):
        reasons.append(TAKEN_DOWN_SOMEWHERE_FLAG)
    return tuple(reasons)
