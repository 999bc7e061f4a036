"""Which reconstruction answers "How long?", and the sizes of it to have on the table."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from ctmeasure.case.words import probability_words
from ctmeasure.planning.results import LengthRow, PlanResult

if TYPE_CHECKING:
    from ctmeasure.planning.lengths.sizes import TableSet

SIZES_SPELLED = 5
"""A longer run of sizes is written as a range."""


def chosen_lengths(result: PlanResult) -> tuple[LengthRow, ...]:
    """The size rows that answer "How long?": of the first reconstruction with a known length, as planned if it can be.

    When that one has no size the answer is that it has none, not the size of another reconstruction.
    """
    for reconstruction in ("total", "partial", "piston", "handle"):
        known = [r for r in result.lengths if r.reconstruction == reconstruction and r.needed is not None]
        for geometry in ("as planned", "as it lies on this scan"):
            rows = [r for r in known if r.geometry == geometry and r.size_mm is not None]
            best = min(rows, key=lambda r: r.rank if r.rank is not None else 10**6, default=None)
            if best is not None:
                contacts = (best.lateral_contact, best.medial_contact)
                return tuple(r for r in rows if (r.lateral_contact, r.medial_contact) == contacts)
        if known:
            return ()
    return ()


def table_set(rows: Sequence[LengthRow]) -> TableSet | None:
    """The smallest run of neighbouring sizes that holds a fitting one with 95 %, and what it covers.

    Parameters
    ----------
    rows
        Size rows of one reconstruction, as from `chosen_lengths`; sizes that were refused (no rank) are left out.

    Returns
    -------
    TableSet or None
        None without a size. When even all sizes cover less, all of them with what they cover.

    Raises
    ------
    Nothing.

    Notes
    -----
    A row says which share of the needed lengths it fits: all but those that make it too long (the shortest, p_long)
    and too short (the longest, p_short). The shares of neighbours overlap and their union is taken, so the result
    holds for any distribution, fit window and conversion of a catalogue's labels.
    """
    from ctmeasure.planning.lengths.sizes import TABLE_COVERAGE, TableSet

    usable = sorted((row for row in rows if row.rank is not None), key=lambda row: row.size_mm or 0.0)
    for count in range(1, len(usable) + 1):
        runs = [usable[start : start + count] for start in range(len(usable) - count + 1)]
        best = max(runs, key=_covered)
        if _covered(best) >= TABLE_COVERAGE or count == len(usable):
            first = best[0]
            sizes = tuple(row.size_mm for row in best if row.size_mm is not None)
            return TableSet(
                first.reconstruction, first.geometry, first.lateral_contact, first.medial_contact, sizes, _covered(best)
            )
    return None


def _covered(run: Sequence[LengthRow]) -> float:
    """Share of the needed lengths that at least one size of a run fits."""
    total = reached = 0.0
    for row in run:
        start, end = max(row.p_long or 0.0, reached), 1.0 - (row.p_short or 0.0)
        if end > start:
            total, reached = total + end - start, end
    return total


def table_words(table: TableSet) -> str:
    """The sizes on the table in words, a long run as a range, and what they cover.

    Example
    -------
    >>> from ctmeasure.planning.lengths.sizes import TableSet
    >>> table_words(TableSet("total", "", "", "", (4.25, 4.5), 0.953))
    '4.25 4.50 (one of them fits with P 0.95)'
    >>> table_words(TableSet("total", "", "", "", tuple(3.5 + 0.25 * i for i in range(9)), 0.9996))
    '3.50 to 5.50 in steps of 0.25, 9 sizes (one of them fits with P >0.99)'
    """
    sizes = table.sizes_mm
    steps = {round(b - a, 3) for a, b in pairwise(sizes)}
    if len(sizes) > SIZES_SPELLED and len(steps) == 1:
        words = f"{sizes[0]:.2f} to {sizes[-1]:.2f} in steps of {steps.pop():.2f}, {len(sizes)} sizes"
    else:
        words = " ".join(f"{size:.2f}" for size in sizes)
    one = "it fits" if len(sizes) == 1 else "one of them fits"
    return f"{words} ({one} with P {probability_words(table.coverage)})"
