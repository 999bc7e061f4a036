"""Distance between two noisy points: closed forms, and the interval that still covers when the distance is short.

The measured distance of two points with noise is biased up: at a true distance d and a difference noise s per axis its
mean is about d + s^2 / d, and at d = 0 it is 1.6 s. So the value reported is the distance between the mean points, and
below about five standard uncertainties the interval comes from inverting the distribution of the measured distance.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.quadratic_forms import ball_probability, median_at_zero

FloatArray = NDArray[np.float64]

SHORT_IN_UNCERTAINTIES = 5.0
"""Below this many standard uncertainties a distance is short: naive intervals cover too little there."""

ROUND_COVARIANCE = 1e-9
"""Relative spread of the eigenvalues up to which a covariance counts as isotropic."""

FAR_IN_SD = 100.0
"""Beyond this many standard deviations the two-term expansion of the moments is exact to 1e-8."""

ROOT_IN_SD = 1e-4
"""Interval ends are found to this part of the largest standard deviation."""

CONE_IN_SD = 2.0
"""How far (in standard deviations of the direction) the true direction may lie off the measured one."""


def distance_moments(distance_mm: ArrayLike, sigma_mm: float, *, dimensions: int = 3) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of a measured distance with isotropic difference noise.

    Parameters
    ----------
    distance_mm
        True distance, 0 or more, any shape.
    sigma_mm
        Standard deviation per axis of the *difference* of the points (sqrt 2 times that of one point), more than 0.
    dimensions
        1, 2 (Rice) or 3.

    Returns
    -------
    mean_mm, sd_mm
        Same shape.

    Raises
    ------
    EstimateError
        When a distance is negative or sigma not positive.

    References
    ----------
    Miller KS, Bernstein RI, Blumenson LE (1958) Q Appl Math 16:137, doi:10.1090/qam/94862 (generalised Rayleigh);
    Rice SO (1945) Bell Syst Tech J 24:46, doi:10.1002/j.1538-7305.1945.tb00453.x (two dimensions).

    Example
    -------
    >>> mean, sd = distance_moments(0.0, 1.0)
    >>> round(float(mean), 6), round(float(sd), 6)
    (1.595769, 0.67344)
    """
    d = _checked(distance_mm, sigma_mm, dimensions)
    from scipy.special import hyp1f1, loggamma

    x = (d / sigma_mm) ** 2
    k = dimensions
    start = math.sqrt(2.0) * math.exp(loggamma((k + 1) / 2.0).real - loggamma(k / 2.0).real)
    mean = sigma_mm * start * hyp1f1(-0.5, k / 2.0, -x / 2.0)
    variance = d**2 + k * sigma_mm**2 - mean**2
    far = x > FAR_IN_SD**2  # the closed form subtracts large equal numbers there
    safe = np.where(far, d, 1.0)
    mean = np.where(far, d + 0.5 * (k - 1) * sigma_mm**2 / safe, mean)
    variance = np.where(far, sigma_mm**2 * (1.0 - 0.5 * (k - 1) * (sigma_mm / safe) ** 2), variance)
    return np.asarray(mean), np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def distance_cdf(measured_mm: ArrayLike, distance_mm: ArrayLike, *, sigma_mm: float, dimensions: int = 3) -> FloatArray:
    """Probability that the measured distance is at most `measured_mm`, isotropic difference noise.

    Parameters
    ----------
    measured_mm, distance_mm
        Measured and true distance, broadcast together.
    sigma_mm
        Standard deviation per axis of the difference of the points.
    dimensions
        1, 2 or 3.

    Returns
    -------
    numpy.ndarray
        Probabilities.

    Raises
    ------
    EstimateError
        When a distance is negative or sigma not positive.

    References
    ----------
    Johnson NL, Kotz S, Balakrishnan N (1995) Continuous Univariate Distributions 2, chapter 29, ISBN 978-0-471-58494-0.

    Example
    -------
    >>> round(float(distance_cdf(1.0, 0.0, sigma_mm=1.0)), 6)
    0.198748
    """
    d = _checked(distance_mm, sigma_mm, dimensions)
    r = np.maximum(np.asarray(measured_mm, dtype=np.float64), 0.0)
    if dimensions == 3:
        from scipy.special import ndtr

        # P(R <= r) = Phi(a) - Phi(b) - (s / d) (phi(a) - phi(b)) with a = (r - d) / s, b = (-r - d) / s
        ratio = d / sigma_mm
        a, b = r / sigma_mm - ratio, -r / sigma_mm - ratio
        safe = np.where(ratio > 1e-5, ratio, 1.0)
        away = ndtr(a) - ndtr(b) - (_phi(a) - _phi(b)) / safe
        at_zero = ndtr(r / sigma_mm) - ndtr(-r / sigma_mm) - 2.0 * r / sigma_mm * _phi(r / sigma_mm)
        return np.asarray(np.clip(np.where(ratio > 1e-5, away, at_zero), 0.0, 1.0))
    # The same function as scipy.stats.ncx2.cdf, without the second that importing scipy.stats takes.
    from scipy.special import chndtr

    return np.asarray(chndtr((r / sigma_mm) ** 2, dimensions, np.maximum((d / sigma_mm) ** 2, 1e-12)))


