"""Closed-form probability that a noisy gap falls under a threshold: flat, parallel lines, point and ball."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import EstimateError

Shape = Literal["flat", "parallel", "ball"]
DIMENSIONS: dict[Shape, int] = {"flat": 1, "parallel": 2, "ball": 3}


def violation_probability(
    distance_mm: ArrayLike, threshold_mm: ArrayLike, *, sigma_mm: float, shape: Shape = "flat"
) -> NDArray[np.float64]:
    """Probability that the true distance of two axes (or points) is at most a threshold.

    Parameters
    ----------
    distance_mm
        Planned distance between the axes, 0 or more.
    threshold_mm
        Margin + bur radius + structure radius; with margin 0 this is the probability of contact.
    sigma_mm
        Standard deviation of the relative position per axis.
    shape
        "flat": locally flat structures or skew lines, only the error along the common perpendicular counts;
        "parallel": parallel lines, two axes count; "ball": a point and a ball, three count.

    Returns
    -------
    numpy.ndarray
        Probabilities, broadcast shape.

    Raises
    ------
    EstimateError
        When sigma is not positive, or a distance or threshold is negative.

    Notes
    -----
    For convex structures "flat" gives the largest value and is the careful choice. For anisotropic errors use
    sigma^2 = n^T S n with n towards the nearest point, then check by Monte Carlo.

    References
    ----------
    Johnson NL, Kotz S, Balakrishnan N (1995) Continuous Univariate Distributions 2, chapter 29, ISBN 978-0-471-58494-0.

    Example
    -------
    >>> round(float(violation_probability(2.5, 1.55, sigma_mm=0.390512)), 6)
    0.007493
    """
    d, t = np.broadcast_arrays(np.asarray(distance_mm, dtype=np.float64), np.asarray(threshold_mm, dtype=np.float64))
    if not sigma_mm > 0.0 or np.any(d < 0.0) or np.any(t < 0.0) or shape not in DIMENSIONS:
        raise EstimateError(
            f"sigma {sigma_mm} mm, shape {shape!r}", expected="sigma > 0, distances >= 0, a known shape"
        )
    if shape == "flat":
        from scipy.special import ndtr

        return np.asarray(ndtr((t - d) / sigma_mm) - ndtr((-t - d) / sigma_mm))
    from ctmeasure.uncertainty.distance import distance_cdf

    return distance_cdf(t, d, sigma_mm=sigma_mm, dimensions=DIMENSIONS[shape])


def needed_distance_mm(accepted: float, threshold_mm: float, *, sigma_mm: float) -> float:
    """Distance of the axes at which the "flat" violation probability equals the accepted risk.

    Parameters
    ----------
    accepted
        Accepted risk, between 0 and 0.5.
    threshold_mm
        Margin + bur radius + structure radius, 0 or more.
    sigma_mm
        Standard deviation of the relative position along the common perpendicular.

    Returns
    -------
    float
        mm.

    Raises
    ------
    EstimateError
        When a number is out of range.

    Example
    -------
    >>> round(needed_distance_mm(0.001, 1.55, sigma_mm=0.390512), 4)
    2.7568
    """
    if not 0.0 < accepted < 0.5 or not sigma_mm > 0.0 or threshold_mm < 0.0:
        raise EstimateError(
            f"risk {accepted}, threshold {threshold_mm} mm, sigma {sigma_mm} mm",
            expected="0 < risk < 0.5, threshold >= 0, sigma > 0",
        )
    from scipy.optimize import brentq

    def excess(d: float) -> float:
        return float(violation_probability(d, threshold_mm, sigma_mm=sigma_mm)) - accepted

    if excess(0.0) <= 0.0:
        return 0.0
    return float(brentq(excess, 0.0, threshold_mm + 40.0 * sigma_mm, xtol=1e-12))


def any_bounds(probabilities: ArrayLike) -> tuple[float, float]:
    """Bounds of the probability that any of several events happens, whatever their dependence.

    Parameters
    ----------
    probabilities
        Shape (k,), each between 0 and 1.

    Returns
    -------
    low, high
        Largest single probability, and the sum (at most 1).

    Raises
    ------
    EstimateError
        When there is none or one is not between 0 and 1.

    References
    ----------
    Frechet M (1935) Fund Math 25:379, doi:10.4064/fm-25-1-379-387.

    Example
    -------
    >>> any_bounds([0.01, 0.02])
    (0.02, 0.03)
    """
    p = np.asarray(probabilities, dtype=np.float64)
    if p.ndim != 1 or len(p) == 0 or np.any(~((p >= 0.0) & (p <= 1.0))):
        raise EstimateError("probabilities outside 0 to 1, or none", expected="at least one between 0 and 1")
    return float(p.max()), float(min(p.sum(), 1.0))
