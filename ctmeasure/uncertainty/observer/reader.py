"""Bias and covariance of one reader at one landmark, and how far the next placement may lie."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

Floats = NDArray[np.float64]
LEAST_PLACEMENTS = 4
"""Fewer errors do not span three directions: their covariance has no inverse."""


@dataclass(frozen=True, eq=False)
class ReaderSpread:
    """Errors of one reader at one landmark.

    Parameters
    ----------
    count
        Placements.
    bias_mm
        Shape (3,): mean error.
    covariance_mm2
        Shape (3, 3): covariance of single placements about the bias.
    """

    count: int
    bias_mm: Floats
    covariance_mm2: Floats

    @property
    def degrees_of_freedom(self) -> int:
        """Of each direction's standard deviation."""
        return self.count - 1

    @property
    def predictive_mm2(self) -> Floats:
        """Scale matrix of where the next placement lies about the truth, shape (3, 3).

        The reader's placements are left as they are and their bias is not taken off, so it counts as doubt: covariance
        times 1 + 1/n for the next one about the unknown mean, plus the bias squared. It is drawn with a t distribution
        of n - 1 degrees of freedom.
        """
        return self.covariance_mm2 * (1.0 + 1.0 / self.count) + np.outer(self.bias_mm, self.bias_mm)

    @property
    def bias_standard_error_mm(self) -> Floats:
        """Standard error of the bias, shape (3,)."""
        return np.sqrt(np.diag(self.covariance_mm2) / self.count)


def reader_spread(errors_mm: ArrayLike) -> ReaderSpread:
    """Bias and covariance from the errors of one reader.

    Parameters
    ----------
    errors_mm
        Shape (n, 3), n >= 4: placed less true, in a frame that goes with the ear.

    Returns
    -------
    ReaderSpread

    Raises
    ------
    EstimateError
        When there are fewer than four or one is not finite.

    References
    ----------
    JCGM 100:2008, clauses 4.2 and F.2.4.5 (a bias that is not corrected for).

    Example
    -------
    >>> reader_spread([[0.1, 0, 0], [0.3, 0, 0], [0.1, 0.2, 0], [0.3, 0.2, 0]]).bias_mm.round(2).tolist()
    [0.2, 0.1, 0.0]
    """
    e = np.asarray(errors_mm, dtype=np.float64)
    if e.ndim != 2 or e.shape[1:] != (3,) or len(e) < LEAST_PLACEMENTS or not np.isfinite(e).all():
        raise EstimateError(f"errors of shape {e.shape}", expected=f"at least {LEAST_PLACEMENTS} finite errors (n, 3)")
    return ReaderSpread(len(e), e.mean(axis=0), np.cov(e, rowvar=False))


def predictive_half_width(standard_deviation: float, count: int, *, confidence: float = 0.95) -> float:
    """Half width of the interval for the next reading, from few earlier ones: sigma sqrt(1 + 1/n) t(n - 1).

    Parameters
    ----------
    standard_deviation
        Of the earlier readings about their mean.
    count
        How many, at least two.
    confidence
        Two-sided.

    Returns
    -------
    float
        In the unit of the standard deviation.

    Raises
    ------
    EstimateError
        When there are fewer than two readings.

    References
    ----------
    Hahn GJ, Meeker WQ (1991) Statistical intervals, section 4.3 (from memory), doi:10.1002/9780470316771.

    Example
    -------
    >>> round(predictive_half_width(1.0, 10), 3)
    2.373
    """
    if count < 2 or not (standard_deviation >= 0.0 and 0.0 < confidence < 1.0):
        raise EstimateError(f"{count} readings", expected="at least two", action="measure more")
    from scipy.special import stdtrit

    return standard_deviation * math.sqrt(1.0 + 1.0 / count) * float(stdtrit(count - 1, 0.5 + confidence / 2.0))
