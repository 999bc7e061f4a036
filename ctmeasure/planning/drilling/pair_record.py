"""The record of one pair of holes: bridges, order, arms, handle and the reason for its rank."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.planning.drilling.by_hand import (
    RIM_FLAG,
    SPAN_FLAG,
    by_hand,
    p_breaks_out,
    p_span_outside,
    span_may_leave,
)
from ctmeasure.planning.drilling.feasible import OTHER_SUPERIOR_DEG, Feasible
from ctmeasure.planning.drilling.handle_position import handle_position
from ctmeasure.planning.drilling.joint import clearance_estimate
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.sites import thickness_estimate
from ctmeasure.planning.drilling.verdict import OUTSIDE_SECTOR_FLAG
from ctmeasure.planning.results import VERDICT_WORDS, HandlePosition, HolePair, Verdict, ZoneCell, worst

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
HandleTip = Callable[[PointLps, PointLps], PointLps | None]

SAME_FREEDOM = 0.02
"""Freedoms this near to each other do not decide which arm goes in first."""


def bridges_mm(scene: Scene, keep: Feasible, first: Rows, second: Rows) -> tuple[Floats, Floats, Floats]:
    """Span of pairs, bone between their openings at the entry, and the least bone between the bores or their exits."""
    from ctmeasure.kernels.distances import segment_segment_distance

    span = np.linalg.norm(keep.entry[first] - keep.entry[second], axis=1)
    wide = 0.5 * (keep.width[first] + keep.width[second])
    apart = np.linalg.norm(keep.exit[first] - keep.exit[second], axis=1) - wide
    nearest, _, _ = segment_segment_distance(
        keep.entry[first], keep.exit[first], p2=keep.entry[second], q2=keep.exit[second]
    )
    return span, span - wide, np.minimum(apart, nearest - 2.0 * scene.settings.bur_radius_mm)


def arm_reaches_mm(keep: Feasible, first: Rows, second: Rows) -> tuple[Floats, Floats]:
    """How long each arm is: from the handle's top, midway between the holes, to its hole and through the bone."""
    half = 0.5 * np.linalg.norm(keep.entry[first] - keep.entry[second], axis=1)
    return half + keep.to_exit[first], half + keep.to_exit[second]


def breaking_out(scene: Scene, keep: Feasible) -> Floats:
    """Probability of each feasible cell that a hole there breaks out at the rim."""
    rim = np.array([cell.rim_distance_mm for cell in keep.cells])
    psi = np.array([cell.angle_to_normal_deg or 0.0 for cell in keep.cells])
    return p_breaks_out(rim, psi, settings=scene.settings, rim_u_mm=scene.rim_u_mm)


def with_caution(scene: Scene, keep: Feasible, first: Rows, second: Rows) -> NDArray[np.bool_]:
    """Which pairs have a cell with a caution, or holes that a hand may not get where they belong."""
    cells = np.array([cell.verdict != "clear" for cell in keep.cells])
    cells |= breaking_out(scene, keep) > scene.settings.risk_rim_breakout
    span = np.linalg.norm(keep.entry[first] - keep.entry[second], axis=1)
    return np.asarray(cells[first] | cells[second] | span_may_leave(span, settings=scene.settings))


def _exits_tilt_mm(scene: Scene, keep: Feasible, first: int, second: int) -> float:
    """What the drill's angle adds to the distance of two exits, one axis."""
    return float(np.radians(scene.settings.drill_angle_u_deg) * np.hypot(keep.to_exit[first], keep.to_exit[second]))


