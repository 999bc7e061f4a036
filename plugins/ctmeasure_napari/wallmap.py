"""The unrolled canal wall of a case: where a cell is, what it says, which place of the patient it is. No toolkit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.frames import CanalFrame, RimCurve, canal_frame, rim_curve
from ctmeasure.anatomy.vocabulary import structure_terms
from ctmeasure.case.model import Case
from ctmeasure.case.words import largest_words
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import VERDICT_WORDS, ZoneCell
from ctmeasure.report.figures.wall import WallScene, dial, project
from ctmeasure.report.scene import wall_scene

Floats = npt.NDArray[np.float64]

LAYERS = {
    "verdict": "verdict",
    "thickness": "bone up to the first gap",
    "behind": "what lies behind",
    "nearest": "nearest structure",
    "risk": "P(under a margin)",
}
"""Layers of the map: key to words."""
THICKNESS_STEPS_MM = (0.0, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
RISK_STEPS = (0.0, 0.001, 0.01, 0.05, 0.2, 0.5, 1.0)
INSIDE_SHOWN_MM = 0.8
"""How much of the middle-ear side of the rim the map shows."""
HOURS = 12.0
BLANK_SHARE = 0.6
"""A column counts as not assessed when this share of its cells is."""


@dataclass(frozen=True, eq=False, slots=True)
class WallChart:
    """The map of one case. ``scene`` is None while nothing is computed; ``why`` then says so."""

    case: Case
    scene: WallScene | None
    canal: CanalFrame | None
    rim: RimCurve | None
    grid: dict[tuple[int, int], ZoneCell]
    why: str = ""

    @property
    def limits_mm(self) -> tuple[float, float]:
        """Lowest and highest rim distance of the picture."""
        settings = self.case.settings
        low, high = self.scene.rim_limits_mm if self.scene else (settings.map_rim_low_mm, settings.map_rim_high_mm)
        return min(low, 0.0) - INSIDE_SHOWN_MM, high + settings.map_rim_step_mm / 2.0

    @property
    def cell_size(self) -> tuple[float, float]:
        """Hours and mm of one cell."""
        settings = self.case.settings
        return settings.map_angle_step_deg / 30.0, settings.map_rim_step_mm

    @property
    def blank_stretches(self) -> list[tuple[float, float]]:
        """Stretches of the dial, in hours, where most of the wall was not assessed."""
        columns: dict[int, list[bool]] = {}
        for (column, _), cell in self.grid.items():
            columns.setdefault(column, []).append(cell.verdict == "not assessed")
        half = self.cell_size[0] / 2.0
        middles = sorted(
            self.hours_of(column * self.case.settings.map_angle_step_deg)
            for column, blank in columns.items()
            if sum(blank) >= BLANK_SHARE * len(blank)
        )
        found: list[tuple[float, float]] = []
        for at in middles:
            if found and at - half <= found[-1][1] + half:
                found[-1] = (found[-1][0], min(at + half, HOURS))
            else:
                found.append((max(at - half, 0.0), min(at + half, HOURS)))
        return found

    def hours_of(self, wall_angle_deg: float) -> float:
        """Place on the dial, 0 at 6 o'clock on the left to 12 on the right."""
        return float(dial(wall_angle_deg, self.case.side))

    def angle_of(self, hours: float) -> float:
        """Wall angle of a place on the dial."""
        clock = (hours + 6.0) % HOURS
        return float((clock * 30.0 if self.case.side == "left" else 360.0 - clock * 30.0) % 360.0)

    def cell_at(self, hours: float, rim_mm: float) -> ZoneCell | None:
        """The cell under a place of the picture; None beside the map."""
        if not self.grid or self.scene is None:
            return None
        step_deg, step_mm = self.case.settings.map_angle_step_deg, self.case.settings.map_rim_step_mm
        columns = round(360.0 / step_deg)
        column = round(self.angle_of(hours) / step_deg) % columns
        return self.grid.get((column, round((rim_mm - self.scene.rim_limits_mm[0]) / step_mm)))

    def place_of(self, point_lps: npt.ArrayLike) -> tuple[float, float] | None:
        """Where a point of the patient appears on the picture (hours, mm from the rim); None when it cannot be told.

        Notes
        -----
        Straight along the canal axis, as every shadow on the map; on the wall itself the map's own cells hold.
        """
        if self.canal is None or self.rim is None:
            return None
        angle, distance, _ = project(np.asarray(point_lps, dtype=np.float64)[None, :], self.canal, self.rim)
        return self.hours_of(float(angle[0])), float(distance[0])

    def wall_point_lps(self, hours: float, rim_mm: float) -> Floats | None:
        """The place on the bone surface under a place of the picture; None where no wall was found."""
        wall = self.case.results.wall_map if self.case.results else None
        if wall is None or not len(wall.wall_angles_deg):
            return None
        angle = self.angle_of(hours)
        turn = np.abs((wall.wall_angles_deg - angle + 180.0) % 360.0 - 180.0)
        row, column = int(np.argmin(turn)), int(np.argmin(np.abs(wall.rim_distances_mm - rim_mm)))
        point = wall.points_lps[row, column]
        return np.array(point) if np.isfinite(point).all() else None


