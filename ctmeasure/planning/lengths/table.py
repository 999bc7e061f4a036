"""The sizes to have on the table: the smallest run that holds a fitting one often enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ctmeasure.planning.results import LengthRow

TABLE_COVERAGE = 0.95
GENERIC_NAME = "generic steps (no maker)"
"""Name of the shipped catalogue."""
CHOSEN_FLAG = "chosen by the surgeon"
"""Flag of the rows of what the surgeon chose."""


@dataclass(frozen=True, slots=True)
class TableSet:
    """The smallest run of neighbouring sizes that holds a fitting one often enough, for one span."""

    reconstruction: str
    geometry: str
    lateral_contact: str
    medial_contact: str
    sizes_mm: tuple[float, ...]
    coverage: float


def table_set(rows: Sequence[LengthRow]) -> TableSet | None:
    """The smallest run of neighbouring sizes that holds a fitting one with 95 %, and what it covers.

    Parameters
    ----------
    rows
        Size rows of one implant between the same contacts; sizes that were refused (no rank) are left out.

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
