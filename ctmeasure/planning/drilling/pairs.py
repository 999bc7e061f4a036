"""Two holes that go together: all pairs of feasible cells, the best of them drawn jointly, ranked with reasons."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.planning.drilling.envelope import opening_width_mm
from ctmeasure.planning.drilling.joint import any_events, clearance_estimate, least_gaps
from ctmeasure.planning.drilling.probability import BLOCK, clopper_pearson_arrays
from ctmeasure.planning.drilling.scene import SLICE_FLAG, TAKEN_DOWN_FLAG, VOID_FLAG, Scene
from ctmeasure.planning.drilling.sites import NO_END_FLAG, NOT_MARKED
from ctmeasure.planning.drilling.verdict import OUTSIDE_SECTOR_FLAG
from ctmeasure.planning.drilling.zone import Zone
from ctmeasure.planning.results import VERDICT_WORDS, HolePair, Verdict, ZoneCell, worst

Floats = NDArray[np.float64]
HandleTip = Callable[[PointLps, PointLps], PointLps | None]

WHOLE_CELL_FLAGS = (NO_END_FLAG, TAKEN_DOWN_FLAG, SLICE_FLAG, VOID_FLAG)
"""Flags that by themselves leave a cell not assessed, besides what is not marked."""
LARGEST_LIST = 50
APART_MM = 0.8
"""Of two pairs whose holes lie within this of each other, only the better is listed."""
PAIR_BLOCKS = 5
"""Blocks of draws for the probability of a listed pair."""
GAP_BLOCKS = 1
"""Blocks of draws for the interval of a listed pair's least gap."""
NEGLIGIBLE_PROBABILITY = 1e-5
"""A structure whose bound is below this is not drawn for a pair; the bound is added to the pair's probability."""
OTHER_SUPERIOR_DEG = (270.0, 90.0)
"""Cells of the upper half of the wall may be used with a caution; the rest only where the user places a hole."""
RISK_STEP = 3.0
"""Probabilities within this factor of each other rank as equal, so that noise does not decide before clearance."""
LEAST_PROBABILITY = 1e-4
CLEARANCE_STEP_MM = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Feasible cells as arrays; ``rows`` index the zone's places, ``cells`` its cells."""

    rows: NDArray[np.intp]
    cells: tuple[ZoneCell, ...]
    entry: Floats
    exit: Floats
    width: Floats
    p_any: Floats
    clearance: Floats
    thickness: Floats
    preferred: NDArray[np.bool_]


def rank_pairs(scene: Scene, zone: Zone, *, handle_tip: HandleTip | None = None) -> tuple[tuple[HolePair, ...], str]:
    """Rank pairs of holes among the map's cells.

    Parameters
    ----------
    scene, zone
        The ear and its map.
    handle_tip
        Gives the planned handle tip for two entry points; without it the column stays empty.

    Returns
    -------
    pairs, reason
        At most 50 pairs that differ from each other, best first; and in words how they were found, or, when there is
        none, which limit removed what.

    Raises
    ------
    GeometryError
        Never by itself.

    Notes
    -----
    A hole must be margin kept or caution, reachable, within the angle limit, in bone within the thickness limits
    (bone to the first gap at least the lower, bone to the exit at most the upper), within the rim-distance limits and
    in the upper half of the wall. Order: verdict, preferred sector, probability that any margin is broken by either
    hole (in steps of a factor of three), least clearance (in 0.1 mm), nearness of the thickness to the middle of its
    limits. ``p_any`` is that probability, from joint draws for the best pairs and by the union bound for the rest.
    The bridge at exit is the bone left between the bores where they are nearest to each other.
    """
    keep, reason = _feasible(scene, zone)
    if keep is None:
        return (), reason
    first, second, reason = _joined(scene, keep)
    if len(first) == 0:
        return (), reason
    order = _order(scene, keep, first, second, np.minimum(keep.p_any[first] + keep.p_any[second], 1.0))
    chosen = _diverse(keep, first[order], second[order])
    first, second = first[order][chosen], second[order][chosen]
    p_any = np.minimum(keep.p_any[first] + keep.p_any[second], 1.0)
    drawn, gaps = _joint_probability(scene, zone, keep, first, second)
    p_any[: len(drawn)] = drawn
    order = _order(scene, keep, first, second, p_any)
    pairs = tuple(
        _pair(
            scene,
            keep,
            rank,
            int(first[n]),
            int(second[n]),
            float(p_any[n]),
            gaps[n] if len(gaps) else None,
            handle_tip,
        )
        for rank, n in enumerate(order, start=1)
    )
    return pairs, reason


