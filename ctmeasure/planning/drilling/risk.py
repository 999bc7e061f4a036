"""Clearance, probability and verdict of many places at once: bounds first, draws only where they decide."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import in_stretch
from ctmeasure.anatomy.sectors import sectors
from ctmeasure.planning.drilling.bores import Bores
from ctmeasure.planning.drilling.far_words import naming_any
from ctmeasure.planning.drilling.needs import missing_needs
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.probability import (
    FEW_UPPER,
    SETTLED_BELOW,
    STRETCH_SHARE,
    clopper_pearson_arrays,
    count_until_decided,
    displacement_bound,
    drawn_out,
)
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.structures import EDGE_FLAG, END_FLAG, Obstacle
from ctmeasure.planning.drilling.verdict import KEEP_OUT_FAR_SIDES, is_posterior, structure_verdicts
from ctmeasure.planning.results import Verdict
from ctmeasure.progress import Progress, no_progress

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

UNMEASURED_NEAR_MM = 6.0
"""A centre line without radius this near is a structure whose gap nobody knows: not assessed."""


@dataclass(frozen=True, slots=True, eq=False)
class StructureRisk:
    """One structure against n places; NaN and "not assessed" where the bur path is unknown.

    ``p_contact`` and ``p_below`` are shares of the draws (0 where none of them had the event), ``upper_contact`` and
    ``upper_below`` their Clopper-Pearson upper limits; where ``draws`` is 0 all are proven bounds. ``upper_below`` is
    what decides ``clear``.
    """

    obstacle: Obstacle
    central_mm: Floats
    margin_mm: Floats
    accepted_risk: float
    p_contact: Floats
    p_below: Floats
    upper_contact: Floats
    upper_below: Floats
    draws: NDArray[np.int64]
    at_edge: Bools
    verdicts: tuple[Verdict, ...]

    def flags(self, index: int) -> tuple[str, ...]:
        """Flags of one place."""
        words = list(self.obstacle.flags)
        if self.at_edge[index]:
            if not self.obstacle.is_patch:
                words.append(END_FLAG)
            else:
                words.append(EDGE_FLAG)
        return tuple(words)

    @property
    def heard(self) -> Bools:
        """`counts` of every place."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.obstacle.measured | (self.central_mm < UNMEASURED_NEAR_MM))

    def counts(self, index: int) -> bool:
        """Whether this structure has a say at a place: a centre line without radius only has one when it is near."""
        return self.obstacle.measured or bool(self.central_mm[index] < UNMEASURED_NEAR_MM)


def central_gaps(obstacle: Obstacle, places: Places, scene: Scene) -> tuple[Floats, Bools]:
    """Clearance with everything at its mean, and whether its nearest point is an edge; NaN without a bur path."""
    gap, edge = obstacle.gap_and_edge(places.bores.entry, places.bores.ends, bur_radius_mm=scene.settings.bur_radius_mm)
    return np.where(places.ends, gap, np.nan), edge & places.ends


def margins(obstacle: Obstacle, places: Places, scene: Scene) -> Floats:
    """Margin of a structure at each place, larger for the facial canal on the posterior wall."""
    behind, elsewhere = (scene.settings.margin_mm(obstacle.margin_key, posterior=where) for where in (True, False))
    return np.where(is_posterior(places.wall_angle_deg), behind, elsewhere)


