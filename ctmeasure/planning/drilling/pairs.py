"""Two holes that go together: all pairs of feasible cells, the best of them drawn jointly, ranked with reasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.envelope import opening_width_mm
from ctmeasure.planning.drilling.feasible import Feasible, feasible_cells, in_sector
from ctmeasure.planning.drilling.front import FRONT_STEP_MM, FRONT_WORDS, on_front, steps_of
from ctmeasure.planning.drilling.joint import any_events, least_gaps
from ctmeasure.planning.drilling.pair_record import HandleTip, arm_reaches_mm, bridges_mm, pair_record, with_caution
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.probability import BLOCK, clopper_pearson_arrays
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.zone import Zone
from ctmeasure.planning.results import HolePair, ZoneCell

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

LARGEST_LIST = 50
APART_MM = 0.8
"""Of two pairs whose holes lie within this of each other, only the better is listed."""
LOOKED_AT = 20_000
"""Leading pairs among which those that differ are looked for: many times the longest list."""
PAIR_BLOCKS = 5
"""Blocks of draws for the probability of a listed pair."""
GAP_BLOCKS = 1
"""Blocks of draws for the interval of a listed pair's least gap."""
NEGLIGIBLE_PROBABILITY = 1e-5
"""A structure whose bound is below this is not drawn for a pair; the bound is added to the pair's probability."""
RISK_STEP = 3.0
"""Probabilities within this factor of each other rank as equal, so that noise does not decide before clearance."""
LEAST_PROBABILITY = 1e-4
CLEARANCE_STEP_MM = 0.1
FARTHEST_MM = 99.0
"""A clearance without any structure near counts as this."""
EXTREMES = ("largest clearance of all pairs", "bone nearest to the middle of its limits", "tip nearest to the middle")
"""What the pairs listed besides the best are best at; the last one asks for a planned handle tip."""


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
    A hole must be margin kept or caution, reachable, within the angle limit, in bone within the thickness limits (bone
    to the first gap at least the lower, bone to the exit at most the upper), within the rim-distance limits and in
    the upper half of the wall. A pair is a caution too where a hole may break out at the rim or the span leave its
    limits, each with more than its accepted share (settings). Order: verdict, preferred sector, probability that
    any margin is broken by either hole (in steps of a factor of three), least clearance (in 0.1 mm), nearness of
    the thickness to the middle of its limits. ``p_any`` is that probability, from joint draws for the best pairs
    and by the union bound for the rest. The bridge at exit is the bone left between the bores where they are
    nearest to each other.
    """
    keep, reason = feasible_cells(scene, zone)
    if keep is None:
        return (), reason
    return rank_cells(scene, zone, keep, handle_tip=handle_tip)


def rank_cells(
    scene: Scene, zone: Zone, keep: Feasible, *, handle_tip: HandleTip | None
) -> tuple[tuple[HolePair, ...], str]:
    """Rank pairs among given feasible cells; see `rank_pairs`.

    Raises
    ------
    GeometryError
        Never by itself.
    """
    first, second, reason = _joined(scene, keep)
    if len(first) == 0:
        return (), reason
    assert zone.places is not None
    union = np.minimum(keep.p_any[first] + keep.p_any[second], 1.0)
    order = _order(scene, keep, first, second, union)
    aside = _aside_mm(keep, first, second, handle_tip)
    extremes = _extremes(scene, keep, first, second, aside)
    front = _front(scene, keep, first, second, union, aside)
    reason = f"{reason[:-1]}, {int(front.sum())} on the front ({FRONT_WORDS})."
    # The best first, then what is best at one thing, then the front, so that the rest keeps apart from these.
    leading = order[:LOOKED_AT].tolist()
    ahead = order[front[order]][:LOOKED_AT].tolist()
    order = np.array(list(dict.fromkeys([*leading[:1], *extremes, *ahead, *leading])), dtype=np.intp)
    chosen = order[_diverse(keep, first[order], second[order])]
    names, front = [extremes.get(int(n), "") for n in chosen], front[chosen]
    first, second = first[chosen], second[chosen]
    p_any = np.minimum(keep.p_any[first] + keep.p_any[second], 1.0)
    drawn, gaps = _joint_probability(scene, zone, keep, first, second)
    p_any[: len(drawn)] = drawn
    order = _order(scene, keep, first, second, p_any)
    return tuple(
        pair_record(
            scene, zone.places, keep, rank=rank, first=int(first[n]), second=int(second[n]), p_any=float(p_any[n]),
            gaps=gaps[n] if len(gaps) else None, handle_tip=handle_tip, extreme=names[n],
            on_front=bool(front[n]),
        )
        for rank, n in enumerate(order, start=1)
    ), reason  # fmt: skip


def _extremes(scene: Scene, keep: Feasible, first: Rows, second: Rows, aside: Floats | None) -> dict[int, str]:
    """The pair that is best at each single thing, among those of the best verdict there is."""
    worse = with_caution(scene, keep, first, second)
    rows = np.flatnonzero(worse == worse.min())
    middle = 0.5 * (scene.settings.thickness_low_mm + scene.settings.thickness_high_mm)
    off = np.abs(keep.thickness - middle)
    a, b = first[rows], second[rows]
    found = {int(rows[np.argmax(np.minimum(keep.clearance[a], keep.clearance[b]))]): EXTREMES[0]}
    found.setdefault(int(rows[np.argmin(np.maximum(off[a], off[b]))]), EXTREMES[1])
    if aside is not None:
        found.setdefault(int(rows[np.argmin(aside[rows])]), EXTREMES[2])
    return found


def _aside_mm(keep: Feasible, first: Rows, second: Rows, handle_tip: HandleTip | None) -> Floats | None:
    """How far the planned tip lies off the plane midway between the holes; None without a tip."""
    one, two = keep.cells[int(first[0])].entry_lps, keep.cells[int(second[0])].entry_lps
    tip = handle_tip(one, two) if handle_tip and one is not None and two is not None else None
    if tip is None:
        return None
    along = keep.entry[second] - keep.entry[first]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return np.abs(np.sum((np.array(tip) - 0.5 * (keep.entry[first] + keep.entry[second])) * along, axis=1))


def _front(
    scene: Scene, keep: Feasible, first: Rows, second: Rows, p_any: Floats, aside: Floats | None
) -> NDArray[np.bool_]:
    """Which of all pairs that fit are on the front; a pair is beaten by none of a worse verdict."""
    middle = 0.5 * (scene.settings.thickness_low_mm + scene.settings.thickness_high_mm)
    off = np.abs(keep.thickness - middle)
    # The same steps as in the order: beyond them differences are noise of the draws or of nobody's concern.
    clearance = np.minimum(np.minimum(keep.clearance[first], keep.clearance[second]), FARTHEST_MM)
    costs = [
        with_caution(scene, keep, first, second).astype(np.int64),
        _risk_steps(p_any),
        -steps_of(clearance, step=FRONT_STEP_MM),
        steps_of(np.maximum(off[first], off[second]), step=FRONT_STEP_MM),
    ]
    return on_front(costs if aside is None else [*costs, steps_of(aside, step=FRONT_STEP_MM)])


def _risk_steps(p_any: Floats) -> Rows:
    """Probabilities in steps of a factor."""
    steps = np.floor(np.log(np.maximum(p_any, LEAST_PROBABILITY) / LEAST_PROBABILITY) / np.log(RISK_STEP))
    return np.asarray(steps, dtype=np.int64)


def _joined(scene: Scene, keep: Feasible) -> tuple[Rows, Rows, str]:
    """Pairs within the span, bridge and arm limits, and in words what removed the rest."""
    settings = scene.settings
    first, second = (side.astype(np.intp) for side in np.triu_indices(len(keep.rows), k=1))
    total = len(first)
    removed: list[str] = []

    def keep_only(words: str, right: NDArray[np.bool_]) -> None:
        nonlocal first, second
        removed.append(f"{words} {int((~right).sum())}")
        first, second = first[right], second[right]

    span = np.linalg.norm(keep.entry[first] - keep.entry[second], axis=1)
    keep_only(
        f"span outside {settings.span_low_mm:g} to {settings.span_high_mm:g} mm",
        (span >= settings.span_low_mm) & (span <= settings.span_high_mm),
    )
    reaches = arm_reaches_mm(keep, first, second)
    longest = np.maximum(*reaches)
    _, at_entry, at_exit = bridges_mm(scene, keep, first, second)
    entry_right = at_entry >= settings.bridge_mm
    exit_right, longest = (at_exit >= settings.bridge_mm)[entry_right], longest[entry_right]
    keep_only(f"bridge at entry under {settings.bridge_mm:g} mm", entry_right)
    keep_only(f"bridge at exit under {settings.bridge_mm:g} mm", exit_right)
    keep_only(f"arm longer than {settings.arm_reach_mm:g} mm", longest[exit_right] <= settings.arm_reach_mm)
    story = f"{len(keep.rows)} cells may hold a hole; {total} pairs, of which removed: {', '.join(removed)}"
    return first, second, (f"No pair: {story}." if len(first) == 0 else f"{story}; {len(first)} pairs fit.")


def _order(scene: Scene, keep: Feasible, first: Rows, second: Rows, p_any: Floats) -> Rows:
    """Lexicographic order of pairs, best first."""
    settings = scene.settings
    middle = 0.5 * (settings.thickness_low_mm + settings.thickness_high_mm)
    off = np.abs(keep.thickness - middle)
    clearance = np.minimum(keep.clearance[first], keep.clearance[second])
    keys = (
        np.maximum(off[first], off[second]),
        -np.floor(np.minimum(clearance, FARTHEST_MM) / CLEARANCE_STEP_MM),
        _risk_steps(p_any),
        ~(keep.preferred[first] & keep.preferred[second]),
        with_caution(scene, keep, first, second),
    )
    return np.lexsort(keys)


def _diverse(keep: Feasible, first: Rows, second: Rows) -> Rows:
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


def _joint_probability(scene: Scene, zone: Zone, keep: Feasible, first: Rows, second: Rows) -> tuple[Floats, Floats]:
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


@dataclass(frozen=True, slots=True)
class SecondHole:
    """A cell that may hold the second hole beside one that is drilled already."""

    cell: ZoneCell
    span_mm: float
    bridge_entry_mm: float
    bridge_exit_mm: float


def second_holes(scene: Scene, zone: Zone, drilled: Places) -> tuple[tuple[SecondHole, ...], str]:
    """Hole 1 is drilled here: where may hole 2 go?

    Parameters
    ----------
    scene, zone
        The ear and its map.
    drilled
        The first hole as it is, one place (`measure_places`).

    Returns
    -------
    cells, reason
        Best first, in the order of `rank_pairs`; and how many each limit removed.

    Raises
    ------
    GeometryError
        When the drilled hole's path is not finite.
    """
    keep, reason = feasible_cells(scene, zone)
    if keep is None:
        return (), reason
    to_exit = drilled.paths.to_exit_mm[:1]
    if not np.isfinite(to_exit).all():
        return (), "Where the drilled hole ends is not known, so no bridge at its exit can be given."
    joined = keep.with_hole(
        drilled.entry_lps[:1], to_exit, direction=drilled.direction_lps[:1],
        width=opening_width_mm(drilled.angle_to_normal_deg[:1], settings=scene.settings),
    )  # fmt: skip
    second = np.arange(len(keep.rows), dtype=np.intp)
    first = np.full(len(second), len(keep.rows), dtype=np.intp)
    span, at_entry, at_exit = bridges_mm(scene, joined, first, second)
    s = scene.settings
    fits = (span >= s.span_low_mm) & (span <= s.span_high_mm) & (np.minimum(at_entry, at_exit) >= s.bridge_mm)
    fits &= np.maximum(*arm_reaches_mm(joined, first, second)) <= s.arm_reach_mm
    rows = np.flatnonzero(fits)
    order = rows[_order(scene, keep, rows, rows, keep.p_any[rows])]
    found = tuple(SecondHole(keep.cells[n], float(span[n]), float(at_entry[n]), float(at_exit[n])) for n in order)
    words = f"{reason}; of these {len(found)} fit the drilled hole by span, bridge and arm"
    return found, (words if found else f"No second hole: {words}.")


__all__ = ["BLOCK", "HandleTip", "SecondHole", "in_sector", "rank_pairs", "second_holes"]
