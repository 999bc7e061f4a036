"""Catalogue of implants: what each row states, and its sizes; a row that does not convert its label gives no size.

The text forms stand beside it: TOML with line numbers in `catalogue_toml`, import from CSV in `catalogue_csv`, what is
refused in `catalogue_check`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

RECONSTRUCTIONS = ("handle", "total", "partial", "piston")


@dataclass(frozen=True, slots=True)
class Implant:
    """One row of a catalogue: one implant in all its lengths.

    Parameters
    ----------
    name
        What it is called; empty for a row without a name.
    reconstruction
        ``handle``, ``total``, ``partial`` or ``piston``.
    labels_mm
        What stands on the package, shortest first.
    functional_mm
        Bearing surface to bearing surface for each label; empty when the row does not say how its label converts.
    conversion
        How it was converted, in words; empty when it was not.
    head_diameter_mm, head_thickness_mm, shoe_diameter_mm, shoe_thickness_mm, shaft_diameter_mm
        Its other measures; None when not stated.
    trimmable
        Whether it can be cut shorter in the ear; None when not stated.
    arm_reach_mm, span_low_mm, span_high_mm
        Of a handle: how far its arms reach from the middle, and the hole spans it takes.
    material, mr_note, source
        Free text.
    line
        Line of its text, where there was one.
    """

    name: str
    reconstruction: str
    labels_mm: tuple[float, ...]
    functional_mm: tuple[float, ...] = ()
    conversion: str = ""
    head_diameter_mm: float | None = None
    head_thickness_mm: float | None = None
    shoe_diameter_mm: float | None = None
    shoe_thickness_mm: float | None = None
    shaft_diameter_mm: float | None = None
    trimmable: bool | None = None
    arm_reach_mm: float | None = None
    span_low_mm: float | None = None
    span_high_mm: float | None = None
    material: str = ""
    mr_note: str = ""
    source: str = ""
    line: int | None = None

    def takes(self, *, span_mm: float, reach_mm: float) -> tuple[str, ...]:
        """What speaks against a handle on two holes this far apart; empty when its arms reach, or nothing is stated.

        Example
        -------
        >>> Implant("h", "handle", (4.0,), span_low_mm=3.0, span_high_mm=5.0).takes(span_mm=5.4, reach_mm=2.7)
        ('hole span 5.40 mm, the implant takes from 3 to 5 mm',)
        """
        words = []
        low, high = self.span_low_mm, self.span_high_mm
        if (low is not None and span_mm < low) or (high is not None and span_mm > high):
            ends = [f"from {low:g}"] if low is not None else []
            taken = " ".join([*ends, *([f"to {high:g}"] if high is not None else [])])
            words.append(f"hole span {span_mm:.2f} mm, the implant takes {taken} mm")
        if self.arm_reach_mm is not None and reach_mm > self.arm_reach_mm:
            words.append(f"arm reach {reach_mm:.2f} mm, the implant's arms reach {self.arm_reach_mm:g} mm")
        return tuple(words)


@dataclass(frozen=True, slots=True)
class CatalogueSize:
    """One size: what stands on its label and, where the row converts, its functional length."""

    reconstruction: str
    label_mm: float
    functional_mm: float | None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All implants of one source; ``warnings`` say what was noticed and does not stand in the way."""

    name: str
    implants: tuple[Implant, ...]
    source: str = ""
    warnings: tuple[str, ...] = ()

    def implants_of(self, reconstruction: str) -> tuple[Implant, ...]:
        """Implants of one reconstruction whose label converts."""
        return tuple(i for i in self.implants if i.reconstruction == reconstruction and i.functional_mm)

    def of(self, reconstruction: str) -> tuple[CatalogueSize, ...]:
        """Sizes of one reconstruction whose label converts, by functional length."""
        found = [size for implant in self.implants_of(reconstruction) for size in sizes_of(implant)]
        return tuple(sorted(found, key=lambda s: (s.functional_mm or 0.0, s.label_mm)))

    def without_conversion(self, reconstruction: str) -> bool:
        """Whether the reconstruction has rows, and none of them converts to functional length."""
        rows = [i for i in self.implants if i.reconstruction == reconstruction]
        return bool(rows) and not any(i.functional_mm for i in rows)


def sizes_of(implant: Implant) -> tuple[CatalogueSize, ...]:
    """The sizes of one implant, shortest first; without conversion their functional length is None.

    Example
    -------
    >>> [size.functional_mm for size in sizes_of(Implant("a", "total", (4.0, 4.5), (4.3, 4.8)))]
    [4.3, 4.8]
    """
    functional = implant.functional_mm or (None,) * len(implant.labels_mm)
    return tuple(
        CatalogueSize(implant.reconstruction, label, length, implant.name)
        for label, length in zip(implant.labels_mm, functional, strict=True)
    )


@lru_cache(maxsize=8)
def generic_catalogue(step_mm: float) -> Catalogue:
    """The shipped catalogue without a maker: every reconstruction in even steps, label equal to functional length.

    Parameters
    ----------
    step_mm
        Length step, in place of the one in the shipped file.

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
    import tomllib
    from importlib import resources

    from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_mapping

    text = resources.files("ctmeasure.planning.lengths").joinpath("generic.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    for row in data["size"]:
        row["step_mm"] = step_mm
    return catalogue_from_mapping(data)
