"""Which reconstruction answers "How long?", and its sizes on the table in words."""

from __future__ import annotations

from itertools import pairwise

from ctmeasure.case.words import probability_words
from ctmeasure.planning.lengths.table import CHOSEN_FLAG, TableSet
from ctmeasure.planning.results import LengthRow, PlanResult

SIZES_SPELLED = 5
"""A longer run of sizes is written as a range."""


def chosen_lengths(result: PlanResult) -> tuple[LengthRow, ...]:
    """The size rows that answer "How long?": what the surgeon chose, else the first reconstruction with a known length.

    As planned if it can be; of the first catalogue that has a size for it, and of that the implant whose best size is
    likeliest to fit. When the reconstruction has no size the answer is that it has none, not the size of another.
    """
    chosen = [r for r in result.lengths if CHOSEN_FLAG in r.flags]
    for reconstruction in ("total", "partial", "piston", "handle"):
        known = [r for r in chosen or result.lengths if r.reconstruction == reconstruction and r.needed is not None]
        for geometry in ("as planned", "as it lies on this scan"):
            rows = [r for r in known if r.geometry == geometry and r.size_mm is not None]
            best = min(rows, key=lambda r: r.rank if r.rank is not None else 10**6, default=None)
            if best is not None:
                contacts = (best.lateral_contact, best.medial_contact)
                same = [r for r in rows if (r.lateral_contact, r.medial_contact) == contacts]
                same = [r for r in same if r.catalogue == same[0].catalogue]
                likeliest = max((r for r in same if r.rank is not None), key=lambda r: r.p_fits or 0.0, default=same[0])
                return tuple(r for r in same if r.implant == likeliest.implant)
        if known:
            return ()
    return ()


def table_words(table: TableSet) -> str:
    """The sizes on the table in words, a long run as a range, and what they cover.

    Example
    -------
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