def wall_chart(case: Case, *, why: str = "not computed yet") -> WallChart:
    """The map of a case.

    Parameters
    ----------
    case
        With or without results.
    why
        What to say where nothing is computed.

    Returns
    -------
    WallChart

    Raises
    ------
    Nothing.
    """
    canal, rim = None, None
    try:
        canal = canal_frame(case.landmarks, case.side)
        rim = rim_curve(case.landmarks, canal)
    except CtmeasureError as error:
        why = f"needs {error.found}" if case.results is None else why
    scene = wall_scene(case)
    if scene is None:
        if case.results is not None:
            why = "no map: " + (case.results.not_assessed[0] if case.results.not_assessed else "nothing was assessed")
        return WallChart(case, None, canal, rim, {}, why)
    first, step = min(cell.wall_angle_deg for cell in scene.cells), case.settings.map_angle_step_deg
    low, rise = scene.rim_limits_mm[0], case.settings.map_rim_step_mm
    grid = {
        (round((cell.wall_angle_deg - first) / step), round((cell.rim_distance_mm - low) / rise)): cell
        for cell in scene.cells
    }
    return WallChart(case, scene, canal, rim, grid)


def cell_words(cell: ZoneCell) -> str:
    """One cell in a sentence: where, what bone, what behind, what near, the verdict first.

    Raises
    ------
    Nothing.
    """
    parts = [
        f"{clock_words(cell.clock_hour)} o'clock, {cell.rim_distance_mm:.1f} mm from the rim: "
        f"{VERDICT_WORDS[cell.verdict]}"
    ]
    if cell.thickness_mm is not None:
        parts.append(f"bone {cell.thickness_mm:.1f} mm ({cell.thickness_state})")
    else:
        parts.append(f"bone: {cell.thickness_state}")
    parts.append(f"behind: {cell.far_side}")
    if cell.nearest_structure and cell.clearance_mm is not None:
        u = "" if cell.clearance_u_mm is None else f" (u {cell.clearance_u_mm:.1f})"
        parts.append(f"nearest: {_label(cell.nearest_structure)} {cell.clearance_mm:.1f} mm{u}")
    if cell.p_below_margin is not None:
        chance = largest_words(cell.p_below_margin, is_limit=cell.p_below_is_limit)
        whose = "" if cell.p_below_is_limit else f" ({_label(cell.riskiest_structure)})"
        parts.append(f"largest P(under a margin) {chance}{whose}")
    if cell.reachable is False:
        parts.append("out of reach")
    return "; ".join(parts) + ("; " + "; ".join(cell.flags) if cell.flags else "")


def step_of(layer: str, cell: ZoneCell) -> int | None:
    """Which step of a number layer a cell is on; None when it has no number.

    Raises
    ------
    Nothing.
    """
    value = cell.thickness_mm if layer == "thickness" else cell.p_below_margin
    steps = THICKNESS_STEPS_MM if layer == "thickness" else RISK_STEPS
    return None if value is None else int(np.searchsorted(steps, value, side="right")) - 1


def word_of(layer: str, cell: ZoneCell) -> str:
    """The word of a word layer for a cell; empty when there is none.

    Raises
    ------
    Nothing.
    """
    word = cell.far_side if layer == "behind" else cell.nearest_structure
    return "" if word == "not assessed" else _label(word)


def step_words(layer: str) -> tuple[str, ...]:
    """The steps of a number layer in words, from the first."""
    if layer == "thickness":
        pairs = pairwise(THICKNESS_STEPS_MM)
        return (*(f"{a:g} to {b:g}" for a, b in pairs), f"over {THICKNESS_STEPS_MM[-1]:g}")
    return ("under 1 in 1000", "to 1 in 100", "to 5 in 100", "to 0.2", "to 0.5", "over 0.5", "certain")


@lru_cache(maxsize=64)
def _label(word: str) -> str:
    terms = structure_terms()
    return terms[word].label if word in terms else word
