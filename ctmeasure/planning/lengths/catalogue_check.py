"""What a catalogue row must keep to: units, plausible measures, names of its own, a conversion of its label."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from ctmeasure.errors import SettingsError
from ctmeasure.planning.lengths.catalogue import RECONSTRUCTIONS, Implant

SHORTEST_MM, LONGEST_MM = 0.2, 20.0
"""A length outside this range is a slip of unit or of the point."""
MEASURES_MM = {
    "head_diameter_mm": (0.3, 8.0),
    "head_thickness_mm": (0.02, 3.0),
    "shoe_diameter_mm": (0.2, 4.0),
    "shoe_thickness_mm": (0.02, 3.0),
    "shaft_diameter_mm": (0.1, 2.5),
    "arm_reach_mm": (0.5, 15.0),
    "span_low_mm": (0.5, 15.0),
    "span_high_mm": (0.5, 15.0),
}
"""Every other measure with the range outside which it is taken for a slip."""
TEXTS = ("name", "material", "mr_note", "source")
LENGTHS = ("label_mm", "from_mm", "to_mm", "step_mm")
CONVERSIONS = ("offset_mm", "functional_mm", "label_is")
ROW_KEYS = frozenset(("reconstruction", "trimmable", *LENGTHS, *CONVERSIONS, *TEXTS, *MEASURES_MM))
LABEL_IS = ("functional length", "length between head and shoe")
"""What a label may state; the second becomes functional by adding head and shoe."""
OTHER_UNITS = ("_cm", "_um", "_m", "_inch", "_in")
MOST_TIMES = 8.0
"""No implant comes in lengths this far apart: some of them are in another unit."""
MOST_SIZES = 400
"""More steps than this in one row are a slip of the step."""
GAP_IN_STEPS = 1.5
"""Neighbouring labels farther apart than this, in usual steps of the row, are called a gap."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row stands: its number and, when the text is known, the line of the row and of each of its keys."""

    number: int
    line: int | None = None
    key_lines: Mapping[str, int] | None = None
    file: str = ""

    def words(self, key: str = "") -> str:
        """For a message: file, row and line of a key, or of the row itself."""
        line = (self.key_lines or {}).get(key, self.line)
        head = f"'{self.file}' " if self.file else "catalogue "
        return f"{head}row {self.number}" + (f", line {line}" if line is not None else "")


def read_row(place: Place, row: Mapping[str, Any]) -> Implant:
    """One row as an implant.

    Parameters
    ----------
    place
        Where it stands, for messages.
    row
        Its keys and values.

    Returns
    -------
    Implant

    Raises
    ------
    SettingsError
        For an unknown key, a wrong kind of value, a missing or absurd length, measures that contradict each other.

    Example
    -------
    >>> read_row(Place(1), {"reconstruction": "total", "label_mm": 4.0, "offset_mm": 0.2}).functional_mm
    (4.2,)
    """
    _refuse_unknown(place, row)
    kind = row.get("reconstruction")
    if kind not in RECONSTRUCTIONS:
        where = place.words("reconstruction")
        raise SettingsError(f"{where} is for {kind!r}", expected=" or ".join(RECONSTRUCTIONS))
    for key in TEXTS:
        if not isinstance(row.get(key, ""), str):
            raise SettingsError(f"{place.words(key)} has {key} = {row[key]!r}", expected="a text in quotes")
    if not isinstance(row.get("trimmable", False), bool):
        raise SettingsError(f"{place.words('trimmable')} has trimmable = {row['trimmable']!r}", expected="true, false")
    measures = {key: _measure(place, key, row[key]) for key in MEASURES_MM if key in row}
    _refuse_contradiction(place, str(kind), measures)
    labels = _labels(place, row)
    functional, words = _functional(place, row, labels, measures)
    for key, values in (("label_mm", labels), ("offset_mm", functional)):
        for value in values:
            _refuse_absurd(place, key, value)
    if max(labels) > MOST_TIMES * min(labels):
        raise SettingsError(
            f"{place.words('label_mm')} has sizes from {min(labels):g} to {max(labels):g}",
            expected=f"sizes of one unit, the longest at most {MOST_TIMES:g} times the shortest",
            action="give all of them in millimetres",
        )
    order = sorted(range(len(labels)), key=lambda at: labels[at])
    return Implant(
        str(row.get("name", "")).strip(), str(kind), tuple(labels[at] for at in order),
        tuple(functional[at] for at in order) if functional else (), words, trimmable=row.get("trimmable"),
        material=str(row.get("material", "")), mr_note=str(row.get("mr_note", "")), source=str(row.get("source", "")),
        line=place.line, **measures,
    )  # fmt: skip


