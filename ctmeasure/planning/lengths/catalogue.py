"""Catalogue of sizes: generic rows only; each states how its label converts to functional length, or gives no size."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ctmeasure.errors import SettingsError

RECONSTRUCTIONS = ("handle", "total", "partial", "piston")
GENERIC_RANGES_MM = {"handle": (3.0, 9.0), "total": (2.5, 8.0), "partial": (1.0, 5.0), "piston": (3.0, 8.0)}
"""Functional lengths that the generic catalogue spans; wide on purpose [P]."""
SHORTEST_MM, LONGEST_MM = 0.2, 20.0
"""A size outside this range is a slip of unit or of the point."""
GENERIC_NAME = "generic steps (no maker)"
ROW_KEYS = {"reconstruction", "label_mm", "from_mm", "to_mm", "step_mm", "offset_mm", "name", "source"}


@dataclass(frozen=True, slots=True)
class CatalogueSize:
    """One size: what stands on its label and, where the row converts, its functional length."""

    reconstruction: str
    label_mm: float
    functional_mm: float | None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All sizes, by reconstruction and label."""

    name: str
    sizes: tuple[CatalogueSize, ...]

    def of(self, reconstruction: str) -> tuple[CatalogueSize, ...]:
        """Sizes of one reconstruction whose label converts, by functional length."""
        usable = [s for s in self.sizes if s.reconstruction == reconstruction and s.functional_mm is not None]
        return tuple(sorted(usable, key=lambda s: (s.functional_mm or 0.0, s.label_mm)))

    def without_conversion(self, reconstruction: str) -> bool:
        """Whether the reconstruction has rows, and none of them converts to functional length."""
        rows = [s for s in self.sizes if s.reconstruction == reconstruction]
        return bool(rows) and all(s.functional_mm is None for s in rows)


def generic_catalogue(step_mm: float) -> Catalogue:
    """The default: every reconstruction in even steps, label equal to functional length.

    Parameters
    ----------
    step_mm
        Length step.

    Returns
    -------
    Catalogue

    Raises
    ------
    SettingsError
        When the step is not above zero.

    Example
    -------
    >>> [size.label_mm for size in generic_catalogue(0.25).of("total")][:3]
    [2.5, 2.75, 3.0]
    """
    rows = [
        {"reconstruction": kind, "from_mm": low, "to_mm": high, "step_mm": step_mm, "offset_mm": 0.0}
        for kind, (low, high) in GENERIC_RANGES_MM.items()
    ]
    return catalogue_from_mapping({"name": GENERIC_NAME, "size": rows})


def catalogue_from_toml(text: str) -> Catalogue:
    """A catalogue from TOML text: ``name`` and a list of ``[[size]]`` tables.

    Each ``[[size]]`` has ``reconstruction``, ``label_mm`` (a number or a list) or ``from_mm``/``to_mm``/``step_mm``,
    and ``offset_mm``, the functional length less the label. Without ``offset_mm`` the row gives no size.

    Raises
    ------
    SettingsError
        When the text is no TOML, or a row is not understood.

    Example
    -------
    >>> text = '[[size]]\\nreconstruction = "total"\\nlabel_mm = [4.0, 4.5]\\noffset_mm = 0.3'
    >>> [round(size.functional_mm, 2) for size in catalogue_from_toml(text).of("total")]
    [4.3, 4.8]
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"a catalogue that is no TOML ({error})", action="correct the line named") from error
    return catalogue_from_mapping(data)


def catalogue_from_mapping(data: Mapping[str, Any]) -> Catalogue:
    """A catalogue from a parsed TOML table.

    Raises
    ------
    SettingsError
        For an unknown key, a missing or absurd size, or a size given twice.
    """
    for key in data:
        if key not in ("name", "size"):
            raise SettingsError(f"unknown catalogue key '{key}'", expected="name and [[size]]")
    sizes: list[CatalogueSize] = []
    for number, row in enumerate(data.get("size", ()), start=1):
        sizes.extend(_row_sizes(number, row))
    seen = [(s.reconstruction, s.label_mm, s.name) for s in sizes]
    for one in seen:
        if seen.count(one) > 1:
            raise SettingsError(f"catalogue size {one[0]} {one[1]:g} given twice", action="give each size once")
    return Catalogue(str(data.get("name", "catalogue without a name")), tuple(sizes))


def _row_sizes(number: int, row: Mapping[str, Any]) -> list[CatalogueSize]:
    where = f"catalogue row {number}"
    unknown = sorted(set(row) - ROW_KEYS)
    if unknown:
        raise SettingsError(f"{where} has '{unknown[0]}'", expected=", ".join(sorted(ROW_KEYS)))
    kind = row.get("reconstruction")
    if kind not in RECONSTRUCTIONS:
        raise SettingsError(f"{where} is for '{kind}'", expected=" or ".join(RECONSTRUCTIONS))
    offset = _number(where, "offset_mm", row["offset_mm"]) if "offset_mm" in row else None
    sizes = []
    for label in _labels(where, row):
        functional = None if offset is None else label + offset
        for value in (label, functional):
            if value is not None and not SHORTEST_MM <= value <= LONGEST_MM:
                raise SettingsError(
                    f"{where} has a size of {value:g} mm",
                    expected=f"{SHORTEST_MM:g} to {LONGEST_MM:g} mm",
                    action="check the unit",
                )
        sizes.append(CatalogueSize(kind, label, functional, str(row.get("name", ""))))
    return sizes


def _labels(where: str, row: Mapping[str, Any]) -> list[float]:
    if "label_mm" in row:
        given = row["label_mm"]
        values = given if isinstance(given, list) else [given]
        return [_number(where, "label_mm", value) for value in values]
    missing = [key for key in ("from_mm", "to_mm", "step_mm") if key not in row]
    if missing:
        raise SettingsError(f"{where} lacks '{missing[0]}'", expected="label_mm, or from_mm, to_mm and step_mm")
    low, high, step = (_number(where, key, row[key]) for key in ("from_mm", "to_mm", "step_mm"))
    if not (step > 0.0 and low <= high):
        raise SettingsError(f"{where} runs from {low:g} to {high:g} in steps of {step:g}", expected="a rising range")
    return [round(low + n * step, 6) for n in range(math.floor((high - low) / step + 1e-9) + 1)]


def _number(where: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise SettingsError(f"{where} has {key} = {value!r}", expected="millimetres")
    return float(value)
