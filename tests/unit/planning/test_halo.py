"""Holes of the map and their pairs near metal: flagged where the way through the bone runs in its halo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from report_fabricated import pair, zone

from ctmeasure.imaging.metal.halo import HALO_MM, Halo
from ctmeasure.planning.halo import HALO_FLAG, flag_pairs, flag_zone
from ctmeasure.planning.results import HolePair, ZoneCell
from ctmeasure.planning.settings import Settings

CELLS = zone("right", Settings(map_angle_step_deg=30.0, map_rim_step_mm=1.0))


def pair_of(first: ZoneCell, second: ZoneCell) -> HolePair:
    made = pair("right", 1, (first.wall_angle_deg, second.wall_angle_deg), (1.0, 1.0), "clear")
    return replace(made, entry_1_lps=first.entry_lps, entry_2_lps=second.entry_lps)  # type: ignore[arg-type]


def at(angle: float, rim: float) -> ZoneCell:
    return next(c for c in CELLS if (c.wall_angle_deg, c.rim_distance_mm) == (angle, rim))


def test_a_pair_is_flagged_in_flags_and_words_where_one_hole_runs_through_the_halo() -> None:
    # Metal behind the hole at 0 degrees only: the hole at 180 lies across the canal, 9.2 mm away.
    first, second = at(0.0, 2.0), at(180.0, 2.0)
    behind = np.array(first.entry_lps) + (1.0 + 0.5 * HALO_MM) * np.array(first.direction_lps)
    flagged = flag_zone(CELLS, Halo(behind[None, :]))
    pairs = (pair_of(first, second), pair_of(second, first), pair_of(second, at(150.0, 2.0)))
    one, other, free = flag_pairs(pairs, flagged)
    assert one.flags == other.flags == (HALO_FLAG,)
    assert one.reason.endswith("hole 1 through metal halo")
    assert other.reason.endswith("hole 2 through metal halo")
    assert free == pairs[2]


def test_without_metal_no_pair_changes() -> None:
    pairs = (pair_of(at(0.0, 2.0), at(30.0, 2.0)),)
    assert flag_pairs(pairs, flag_zone(CELLS, Halo(np.zeros((0, 3))))) == pairs
