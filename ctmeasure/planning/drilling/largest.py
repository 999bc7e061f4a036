"""Of many structures at many places: the nearest, the one next to its margin, and the largest probability."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.risk import StructureRisk

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Least:
    """The least of something over the structures: which structure, and how much; -1, NaN without any.

    Arrays of shape (n,).
    """

    which: Rows
    value_mm: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Largest:
    """The largest probability of an event over the structures, arrays of shape (n,); NaN where none is known.

    ``p`` is the largest share of draws, or where ``is_limit`` an upper limit of them all: no draw of any structure had
    the event, or a structure settled by a proven bound may be likelier than the drawn ones. ``upper`` is always the
    largest upper limit. ``which`` is the structure with the largest share, -1 where ``is_limit``.
    """

    p: Floats
    upper: Floats
    is_limit: Bools
    which: Rows


def least_gap(risks: tuple[StructureRisk, ...], count: int) -> Least:
    """Least clearance at each of `count` places; of a near centre line without radius what it is at most."""
    return _least([np.where(risk.heard, risk.central_mm, np.nan) for risk in risks], count)


def least_over_margin(risks: tuple[StructureRisk, ...], count: int) -> Least:
    """Least of clearance less margin at each of `count` places."""
    return _least([risk.central_mm - risk.margin_mm if risk.obstacle.measured else None for risk in risks], count)


def _least(columns: list[Floats | None], count: int) -> Least:
    rows = [np.full(count, np.inf) if column is None else column for column in columns]
    stacked = np.stack([*rows, np.full(count, np.inf)])
    stacked = np.where(np.isfinite(stacked), stacked, np.inf)
    which, value = np.argmin(stacked, axis=0), stacked.min(axis=0)
    known = np.isfinite(value)
    return Least(np.where(known, which, -1), np.where(known, value, np.nan))


def largest_contact(risks: tuple[StructureRisk, ...], count: int) -> Largest:
    """Largest probability of contact at each of `count` places."""
    return _largest(risks, [(risk.p_contact, risk.upper_contact) for risk in risks], count)


def largest_below(risks: tuple[StructureRisk, ...], count: int) -> Largest:
    """Largest probability of less than the margin at each of `count` places."""
    return _largest(risks, [(risk.p_below, risk.upper_below) for risk in risks], count)


def _largest(risks: tuple[StructureRisk, ...], numbers: list[tuple[Floats, Floats]], count: int) -> Largest:
    if not risks:
        nothing = np.full(count, np.nan)
        return Largest(nothing, nothing, np.zeros(count, np.bool_), np.full(count, -1))
    p, upper = (np.stack(column) for column in zip(*numbers, strict=True))
    drawn = np.stack([risk.draws > 0 for risk in risks])
    # Numbers of one kind are ranked: shares of draws among themselves, bounds only against the largest of these.
    shares = np.where(drawn, p, 0.0)
    share = shares.max(axis=0)
    bound = np.nan_to_num(np.where(drawn, 0.0, p), nan=0.0).max(axis=0)
    limit = np.nan_to_num(upper, nan=-1.0).max(axis=0)
    known = limit >= 0.0
    is_limit = known & ((share <= 0.0) | (bound > share))
    value = np.where(known, np.where(is_limit, limit, share), np.nan)
    which = np.where(known & ~is_limit, np.argmax(shares, axis=0), -1)
    return Largest(value, np.where(known, limit, np.nan), is_limit, which)
