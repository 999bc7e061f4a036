"""A catalogue from TOML, each complaint with its line, and back to TOML."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from ctmeasure.errors import SettingsError
from ctmeasure.planning.lengths.catalogue import Catalogue, Implant
from ctmeasure.planning.lengths.catalogue_check import (
    MEASURES_MM,
    TEXTS,
    Place,
    read_row,
    refuse_same_names,
    row_warnings,
)

SCHEMA = 1
"""Version of the catalogue's schema."""
TOP_KEYS = ("schema", "name", "source", "size")
NO_NAME = "catalogue without a name"
_HEADER = re.compile(r"^\s*\[\[\s*size\s*\]\]\s*(#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z_][A-Za-z0-9_]*)\s*=")


def catalogue_from_toml(text: str, *, file: str = "") -> Catalogue:
    """A catalogue from TOML text.

    Parameters
    ----------
    text
        ``name``, ``source`` and a list of ``[[size]]`` tables; each has ``reconstruction``, ``label_mm`` (a number or
        a list) or ``from_mm``/``to_mm``/``step_mm``, and how its label converts: ``offset_mm`` (functional length less
        label), ``functional_mm`` (one a label) or ``label_is`` ("functional length", "length between head and shoe").
        Without any of them the row gives no size.
    file
        Its name, for messages.

    Returns
    -------
    Catalogue

    Raises
    ------
    SettingsError
        When the text is no TOML, or a row is not understood; with the line.

    Example
    -------
    >>> text = '[[size]]\\nreconstruction = "total"\\nlabel_mm = [4.0, 4.5]\\noffset_mm = 0.3'
    >>> [round(size.functional_mm, 2) for size in catalogue_from_toml(text).of("total")]
    [4.3, 4.8]
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        named = f"'{file}'" if file else "a catalogue"
        raise SettingsError(f"{named} that is no TOML ({error})", action="correct the line named") from error
    return catalogue_from_mapping(data, places=row_places(text, file), file=file)


def catalogue_from_mapping(data: Mapping[str, Any], *, places: Sequence[Place] = (), file: str = "") -> Catalogue:
    """A catalogue from a parsed TOML table.

    Parameters
    ----------
    data
        The table.
    places
        Where each row stands in its text, when there is one.
    file
        Name of the text, for messages.

    Returns
    -------
    Catalogue

    Raises
    ------
    SettingsError
        For an unknown key, a missing or absurd size, or a size or name given twice.
    """
    named = f"'{file}'" if file else "the catalogue"
    for key in data:
        if key not in TOP_KEYS:
            raise SettingsError(f"unknown catalogue key '{key}' in {named}", expected=", ".join(TOP_KEYS))
    if data.get("schema", SCHEMA) != SCHEMA:
        raise SettingsError(f"{named} has schema {data['schema']!r}", expected=f"schema {SCHEMA}")
    rows = data.get("size", ())
    if not isinstance(rows, (list, tuple)) or not all(isinstance(row, Mapping) for row in rows):
        raise SettingsError(f"{named} has a 'size' that is no list of tables", expected="[[size]] tables")
    if not rows:
        raise SettingsError(f"{named} has no row", expected="at least one [[size]]")
    for key in ("name", "source"):
        if not isinstance(data.get(key, ""), str):
            raise SettingsError(f"{named} has {key} = {data[key]!r}", expected="a text in quotes")
    if len(places) != len(rows):
        places = [Place(number, file=file) for number in range(1, len(rows) + 1)]
    implants = [read_row(place, row) for place, row in zip(places, rows, strict=True)]
    refuse_same_names(implants, places)
    warnings = [
        words for implant, place in zip(implants, places, strict=True) for words in row_warnings(implant, place)
    ]
    return Catalogue(
        str(data.get("name", "")).strip() or NO_NAME, tuple(implants), str(data.get("source", "")), tuple(warnings)
    )


def row_places(text: str, file: str = "") -> tuple[Place, ...]:
    """Lines of every ``[[size]]`` row and of its keys; rows written inline are not found.

    Example
    -------
    >>> [place.line for place in row_places('name = "a"\\n[[size]]\\nlabel_mm = 4\\n[[size]]\\nlabel_mm = 5')]
    [2, 4]
    """
    starts: list[tuple[int, dict[str, int]]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if _HEADER.match(line):
            starts.append((number, {}))
        elif starts and (found := _KEY.match(line)):
            starts[-1][1].setdefault(found.group(1), number)
    return tuple(Place(at, line, keys, file) for at, (line, keys) in enumerate(starts, start=1))


def refuse_same_catalogues(catalogues: Sequence[Catalogue]) -> None:
    """Refuse catalogues of one name: their sizes could not be told apart.

    Raises
    ------
    SettingsError
        With the name.
    """
    names = [catalogue.name for catalogue in catalogues]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise SettingsError(f"two catalogues called '{twice}'", expected="a name of its own in each file")


def catalogue_to_toml(catalogue: Catalogue) -> str:
    """The text of a catalogue; reading it gives the same catalogue.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> one = Catalogue("shelf", (Implant("a", "total", (4.0, 4.5), (4.2, 4.7), "label +0.2 mm"),))
    >>> catalogue_from_toml(catalogue_to_toml(one)).of("total") == one.of("total")
    True
    """
    lines = [f"schema = {SCHEMA}", f"name = {_quoted(catalogue.name)}"]
    lines += [f"source = {_quoted(catalogue.source)}"] if catalogue.source else []
    for implant in catalogue.implants:
        lines += ["", "[[size]]", *_row_lines(implant)]
    return "\n".join(lines) + "\n"


def _row_lines(implant: Implant) -> list[str]:
    lines = [f"name = {_quoted(implant.name)}"] if implant.name else []
    lines += [f"reconstruction = {_quoted(implant.reconstruction)}", f"label_mm = {_numbers(implant.labels_mm)}"]
    lines += [f"functional_mm = {_numbers(implant.functional_mm)}"] if implant.functional_mm else []
    for key in MEASURES_MM:
        value = getattr(implant, key)
        lines += [f"{key} = {value:.10g}"] if value is not None else []
    if implant.trimmable is not None:
        lines.append(f"trimmable = {'true' if implant.trimmable else 'false'}")
    lines += [f"{key} = {_quoted(getattr(implant, key))}" for key in TEXTS if key != "name" and getattr(implant, key)]
    return lines


def _numbers(values: Sequence[float]) -> str:
    return "[" + ", ".join(f"{value:.10g}" for value in values) + "]"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04X}" for c in escaped) + '"'