def _feasible(scene: Scene, zone: Zone) -> tuple[_Cells | None, str]:
    """Cells that may hold a hole, and in words how many each limit removed."""
    settings = scene.settings
    if zone.places is None:
        if not zone.cells:
            return None, "No pair: the ring is too coarse for rim distances, so there is no map to choose from."
        return None, "No pair: no canal wall was found in the scan."
    index = np.array([-1] * len(zone.cells))
    index[zone.rows] = np.arange(len(zone.rows))
    left = list(zone.cells)
    removed: list[str] = []

    def keep(words: str, test: Callable[[ZoneCell], bool], why: Callable[[list[ZoneCell]], str] | None = None) -> None:
        nonlocal left
        kept = [cell for cell in left if test(cell)]
        if len(kept) < len(left):
            reason = why([cell for cell in left if not test(cell)]) if why else ""
            removed.append(f"{words} {len(left) - len(kept)}{reason}")
        left = kept

    low, high = settings.rim_distance_low_mm, settings.rim_distance_high_mm
    keep("outside the upper half of the wall", lambda c: in_sector(c.wall_angle_deg, *OTHER_SUPERIOR_DEG))
    keep(f"rim distance outside {low:g} to {high:g} mm", lambda c: low - 1e-9 <= c.rim_distance_mm <= high + 1e-9)
    keep("no wall found", lambda c: c.entry_lps is not None)
    keep(
        f"drill angle above {settings.angle_refused_deg:g} degrees",
        lambda c: c.angle_to_normal_deg is not None and c.angle_to_normal_deg <= settings.angle_refused_deg,
    )
    keep("not reachable with this instrument", lambda c: c.reachable is True)
    keep("not assessed", lambda c: c.verdict != "not assessed", _why_not_assessed)
    keep("keep out", lambda c: c.verdict != "keep out")
    keep(
        f"bone thinner than {settings.thickness_low_mm:g} mm",
        lambda c: c.thickness_mm is not None and c.thickness_mm >= settings.thickness_low_mm,
    )
    keep(
        f"more than {settings.thickness_high_mm:g} mm to the exit",
        lambda c: c.to_exit_mm is not None and c.to_exit_mm <= settings.thickness_high_mm,
    )
    story = f"Of {len(zone.cells)} map cells removed: " + (", ".join(removed) if removed else "none")
    if len(left) < 2:
        kept = "no cell" if not left else "one cell"
        return None, f"No pair: {kept} left. {story}."
    position = {id(cell): int(i) for cell, i in zip(zone.cells, index, strict=True)}
    rows = np.array([position[id(cell)] for cell in left])
    places = zone.places
    exits = places.entry_lps[rows] + places.paths.to_exit_mm[rows, None] * places.direction_lps[rows]
    below = np.array([risk.p_below[rows] for risk in zone.risks if risk.obstacle.measured])
    p_any = np.minimum(np.nansum(below, axis=0), 1.0) if len(below) else np.zeros(len(rows))
    cells = _Cells(
        rows, tuple(left), places.entry_lps[rows], exits,
        opening_width_mm(places.angle_to_normal_deg[rows], settings=settings), p_any,
        _least_clearance(zone, rows), np.array([c.thickness_mm for c in left], dtype=np.float64),
        np.array([in_sector(c.wall_angle_deg, settings.sector_start_deg, settings.sector_end_deg) for c in left]),
    )  # fmt: skip
    return cells, f"{story}; {len(left)} left"


def _why_not_assessed(cells: list[ZoneCell]) -> str:
    """Why cells are not assessed, each reason with the number of cells that carry it."""
    reasons: dict[str, int] = {}
    for cell in cells:
        for flag in cell.flags:
            if flag.startswith(NOT_MARKED) or flag in WHOLE_CELL_FLAGS:
                reasons[flag] = reasons.get(flag, 0) + 1
    return f" ({'; '.join(f'{flag} {n}' for flag, n in reasons.items())})" if reasons else ""


def in_sector(angle_deg: float, start_deg: float, end_deg: float) -> bool:
    """Whether a wall angle lies in a sector, both ends included.

    Example
    -------
    >>> in_sector(0.0, 315.0, 60.0), in_sector(61.0, 315.0, 60.0)
    (True, False)
    """
    return (angle_deg - start_deg) % 360.0 <= (end_deg - start_deg) % 360.0 + 1e-9


def _least_clearance(zone: Zone, rows: NDArray[np.intp]) -> Floats:
    gaps = [risk.central_mm[rows] for risk in zone.risks if risk.obstacle.measured]
    return np.min(gaps, axis=0) if gaps else np.full(len(rows), np.inf)


