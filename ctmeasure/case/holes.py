"""The holes of a pair as a hand can follow them: where, how sure, how thick, what is behind, how far the bur goes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ctmeasure.case.doubts import placed_u_mm
from ctmeasure.case.model import Case
from ctmeasure.planning.drilling.far_words import names_any, spaces_of
from ctmeasure.planning.results import HolePair, SiteResult, ZoneCell
from ctmeasure.uncertainty.estimate import Estimate

SAME_PLACE_MM = 0.3
"""A site this close to a hole of a pair is that hole, and its bone with interval is given for it."""
SAME_CELL_MM = 1e-3
"""The holes of a pair are cells of the map; closer than this is the same cell, whatever the rounding in a file."""
OPEN_SPACES = ("attic", "antrum", "facial recess", "mastoid cell", "middle ear", "hypotympanum")
"""Air behind the wall: a hole that reaches it goes right through the bone."""
NO_INTERVAL = "interval: assess the hole as a site"
NOT_KEPT = "not assessed"
NO_EXIT = "no exit within arm length"


@dataclass(frozen=True, slots=True)
class PlannedHole:
    """One hole of a pair.

    ``rim`` is its distance from the rim with the doubt of the hand and of the rim; ``bone`` is None where only the
    central value ``bone_mm`` is known; ``drill_mm`` is how far the bur's centre travels.
    """

    clock_hour: float
    wall_angle_deg: float
    rim: Estimate
    bone_mm: float
    bone: Estimate | None
    far_side: str
    drill_mm: float | None
    p_breaks_out: float | None = None

    @property
    def goes_through(self) -> bool:
        """Whether open space was found behind it, and nothing else remains possible."""
        return all(space in OPEN_SPACES for space in spaces_of(self.far_side))


def sites_of_pair(sites: tuple[SiteResult, ...], pair: HolePair) -> tuple[SiteResult, ...]:
    """Fully assessed sites that are the holes of a pair."""
    entries = (pair.entry_1_lps, pair.entry_2_lps)
    return tuple(site for site in sites if min(math.dist(site.entry_lps, e) for e in entries) <= SAME_PLACE_MM)


def pair_holes(case: Case, pair: HolePair) -> tuple[PlannedHole, PlannedHole]:
    """Both holes of a pair.

    Parameters
    ----------
    case
        With results that hold the pair.
    pair
        The pair.

    Returns
    -------
    tuple of two PlannedHole

    Raises
    ------
    Nothing.

    Notes
    -----
    Bone with an interval, far side and bur travel come from the site at that place where it was assessed as one; else
    the bone comes from the pair, far side and travel from the map's cell.
    """
    return _hole(case, pair, 0), _hole(case, pair, 1)


def _hole(case: Case, pair: HolePair, at: int) -> PlannedHole:
    entry = (pair.entry_1_lps, pair.entry_2_lps)[at]
    sites = case.results.sites if case.results else ()
    site = min(sites, key=lambda s: math.dist(s.entry_lps, entry), default=None)
    if site is not None and math.dist(site.entry_lps, entry) > SAME_PLACE_MM:
        site = None
    bone, far_side, drill = (pair.bones[at], NOT_KEPT, None)
    if site is not None:
        bone, far_side, drill = site.wall.to_first_gap, site.wall.far_side, site.drill_depth_mm
    else:
        cell = _cell(case, entry)
        if cell is not None:
            far_side, drill = cell.far_side, _travel(case, cell)
    return PlannedHole(
        pair.clock_hours[at],
        pair.wall_angles_deg[at],
        _by_hand(case, pair.rim_distances_mm[at], holes=1, rim=True),
        pair.thicknesses_mm[at] if bone is None else bone.value,
        bone,
        far_side,
        drill,
        pair.p_breaks_out[at] if pair.p_breaks_out is not None else None,
    )


def _cell(case: Case, entry: tuple[float, float, float]) -> ZoneCell | None:
    zone = case.results.zone if case.results else ()
    there = (c for c in zone if c.entry_lps is not None and math.dist(c.entry_lps, entry) <= SAME_CELL_MM)
    return next(there, None)


def _travel(case: Case, cell: ZoneCell) -> float | None:
    if cell.to_exit_mm is None or cell.angle_to_normal_deg is None:
        return None
    from ctmeasure.planning.drilling.envelope import drill_depth_mm

    return float(drill_depth_mm(cell.to_exit_mm, cell.angle_to_normal_deg, settings=case.settings))


def pair_span(case: Case, pair: HolePair) -> Estimate:
    """Distance between the entry points as a hand will make it: each hole with its own doubt of placement.

    Raises
    ------
    Nothing.
    """
    return _by_hand(case, pair.span_mm, holes=2, rim=False)


def _by_hand(case: Case, value: float, *, holes: int, rim: bool) -> Estimate:
    """A planned distance along the wall with the doubt of drilling it there."""
    from ctmeasure.planning.drilling.by_hand import by_hand

    rim_u_mm = placed_u_mm(case, "annulus") if rim else None
    return by_hand(value, settings=case.settings, holes=holes, rim_u_mm=rim_u_mm)


def behind_words(hole: PlannedHole) -> str:
    """What is behind a hole, and whether it goes right through the bone.

    Raises
    ------
    Nothing.
    """
    if hole.goes_through:
        return f"right through the bone into the {hole.far_side}"
    if hole.far_side in (NOT_KEPT, ""):
        return "behind the bone: not assessed"
    if hole.far_side == NO_EXIT:
        return "no exit from the bone found within reach: not right through"
    if names_any(hole.far_side, OPEN_SPACES):
        return f"behind the bone: {hole.far_side}; whether it goes right through is not sure"
    return f"behind the bone: {hole.far_side}, no open space"
