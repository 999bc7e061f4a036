"""An estimate: a value that never loses its uncertainty, its unit and where it came from."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from ctmeasure.errors import CtmeasureError


class EstimateError(CtmeasureError):
    """Numbers that do not form an estimate."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    Parameters
    ----------
    source
        What contributes, for example "placement of footplate_centre".
    standard_uncertainty
        Its part of the standard uncertainty, in the unit of the estimate (sensitivity already applied).

    Raises
    ------
    EstimateError
        When the uncertainty is negative or not finite.

    Example
    -------
    >>> Contribution("placement of umbo", 0.3).standard_uncertainty
    0.3
    """

    source: str
    standard_uncertainty: float

    def __post_init__(self) -> None:
        _check_uncertainty(self.standard_uncertainty, f"contribution of {self.source!r}")
        object.__setattr__(self, "standard_uncertainty", float(self.standard_uncertainty))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured or computed quantity with its uncertainty.

    Parameters
    ----------
    value
        Best value, in `unit`. For a distance: between the mean points, not the mean of drawn distances.
    standard_uncertainty
        Standard uncertainty, in `unit`.
    low_95, high_95
        Ends of the 95 % coverage interval, in `unit`.
    unit
        "mm", "deg", "HU", "1", ...
    method
        How it was computed, in words.
    budget
        Which input contributes how much.
    flags
        Short warnings, for example "below resolution".
    draws, seed
        Number of Monte Carlo draws (0: none) and their seed.

    Raises
    ------
    EstimateError
        When a number is not finite, the uncertainty is negative or the interval is upside down.

    Notes
    -----
    The value may lie outside its interval: near zero a naive distance is biased and the interval is not.

    References
    ----------
    JCGM 100:2008, clauses 3.1 and 7.2 (what a stated result contains).

    Example
    -------
    >>> Estimate(4.5, 0.42, 3.6, 5.3, "mm", "two points").with_flags("shorter than the placement noise").flags
    ('shorter than the placement noise',)
    """

    value: float
    standard_uncertainty: float
    low_95: float
    high_95: float
    unit: str
    method: str
    budget: tuple[Contribution, ...] = ()
    flags: tuple[str, ...] = ()
    draws: int = 0
    seed: int | None = None

    def __post_init__(self) -> None:
        for name in ("value", "low_95", "high_95"):
            number = getattr(self, name)
            if not math.isfinite(number):
                raise EstimateError(f"{name} = {number}", expected="a finite number")
            object.__setattr__(self, name, float(number))
        _check_uncertainty(self.standard_uncertainty, "standard uncertainty")
        object.__setattr__(self, "standard_uncertainty", float(self.standard_uncertainty))
        if self.low_95 > self.high_95:
            raise EstimateError(f"interval from {self.low_95} to {self.high_95}", expected="low end first")
        if not self.unit:
            raise EstimateError("an estimate without a unit", expected='a unit, "1" for a pure number')
        if self.draws < 0:
            raise EstimateError(f"{self.draws} draws", expected="0 or more")
        object.__setattr__(self, "budget", tuple(self.budget))
        object.__setattr__(self, "flags", tuple(self.flags))

    def with_flags(self, *flags: str) -> Estimate:
        """The same estimate with more flags; a flag that is already there is not repeated."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, *flags))))

    def to_json(self) -> dict[str, Any]:
        """A dictionary of plain numbers, strings and lists, ready for `json.dumps`."""
        return {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            "low_95": self.low_95,
            "high_95": self.high_95,
            "unit": self.unit,
            "method": self.method,
            "budget": [{"source": c.source, "standard_uncertainty": c.standard_uncertainty} for c in self.budget],
            "flags": list(self.flags),
            "draws": self.draws,
            "seed": self.seed,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Estimate:
        """Rebuild what `to_json` wrote.

        Parameters
        ----------
        data
            The dictionary.

        Returns
        -------
        Estimate
            Equal to the one that was written.

        Raises
        ------
        EstimateError
            When a field is missing, unknown or not an estimate.

        Example
        -------
        >>> e = Estimate(1.0, 0.1, 0.8, 1.2, "mm", "test", (Contribution("a", 0.1),), seed=7)
        >>> Estimate.from_json(e.to_json()) == e
        True
        """
        try:
            fields = dict(data)
            fields["budget"] = tuple(Contribution(**line) for line in fields.get("budget", ()))
            fields["flags"] = tuple(fields.get("flags", ()))
            return cls(**fields)
        except TypeError as error:
            raise EstimateError(f"a damaged estimate ({error})", expected="the fields of an estimate") from error


def combined_budget(contributions: Iterable[Contribution]) -> float:
    """Root sum of squares of independent contributions.

    Parameters
    ----------
    contributions
        Lines of a budget whose sources are independent.

    Returns
    -------
    float
        Combined standard uncertainty.

    Raises
    ------
    EstimateError
        Never by itself; each contribution was checked when it was made.

    Example
    -------
    >>> combined_budget([Contribution("a", 3.0), Contribution("b", 4.0)])
    5.0
    """
    return math.sqrt(sum(line.standard_uncertainty**2 for line in contributions))


def _check_uncertainty(number: float, name: str) -> None:
    if not math.isfinite(number) or number < 0.0:
        raise EstimateError(f"{name} = {number}", expected="zero or a positive finite number")
