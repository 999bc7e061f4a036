"""Published ranges: for plausibility only, never a limit for one patient."""

from __future__ import annotations

from ctmeasure.anatomy.tabledata import table_rows

OUT_OF_RANGE_WORDS = "outside published range"
"""How the flag begins."""


def range_flag(measurand_id: str, value: float) -> str:
    """A plausibility flag when a value lies outside the published range of its measurand, else an empty string.

    Example
    -------
    >>> range_flag("stapes_height", 6.0)
    'outside published range 2.5 to 4 mm (Calligas & Todd 2018, Ear Nose Throat J 97:116-121): plausibility only'
    >>> range_flag("stapes_height", 3.4)
    ''
    """
    for row in table_rows("published_ranges.csv"):
        if row["measurand"] == measurand_id and row["low"] and row["high"]:
            low, high = float(row["low"]), float(row["high"])
            if not low <= value <= high:
                return f"{OUT_OF_RANGE_WORDS} {low:g} to {high:g} {row['unit']} ({row['source']}): plausibility only"
    return ""
