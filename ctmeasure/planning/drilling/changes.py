"""What would change the answer: for the clearances that decide, the doubts that dominate, and each of them halved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ctmeasure.planning.drilling.bores import TRAVEL, Bores
from ctmeasure.planning.drilling.joint import joint_gaps
from ctmeasure.planning.drilling.probability import Doubts, clopper_pearson_arrays
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.planning.drilling.verdict import structure_verdict
from ctmeasure.planning.results import Change, Clearance, Verdict
from ctmeasure.uncertainty.estimate import Estimate

LARGEST_DOUBTS = 3
"""Doubts looked at, from the largest; the rest add little to a root sum of squares."""
STRUCTURES = 2
CHANGE_BLOCKS = 8
"""Blocks of draws: 8,000 without an event show under 1 in 1000."""
SD_COLUMNS = {
    "hole placement": slice(0, 1),
    "wall surface": slice(1, 2),
    "skid": slice(2, 3),
    "drill angle": slice(3, 4),
    "exit depth": TRAVEL,
}
"""Columns of `Bores.sd` by the doubt's name."""
ACTIONS = {
    "hole placement": "place the rim again and measure the place in the ear from two marks",
    "wall surface": "thinner or sharper slices",
    "skid": "start squarer to the wall, or with a smaller bur",
    "drill angle": "rest the hand; check the direction against a second mark",
    "exit depth": "thinner or sharper slices",
    "scanner scale": "check the scanner's length scale on a phantom",
    "registration": "mark the structures on this very scan",
}


def changes(scene: Scene, bores: Bores, clearances: Sequence[Clearance]) -> tuple[Change, ...]:
    """What halving each of the largest doubts would do to the clearances that decide about a hole.

    Parameters
    ----------
    scene
        The ear.
    bores
        One bore.
    clearances
        Its rows, with budgets.

    Returns
    -------
    tuple of Change
        For at most two structures, riskiest first; largest doubt first. Empty where everything is settled by a bound.

    Raises
    ------
    GeometryError
        When the bore's path is not finite.

    Notes
    -----
    Drawn again with one standard deviation halved, everything else as it was and on the same draws, so that the
    difference is that of the doubt and not of chance.
    """
    known = {obstacle.id: obstacle for obstacle in scene.obstacles}
    open_rows = [row for row in clearances if row.estimate is not None and row.draws > 0]
    open_rows.sort(key=lambda row: -(row.p_below_margin or 0.0) / (row.accepted_risk or 1.0))
    found = []
    for row in open_rows[:STRUCTURES]:
        assert row.estimate is not None
        obstacle = known[row.structure]
        now = _outcome(scene, bores, obstacle, scene.doubts, row)
        for doubt, u in _grouped(row.estimate)[:LARGEST_DOUBTS]:
            halved = _halved(bores, obstacle, scene.doubts, doubt)
            then = _outcome(scene, halved[0], halved[1], halved[2], row)
            action = ACTIONS.get(doubt) or _surface_action(obstacle)
            found.append(
                Change(row.structure, doubt, u, now[0], then[0], now[1], then[1], row.verdict, then[2], action)
            )
    return tuple(found)


def change_words(change: Change) -> str:
    """One line for people.

    Example
    -------
    >>> change_words(Change("facial_nerve", "hole placement", 0.5, 0.6, 0.4, 0.03, 0.004, "caution", "caution", "x"))
    'hole placement (0.50 mm): halved, P(under the margin) falls from 3.0 % to 0.4 %; x'
    """
    verdict = "" if change.verdict == change.verdict_halved else f", and the verdict is {_words(change.verdict_halved)}"
    return (
        f"{change.doubt} ({change.doubt_u_mm:.2f} mm): halved, P(under the margin) {_moves(change)} from "
        f"{_percent(change.p_below_margin)} to {_percent(change.p_halved)}{verdict}; {change.action}"
    )


def changes_something(change: Change) -> bool:
    """Whether halving the doubt changes what is printed: the probability in words, or the verdict.

    Example
    -------
    >>> changes_something(Change("facial_nerve", "skid", 0.5, 0.6, 0.4, 0.0004, 0.0002, "caution", "caution", "x"))
    False
    """
    said = _percent(change.p_below_margin) != _percent(change.p_halved)
    return said or change.verdict != change.verdict_halved


def _moves(change: Change) -> str:
    return "falls" if change.p_halved <= change.p_below_margin else "rises"


def _words(verdict: str) -> str:
    return "margin kept" if verdict == "clear" else verdict


def _percent(p: float) -> str:
    if p > 0.999:
        return ">99.9 %"
    return "<1 in 1000" if p < 0.001 else f"{100.0 * p:.1f} %"


def _grouped(estimate: Estimate) -> list[tuple[str, float]]:
    """Doubts of a budget with their parts put together, largest first."""
    total: dict[str, float] = {}
    for line in estimate.budget:
        name = next((key for key in SD_COLUMNS if line.source.startswith(key)), line.source)
        total[name] = float(np.hypot(total.get(name, 0.0), line.standard_uncertainty))
    return sorted(total.items(), key=lambda item: -item[1])


def _halved(bores: Bores, obstacle: Obstacle, doubts: Doubts, doubt: str) -> tuple[Bores, Obstacle, Doubts]:
    if doubt in SD_COLUMNS:
        sd = bores.sd.copy()
        sd[:, SD_COLUMNS[doubt]] *= 0.5
        return replace(bores, sd=sd), obstacle, doubts
    if doubt == "scanner scale":
        return bores, obstacle, replace(doubts, scale_u=0.5 * doubts.scale_u)
    if doubt == "registration":
        return bores, obstacle, replace(doubts, registration_u_mm=0.5 * doubts.registration_u_mm)
    return bores, replace(obstacle, surface_u_mm=0.5 * obstacle.surface_u_mm), doubts


def _outcome(
    scene: Scene, bores: Bores, obstacle: Obstacle, doubts: Doubts, row: Clearance
) -> tuple[float, float, Verdict]:
    """Standard uncertainty, P(under the margin) and verdict of a clearance."""
    gaps = joint_gaps(
        bores, [obstacle], doubts=doubts, bur_radius_mm=scene.settings.bur_radius_mm, blocks=range(CHANGE_BLOCKS)
    )[0]  # fmt: skip
    assert row.margin_mm is not None
    assert row.accepted_risk is not None
    assert row.estimate is not None
    below = int((gaps < row.margin_mm).sum())
    verdict = structure_verdict(
        row.estimate.value, row.margin_mm, p_contact=float((gaps < 0.0).mean()),
        upper_below_margin=float(clopper_pearson_arrays(np.array([below]), len(gaps))[1][0]),
        accepted_risk=row.accepted_risk,
    )  # fmt: skip
    return float(np.std(gaps)), below / len(gaps), verdict


def _surface_action(obstacle: Obstacle) -> str:
    if not obstacle.confirmed and not obstacle.is_patch:
        return f"let a person confirm this stretch of the {obstacle.label}"
    return f"mark the {obstacle.label} again near the hole, on thinner slices"
