"""Probability that a normal vector with unequal spreads falls into a ball: the distribution of a measured distance."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NODES = 32
"""Gauss-Legendre nodes per axis: with the window below within 1e-7 of the exact isotropic distribution."""

WINDOW_SD = 6.0
"""Half width of the integration window in standard deviations: 2e-9 of the probability lies outside."""


def ball_probability(radius: float, centre: FloatArray, sds: FloatArray) -> float:
    """P(|X| <= radius) for independent normal coordinates, by nested Gauss-Legendre over the ball.

    Parameters
    ----------
    radius
        Of the ball around the origin.
    centre
        Mean of X, shape (3,).
    sds
        Standard deviations, shape (3,), ascending, all positive. The widest coordinate is integrated in closed
        form and the windows of the others follow their spreads, so a flat spread is no trouble.

    Returns
    -------
    float
        Probability.

    Raises
    ------
    IndexError
        When a shape is wrong.

    References
    ----------
    Imhof JP (1961) Biometrika 48:419, doi:10.1093/biomet/48.3-4.419 (the same distribution by another integral).

    Example
    -------
    >>> round(ball_probability(1.0, np.zeros(3), np.ones(3)), 6)
    0.198748
    """
    from scipy.special import ndtr

    if radius <= 0.0:
        return 0.0
    nodes, weights = _gauss_legendre()

    def window(limit: FloatArray, mean: float, sd: float) -> tuple[FloatArray, FloatArray]:
        """Angles whose sine times the limit covers the part of the chord within the window."""
        safe = np.maximum(limit, 1e-300)
        a = np.arcsin(np.clip((mean - WINDOW_SD * sd) / safe, -1.0, 1.0))
        b = np.arcsin(np.clip((mean + WINDOW_SD * sd) / safe, -1.0, 1.0))
        return 0.5 * (a + b)[..., None] + 0.5 * (b - a)[..., None] * nodes, 0.5 * (b - a)[..., None] * weights

    first, first_weight = window(np.array(radius), centre[0], sds[0])
    x = radius * np.sin(first)
    second_limit = radius * np.cos(first)
    second, second_weight = window(second_limit, centre[1], sds[1])
    y = second_limit[:, None] * np.sin(second)
    third_limit = second_limit[:, None] * np.cos(second)
    inner = ndtr((third_limit - centre[2]) / sds[2]) - ndtr((-third_limit - centre[2]) / sds[2])
    density_y = _phi((y - centre[1]) / sds[1]) / sds[1]
    middle = np.sum(second_weight * inner * density_y * third_limit, axis=1)
    return float(np.sum(first_weight * middle * _phi((x - centre[0]) / sds[0]) / sds[0] * second_limit))


@cache
def _gauss_legendre() -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def median_at_zero(sds: FloatArray) -> float:
    """What coincident points read half of the time.

    Parameters
    ----------
    sds
        Standard deviations of the difference, shape (3,), ascending.

    Returns
    -------
    float
        Median length.

    Raises
    ------
    IndexError
        When the shape is wrong.

    Example
    -------
    >>> round(median_at_zero(np.ones(3)), 4)
    1.5382
    """
    from scipy.optimize import brentq

    top = 2.0 * float(np.linalg.norm(sds))
    return float(brentq(lambda r: ball_probability(r, np.zeros(3), sds) - 0.5, 0.0, top, xtol=1e-6 * top))


def _phi(x: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * np.square(x)) / math.sqrt(2.0 * math.pi))