def pair_record(
    scene: Scene,
    places: Places,
    keep: Feasible,
    *,
    rank: int,
    first: int,
    second: int,
    p_any: float,
    gaps: Floats | None,
    handle_tip: HandleTip | None,
    extreme: str,
    on_front: bool,
) -> HolePair:
    """The record of one pair of feasible cells; ``extreme`` says what it is best at, if anything."""
    a, b = keep.cells[first], keep.cells[second]
    if OTHER_SUPERIOR_DEG[0] <= b.wall_angle_deg and a.wall_angle_deg < 180.0:
        first, second, a, b = second, first, b, a
    assert a.entry_lps is not None
    assert b.entry_lps is not None
    assert a.direction_lps is not None
    assert b.direction_lps is not None
    one, two = np.array([first]), np.array([second])
    span, bridge_entry, bridge_exit = (float(x[0]) for x in bridges_mm(scene, keep, one, two))
    gaps_mm = [np.inf if cell.clearance_mm is None else cell.clearance_mm for cell in (a, b)]
    tighter = a if gaps_mm[0] <= gaps_mm[1] else b
    clearance = float(min(keep.clearance[first], keep.clearance[second]))
    preferred = bool(keep.preferred[first] and keep.preferred[second])
    parts: list[Verdict] = [a.verdict, b.verdict]
    if not preferred:
        parts.append("caution")
    out = breaking_out(scene, keep)[[first, second]]
    outside = float(p_span_outside(span, settings=scene.settings))
    flags = []
    if (out > scene.settings.risk_rim_breakout).any():
        flags.append(f"{RIM_FLAG}: P {_percent(float(out[0]))} and {_percent(float(out[1]))}")
    if span_may_leave(span, settings=scene.settings):
        flags.append(f"{SPAN_FLAG}: P {_percent(outside)}")
    if flags:
        parts.append("caution")
    verdict = worst(*parts)
    tip = handle_tip(a.entry_lps, b.entry_lps) if handle_tip else None
    handle = None
    if tip is not None:
        handle = handle_position(
            a.entry_lps, b.entry_lps, tip_lps=tip, landmarks=scene.landmarks, canal=scene.canal,
            settings=scene.settings,
        )  # fmt: skip
    first_in, why = _first_in(a, b)
    reaches = arm_reaches_mm(keep, one, two)
    turn = float(np.clip(keep.direction[first] @ keep.direction[second], -1.0, 1.0))
    rows = [int(keep.rows[first]), int(keep.rows[second])]
    return HolePair(
        rank, a.entry_lps, a.direction_lps, b.entry_lps, b.direction_lps, (a.clock_hour, b.clock_hour),
        (a.wall_angle_deg, b.wall_angle_deg), (a.rim_distance_mm, b.rim_distance_mm),
        (float(keep.thickness[first]), float(keep.thickness[second])), span, bridge_entry, bridge_exit,
        clearance if np.isfinite(clearance) else None, tighter.nearest_structure, p_any, tip, verdict,
        _reason(
            verdict, p_any, clearance, tighter.nearest_structure, (a, b), preferred, handle, extreme, on_front, flags
        ),
        clearance_estimate(clearance, gaps, scene.seed, ()) if gaps is not None and np.isfinite(clearance) else None,
        (
            thickness_estimate(places.paths, rows[0], places.paths.flags(rows[0])),
            thickness_estimate(places.paths, rows[1], places.paths.flags(rows[1])),
        ),
        float(np.degrees(np.arccos(turn))), (float(reaches[0][0]), float(reaches[1][0])), first_in, why,
        on_front, handle, tuple(flags), (float(out[0]), float(out[1])), outside,
        by_hand(span, settings=scene.settings, holes=2), by_hand(bridge_entry, settings=scene.settings, holes=2),
        by_hand(bridge_exit, settings=scene.settings, holes=2, tilt_mm=_exits_tilt_mm(scene, keep, first, second)),
    )  # fmt: skip


def _first_in(a: ZoneCell, b: ZoneCell) -> tuple[int, str]:
    """Which hole takes its arm first: the one that is harder to get at, while the handle still moves freely."""
    if a.in_sight is not b.in_sight and False in (a.in_sight, b.in_sight):
        return (1 if a.in_sight is False else 2), "that hole is not in sight along a straight line"
    free = [0.0 if cell.freedom is None else cell.freedom for cell in (a, b)]
    if abs(free[0] - free[1]) > SAME_FREEDOM:
        words = f"the instrument has less freedom there ({100 * min(free):.0f} against {100 * max(free):.0f} %)"
        return (1 if free[0] < free[1] else 2), words
    deeper = 1 if a.rim_distance_mm <= b.rim_distance_mm else 2
    return deeper, "it lies nearer to the rim, farther in"


def _percent(p: float) -> str:
    return "<1 in 1000" if p < 0.001 else f"{100.0 * p:.1f} %"


def _reason(
    verdict: Verdict,
    p_any: float,
    clearance: float,
    structure: str,
    cells: tuple[ZoneCell, ZoneCell],
    preferred: bool,
    handle: HandlePosition | None,
    extreme: str,
    on_front: bool,
    flags: list[str],
) -> str:
    parts = [VERDICT_WORDS[verdict], *flags, f"any margin broken by either hole: {_percent(p_any)}"]
    if np.isfinite(clearance) and structure:
        parts.append(f"least clearance {clearance:.1f} mm ({structure_term(structure).label})")
    parts.append(f"bone {cells[0].thickness_mm:.1f} and {cells[1].thickness_mm:.1f} mm")
    parts.append(f"behind: {cells[0].far_side} and {cells[1].far_side}")
    if handle is not None:
        parts.append(f"handle {handle.length_mm:.1f} mm, tip {handle.off_centre_mm:.1f} mm off the middle")
    if not preferred:
        parts.append(OUTSIDE_SECTOR_FLAG)
    if any(cell.in_sight is False for cell in cells):
        parts.append("not in sight along a straight line")
    if on_front:
        parts.append("on the front")
    if extreme:
        parts.append(extreme)
    return "; ".join(parts)
