"""What the feedback knows about each landmark: along what it lies, which plane shows it, how it is usually missed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from ctmeasure.anatomy.tabledata import table_rows


@dataclass(frozen=True, slots=True)
class PracticeTerm:
    """One landmark's teaching row.

    ``along`` names the two landmarks of the reference whose line is the structure it lies on (empty: none);
    ``plane`` a recipe of `ctmeasure.anatomy.planes`; ``mistake`` the common mistake (common practice, no source).
    """

    id: str
    along: tuple[str, str] | None
    plane: str
    mistake: str


@lru_cache(maxsize=1)
def practice_terms() -> dict[str, PracticeTerm]:
    """Teaching rows of all landmarks.

    Example
    -------
    >>> practice_terms()["umbo"].along
    ('malleus_lateral_process', 'umbo')
    """
    found = {}
    for row in table_rows("practice.csv"):
        along = (row["along_from"], row["along_to"]) if row["along_from"] else None
        found[row["id"]] = PracticeTerm(row["id"], along, row["plane"], row["mistake"])
    return found
