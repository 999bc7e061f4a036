"""How a size fits a length known with uncertainty: too short, fits, too long, and what that costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FitProbabilities:
    """Three probabilities that sum to one.

    Example
    -------
    >>> p = fit_probabilities(4.5, 4.6, sigma_mm=0.25, low_mm=-0.25, high_mm=0.25)
    >>> round(p.short + p.fits + p.long, 12)
    1.0
    """

    short: float
    fits: float
    long: float


def fit_probabilities(
    size_mm: float, needed_mm: float, *, sigma_mm: float, low_mm: float, high_mm: float
) -> FitProbabilities:
    """P(short), P(fits) and P(long) of a size when the needed length is normal.

    Parameters
    ----------
    size_mm
        Functional length of the size.
    needed_mm, sigma_mm
        Mean and standard deviation of the needed length; sigma 0 or more.
    low_mm, high_mm
        Fit window: the size fits when size - needed lies between them.

    Returns
    -------
    FitProbabilities
        short = P(size < needed + low), long = P(size > needed + high).

    Raises
    ------
    EstimateError
        When sigma is negative or the window upside down.

    Example
    -------
    >>> p = fit_probabilities(4.5, 4.6, sigma_mm=0.25, low_mm=-0.25, high_mm=0.25)
    >>> round(p.short, 4), round(p.fits, 4), round(p.long, 4)
    (0.2743, 0.645, 0.0808)
    """
    _check(sigma_mm, low_mm, high_mm)
    excess = size_mm - needed_mm
    if sigma_mm == 0.0:
        short, long = float(excess < low_mm), float(excess > high_mm)
        return FitProbabilities(short, 1.0 - short - long, long)
    from scipy.special import ndtr

    short, long = float(ndtr((low_mm - excess) / sigma_mm)), float(ndtr((excess - high_mm) / sigma_mm))
    return FitProbabilities(short, max(1.0 - short - long, 0.0), long)


def fit_probabilities_from_draws(
    size_mm: float, needed_draws_mm: ArrayLike, *, low_mm: float, high_mm: float
) -> FitProbabilities:
    """The same from Monte Carlo draws of the needed length.

    Parameters
    ----------
    size_mm
        Functional length of the size.
    needed_draws_mm
        Shape (n,), mm.
    low_mm, high_mm
        Fit window.

    Returns
    -------
    FitProbabilities
        Fractions of the draws.

    Raises
    ------
    EstimateError
        When there is no draw or the window is upside down.

    Example
    -------
    >>> fit_probabilities_from_draws(4.0, [3.0, 4.0, 4.1, 6.0], low_mm=-0.25, high_mm=0.25)
    FitProbabilities(short=0.25, fits=0.5, long=0.25)
    """
    _check(0.0, low_mm, high_mm)
    excess = size_mm - np.asarray(needed_draws_mm, dtype=np.float64).ravel()
    if len(excess) == 0 or not np.all(np.isfinite(excess)):
        raise EstimateError("no finite draws of the needed length", expected="at least one")
    short, long = float(np.mean(excess < low_mm)), float(np.mean(excess > high_mm))
    return FitProbabilities(short, float(np.mean((excess >= low_mm) & (excess <= high_mm))), long)


def expected_loss(
    size_mm: ArrayLike, needed_mm: float, *, sigma_mm: float, cost_long: float, cost_short: float
) -> FloatArray:
    """Expected cost of a size when the cost grows linearly with the error, differently on each side.

    Parameters
    ----------
    size_mm
        Functional length of the size or sizes.
    needed_mm, sigma_mm
        Mean and standard deviation of the needed length; sigma 0 or more.
    cost_long, cost_short
        Cost per mm too long and per mm too short, 0 or more.

    Returns
    -------
    numpy.ndarray
        Cost, shape of the sizes.

    Raises
    ------
    EstimateError
        When sigma or a cost is negative.

    References
    ----------
    Arrow KJ, Harris T, Marschak J (1951) Econometrica 19:250, doi:10.2307/1906813 (the same piecewise linear loss).

    Example
    -------
    >>> round(float(expected_loss(4.5, 4.6, sigma_mm=0.25, cost_long=3.0, cost_short=1.0)), 5)
    0.33044
    """
    _check(sigma_mm, 0.0, 0.0)
    if cost_long < 0.0 or cost_short < 0.0:
        raise EstimateError(f"costs {cost_long} and {cost_short}", expected="0 or more")
    excess = np.asarray(size_mm, dtype=np.float64) - needed_mm
    if sigma_mm == 0.0:
        too_long = np.maximum(excess, 0.0)
    else:
        from scipy.special import ndtr

        z = excess / sigma_mm
        too_long = excess * ndtr(z) + sigma_mm * np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return np.asarray(cost_long * too_long + cost_short * (too_long - excess))


def least_loss_length_mm(needed_mm: float, sigma_mm: float, *, cost_long: float, cost_short: float) -> float:
    """Length of least expected cost: the quantile cost_short / (cost_short + cost_long) of the needed length.

    Parameters
    ----------
    needed_mm, sigma_mm
        Mean and standard deviation of the needed length.
    cost_long, cost_short
        Cost per mm, both positive.

    Returns
    -------
    float
        mm.

    Raises
    ------
    EstimateError
        When sigma is negative or a cost not positive.

    References
    ----------
    Arrow KJ, Harris T, Marschak J (1951) Econometrica 19:250, doi:10.2307/1906813.

    Example
    -------
    >>> round(least_loss_length_mm(4.6, 0.25, cost_long=3.0, cost_short=1.0), 5)
    4.43138
    """
    _check(sigma_mm, 0.0, 0.0)
    if not (cost_long > 0.0 and cost_short > 0.0):
        raise EstimateError(f"costs {cost_long} and {cost_short}", expected="both positive")
    from scipy.special import ndtri

    return float(needed_mm + sigma_mm * ndtri(cost_short / (cost_short + cost_long)))


def sizes_on_grid_mm(length_mm: float, step_mm: float) -> tuple[float, float]:
    """The two sizes of a step grid on either side of a length (equal when it lies on the grid).

    Parameters
    ----------
    length_mm
        Wanted length.
    step_mm
        Step of the sizes, positive; the grid contains 0.

    Returns
    -------
    below_mm, above_mm
        Neighbouring sizes.

    Raises
    ------
    EstimateError
        When the step is not positive.

    Example
    -------
    >>> sizes_on_grid_mm(4.43, 0.25)
    (4.25, 4.5)
    """
    if not (math.isfinite(length_mm) and step_mm > 0.0):
        raise EstimateError(f"length {length_mm} mm, step {step_mm} mm", expected="a finite length, a positive step")
    steps = length_mm / step_mm
    nearest = round(steps)
    if abs(steps - nearest) < 1e-9:
        return nearest * step_mm, nearest * step_mm
    return math.floor(steps) * step_mm, math.ceil(steps) * step_mm


def _check(sigma_mm: float, low_mm: float, high_mm: float) -> None:
    if not math.isfinite(sigma_mm) or sigma_mm < 0.0 or not low_mm <= high_mm:
        raise EstimateError(
            f"sigma {sigma_mm} mm, window {low_mm} to {high_mm} mm", expected="sigma >= 0 and the lower end first"
        )