def structure_risks(
    scene: Scene, places: Places, *, missing: Bools | None, maximum: int, progress: Progress = no_progress
) -> tuple[StructureRisk, ...]:
    """Risk of every marked structure at every place.

    Parameters
    ----------
    scene, places
        The ear and the places.
    missing
        Places that a needed structure makes "not assessed" anyway: few draws there. None: every structure of every
        place is drawn until it is decided (or settled by a bound), whatever the others say.
    maximum
        Draws at most.
    progress
        Called for each structure; may cancel.

    Returns
    -------
    tuple of StructureRisk

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    looks = [central_gaps(obstacle, places, scene) for obstacle in scene.obstacles]
    central = [gap for gap, _ in looks]
    margin = [margins(obstacle, places, scene) for obstacle in scene.obstacles]
    # Where one structure's central gap is under its margin the verdict is settled: that structure gets few draws, to
    # have a number to show, and the others where they may be likelier. A joint, dura or vein behind settles it too.
    lost = few = np.zeros(len(places), np.bool_)
    if missing is not None:
        with np.errstate(invalid="ignore"):
            lost = np.any([c < m for c, m in zip(central, margin, strict=True)], axis=0) if central else missing
        few = missing | lost | naming_any(places.far_side, KEEP_OUT_FAR_SIDES)
    found, spared = [], []
    for turn, obstacle in enumerate(scene.obstacles):
        progress(f"clearance: {obstacle.label}", turn / max(len(scene.obstacles), 1))
        numbers = _Numbers.unknown(len(places))
        rows = np.flatnonzero(places.ends) if obstacle.measured else np.zeros(0, np.intp)
        if len(rows):
            rows = _bound(numbers, scene, places, obstacle, rows, central[turn], margin[turn], few)
            waits = lost[rows] & (central[turn][rows] >= margin[turn][rows])
            _draw(numbers, scene, places, obstacle, rows[~waits], margin[turn], few, maximum)
            rows = rows[waits]
        found.append(numbers)
        spared.append(rows)
    for turn, rows in enumerate(_maybe_likelier(found, spared, len(places))):
        _draw(found[turn], scene, places, scene.obstacles[turn], rows, margin[turn], few, maximum)
    return tuple(
        _risk(scene, obstacle, *looks[turn], margin[turn], found[turn]) for turn, obstacle in enumerate(scene.obstacles)
    )


def _maybe_likelier(found: list[_Numbers], spared: list[NDArray[np.intp]], count: int) -> Iterator[NDArray[np.intp]]:
    """Of each structure's places without draws, those where its bound leaves it likelier than all that were drawn."""
    contact, below = np.full(count, FEW_UPPER), np.zeros(count)
    for numbers in found:
        drawn = numbers.draws > 0
        contact = np.where(drawn, np.fmax(contact, numbers.p_contact), contact)
        below = np.where(drawn, np.fmax(below, numbers.p_below), below)
    for numbers, rows in zip(found, spared, strict=True):
        yield rows[(numbers.p_contact[rows] > contact[rows]) | (numbers.p_below[rows] > below[rows])]


