"""Numbers as people read them in the answers: one decimal, the interval beside, small probabilities as a bound."""

from __future__ import annotations

import math

from ctmeasure.uncertainty.estimate import Estimate

RARE_PROBABILITY = 0.001
"""Probabilities below this print as "<1 in 1000"."""


SMALL_PROBABILITY = 0.0095
"""Probabilities below this need a third decimal: two would read 0.00 or hide most of it."""


def mm(value: float) -> str:
    """Millimetres as in a sentence: one decimal, and never a negative zero.

    Example
    -------
    >>> mm(2.44), mm(-0.02)
    ('2.4', '0.0')
    """
    text = f"{value:.1f}"
    return "0.0" if text == "-0.0" else text


def with_interval(estimate: Estimate) -> str:
    """Value and 95 % interval as in a sentence.

    Example
    -------
    >>> with_interval(Estimate(2.4, 0.15, 2.1, 2.7, "mm", "example"))
    '2.4 mm (2.1 to 2.7)'
    """
    return f"{mm(estimate.value)} {estimate.unit} ({mm(estimate.low_95)} to {mm(estimate.high_95)})"


def probability_words(probability: float) -> str:
    """A probability as people read it.

    Example
    -------
    >>> probability_words(0.0002), probability_words(0.0041), probability_words(0.624), probability_words(0.9996)
    ('<1 in 1000', '0.004', '0.62', '>0.99')
    """
    if probability < RARE_PROBABILITY:
        return "<1 in 1000"
    if probability < SMALL_PROBABILITY:
        return f"{probability:.3f}"
    text = f"{probability:.2f}"
    return ">0.99" if text == "1.00" else text


def largest_words(probability: float, *, is_limit: bool) -> str:
    """The largest of several probabilities: as it is, or as the upper limit that it only is, never rounded down.

    Example
    -------
    >>> largest_words(0.0146, is_limit=True), largest_words(0.0146, is_limit=False)
    ('<= 0.015', '0.01')
    """
    if not is_limit or probability < RARE_PROBABILITY:
        return probability_words(probability)
    return f"<= {math.ceil(1000.0 * probability - 1e-9) / 1000.0:g}"


def reason_words(reason: str) -> str:
    """Why there is no pair, to stand after words that say so already.

    Example
    -------
    >>> reason_words("No pair: no cell left. Of 60 map cells removed: keep out 60.")
    'no cell left. Of 60 map cells removed: keep out 60'
    """
    return reason.removeprefix("No pair: ").rstrip(".")


def value_words(estimate: Estimate) -> str:
    """Value and interval without the unit, for several numbers in a row.

    Example
    -------
    >>> value_words(Estimate(2.4, 0.15, 2.1, 2.7, "mm", "example"))
    '2.4 (2.1 to 2.7)'
    """
    return f"{mm(estimate.value)} ({mm(estimate.low_95)} to {mm(estimate.high_95)})"
