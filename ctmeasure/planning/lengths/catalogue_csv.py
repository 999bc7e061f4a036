"""A catalogue from a spreadsheet's CSV: one line a size; lines of one name and reconstruction become one implant."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from typing import Any

from ctmeasure.errors import TableError
from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.lengths.catalogue_check import MEASURES_MM, ROW_KEYS, TEXTS, Place
from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_mapping

COLUMNS = tuple(key for key in sorted(ROW_KEYS) if key not in ("from_mm", "to_mm", "step_mm"))
"""Columns that may stand in the header; ``reconstruction`` and ``label_mm`` must."""
PER_SIZE = ("label_mm", "functional_mm")
"""Columns that may differ from line to line of one implant."""
NUMBERS = frozenset(("label_mm", "functional_mm", "offset_mm", *MEASURES_MM))
WORDS = {"true": True, "yes": True, "false": False, "no": False}
_WITH_UNIT = re.compile(r"^[-+]?\d+([.,]\d+)?\s*([A-Za-zµ]+)$")


def catalogue_from_csv(text: str, *, name: str, file: str = "") -> Catalogue:
    """A catalogue from CSV text.

    Parameters
    ----------
    text
        Header row, comma between cells, decimal point, bare millimetres.
    name
        Name of the catalogue.
    file
        Name of the text, for messages.

    Returns
    -------
    Catalogue

    Raises
    ------
    TableError
        For a column, cell or unit that is not understood, and lines of one implant that contradict each other; with
        the line.
    ctmeasure.errors.SettingsError
        For what no catalogue may say.

    Example
    -------
    >>> text = "name,reconstruction,label_mm,offset_mm\\nA,total,4.0,0.2\\nA,total,4.5,0.2\\n"
    >>> [round(size.functional_mm, 3) for size in catalogue_from_csv(text, name="shelf").of("total")]
    [4.2, 4.7]
    """
    named = f"'{file}'" if file else "the table"
    reader = csv.reader(text.splitlines())
    header = [cell.strip() for cell in next(reader, [])]
    _refuse_header(named, header)
    groups: dict[tuple[str, str], tuple[Place, dict[str, Any]]] = {}
    for line, cells in enumerate(reader, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            raise TableError(
                f"{named} line {line} has {len(cells)} cells", expected=f"{len(header)} as in the header",
                action="use a decimal point, not a comma",
            )  # fmt: skip
        row = {key: cell.strip() for key, cell in zip(header, cells, strict=False) if cell.strip()}
        values = {key: _value(f"{named} line {line}", key, cell) for key, cell in row.items()}
        _join(groups, f"{named} line {line}", line, file, values)
    rows = [row for _, row in groups.values()]
    places = [place for place, _ in groups.values()]
    if not rows:
        raise TableError(f"{named} has no size", expected="one line a size under the header")
    return catalogue_from_mapping({"name": name, "size": rows}, places=places, file=file)


def _refuse_header(named: str, header: list[str]) -> None:
    missing = [key for key in ("reconstruction", "label_mm") if key not in header]
    if missing:
        found = ",".join(header) or "(none)"
        separated = any(mark in found for mark in (";", "\t", "|"))
        action = "save it with commas between the cells" if separated else f"add {missing[0]}"
        raise TableError(f"{named} has header {found}", expected=f"column {missing[0]}", action=action)
    twice = next((key for key in header if header.count(key) > 1), None)
    if twice is not None:
        raise TableError(f"{named} has column {twice} twice", expected="each column once")
    unknown = next((key for key in header if key not in COLUMNS), None)
    if unknown is not None:
        raise TableError(
            f"{named} has column '{unknown}'", expected=", ".join(COLUMNS), action="rename it; lengths in millimetres"
        )


def _value(where: str, key: str, cell: str) -> Any:
    if key in TEXTS or key in ("reconstruction", "label_is"):
        return cell
    if key == "trimmable":
        if cell.lower() not in WORDS:
            raise TableError(f"{where} has trimmable '{cell}'", expected="true or false")
        return WORDS[cell.lower()]
    assert key in NUMBERS
    try:
        return float(cell)
    except ValueError:
        unit = _WITH_UNIT.match(cell)
        action = f"take the unit '{unit.group(2)}' out and give millimetres in every line" if unit else "correct it"
        raise TableError(
            f"{where} has {key} '{cell}'", expected="millimetres, as a bare number", action=action
        ) from None


def _join(
    groups: dict[tuple[str, str], tuple[Place, dict[str, Any]]],
    where: str,
    line: int,
    file: str,
    values: Mapping[str, Any],
) -> None:
    """Add one line to the implant it belongs to."""
    missing = next((key for key in ("reconstruction", "label_mm") if key not in values), None)
    if missing is not None:
        raise TableError(f"{where} has no {missing}", expected="reconstruction and label_mm in every line")
    key = (values["reconstruction"], values.get("name", ""))
    if key not in groups:
        row = {k: [v] if k in PER_SIZE else v for k, v in values.items()}
        groups[key] = (Place(len(groups) + 1, line, None, file), row)
        return
    row = groups[key][1]
    if values["label_mm"] in row["label_mm"]:
        raise TableError(f"{where}: size {values['label_mm']:g} of '{key[1]}' given twice", action="give it once")
    for name in sorted(set(row) | set(values)):
        if name in PER_SIZE:
            if (name in row) != (name in values):
                raise TableError(f"{where} differs in '{name}': some lines of '{key[1]}' have it and some not")
            row[name] = [*row[name], values[name]]
        elif row.get(name) != values.get(name):
            raise TableError(
                f"{where} has {name} {values.get(name, '(empty)')!r}, an earlier line of '{key[1]}' "
                f"{row.get(name, '(empty)')!r}",
                expected="the same in every line of one implant",
                action="correct it, or give the implants different names",
            )
