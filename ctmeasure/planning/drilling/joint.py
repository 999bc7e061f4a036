"""Several structures and several holes on the same draws: gaps, events of any, and the least gap with its spread."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.bores import Bores
from ctmeasure.planning.drilling.probability import BLOCK, Doubts
from ctmeasure.planning.drilling.structures import Obstacle
from ctmeasure.uncertainty.estimate import Contribution, Estimate

Floats = NDArray[np.float64]

LEAST_GAP_REACH_MM = 2.0
"""How far above its central value a least gap is followed, and how much farther a structure may lie to be drawn for it:
three times a typical standard uncertainty."""


def joint_gaps(
    bores: Bores,
    obstacles: Sequence[Obstacle],
    *,
    doubts: Doubts,
    bur_radius_mm: float,
    blocks: range,
    draws: int = BLOCK,
) -> Floats:
    """Drawn clearances of one bore to every structure on the same draws.

    Parameters
    ----------
    bores
        One bore.
    obstacles
        Structures.
    doubts
        What is drawn.
    bur_radius_mm
        Radius of the bur.
    blocks, draws
        Which blocks to draw, and how many draws of each.

    Returns
    -------
    numpy.ndarray
        Shape (structures, draws), mm.

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    parts = [
        np.stack([doubts.gaps(bores, o, number, bur_radius_mm=bur_radius_mm, draws=draws)[0] for o in obstacles])
        for number in blocks
    ]
    return np.concatenate(parts, axis=1) if parts else np.zeros((len(obstacles), 0))


def clearance_estimate(central: float, drawn: Floats, seed: int, budget: tuple[Contribution, ...]) -> Estimate:
    """A clearance with its spread from draws.

    Parameters
    ----------
    central
        Clearance at the mean geometry, mm: the value.
    drawn
        Drawn clearances, mm.
    seed
        Seed of the draws.
    budget
        What contributes.

    Returns
    -------
    Estimate

    Raises
    ------
    ctmeasure.uncertainty.estimate.EstimateError
        When a number is not finite.
    """
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Estimate(
        central, float(np.std(drawn)), float(low), float(high), "mm",
        "gap of the swept bur at the mean geometry; spread and interval by Monte Carlo", budget, (), len(drawn), seed,
    )  # fmt: skip


def any_events(
    holes: Sequence[Bores],
    obstacles: Sequence[Obstacle],
    *,
    limits_mm: Floats,
    open_: NDArray[np.bool_],
    doubts: Doubts,
    bur_radius_mm: float,
    blocks: int,
) -> NDArray[np.int64]:
    """How often any structure's clearance is under its limit for any hole of a plan, for many plans at once.

    Parameters
    ----------
    holes
        For each hole of a plan, the bores of all n plans.
    obstacles
        Structures.
    limits_mm
        Shape (holes, structures, n).
    open_
        Shape (holes, structures, n): which of them to draw; the others are settled by a bound.
    doubts
        What is drawn: each hole has its own hand, everything else is shared.
    bur_radius_mm
        Radius of the bur.
    blocks
        Number of blocks of draws.

    Returns
    -------
    numpy.ndarray
        Events, shape (n,), among ``blocks * BLOCK`` draws.

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    count = np.zeros(len(holes[0]), np.int64)
    draw = partial(
        _drawn, holes, obstacles, which=open_, limits_mm=limits_mm, doubts=doubts, bur_radius_mm=bur_radius_mm
    )
    for number in range(blocks):
        hit = np.zeros((len(holes[0]), BLOCK), np.bool_)
        for rows, limit, gaps in draw(number=number, only_below=True):
            hit[rows] |= gaps < limit[:, None]
        count += hit.sum(axis=1)
    return count


def least_gaps(
    holes: Sequence[Bores],
    obstacles: Sequence[Obstacle],
    *,
    centrals_mm: Floats,
    doubts: Doubts,
    bur_radius_mm: float,
    blocks: int,
) -> Floats:
    """Drawn clearance of all holes of a plan to whatever is nearest, for many plans at once.

    Parameters
    ----------
    holes
        For each hole of a plan, the bores of all n plans.
    obstacles
        Structures.
    centrals_mm
        Central clearances, shape (holes, structures, n).
    doubts
        What is drawn: each hole has its own hand, everything else is shared.
    bur_radius_mm
        Radius of the bur.
    blocks
        Number of blocks of draws.

    Returns
    -------
    numpy.ndarray
        Shape (n, draws), mm; cut off `LEAST_GAP_REACH_MM` above the central clearance, beyond its upper limit.

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    limit = centrals_mm.min(axis=(0, 1)) + LEAST_GAP_REACH_MM
    limits = np.broadcast_to(limit, centrals_mm.shape)
    near = centrals_mm <= limit
    draw = partial(_drawn, holes, obstacles, which=near, limits_mm=limits, doubts=doubts, bur_radius_mm=bur_radius_mm)
    parts = []
    for number in range(blocks):
        least = np.tile(limit[:, None], (1, BLOCK))
        for rows, _, gaps in draw(number=number, only_below=False):
            least[rows] = np.minimum(least[rows], gaps)
        parts.append(least)
    return np.concatenate(parts, axis=1)


def _drawn(
    holes: Sequence[Bores],
    obstacles: Sequence[Obstacle],
    *,
    which: NDArray[np.bool_],
    limits_mm: Floats,
    number: int,
    only_below: bool,
    doubts: Doubts,
    bur_radius_mm: float,
) -> Iterator[tuple[NDArray[np.intp], Floats, Floats]]:
    """Hole by hole and structure by structure: the plans to draw, their limits, and their gaps in one block of draws.

    With ``only_below`` it is enough to know that a gap lies under its limit.
    """
    for h, bores in enumerate(holes):
        for s, obstacle in enumerate(obstacles):
            rows = np.flatnonzero(which[h, s])
            if len(rows) == 0:
                continue
            limit = limits_mm[h, s, rows]
            gaps = doubts.gaps(
                bores.take(rows), obstacle, number, bur_radius_mm=bur_radius_mm, limit_mm=limit,
                enough_mm=limit if only_below else None, hole=h + 1,
            )  # fmt: skip
            yield rows, limit, gaps