def distance_pdf(measured_mm: ArrayLike, distance_mm: ArrayLike, *, sigma_mm: float) -> FloatArray:
    """Density of the measured distance of two points in space, isotropic difference noise.

    Parameters
    ----------
    measured_mm, distance_mm
        Measured and true distance, broadcast together.
    sigma_mm
        Standard deviation per axis of the difference of the points.

    Returns
    -------
    numpy.ndarray
        Per mm.

    Raises
    ------
    EstimateError
        When a distance is negative or sigma not positive.

    Example
    -------
    >>> round(float(distance_pdf(2.0**0.5, 0.0, sigma_mm=1.0)), 6)
    0.587051
    """
    d = _checked(distance_mm, sigma_mm, 3)
    r = np.maximum(np.asarray(measured_mm, dtype=np.float64), 0.0)
    x = r * d / sigma_mm**2
    safe = np.where(x > 1e-8, x, 1.0)
    bell = np.exp(-0.5 * ((r - d) / sigma_mm) ** 2)
    shape = np.where(x > 1e-8, (1.0 - np.exp(-2.0 * x)) / (2.0 * safe), 1.0)
    return np.asarray(math.sqrt(2.0 / math.pi) * r**2 / sigma_mm**3 * bell * shape)


def distance_quantile(probability: float, distance_mm: float, *, sigma_mm: float, dimensions: int = 3) -> float:
    """Quantile of the measured distance, isotropic difference noise.

    Parameters
    ----------
    probability
        Between 0 and 1.
    distance_mm
        True distance.
    sigma_mm
        Standard deviation per axis of the difference of the points.
    dimensions
        1, 2 or 3.

    Returns
    -------
    float
        mm.

    Raises
    ------
    EstimateError
        When a distance is negative, sigma not positive or the probability impossible.

    Example
    -------
    >>> round(distance_quantile(0.95, 0.0, sigma_mm=1.0), 6)
    2.795483
    """
    d = float(_checked(distance_mm, sigma_mm, dimensions))
    if not 0.0 < probability < 1.0:
        raise EstimateError(f"a probability of {probability}", expected="between 0 and 1")
    from scipy.optimize import brentq

    top = d + (10.0 + dimensions) * sigma_mm
    return float(
        brentq(
            lambda r: float(distance_cdf(r, d, sigma_mm=sigma_mm, dimensions=dimensions)) - probability,
            0.0,
            top,
            xtol=1e-12 * top,
        )
    )


