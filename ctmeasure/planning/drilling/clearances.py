"""Clearance rows of one hole: every structure and any of them on the same draws, each with its budget."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.bores import Bores
from ctmeasure.planning.drilling.joint import LEAST_GAP_REACH_MM, clearance_estimate, joint_gaps
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.probability import BLOCK, clopper_pearson_arrays
from ctmeasure.planning.drilling.risk import StructureRisk
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.planning.drilling.verdict import structure_verdict
from ctmeasure.planning.results import ANY, Clearance
from ctmeasure.uncertainty.estimate import Contribution

Floats = NDArray[np.float64]

SETTLED_BLOCKS = 2
"""Blocks of draws for the interval of a clearance to a structure so far away that a bound settles its verdict."""
SETTLED_SHARE = 125
"""Of each of these, so many draws for every block of the others: a dragged hole spares some here too."""
BOUND_FLAG = "probabilities are proven upper bounds, not drawn"
NO_END_FLAG = "where the wall ends is not known"
HAND_SOURCES = (
    "hole placement along the canal",
    "hole placement around the canal",
    "wall surface",
    "skid",
    "drill angle",
    "drill angle across",
    "exit depth",
)


def hole_clearances(
    scene: Scene, places: Places, risks: tuple[StructureRisk, ...], *, blocks: int
) -> tuple[tuple[Clearance, ...], Clearance | None]:
    """Rows of all structures and of any, on shared draws; structures that a bound settles are not counted by draws.

    Parameters
    ----------
    scene, places, risks
        The ear, one place, and its risks (drawn until decided).
    blocks
        Blocks of draws for the intervals (JCGM 101 clause 7.9 starts from 10,000 draws).

    Returns
    -------
    rows, any
        One row a structure; and the row of any, None where nothing with a known surface is marked.

    Raises
    ------
    GeometryError
        When the bore's path is not finite.
    """
    known = [risk for risk in risks if risk.obstacle.measured]
    total = max([blocks, *(int(risk.draws[0]) // BLOCK for risk in known)])
    least_mm = min((float(risk.central_mm[0]) for risk in known), default=np.inf)
    settled, exact = min(SETTLED_SHARE * blocks, BLOCK), dict[str, Floats]()
    for risk in known:
        full = risk.draws[0] > 0 or risk.central_mm[0] <= least_mm + LEAST_GAP_REACH_MM
        exact[risk.obstacle.id] = joint_gaps(
            places.bores, [risk.obstacle], doubts=scene.doubts, bur_radius_mm=scene.settings.bur_radius_mm,
            blocks=range(blocks if full else SETTLED_BLOCKS), draws=BLOCK if full else settled,
        )[0]  # fmt: skip
    drawn = [risk for risk in known if risk.draws[0] > 0]
    counts, draws = _counts(scene, places.bores, drawn, exact, blocks, total)
    rows = tuple(_row(scene, places, risk, exact, counts, draws) for risk in risks)
    if not known:
        return rows, None
    least = np.full(blocks * BLOCK, least_mm + LEAST_GAP_REACH_MM)
    for gaps in exact.values():
        if len(gaps) == len(least):
            least = np.minimum(least, gaps)
    bound_only = [risk for risk in known if risk.draws[0] == 0]
    p_any = [
        min(count / max(draws, 1) + sum(float(getattr(risk, bound)[0]) for risk in bound_only), 1.0)
        for count, bound in zip(counts[ANY], ("p_contact", "p_below"), strict=True)
    ]
    any_row = Clearance(
        ANY, clearance_estimate(least_mm, least, scene.seed, ()), p_any[0], p_any[1], None, None, "not assessed", draws
    )
    return rows, any_row


def _row(
    scene: Scene,
    places: Places,
    risk: StructureRisk,
    exact: dict[str, Floats],
    counts: dict[str, tuple[int, int]],
    draws: int,
) -> Clearance:
    central, margin = float(risk.central_mm[0]), float(risk.margin_mm[0])
    name, verdict, flags = risk.obstacle.id, risk.verdicts[0], risk.flags(0)
    if not risk.obstacle.measured:
        return Clearance(name, None, None, None, margin, risk.accepted_risk, verdict, 0, flags)
    p_contact, p_below = float(risk.p_contact[0]), float(risk.p_below[0])
    if name in counts:
        contact, below = counts[name]
        p_contact, p_below = contact / draws, below / draws
        upper = float(clopper_pearson_arrays(np.array([below]), draws)[1][0])
        verdict = structure_verdict(
            central, margin, p_contact=p_contact, upper_below_margin=upper, accepted_risk=risk.accepted_risk
        )
    budget = clearance_budget(scene, places.bores, risk.obstacle, central)
    return Clearance(
        name, clearance_estimate(central, exact[name], scene.seed, budget), p_contact, p_below, margin,
        risk.accepted_risk, verdict, draws if name in counts else 0,
        (*flags, *(() if name in counts else (BOUND_FLAG,))),
    )  # fmt: skip


def _counts(
    scene: Scene, bores: Bores, drawn: list[StructureRisk], exact: dict[str, Floats], blocks: int, total: int
) -> tuple[dict[str, tuple[int, int]], int]:
    """Contacts and broken margins among the same draws for every structure that needs draws, and of any."""
    if not drawn:
        return {ANY: (0, 0)}, 0
    limits = np.stack([np.zeros(len(drawn)), [float(risk.margin_mm[0]) for risk in drawn]])
    count = np.zeros((2, len(drawn) + 1), np.int64)
    for number in range(total):
        if number < blocks:
            part = slice(number * BLOCK, (number + 1) * BLOCK)
            gaps = np.stack([exact[risk.obstacle.id][part] for risk in drawn])
        else:
            gaps = np.stack(
                [
                    scene.doubts.gaps(
                        bores, risk.obstacle, number, bur_radius_mm=scene.settings.bur_radius_mm,
                        limit_mm=risk.margin_mm,
                    )[0]
                    for risk in drawn
                ]
            )  # fmt: skip
        hit = gaps[None] < limits[:, :, None]
        count[:, :-1] += hit.sum(axis=2)
        count[:, -1] += hit.any(axis=1).sum(axis=1)
    names = [*(risk.obstacle.id for risk in drawn), ANY]
    return {name: (int(count[0, n]), int(count[1, n])) for n, name in enumerate(names)}, total * BLOCK


def clearance_budget(scene: Scene, bores: Bores, obstacle: Obstacle, central: float) -> tuple[Contribution, ...]:
    """What each doubt adds to a clearance: half the change between plus and minus one standard deviation of it.

    Parameters
    ----------
    scene
        The ear.
    bores
        One bore.
    obstacle
        One structure.
    central
        Its central clearance, mm.

    Returns
    -------
    tuple of Contribution
        Largest first.

    Raises
    ------
    GeometryError
        When the bore's path is not finite.
    """
    half = _half_changes(scene, bores, obstacle)[0]
    scale = _scale_u_mm(scene, np.array([central]))[0]
    lines = [Contribution(name, float(u)) for name, u in zip(HAND_SOURCES, half, strict=True)]
    lines.append(Contribution(f"surface of {obstacle.label}", obstacle.surface_u_mm))
    lines.append(Contribution("scanner scale", float(scale)))
    if scene.doubts.registration_u_mm > 0.0:
        lines.append(Contribution("registration", scene.doubts.registration_u_mm))
    return tuple(sorted(lines, key=lambda line: -line.standard_uncertainty))


def _half_changes(scene: Scene, bores: Bores, obstacle: Obstacle) -> Floats:
    """Half the change of each clearance between plus and minus one standard deviation of the hand, one column each."""
    from ctmeasure.kernels.drilling import HAND_COLUMNS, drawn_gaps

    hand = np.concatenate([np.eye(HAND_COLUMNS), -np.eye(HAND_COLUMNS)])
    none = np.zeros(len(hand))
    n = len(bores)
    gaps = np.empty((n, len(hand)))
    drawn_gaps(
        bores.vectors, bores.depth, bores.sd, hand, np.zeros((len(hand), 3)), none, none + 1.0,
        scene.settings.bur_radius_mm, np.full(n, np.inf), np.full(n, -np.inf), *obstacle.elements, gaps, 0, gaps.size,
    )  # fmt: skip
    return np.asarray(np.abs(gaps[:, :HAND_COLUMNS] - gaps[:, HAND_COLUMNS:]) / 2.0)


def _scale_u_mm(scene: Scene, central_mm: Floats) -> Floats:
    return scene.settings.scanner_scale_u * (np.maximum(central_mm, 0.0) + scene.settings.bur_radius_mm)


def clearance_u_mm(scene: Scene, bores: Bores, risks: tuple[StructureRisk, ...], which: NDArray[np.intp]) -> Floats:
    """Standard uncertainty of one clearance a bore: root sum of squares of its budget, as `clearance_budget` gives it.

    Parameters
    ----------
    scene
        The ear.
    bores
        n bores.
    risks
        Every structure.
    which
        Shape (n,): the structure whose clearance is asked for, -1 for none.

    Returns
    -------
    numpy.ndarray
        Shape (n,), mm; NaN where none is asked for, or its radius is not known.

    Raises
    ------
    GeometryError
        When a bore's path is not finite.
    """
    found = np.full(len(bores), np.nan)
    for turn, risk in enumerate(risks):
        rows = np.flatnonzero(which == turn)
        if len(rows) and risk.obstacle.measured:
            half = _half_changes(scene, bores.take(rows), risk.obstacle)
            rest = _scale_u_mm(scene, risk.central_mm[rows]) ** 2 + scene.doubts.registration_u_mm**2
            found[rows] = np.sqrt((half**2).sum(axis=1) + risk.obstacle.surface_u_mm**2 + rest)
    return found


def unknown_clearances(risks: tuple[StructureRisk, ...]) -> tuple[Clearance, ...]:
    """Rows of a hole whose end is not known: not assessed."""
    return tuple(
        Clearance(
            risk.obstacle.id, None, None, None, float(risk.margin_mm[0]), risk.accepted_risk, "not assessed", 0,
            (*risk.obstacle.flags, NO_END_FLAG),
        )
        for risk in risks
    )  # fmt: skip
