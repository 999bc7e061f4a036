"""Paired readings: bias, limits of agreement with their intervals, repeatability and the method error."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

NORMAL_95 = 1.959964
"""Half width of a normal 95 % interval in standard deviations; the 1986 paper rounds it to 2."""


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias of the first reading over the second and where 95 % of differences lie, each with a 95 % interval."""

    count: int
    bias: float
    standard_deviation: float
    low: float
    high: float
    bias_95: tuple[float, float]
    low_95: tuple[float, float]
    high_95: tuple[float, float]


def limits_of_agreement(first: ArrayLike, second: ArrayLike, *, multiplier: float = NORMAL_95) -> LimitsOfAgreement:
    """Bland-Altman limits of agreement of two readings of the same things.

    Parameters
    ----------
    first, second
        Shape (n,), n >= 3, one unit.
    multiplier
        Standard deviations from the bias to a limit.

    Returns
    -------
    LimitsOfAgreement

    Raises
    ------
    EstimateError
        When the counts differ, there are fewer than three pairs, or one is not finite.

    Notes
    -----
    One reading a subject: repeated readings of one subject make the differences look closer than single readings are.
    The standard error of a limit is taken as the square root of 3 s^2 / n.

    References
    ----------
    Bland JM, Altman DG (1986) Lancet 327:307, doi:10.1016/S0140-6736(86)90837-8.

    Example
    -------
    >>> found = limits_of_agreement([1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 3.1, 3.9])
    >>> round(found.bias, 6), round(found.standard_deviation, 4)
    (0.0, 0.1155)
    """
    d = _differences(first, second)
    n = len(d)
    if n < 3:
        raise EstimateError(f"{n} pairs", expected="at least three", action="measure more")
    from scipy.special import stdtrit

    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(stdtrit(n - 1, 0.975))
    low, high = bias - multiplier * sd, bias + multiplier * sd
    mean_half, limit_half = t * sd / math.sqrt(n), t * sd * math.sqrt(3.0 / n)
    return LimitsOfAgreement(n, bias, sd, low, high, *(_around(*p) for p in (
        (bias, mean_half), (low, limit_half), (high, limit_half)
    )))  # fmt: skip


def _around(centre: float, half: float) -> tuple[float, float]:
    return centre - half, centre + half


def repeatability_coefficient(first: ArrayLike, second: ArrayLike, *, multiplier: float = NORMAL_95) -> float:
    """Within this two readings of one person on one thing differ in 95 % of pairs; a mean difference counts as error.

    Parameters
    ----------
    first, second
        Shape (n,), first and repeated reading.
    multiplier
        As in `limits_of_agreement`.

    Returns
    -------
    float
        In the unit of the readings.

    Raises
    ------
    EstimateError
        When the counts differ, there is no pair, or one is not finite.

    References
    ----------
    Bland and Altman (1986), doi:10.1016/S0140-6736(86)90837-8 (British Standards Institution's definition).

    Example
    -------
    >>> round(repeatability_coefficient([1.0, 2.0], [1.1, 1.9], multiplier=2.0), 3)
    0.2
    """
    return multiplier * _rms_difference(first, second)


def method_error(first: ArrayLike, second: ArrayLike) -> float:
    """Dahlberg's standard error of one reading from readings made twice; a systematic difference is part of it.

    Parameters
    ----------
    first, second
        Shape (n,).

    Returns
    -------
    float
        In the unit of the readings.

    Raises
    ------
    EstimateError
        As `repeatability_coefficient`.

    References
    ----------
    Dahlberg G (1940) Statistical methods for medical and biological students (formula as commonly quoted).

    Example
    -------
    >>> round(method_error([0.1, -0.2, 0.05, 0.15, -0.1], [0, 0, 0, 0, 0]), 6)
    0.092195
    """
    return _rms_difference(first, second) / math.sqrt(2.0)


def _rms_difference(first: ArrayLike, second: ArrayLike) -> float:
    return math.sqrt(float((_differences(first, second) ** 2).mean()))


def _differences(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape or not len(a) or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise EstimateError(f"readings of shapes {a.shape} and {b.shape}", expected="finite pairs")
    return a - b
