"""Distances between placed and true points: what an unbiased or biased reader gives, and how often one succeeds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.intervals import wilson

SUCCESS_RADII_MM = (0.25, 0.5, 0.75, 1.0)
"""Radii at which success is counted; our own choice for the ear, a tenth of an ossicle's length apart."""


@dataclass(frozen=True, slots=True)
class Success:
    """Share of placements within a radius, with the Wilson 95 % interval."""

    radius_mm: float
    within: int
    count: int
    rate: float
    low_95: float
    high_95: float


@dataclass(frozen=True, slots=True)
class RadialErrors:
    """Radial errors of many placements; ``standard_error_mm`` is that of the mean."""

    count: int
    mean_mm: float
    standard_error_mm: float
    root_mean_square_mm: float
    worst_mm: float
    success: tuple[Success, ...]


def radial_errors(errors_mm: ArrayLike, *, radii_mm: tuple[float, ...] = SUCCESS_RADII_MM) -> RadialErrors:
    """Mean radial error and success-detection rates.

    Parameters
    ----------
    errors_mm
        Shape (n,), n >= 1, distances in mm, zero or more.
    radii_mm
        Radii of success.

    Returns
    -------
    RadialErrors

    Raises
    ------
    EstimateError
        When there is no error, or one is negative or not finite.

    Notes
    -----
    A distance is never negative, so its mean is not zero for a reader without bias: `mean_radial_error` says how much.

    References
    ----------
    Wang CW et al. (2016) Med Image Anal 31:63, doi:10.1016/j.media.2016.02.004 (mean radial error and success
    detection rate, at other radii).

    Example
    -------
    >>> found = radial_errors([0.12, 0.25, 0.31, 0.48, 0.55, 0.62, 0.9, 1.4])
    >>> round(found.mean_mm, 5), [s.rate for s in found.success]
    (0.57875, [0.25, 0.5, 0.75, 0.875])
    """
    e = np.asarray(errors_mm, dtype=np.float64)
    if e.ndim != 1 or not len(e) or not np.isfinite(e).all() or (e < 0.0).any():
        raise EstimateError(f"errors of shape {e.shape}", expected="one or more finite distances")
    n = len(e)
    success = []
    for radius in radii_mm:
        within = int((e <= radius).sum())
        success.append(Success(radius, within, n, within / n, *wilson(within, n)))
    spread = float(e.std(ddof=1)) / math.sqrt(n) if n > 1 else math.nan
    rms = math.sqrt(float((e**2).mean()))
    return RadialErrors(n, float(e.mean()), spread, rms, float(e.max()), tuple(success))


def mean_radial_error(covariance_mm2: ArrayLike, *, bias_mm: ArrayLike = (0.0, 0.0, 0.0)) -> float:
    """Expected distance from the truth of a reader with this bias and covariance.

    Parameters
    ----------
    covariance_mm2
        Shape (3, 3), mm^2; need not be alike in all directions.
    bias_mm
        Shape (3,), mm, in the same frame.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    EstimateError
        When the covariance is not symmetric and non-negative.

    Notes
    -----
    The mean of the root of a quadratic form by its Laplace transform L: the integral of (1 - L(s^2)) / (s^2 sqrt(pi))
    over s from 0 to infinity. Exact to the tolerance of the quadrature (1e-9).

    References
    ----------
    Mathai AM, Provost SB (1992) Quadratic forms in random variables (moments from the Laplace transform; from memory).

    Example
    -------
    >>> import numpy as np
    >>> round(mean_radial_error(0.2**2 * np.eye(3)), 3)
    0.319
    """
    from scipy.integrate import quad

    covariance, bias = np.asarray(covariance_mm2, dtype=np.float64), np.asarray(bias_mm, dtype=np.float64)
    if covariance.shape != (3, 3) or bias.shape != (3,) or not np.allclose(covariance, covariance.T, atol=1e-12):
        raise EstimateError(f"covariance of shape {covariance.shape}", expected="a symmetric (3, 3) array")
    variances, axes = np.linalg.eigh(covariance)
    if variances.min() < -1e-12 or not np.isfinite(bias).all():
        raise EstimateError("a covariance that is negative in one direction", expected="variances of zero or more")
    variances = np.clip(variances, 0.0, None)
    size = math.sqrt(float(variances.sum() + bias @ bias))
    if size == 0.0:
        return 0.0
    variances, squares = variances / size**2, (axes.T @ bias / size) ** 2

    def integrand(s: float) -> float:
        wider = 1.0 + 2.0 * s * s * variances
        log_transform = -0.5 * float(np.log(wider).sum()) - s * s * float((squares / wider).sum())
        return -math.expm1(log_transform) / (s * s) if s > 1e-6 else 1.0

    total = sum(quad(integrand, a, b, epsabs=1e-11, limit=200)[0] for a, b in ((0.0, 3.0), (3.0, math.inf)))
    return size * float(total) / math.sqrt(math.pi)
