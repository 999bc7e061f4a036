"""Coverage intervals from draws, and confidence intervals of a proportion."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

FloatArray = NDArray[np.float64]
Kind = Literal["symmetric", "shortest"]


def coverage_interval(
    draws: ArrayLike, probability: float = 0.95, *, kind: Kind = "symmetric"
) -> tuple[FloatArray, FloatArray]:
    """Ends of a coverage interval from Monte Carlo draws.

    Parameters
    ----------
    draws
        Shape (M,) or (M, k): M draws of one or k quantities.
    probability
        Coverage probability, between 0 and 1.
    kind
        "symmetric": equal probability outside at both ends; "shortest": least width.

    Returns
    -------
    low, high
        Shape () or (k,).

    Raises
    ------
    EstimateError
        When there are too few draws for the probability, or a draw is not finite.

    References
    ----------
    JCGM 101:2008, clause 7.7.

    Example
    -------
    >>> low, high = coverage_interval(np.arange(1.0, 101.0), 0.9)
    >>> float(low), float(high)
    (5.0, 95.0)
    """
    values = np.asarray(draws, dtype=np.float64)
    if not 0.0 < probability < 1.0:
        raise EstimateError(f"a coverage probability of {probability}", expected="between 0 and 1")
    count = values.shape[0] if values.ndim else 0
    if count < 2 or not np.all(np.isfinite(values)):
        raise EstimateError(f"{count} draws, or a draw that is not finite", expected="at least two finite draws")
    inside = probability * count
    q = round(inside) if abs(inside - round(inside)) < 1e-9 else int(inside + 0.5)
    if q >= count or q < 1:
        raise EstimateError(f"{count} draws for a coverage of {probability}", expected="more draws")
    ordered = np.sort(values, axis=0)
    if kind == "symmetric":
        outside = count - q
        r = outside // 2 if outside % 2 == 0 else int((outside + 1) / 2)
        r = max(r, 1)
        return ordered[r - 1], ordered[r - 1 + q]
    start = np.argmin(ordered[q:] - ordered[: count - q], axis=0)
    if values.ndim == 1:
        return ordered[start], ordered[start + q]
    columns = np.arange(values.shape[1])
    return ordered[start, columns], ordered[start + q, columns]


def wilson(events: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson score interval of a proportion.

    Parameters
    ----------
    events, trials
        Counts, 0 <= events <= trials, trials >= 1.
    confidence
        Two-sided confidence.

    Returns
    -------
    low, high
        Between 0 and 1.

    Raises
    ------
    EstimateError
        When the counts or the confidence are impossible.

    References
    ----------
    Newcombe RG (1998) Stat Med 17:857, doi:10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E, method 3.

    Example
    -------
    >>> [round(x, 4) for x in wilson(81, 263)]
    [0.2553, 0.3662]
    """
    _check_counts(events, trials, confidence)
    from scipy.special import ndtri

    z = float(ndtri(0.5 + confidence / 2.0))
    p = events / trials
    centre = p + z * z / (2 * trials)
    half = z * math.sqrt(p * (1.0 - p) / trials + z * z / (4.0 * trials * trials))
    scale = 1.0 + z * z / trials
    low = 0.0 if events == 0 else (centre - half) / scale
    return max(low, 0.0), 1.0 if events == trials else min((centre + half) / scale, 1.0)


def clopper_pearson(events: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson ("exact") two-sided interval of a proportion: covers at least as often as it says.

    Parameters
    ----------
    events, trials
        Counts, 0 <= events <= trials, trials >= 1.
    confidence
        Two-sided confidence.

    Returns
    -------
    low, high
        Between 0 and 1.

    Raises
    ------
    EstimateError
        When the counts or the confidence are impossible.

    References
    ----------
    Clopper CJ, Pearson ES (1934) Biometrika 26:404, doi:10.1093/biomet/26.4.404.

    Example
    -------
    >>> [round(x, 4) for x in clopper_pearson(0, 20)]
    [0.0, 0.1684]
    """
    tail = 0.5 + confidence / 2.0
    return (
        clopper_pearson_lower(events, trials, confidence=tail),
        clopper_pearson_upper(events, trials, confidence=tail),
    )


def clopper_pearson_upper(events: int, trials: int, *, confidence: float = 0.95) -> float:
    """One-sided upper Clopper-Pearson limit of a proportion.

    Parameters
    ----------
    events, trials
        Counts, 0 <= events <= trials, trials >= 1.
    confidence
        One-sided confidence.

    Returns
    -------
    float
        The proportion is below this with at least the stated confidence.

    Raises
    ------
    EstimateError
        When the counts or the confidence are impossible.

    References
    ----------
    Clopper CJ, Pearson ES (1934) Biometrika 26:404, doi:10.1093/biomet/26.4.404.

    Example
    -------
    >>> clopper_pearson_upper(0, 2995) < 0.001 < clopper_pearson_upper(0, 2994)
    True
    """
    _check_counts(events, trials, confidence)
    from scipy.special import betaincinv

    return 1.0 if events == trials else float(betaincinv(events + 1, trials - events, confidence))


def clopper_pearson_lower(events: int, trials: int, *, confidence: float = 0.95) -> float:
    """One-sided lower Clopper-Pearson limit of a proportion.

    Parameters
    ----------
    events, trials
        Counts, 0 <= events <= trials, trials >= 1.
    confidence
        One-sided confidence.

    Returns
    -------
    float
        The proportion is above this with at least the stated confidence.

    Raises
    ------
    EstimateError
        When the counts or the confidence are impossible.

    References
    ----------
    Clopper CJ, Pearson ES (1934) Biometrika 26:404, doi:10.1093/biomet/26.4.404.

    Example
    -------
    >>> clopper_pearson_lower(0, 20)
    0.0
    """
    _check_counts(events, trials, confidence)
    from scipy.special import betaincinv

    return 0.0 if events == 0 else float(betaincinv(events, trials - events + 1, 1.0 - confidence))


def _check_counts(events: int, trials: int, confidence: float) -> None:
    if trials < 1 or not 0 <= events <= trials:
        raise EstimateError(f"{events} events in {trials} trials", expected="0 <= events <= trials, trials >= 1")
    if not 0.0 < confidence < 1.0:
        raise EstimateError(f"a confidence of {confidence}", expected="between 0 and 1")