def _joined(scene: Scene, keep: _Cells) -> tuple[NDArray[np.intp], NDArray[np.intp], str]:
    """Pairs within the span and bridge limits, and in words what removed the rest."""
    from ctmeasure.kernels.distances import segment_segment_distance

    settings = scene.settings
    first, second = np.triu_indices(len(keep.rows), k=1)
    span = np.linalg.norm(keep.entry[first] - keep.entry[second], axis=1)
    right = (span >= settings.span_low_mm) & (span <= settings.span_high_mm)
    total = len(first)
    first, second, span = first[right], second[right], span[right]
    after_span = len(first)
    wide = 0.5 * (keep.width[first] + keep.width[second])
    at_entry = span - wide >= settings.bridge_mm
    first, second, wide = first[at_entry], second[at_entry], wide[at_entry]
    after_entry = len(first)
    if len(first):
        apart = np.linalg.norm(keep.exit[first] - keep.exit[second], axis=1) - wide
        nearest, _, _ = segment_segment_distance(
            keep.entry[first], keep.exit[first], p2=keep.entry[second], q2=keep.exit[second]
        )
        bridge = np.minimum(apart, nearest - 2.0 * settings.bur_radius_mm)
        first, second = first[bridge >= settings.bridge_mm], second[bridge >= settings.bridge_mm]
    words = (
        f"{total} pairs, of which removed: span outside {settings.span_low_mm:g} to {settings.span_high_mm:g} mm "
        f"{total - after_span}, bridge at entry under {settings.bridge_mm:g} mm {after_span - after_entry}, bridge at "
        f"exit under {settings.bridge_mm:g} mm {after_entry - len(first)}"
    )
    story = _feasible_words(keep) + words
    return first, second, (f"No pair: {story}." if len(first) == 0 else f"{story}; {len(first)} pairs fit.")


def _feasible_words(keep: _Cells) -> str:
    return f"{len(keep.rows)} cells may hold a hole; "


def _order(
    scene: Scene, keep: _Cells, first: NDArray[np.intp], second: NDArray[np.intp], p_any: Floats
) -> NDArray[np.intp]:
    """Lexicographic order of pairs, best first."""
    settings = scene.settings
    caution = np.array([cell.verdict != "clear" for cell in keep.cells])
    middle = 0.5 * (settings.thickness_low_mm + settings.thickness_high_mm)
    off = np.abs(keep.thickness - middle)
    clearance = np.minimum(keep.clearance[first], keep.clearance[second])
    steps = np.floor(np.log(np.maximum(p_any, LEAST_PROBABILITY) / LEAST_PROBABILITY) / np.log(RISK_STEP))
    keys = (
        np.maximum(off[first], off[second]),
        -np.floor(np.minimum(clearance, 99.0) / CLEARANCE_STEP_MM),
        steps,
        ~(keep.preferred[first] & keep.preferred[second]),
        caution[first] | caution[second],
    )
    return np.lexsort(keys)


def _diverse(keep: _Cells, first: NDArray[np.intp], second: NDArray[np.intp]) -> NDArray[np.intp]:
    """Positions of pairs to list: in order, none with both holes within `APART_MM` of those of a better one."""
    chosen: list[int] = []
    a, b = keep.entry[first], keep.entry[second]
    open_ = np.ones(len(first), np.bool_)
    while len(chosen) < LARGEST_LIST and open_.any():
        n = int(np.argmax(open_))
        chosen.append(n)
        same = np.maximum(np.linalg.norm(a - a[n], axis=1), np.linalg.norm(b - b[n], axis=1))
        crossed = np.maximum(np.linalg.norm(a - b[n], axis=1), np.linalg.norm(b - a[n], axis=1))
        open_ &= np.minimum(same, crossed) > APART_MM
        open_[n] = False
    return np.array(chosen, dtype=np.intp)


