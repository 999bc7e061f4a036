"""Intraclass correlation of raters, always beside the standard error of measurement in the unit of the readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.uncertainty.estimate import EstimateError

ROUNDING = 1e-14
"""A mean square below this share of all variation is rounding, not disagreement."""


@dataclass(frozen=True, slots=True)
class Correlation:
    """One form of the intraclass correlation with its interval; ``form`` as in the source: (1,1), (2,1), (3,1)."""

    form: str
    value: float
    low_95: float
    high_95: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two-way analysis of variance of ratings.

    Parameters
    ----------
    targets, raters
        Size of the table.
    between_mean_square, within_mean_square, rater_mean_square, error_mean_square
        BMS, WMS, JMS and EMS of the source.
    one_way, absolute, consistent
        ICC(1,1), ICC(2,1) and ICC(3,1).
    sem_agreement, sem_consistency
        Standard error of measurement in the unit of the readings, with and without the raters' own bias.
    """

    targets: int
    raters: int
    between_mean_square: float
    within_mean_square: float
    rater_mean_square: float
    error_mean_square: float
    one_way: Correlation
    absolute: Correlation
    consistent: Correlation
    sem_agreement: float
    sem_consistency: float


def agreement(ratings: ArrayLike) -> Agreement:
    """Intraclass correlations of a full table of ratings.

    Parameters
    ----------
    ratings
        Shape (targets, raters), one reading a cell, any one unit; at least 2 x 2.

    Returns
    -------
    Agreement

    Raises
    ------
    EstimateError
        When a cell is missing, the table is smaller than 2 x 2, or no reading differs from another.

    Notes
    -----
    A correlation grows with the spread of the targets: the same readers look better on a wider mix of ears. That is why
    the standard errors of measurement stand beside it. For a trainee against a reference take ``absolute`` (2,1), which
    counts the trainee's bias.

    References
    ----------
    Shrout PE, Fleiss JL (1979) Psychol Bull 86:420, doi:10.1037/0033-2909.86.2.420 (forms and intervals).

    Example
    -------
    >>> found = agreement([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
    >>> round(found.absolute.value, 4), round(found.consistent.value, 4)
    (0.2898, 0.7148)
    """
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise EstimateError(f"ratings of shape {table.shape}", expected="a full table of at least 2 targets x 2 raters")
    n, k = table.shape
    mean = table.mean()
    between = k * float(((table.mean(axis=1) - mean) ** 2).sum()) / (n - 1)
    raters = n * float(((table.mean(axis=0) - mean) ** 2).sum()) / (k - 1)
    total = float(((table - mean) ** 2).sum())
    within = (total - between * (n - 1)) / (n * (k - 1))
    error = (total - between * (n - 1) - raters * (k - 1)) / ((n - 1) * (k - 1))
    error = 0.0 if error < ROUNDING * total else error
    if total <= 0.0:
        raise EstimateError("every reading is the same", expected="targets that differ")
    rater_variance = max((raters - error) / n, 0.0)
    return Agreement(
        n,
        k,
        between,
        within,
        raters,
        error,
        _one_way(between, within, n, k),
        _absolute(between, raters, error, n, k),
        _consistent(between, error, n, k),
        math.sqrt(rater_variance + error),
        math.sqrt(error),
    )


def _f_quantile(first: float, second: float) -> float:
    from scipy.special import fdtri

    return float(fdtri(first, second, 0.975))


def _ratio(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0.0 else 1.0


def _from_f(form: str, f: float, k: int, first: int, second: int) -> Correlation:
    """Value and exact interval of the two forms whose F ratio has an F distribution."""
    low, high = f / _f_quantile(first, second), f * _f_quantile(second, first)
    value, low, high = (1.0 if math.isinf(x) else (x - 1.0) / (x + k - 1.0) for x in (f, low, high))
    return Correlation(form, value, low, high)


def _one_way(between: float, within: float, n: int, k: int) -> Correlation:
    f = between / within if within > 0.0 else math.inf
    return _from_f("(1,1)", f, k, n - 1, n * (k - 1))


def _consistent(between: float, error: float, n: int, k: int) -> Correlation:
    f = between / error if error > 0.0 else math.inf
    return _from_f("(3,1)", f, k, n - 1, (n - 1) * (k - 1))


def _absolute(between: float, raters: float, error: float, n: int, k: int) -> Correlation:
    """ICC(2,1); its interval by the approximation of Fleiss and Shrout with Satterthwaite's degrees of freedom."""
    value = _ratio(between - error, between + (k - 1) * error + k * (raters - error) / n)
    if error <= 0.0 and raters <= 0.0:
        return Correlation("(2,1)", value, 1.0, 1.0)
    rho = max(value, 0.0)
    spread = (n * (1.0 + (k - 1) * rho) - k * rho) * error / raters if raters > 0.0 else math.inf
    freedom = float((k - 1) * (n - 1))
    if math.isfinite(spread):
        freedom *= (k * rho + spread) ** 2 / ((n - 1) * k**2 * rho**2 + spread**2)
    freedom = max(freedom, 1.0)
    upper, lower = _f_quantile(n - 1, freedom), _f_quantile(freedom, n - 1)
    base = k * raters + (k * n - k - n) * error
    low = _ratio(n * (between - upper * error), upper * base + n * between)
    high = _ratio(n * (lower * between - error), base + n * lower * between)
    return Correlation("(2,1)", value, low, high)