def _refuse_unknown(place: Place, row: Mapping[str, Any]) -> None:
    for key in row:
        if key in ROW_KEYS:
            continue
        action = ""
        if any(key.endswith(unit) for unit in OTHER_UNITS):
            action = "give every length in millimetres"
        else:
            import difflib

            near = difflib.get_close_matches(key, ROW_KEYS, n=1)
            action = f"did you mean '{near[0]}'?" if near else "remove it"
        raise SettingsError(f"{place.words(key)} has '{key}'", expected=", ".join(sorted(ROW_KEYS)), action=action)


def _number(place: Place, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise SettingsError(
            f"{place.words(key)} has {key} = {value!r}", expected="millimetres, as a bare number", action="correct it"
        )
    return float(value)


def _measure(place: Place, key: str, value: Any) -> float:
    number = _number(place, key, value)
    low, high = MEASURES_MM[key]
    if not low <= number <= high:
        raise SettingsError(
            f"{place.words(key)} has {key} = {number:g} mm", expected=f"{low:g} to {high:g} mm", action="check the unit"
        )
    return number


def _refuse_absurd(place: Place, key: str, value: float) -> None:
    if not SHORTEST_MM <= value <= LONGEST_MM:
        raise SettingsError(
            f"{place.words(key)} has a size of {value:g} mm",
            expected=f"{SHORTEST_MM:g} to {LONGEST_MM:g} mm",
            action="check the unit",
        )


def _refuse_contradiction(place: Place, kind: str, measures: Mapping[str, float]) -> None:
    shaft = measures.get("shaft_diameter_mm")
    for wide in ("head_diameter_mm", "shoe_diameter_mm"):
        if shaft is not None and wide in measures and measures[wide] < shaft:
            raise SettingsError(
                f"{place.words(wide)} has {wide} = {measures[wide]:g} mm under a shaft of {shaft:g} mm",
                expected="a head and a shoe at least as wide as the shaft",
            )
    low, high = measures.get("span_low_mm"), measures.get("span_high_mm")
    if low is not None and high is not None and low > high:
        raise SettingsError(
            f"{place.words('span_low_mm')} spans {low:g} to {high:g} mm", expected="the lower end first"
        )
    for key in ("arm_reach_mm", "span_low_mm", "span_high_mm"):
        if key in measures and kind != "handle":
            raise SettingsError(f"{place.words(key)} has {key} for '{kind}'", expected="arms and span only of a handle")


def _labels(place: Place, row: Mapping[str, Any]) -> list[float]:
    if "label_mm" in row:
        given = row["label_mm"]
        values = given if isinstance(given, list) else [given]
        labels = [_number(place, "label_mm", value) for value in values]
        twice = next((label for label in labels if labels.count(label) > 1), None)
        if twice is not None:
            raise SettingsError(f"{place.words('label_mm')}: size {twice:g} given twice", action="give each size once")
        if not labels:
            raise SettingsError(f"{place.words('label_mm')} has no size", expected="at least one")
        return labels
    missing = [key for key in ("from_mm", "to_mm", "step_mm") if key not in row]
    if missing:
        expected = "label_mm, or from_mm, to_mm and step_mm"
        raise SettingsError(f"{place.words()} lacks '{missing[0]}'", expected=expected)
    low, high, step = (_number(place, key, row[key]) for key in ("from_mm", "to_mm", "step_mm"))
    if not (step > 0.0 and low <= high):
        raise SettingsError(
            f"{place.words('from_mm')} runs from {low:g} to {high:g} in steps of {step:g}", expected="a rising range"
        )
    for end in (low, high):
        _refuse_absurd(place, "from_mm", end)
    count = math.floor((high - low) / step + 1e-9) + 1
    if count > MOST_SIZES:
        raise SettingsError(
            f"{place.words('step_mm')} gives {count} sizes", expected=f"{MOST_SIZES} at most", action="check the step"
        )
    return [round(low + n * step, 6) for n in range(count)]


def _functional(
    place: Place, row: Mapping[str, Any], labels: Sequence[float], measures: Mapping[str, float]
) -> tuple[list[float], str]:
    """Functional lengths and how they were got; nothing when the row does not say."""
    stated = [key for key in CONVERSIONS if key in row]
    if len(stated) > 1:
        raise SettingsError(
            f"{place.words(stated[1])} converts its label twice ({' and '.join(stated)})", expected="one of the two"
        )
    if not stated:
        return [], ""
    key = stated[0]
    if key == "offset_mm":
        offset = _number(place, key, row[key])
        return [round(label + offset, 6) for label in labels], f"label {offset:+g} mm"
    if key == "functional_mm":
        given = row[key] if isinstance(row[key], list) else [row[key]]
        if len(given) != len(labels):
            raise SettingsError(
                f"{place.words(key)} has {len(given)} functional lengths", expected=f"{len(labels)}, one a label"
            )
        return [_number(place, key, value) for value in given], "functional length stated for each label"
    if row[key] not in LABEL_IS:
        raise SettingsError(f"{place.words(key)} has label_is = {row[key]!r}", expected=" or ".join(LABEL_IS))
    if row[key] == LABEL_IS[0]:
        return list(labels), "label is the functional length"
    lacking = [part for part in ("head_thickness_mm", "shoe_thickness_mm") if part not in measures]
    if lacking:
        raise SettingsError(
            f"{place.words(key)}: the label is between head and shoe, and {lacking[0]} is not given",
            expected="both thicknesses",
        )
    ends = measures["head_thickness_mm"] + measures["shoe_thickness_mm"]
    return [round(label + ends, 6) for label in labels], f"label {ends:+g} mm for head and shoe"


def refuse_same_names(implants: Sequence[Implant], places: Sequence[Place]) -> None:
    """Refuse two rows of one name, and two rows without a name that state the same size.

    Raises
    ------
    SettingsError
        With both rows.
    """
    seen: dict[tuple[str, object], Place] = {}
    for implant, place in zip(implants, places, strict=True):
        keys: list[object] = [implant.name] if implant.name else list(implant.labels_mm)
        for key in keys:
            before = seen.setdefault((implant.reconstruction, key), place)
            if before is place:
                continue
            if implant.name:
                raise SettingsError(
                    f"{place.words('name')}: name '{implant.name}' given twice (first: {before.words('name')})",
                    expected="a name of its own for each row",
                )
            raise SettingsError(
                f"{place.words()}: catalogue size {implant.reconstruction} {key:g} given twice "
                f"(first: {before.words()})",
                action="give each size once, or the rows a name",
            )


def row_warnings(implant: Implant, place: Place) -> tuple[str, ...]:
    """What does not stand in the way: no conversion, gaps between its sizes.

    Example
    -------
    >>> row_warnings(Implant("a", "total", (4.0, 4.25, 4.75), (4.0, 4.25, 4.75)), Place(1))
    ('catalogue row 1: no size between 4.25 and 4.75 mm (steps of 0.25 mm elsewhere)',)
    """
    words = []
    if not implant.functional_mm:
        words.append(f"{place.words()}: no conversion of the label to functional length, so it gives no size")
    steps = [b - a for a, b in pairwise(implant.labels_mm)]
    usual = sorted(steps)[(len(steps) - 1) // 2] if steps else 0.0
    for a, b in pairwise(implant.labels_mm):
        if b - a > GAP_IN_STEPS * usual:
            words.append(
                f"{place.words('label_mm')}: no size between {a:g} and {b:g} mm (steps of {usual:g} mm elsewhere)"
            )
    return tuple(words)
