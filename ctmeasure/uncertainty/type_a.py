"""Repeated placements: their mean, its uncertainty, and draws that know how few they were."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Repeats:
    """Mean of repeated readings with its Type A uncertainty.

    Parameters
    ----------
    mean
        Shape (d,): readings are averaged as points, never as distances (averaged distances are biased up).
    standard_error
        Shape (d,): s / sqrt(n) per axis.
    dof
        Degrees of freedom: n - 1 per axis, d (n - 1) when the axes were pooled.
    count
        Number of readings.

    Raises
    ------
    EstimateError
        Never by itself.

    Example
    -------
    >>> summarise_repeats([[1.0], [2.0], [3.0]]).standard_error.round(6).tolist()
    [0.57735]
    """

    mean: FloatArray
    standard_error: FloatArray
    dof: int
    count: int

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Standard deviation of the t distribution drawn from, shape (d,): standard error sqrt(dof / (dof - 2)).

        With one or two degrees of freedom it is infinite and only quantiles mean anything.
        """
        wider = math.sqrt(self.dof / (self.dof - 2.0)) if self.dof > 2 else math.inf
        return np.where(self.standard_error > 0.0, self.standard_error * wider, 0.0)

    def draw(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Draws of the mean, shape (size, d): t scaled and shifted, independent axes (JCGM 101, clause 6.4.9.4)."""
        t = rng.standard_t(self.dof, (size, len(self.mean)))
        return np.asarray(self.mean + self.standard_error * t)


def summarise_repeats(readings: ArrayLike, *, pooled: bool = False) -> Repeats:
    """Mean and Type A uncertainty of repeated readings.

    Parameters
    ----------
    readings
        Shape (n, d) or (n,), n >= 2.
    pooled
        One variance for all axes: more degrees of freedom when there are few repeats, right only when no axis is worse
        than another (a thick slice makes one worse).

    Returns
    -------
    Repeats
        Mean, standard error and degrees of freedom.

    Raises
    ------
    EstimateError
        When there are fewer than two readings or one is not finite.

    References
    ----------
    JCGM 100:2008, clause 4.2; JCGM 101:2008, clause 6.4.9.

    Example
    -------
    >>> r = summarise_repeats([[0.0, 0, 0], [0.2, 0, 0.1], [0.1, 0.1, 0]], pooled=True)
    >>> r.dof
    6
    """
    values = np.asarray(readings, dtype=np.float64)
    values = values[:, None] if values.ndim == 1 else values
    if values.ndim != 2 or len(values) < 2 or not np.all(np.isfinite(values)):
        raise EstimateError(f"readings of shape {values.shape}", expected="at least two finite readings (n, d)")
    n, d = values.shape
    variance = values.var(axis=0, ddof=1)
    if pooled:
        variance = np.full(d, variance.mean())
    return Repeats(values.mean(axis=0), np.sqrt(variance / n), d * (n - 1) if pooled else n - 1, n)


def mean_correlation(first: ArrayLike, second: ArrayLike) -> float:
    """Correlation coefficient of the means of two quantities read together n times.

    Parameters
    ----------
    first, second
        Shape (n,), n >= 2, simultaneous readings.

    Returns
    -------
    float
        Between -1 and 1.

    Raises
    ------
    EstimateError
        When the counts differ, there are fewer than two, or one quantity does not vary.

    References
    ----------
    JCGM 100:2008, equations 14 and 17.

    Example
    -------
    >>> round(mean_correlation([1, 2, 3], [2, 4, 6]), 9)
    1.0
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape or len(a) < 2 or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        raise EstimateError(
            f"readings of shapes {a.shape} and {b.shape}", expected="two varying series of equal length"
        )
    return float(np.corrcoef(a, b)[0, 1])
