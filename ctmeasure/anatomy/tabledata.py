"""Read the small tables shipped beside this module; a new landmark or structure is a new row there."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources


@cache
def table_rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of one shipped table, as text.

    Parameters
    ----------
    name
        File name in ``ctmeasure/anatomy/tables``, for example ``"landmarks.csv"``.

    Returns
    -------
    tuple of dict
        One dictionary a row, keyed by the header.

    Raises
    ------
    FileNotFoundError
        If no table of that name is shipped.

    Example
    -------
    >>> table_rows("structures.csv")[0]["id"]
    'facial_nerve'
    """
    text = resources.files("ctmeasure.anatomy").joinpath("tables", name).read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))