def first_order(difference_mm: ArrayLike, covariance_mm2: ArrayLike) -> tuple[float, float]:
    """First-order standard uncertainty of a distance and second-order bias of its measurement, any covariance.

    Parameters
    ----------
    difference_mm
        Vector between the points, shape (3,).
    covariance_mm2
        Covariance of the difference, shape (3, 3): what both points share (registration, scale) subtracted.

    Returns
    -------
    u_mm, bias_mm
        sqrt(e^T S e) and (tr S - e^T S e) / (2 d), e the unit vector between the points.

    Raises
    ------
    EstimateError
        When the points coincide or the covariance is not one.

    References
    ----------
    JCGM 100:2008, equation 13 and note to clause 5.1.2.

    Example
    -------
    >>> u, bias = first_order([0.0, 0.0, 2.0], np.eye(3) * 0.04)
    >>> round(u, 6), round(bias, 6)
    (0.2, 0.02)
    """
    difference, covariance = _difference(difference_mm, covariance_mm2)
    d = float(np.linalg.norm(difference))
    if d == 0.0:
        raise EstimateError("two points in one place", expected="a distance", action="use distance_interval")
    e = difference / d
    along = float(e @ covariance @ e)
    return math.sqrt(max(along, 0.0)), (float(np.trace(covariance)) - along) / (2.0 * d)


def distance_interval(
    difference_mm: ArrayLike, covariance_mm2: ArrayLike, *, probability: float = 0.95
) -> tuple[float, float]:
    """Confidence interval of a true distance from the difference of the mean points, right down to zero.

    Parameters
    ----------
    difference_mm
        Measured vector between the mean points, shape (3,).
    covariance_mm2
        Covariance of that difference, shape (3, 3).
    probability
        Of the interval.

    Returns
    -------
    low_mm, high_mm
        All distances d under which a measured distance this large and this small are each at least (1 - p) / 2
        likely. `low_mm` is 0 when even coincident points could read this much.

    Raises
    ------
    EstimateError
        When a shape is wrong or the covariance is not one.

    Notes
    -----
    Isotropic covariance: the non-central chi distribution with three degrees of freedom is inverted; coverage is exact.
    Two exceptions, both to the careful side: at d = 0 it is 1 - (1 - p) / 2, and a measured distance below what a
    distance of zero reads half of the time (1.54 s) gets the upper end of that reading, since plain inversion would
    shrink to a point.

    Other covariances: the distribution of |X|, X normal around d e, depends on the true direction e, which is not
    known. The measured direction and four directions tilted from it by two standard deviations of the direction
    (at most 90 degrees) towards the widest and narrowest transverse spread are tried, and the outermost ends kept. Far
    apart all five agree; near zero this covers slightly more than it says.

    References
    ----------
    Johnson NL, Kotz S, Balakrishnan N (1995) Continuous Univariate Distributions 2, chapter 29, ISBN 978-0-471-58494-0;
    Neyman J (1937) Phil Trans R Soc A 236:333, doi:10.1098/rsta.1937.0005 (inversion).

    Example
    -------
    >>> low, high = distance_interval([0.0, 0.0, 0.5], np.eye(3) * 0.08)
    >>> round(low, 3), round(high, 3)
    (0.0, 0.935)
    """
    difference, covariance = _difference(difference_mm, covariance_mm2)
    if not 0.0 < probability < 1.0:
        raise EstimateError(f"a coverage probability of {probability}", expected="between 0 and 1")
    tail = 0.5 * (1.0 - probability)
    measured = float(np.linalg.norm(difference))
    variances, axes = np.linalg.eigh(covariance)
    widest = math.sqrt(max(float(variances[-1]), 0.0))
    if widest == 0.0:
        return measured, measured
    if variances[-1] - variances[0] <= ROUND_COVARIANCE * variances[-1]:
        least = distance_quantile(0.5, 0.0, sigma_mm=widest)

        def isotropic(d: float, r: float) -> float:
            return float(distance_cdf(r, d, sigma_mm=widest))

        return _lower(isotropic, measured, tail, widest), _upper(isotropic, max(measured, least), tail, widest)
    sds = np.sqrt(np.maximum(variances, (1e-6 * widest) ** 2))
    least = median_at_zero(sds)
    ends = []
    for direction in _directions(difference, measured, covariance):
        local = axes.T @ direction

        def probability_below(d: float, r: float, local: FloatArray = local) -> float:
            return ball_probability(r, d * local, sds)

        low = _lower(probability_below, measured, tail, widest)
        ends.append((low, _upper(probability_below, max(measured, least), tail, widest)))
    return min(low for low, _ in ends), max(high for _, high in ends)