def _joint_probability(
    scene: Scene, zone: Zone, keep: _Cells, first: NDArray[np.intp], second: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Probability that either hole breaks any margin, and drawn least gaps, on shared draws; empty without marks.

    Structures that a bound settles are not drawn; their bounds are added instead.
    """
    known = [risk for risk in zone.risks if risk.obstacle.measured]
    if not known or zone.places is None:
        return np.zeros(0), np.zeros((0, 0))
    rows = [keep.rows[first], keep.rows[second]]
    holes = [zone.places.bores.take(r) for r in rows]
    obstacles = [risk.obstacle for risk in known]
    limits = np.array([[risk.margin_mm[r] for risk in known] for r in rows])
    bounds = np.array([[np.where(risk.draws[r] == 0, risk.p_below[r], np.nan) for risk in known] for r in rows])
    settled = bounds <= NEGLIGIBLE_PROBABILITY
    common = {"doubts": scene.doubts, "bur_radius_mm": scene.settings.bur_radius_mm}
    events = any_events(holes, obstacles, limits_mm=limits, open_=~settled, blocks=PAIR_BLOCKS, **common)  # type: ignore[arg-type]
    draws = PAIR_BLOCKS * BLOCK
    # No event among the draws is shown as its upper limit, never as zero; without draws the bounds are all there is.
    drawn = np.where(events > 0, events / draws, clopper_pearson_arrays(events, draws)[1])
    drawn = np.where(settled.all(axis=(0, 1)), 0.0, drawn)
    p_any = drawn + np.where(settled, bounds, 0.0).sum(axis=(0, 1))
    centrals = np.array([[risk.central_mm[r] for risk in known] for r in rows])
    gaps = least_gaps(holes, obstacles, centrals_mm=centrals, blocks=GAP_BLOCKS, **common)  # type: ignore[arg-type]
    return np.minimum(p_any, 1.0), gaps


def _pair(
    scene: Scene,
    keep: _Cells,
    rank: int,
    first: int,
    second: int,
    p_any: float,
    gaps: Floats | None,
    handle_tip: HandleTip | None,
) -> HolePair:
    from ctmeasure.kernels.distances import segment_segment_distance

    a, b = keep.cells[first], keep.cells[second]
    if OTHER_SUPERIOR_DEG[0] <= b.wall_angle_deg and a.wall_angle_deg < 180.0:
        first, second, a, b = second, first, b, a
    assert a.entry_lps is not None
    assert b.entry_lps is not None
    assert a.direction_lps is not None
    assert b.direction_lps is not None
    span = float(np.linalg.norm(keep.entry[first] - keep.entry[second]))
    wide = 0.5 * float(keep.width[first] + keep.width[second])
    nearest, _, _ = segment_segment_distance(
        keep.entry[[first]], keep.exit[[first]], p2=keep.entry[[second]], q2=keep.exit[[second]]
    )
    apart = float(np.linalg.norm(keep.exit[first] - keep.exit[second])) - wide
    bridge_exit = min(apart, float(nearest[0]) - 2.0 * scene.settings.bur_radius_mm)
    gaps_mm = [np.inf if cell.clearance_mm is None else cell.clearance_mm for cell in (a, b)]
    tighter = a if gaps_mm[0] <= gaps_mm[1] else b
    clearance = float(min(keep.clearance[first], keep.clearance[second]))
    preferred = bool(keep.preferred[first] and keep.preferred[second])
    parts: list[Verdict] = [a.verdict, b.verdict]
    if not preferred:
        parts.append("caution")
    verdict = worst(*parts)
    tip = handle_tip(a.entry_lps, b.entry_lps) if handle_tip else None
    return HolePair(
        rank, a.entry_lps, a.direction_lps, b.entry_lps, b.direction_lps, (a.clock_hour, b.clock_hour),
        (a.wall_angle_deg, b.wall_angle_deg), (a.rim_distance_mm, b.rim_distance_mm),
        (float(keep.thickness[first]), float(keep.thickness[second])), span, span - wide, bridge_exit,
        clearance if np.isfinite(clearance) else None, tighter.nearest_structure, p_any, tip, verdict,
        _reason(verdict, p_any, clearance, tighter.nearest_structure, (a, b), preferred),
        clearance_estimate(clearance, gaps, scene.seed, ()) if gaps is not None and np.isfinite(clearance) else None,
    )  # fmt: skip


def _reason(
    verdict: Verdict,
    p_any: float,
    clearance: float,
    structure: str,
    cells: tuple[ZoneCell, ZoneCell],
    preferred: bool,
) -> str:
    risk = "<1 in 1000" if p_any < 0.001 else f"{100.0 * p_any:.1f} %"
    parts = [VERDICT_WORDS[verdict], f"any margin broken by either hole: {risk}"]
    if np.isfinite(clearance) and structure:
        parts.append(f"least clearance {clearance:.1f} mm ({structure_term(structure).label})")
    parts.append(f"bone {cells[0].thickness_mm:.1f} and {cells[1].thickness_mm:.1f} mm")
    parts.append(f"behind: {cells[0].far_side} and {cells[1].far_side}")
    if not preferred:
        parts.append(OUTSIDE_SECTOR_FLAG)
    return "; ".join(parts)


__all__ = ["BLOCK", "HandleTip", "in_sector", "rank_pairs"]
