"""How numbers are written for people: one decimal in sentences, two in tables, the interval always beside."""

from __future__ import annotations

import math
from collections.abc import Iterable

from ctmeasure.report.words import in_words
from ctmeasure.uncertainty.estimate import Estimate

NOT_GIVEN = "not given"
"""Stands where a number could not be computed; the reason is always printed beside it."""
SMALLEST_PROBABILITY = 1e-3
"""Probabilities below this print as a bound: the draws do not tell them apart from zero."""


def is_number(value: float | None) -> bool:
    """Whether there is a finite number to print.

    Example
    -------
    >>> is_number(1.0), is_number(None), is_number(float("nan"))
    (True, False, False)
    """
    return value is not None and math.isfinite(value)


def fixed(value: float | None, decimals: int = 2) -> str:
    """A number with a fixed count of decimals, never "-0.00"; `NOT_GIVEN` without one.

    Example
    -------
    >>> fixed(-0.001), fixed(2.345, 1), fixed(None)
    ('0.00', '2.3', 'not given')
    """
    if value is None or not math.isfinite(value):
        return NOT_GIVEN
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "\N{MINUS SIGN}")


def interval(estimate: Estimate, decimals: int = 2) -> str:
    """The 95 % interval in words.

    Example
    -------
    >>> interval(Estimate(2.4, 0.15, 2.1, 2.7, "mm", "draws"), 1)
    '2.1 to 2.7'
    """
    return f"{fixed(estimate.low_95, decimals)} to {fixed(estimate.high_95, decimals)}"


def with_interval(estimate: Estimate | None, decimals: int = 2) -> str:
    """Value, unit and 95 % interval.

    Example
    -------
    >>> with_interval(Estimate(2.4, 0.15, 2.1, 2.7, "mm", "draws"), 1)
    '2.4 mm (2.1 to 2.7)'
    """
    if estimate is None:
        return NOT_GIVEN
    return f"{fixed(estimate.value, decimals)} {unit_words(estimate.unit)} ({interval(estimate, decimals)})"


def probability(value: float | None) -> str:
    """A probability for people; below one in a thousand only the bound is printed.

    Example
    -------
    >>> probability(0.0004), probability(0.623), probability(None), probability(0.9997), probability(0.0)
    ('<1 in 1000', '0.62', 'not given', '>0.999', '<1 in 1000')
    """
    if value is None or not math.isfinite(value):
        return NOT_GIVEN
    if value < SMALLEST_PROBABILITY:
        return "<1 in 1000"
    if value > 1.0 - SMALLEST_PROBABILITY:
        return ">0.999"
    if value < 0.0095 or value > 0.9905:
        return f"{value:.3f}"
    return f"{value:.2f}"


def unit_words(unit: str) -> str:
    """Units as printed.

    Example
    -------
    >>> unit_words("deg"), unit_words("mm")
    ('degrees', 'mm')
    """
    return {"deg": "degrees", "1": ""}.get(unit, unit)


def flag_words(flags: Iterable[str]) -> str:
    """Flags as one line of words.

    Example
    -------
    >>> flag_words(("below_resolution", "coarse ring"))
    'below resolution; coarse ring'
    """
    return "; ".join(dict.fromkeys(in_words(flag) for flag in flags))