def _lower(cdf, measured: float, tail: float, scale: float) -> float:  # type: ignore[no-untyped-def]
    """Least d that could read at least `measured` with probability `tail`."""
    if 1.0 - cdf(0.0, measured) >= tail:
        return 0.0
    return _root(lambda d: (1.0 - cdf(d, measured)) - tail, 0.0, measured + 1e-9 * scale, scale)


def _upper(cdf, measured: float, tail: float, scale: float) -> float:  # type: ignore[no-untyped-def]
    """Largest d that could read at most `measured` with probability `tail`."""
    return _root(lambda d: cdf(d, measured) - tail, 0.0, measured + 8.0 * scale, scale)


def _root(function, low: float, high: float, scale: float) -> float:  # type: ignore[no-untyped-def]
    from scipy.optimize import brentq

    if function(low) * function(high) > 0.0:
        return low if abs(function(low)) < abs(function(high)) else high
    return float(brentq(function, low, high, xtol=ROOT_IN_SD * scale, rtol=1e-12))


def _directions(difference: FloatArray, measured: float, covariance: FloatArray) -> list[FloatArray]:
    """The measured direction and four tilted towards the principal transverse spreads."""
    if measured == 0.0:
        return list(np.linalg.eigh(covariance)[1].T)
    e = difference / measured
    across = np.linalg.svd(e[None])[2][1:]
    variances, turn = np.linalg.eigh(across @ covariance @ across.T)
    found = [e]
    for variance, axis in zip(variances, turn.T @ across, strict=True):
        tilt = min(CONE_IN_SD * math.sqrt(max(float(variance), 0.0)) / measured, math.pi / 2.0)
        found += [math.cos(tilt) * e + sign * math.sin(tilt) * axis for sign in (-1.0, 1.0)]
    return found


def _phi(x: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * np.square(x)) / math.sqrt(2.0 * math.pi))


def _checked(distance_mm: ArrayLike, sigma_mm: float, dimensions: int) -> FloatArray:
    d = np.asarray(distance_mm, dtype=np.float64)
    if not math.isfinite(sigma_mm) or sigma_mm <= 0.0 or dimensions not in (1, 2, 3) or np.any(d < 0.0):
        raise EstimateError(
            f"sigma {sigma_mm} mm in {dimensions} dimensions, least distance {np.min(d, initial=np.inf)} mm",
            expected="sigma > 0, distance >= 0, 1 to 3 dimensions",
        )
    return d


def _difference(difference_mm: ArrayLike, covariance_mm2: ArrayLike) -> tuple[FloatArray, FloatArray]:
    difference, cov = np.asarray(difference_mm, dtype=np.float64), np.asarray(covariance_mm2, dtype=np.float64)
    if (
        difference.shape != (3,)
        or cov.shape != (3, 3)
        or not (np.all(np.isfinite(difference)) and np.all(np.isfinite(cov)))
    ):
        raise EstimateError(
            f"a difference of shape {difference.shape} with a covariance of shape {cov.shape}",
            expected="finite numbers of shapes (3,) and (3, 3)",
        )
    if not np.allclose(cov, cov.T, rtol=1e-9, atol=1e-15) or np.linalg.eigvalsh(cov)[0] < -1e-9 * np.trace(cov):
        raise EstimateError("a covariance that is not symmetric and positive", expected="a covariance matrix")
    return difference, 0.5 * (cov + cov.T)
