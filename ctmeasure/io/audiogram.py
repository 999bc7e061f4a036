"""Read audiograms, from a CSV table or from TOML; what is missing stays missing and is said later."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import TableError
from ctmeasure.io.tables import table_lines
from ctmeasure.io.toml import read_toml
from ctmeasure.planning.hearing import FREQUENCIES_HZ, HIGHEST_DB, LOWEST_DB, Audiogram, Threshold

REQUIRED = ("when", "conduction", "frequency_hz", "level_db")
WHENS, CONDUCTIONS = ("before", "after"), ("air", "bone")
NO_RESPONSE = "no response"
"""In place of a level; ``no response 110`` also says where the test stopped."""
YES, NO = ("true", "yes"), ("false", "no")


def read_audiograms(path: Path, *, side: Side | None = None) -> tuple[Audiogram, ...]:
    """Audiograms of one ear, at most one before and one after.

    Parameters
    ----------
    path
        CSV with columns ``when,conduction,frequency_hz,level_db`` (and ``side,masked,transducer,date,note``), or TOML
        with ``[[audiogram]]`` tables of ``when``, ``air`` and ``bone`` (frequency to level), ``masked_air``,
        ``masked_bone`` (lists of frequencies), ``side``, ``transducer``, ``date``, ``note``. A level is in dB HL, or
        the words "no response".
    side
        The ear wanted: what says that it is of the other ear is left out; what says nothing is taken.

    Returns
    -------
    tuple of Audiogram
        Before first.

    Raises
    ------
    TableError
        For a word, frequency or level that is not understood, with the line; a threshold given twice.
    ctmeasure.errors.SettingsError
        When the file cannot be read.
    """
    found = _from_toml(path, side) if path.suffix.lower() == ".toml" else _from_csv(path, side)
    if not found:
        whose = f" of the {side} ear" if side else ""
        raise TableError(f"'{path.name}' has no threshold{whose}", expected="at least one audiogram")
    return tuple(sorted(found, key=lambda test: WHENS.index(test.when)))


def _from_csv(path: Path, side: Side | None) -> list[Audiogram]:
    thresholds: dict[str, list[Threshold]] = {}
    words: dict[str, dict[str, str]] = {}
    for line, row in table_lines(path, REQUIRED):
        where = f"'{path.name}' line {line}"
        if _of_other_ear(where, row.get("side", ""), side):
            continue
        when = _one(where, "when", row["when"], WHENS)
        conduction = _one(where, "conduction", row["conduction"], CONDUCTIONS)
        masked = _masked(where, row.get("masked", ""))
        one = _threshold(where, conduction, row["frequency_hz"], row["level_db"], masked)
        _add(where, thresholds.setdefault(when, []), one)
        for key in ("transducer", "date", "note"):
            if row.get(key):
                words.setdefault(when, {})[key] = row[key]
    return [Audiogram(when, tuple(found), **words.get(when, {})) for when, found in thresholds.items()]  # type: ignore[arg-type]


def _masked(where: str, cell: str) -> bool | None:
    if not cell:
        return None
    if cell.lower() not in YES + NO:
        raise TableError(f"{where} has masked '{cell}'", expected="true or false")
    return cell.lower() in YES


def _of_other_ear(where: str, said: Any, side: Side | None) -> bool:
    if said:
        _one(where, "side", said, ("left", "right"))
    return bool(said and side and said != side)


def _from_toml(path: Path, side: Side | None) -> list[Audiogram]:
    data = read_toml(path, "audiograms")
    tests = data.get("audiogram", [])
    if set(data) - {"audiogram"} or not isinstance(tests, list):
        raise TableError(f"'{path.name}' has {', '.join(sorted(data)) or 'nothing'}", expected="[[audiogram]] tables")
    found: list[Audiogram] = []
    for number, test in enumerate(tests, start=1):
        where = f"'{path.name}' audiogram {number}"
        if not isinstance(test, Mapping):
            raise TableError(f"{where} is {test!r}", expected="an [[audiogram]] table")
        if _of_other_ear(where, test.get("side", ""), side):
            continue
        one = _toml_test(where, test)
        if any(other.when == one.when for other in found):
            raise TableError(f"'{path.name}' has two audiograms '{one.when}'", expected="one before and one after")
        found.append(one)
    return found


TOML_KEYS = ("when", "side", "air", "bone", "masked_air", "masked_bone", "transducer", "date", "note")


def _toml_test(where: str, test: Mapping[str, Any]) -> Audiogram:
    unknown = sorted(set(test) - set(TOML_KEYS))
    if unknown:
        raise TableError(f"{where} has '{unknown[0]}'", expected=", ".join(TOML_KEYS))
    when = _one(where, "when", test.get("when"), WHENS)
    thresholds: list[Threshold] = []
    for conduction in CONDUCTIONS:
        levels = test.get(conduction, {})
        if not isinstance(levels, Mapping):
            raise TableError(f"{where} has {conduction} = {levels!r}", expected="a table of frequency to level")
        masked = test.get(f"masked_{conduction}")
        if masked is not None and not isinstance(masked, list):
            raise TableError(
                f"{where} has masked_{conduction} = {masked!r}", expected="a list of the frequencies that were masked"
            )
        for frequency, level in levels.items():
            hidden = None if masked is None else str(frequency) in map(str, masked)
            _add(where, thresholds, _threshold(f"{where}, {conduction}", conduction, frequency, level, hidden))
    texts = {key: str(test.get(key, "")) for key in ("transducer", "date", "note")}
    return Audiogram(when, tuple(thresholds), **texts)


def _one(where: str, key: str, value: Any, allowed: tuple[str, ...]) -> Any:
    if value not in allowed:
        raise TableError(f"{where} has {key} '{value}'", expected=" or ".join(allowed))
    return value


def _threshold(where: str, conduction: Any, frequency: Any, level: Any, masked: bool | None) -> Threshold:
    try:
        hertz = int(str(frequency))
    except ValueError:
        hertz = 0
    if hertz not in FREQUENCIES_HZ:
        raise TableError(
            f"{where} has frequency '{frequency}'",
            expected=", ".join(map(str, FREQUENCIES_HZ)),
            action="give hertz, as a whole number",
        )
    text = str(level).strip().lower()
    if text.startswith(NO_RESPONSE):
        limit = text.removeprefix(NO_RESPONSE).strip()
        return Threshold(conduction, hertz, None, masked, _level(where, limit) if limit else None)
    return Threshold(conduction, hertz, _level(where, text), masked)


def _level(where: str, text: str) -> float:
    try:
        level = float(text)
    except ValueError:
        level = math.nan
    if not LOWEST_DB <= level <= HIGHEST_DB:
        raise TableError(
            f"{where} has level '{text}'",
            expected=f"{LOWEST_DB:g} to {HIGHEST_DB:g} dB HL, or '{NO_RESPONSE}'",
            action="leave the line out when it was not tested",
        )
    return level


def _add(where: str, found: list[Threshold], one: Threshold) -> None:
    if any((item.conduction, item.frequency_hz) == (one.conduction, one.frequency_hz) for item in found):
        raise TableError(f"{where}: {one.conduction} at {one.frequency_hz} Hz given twice", expected="one level each")
    found.append(one)