def _risk(
    scene: Scene, obstacle: Obstacle, central: Floats, edge: Bools, margin: Floats, found: _Numbers
) -> StructureRisk:
    risk = scene.settings.accepted_risk(obstacle.risk_key)
    verdicts = structure_verdicts(
        central, margin, p_contact=found.rule_contact, upper_below_margin=found.upper_below, accepted_risk=risk,
        measured=obstacle.measured,
    )  # fmt: skip
    return StructureRisk(
        obstacle, central, margin, risk, found.p_contact, found.p_below, found.upper_contact, found.upper_below,
        found.draws, edge, verdicts,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Numbers:
    """Probabilities of one structure at n places while they are found; ``rule_contact`` is what the rule looks at."""

    p_contact: Floats
    p_below: Floats
    upper_contact: Floats
    upper_below: Floats
    rule_contact: Floats
    draws: NDArray[np.int64]

    @classmethod
    def unknown(cls, n: int) -> _Numbers:
        p_contact, p_below, upper_contact, upper_below, rule = (np.full(n, np.nan) for _ in range(5))
        return cls(p_contact, p_below, upper_contact, upper_below, rule, np.zeros(n, np.int64))


def _bound(
    found: _Numbers,
    scene: Scene,
    places: Places,
    obstacle: Obstacle,
    rows: NDArray[np.intp],
    central: Floats,
    margin: Floats,
    few: Bools,
) -> NDArray[np.intp]:
    """Fill in proven bounds and give back the places that they do not settle by a wide margin.

    Where the verdict does not hang on this structure, a bound settles it that says no less than few draws without an
    event would.
    """
    risk = scene.settings.accepted_risk(obstacle.risk_key)
    bores, bur_mm = places.bores.take(rows), scene.settings.bur_radius_mm
    enough = np.where(few[rows], FEW_UPPER, SETTLED_BELOW * risk)

    def bounds(paths: Bores, gap: Floats, which: NDArray[np.intp]) -> Floats:
        return np.stack(
            [
                displacement_bound(
                    gap - limit, paths, obstacle=obstacle, doubts=scene.doubts, central_mm=gap, bur_radius_mm=bur_mm
                )
                for limit in (np.zeros(len(which)), margin[which])
            ]
        )

    def is_settled() -> Bools:
        return (below <= enough) & (contact <= risk)

    contact, below = bounds(bores, central[rows], rows)
    again = np.flatnonzero(~is_settled() & (central[rows] > margin[rows]))
    if len(again):
        tail = STRETCH_SHARE * np.minimum(enough[again], risk)
        long = drawn_out(bores.take(again), tail)
        gap = obstacle.gap_mm(long.entry, long.ends, bur_radius_mm=bur_mm)
        found_again = bounds(long, gap, rows[again]) + tail
        contact[again], below[again] = np.minimum([contact[again], below[again]], found_again)
    found.p_contact[rows] = found.upper_contact[rows] = contact
    found.p_below[rows] = found.upper_below[rows] = below
    settled = is_settled()
    found.rule_contact[rows] = np.where(settled, contact, 0.0)
    return rows[~settled]


def _draw(
    found: _Numbers,
    scene: Scene,
    places: Places,
    obstacle: Obstacle,
    rows: NDArray[np.intp],
    margin: Floats,
    few: Bools,
    maximum: int,
) -> None:
    """Fill in the places that need draws."""
    if len(rows) == 0:
        return
    counted = count_until_decided(
        places.bores.take(rows), obstacle, margins_mm=margin[rows],
        risk=scene.settings.accepted_risk(obstacle.risk_key), doubts=scene.doubts, settings=scene.settings,
        maximum=maximum, few=few[rows],
    )  # fmt: skip
    found.p_contact[rows], found.p_below[rows] = counted.contact / counted.draws, counted.below / counted.draws
    low, found.upper_contact[rows] = clopper_pearson_arrays(counted.contact, counted.draws)
    found.upper_below[rows] = clopper_pearson_arrays(counted.below, counted.draws)[1]
    # A few draws do not estimate a small probability: only a lower limit above the risk counts as contact.
    found.rule_contact[rows] = np.where(few[rows], low, found.p_contact[rows])
    found.draws[rows] = counted.draws


def missing_by_place(scene: Scene, places: Places) -> tuple[tuple[str, ...], ...]:
    """What each place's sector needs and lacks, in words.

    Where the bur path is unknown, coverage is asked for a path of the margin's length into the bone.
    """
    words: list[list[str]] = [[] for _ in range(len(places))]
    ends = np.where(places.ends[:, None], places.bores.ends, places.entry_lps + 2.0 * places.direction_lps)
    for sector in sectors():
        rows = np.flatnonzero(in_stretch(places.wall_angle_deg, sector.start_deg, sector.end_deg))
        if len(rows) == 0:
            continue
        lacking = missing_needs(
            sector, places.entry_lps[rows], q_lps=ends[rows], obstacles=scene.obstacles, structures=scene.structures,
            landmarks=scene.landmarks, facts=scene.facts, canal=scene.canal,
        )  # fmt: skip
        for need, mask in lacking.items():
            for row in rows[mask]:
                words[row].append(need)
    return tuple(tuple(w) for w in words)
