"""Distributions of inputs, each with mean, standard deviation and a sampler (JCGM 101:2008, table 1, clause 6.4)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ctmeasure.uncertainty.estimate import EstimateError

FloatArray = NDArray[np.float64]


class Distribution(Protocol):
    """What every distribution offers."""

    @property
    def mean(self) -> float:
        """Expectation."""

    @property
    def sd(self) -> float:
        """Standard deviation; infinite where it does not exist."""

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""


def generator(seed: int) -> np.random.Generator:
    """The random generator of this project: PCG64 with a stated seed.

    Parameters
    ----------
    seed
        Any non-negative integer; stored with every result.

    Returns
    -------
    numpy.random.Generator
        Equal seeds give equal draws.

    Raises
    ------
    ValueError
        When the seed is negative.

    References
    ----------
    O'Neill ME (2014) PCG, Harvey Mudd College HMC-CS-2014-0905.

    Example
    -------
    >>> generator(1).random() == generator(1).random()
    True
    """
    return np.random.Generator(np.random.PCG64(seed))


@dataclass(frozen=True, slots=True)
class Normal:
    """Gaussian (JCGM 101, 6.4.7).

    Example
    -------
    >>> Normal(1.0, 0.2).sd
    0.2
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        _positive(self.sd, "standard deviation", zero=True)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        return rng.normal(self.mean, self.sd, size)


@dataclass(frozen=True, slots=True)
class Rectangular:
    """Uniform between two limits (JCGM 101, 6.4.2); standard deviation half width / sqrt(3).

    Example
    -------
    >>> round(Rectangular(-1.0, 1.0).sd, 6)
    0.57735
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        _positive(self.high - self.low, "width")

    @property
    def mean(self) -> float:
        """Expectation."""
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return (self.high - self.low) / math.sqrt(12.0)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        return rng.uniform(self.low, self.high, size)


@dataclass(frozen=True, slots=True)
class Trapezoidal:
    """Symmetric trapezoid between two limits (JCGM 101, 6.4.4); beta is top width over base width.

    Example
    -------
    >>> round(Trapezoidal(-1.0, 1.0, 0.0).sd, 6), round(Trapezoidal(-1.0, 1.0, 1.0).sd, 6)
    (0.408248, 0.57735)
    """

    low: float
    high: float
    beta: float

    def __post_init__(self) -> None:
        _positive(self.high - self.low, "width")
        if not 0.0 <= self.beta <= 1.0:
            raise EstimateError(f"beta = {self.beta}", expected="0 (triangle) to 1 (rectangle)")

    @property
    def mean(self) -> float:
        """Expectation."""
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return 0.5 * (self.high - self.low) * math.sqrt((1.0 + self.beta**2) / 6.0)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        first, second = rng.random(size), rng.random(size)
        half = 0.5 * (self.high - self.low)
        return np.asarray(self.low + half * ((1.0 + self.beta) * first + (1.0 - self.beta) * second))


@dataclass(frozen=True, slots=True)
class Triangular:
    """Symmetric triangle between two limits (JCGM 101, 6.4.5); standard deviation half width / sqrt(6).

    Example
    -------
    >>> round(Triangular(-1.0, 1.0).sd, 6)
    0.408248
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        _positive(self.high - self.low, "width")

    @property
    def mean(self) -> float:
        """Expectation."""
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return (self.high - self.low) / math.sqrt(24.0)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        return np.asarray(self.low + 0.5 * (self.high - self.low) * (rng.random(size) + rng.random(size)))


@dataclass(frozen=True, slots=True)
class Arcsine:
    """Arc sine (U-shaped) between two limits (JCGM 101, 6.4.6); standard deviation half width / sqrt(2).

    Example
    -------
    >>> round(Arcsine(-0.5, 0.5).sd, 6)
    0.353553
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        _positive(self.high - self.low, "width")

    @property
    def mean(self) -> float:
        """Expectation."""
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return (self.high - self.low) / math.sqrt(8.0)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        return np.asarray(self.mean + 0.5 * (self.high - self.low) * np.sin(2.0 * np.pi * rng.random(size)))


@dataclass(frozen=True, slots=True)
class CurvilinearTrapezoid:
    """Rectangle whose limits are only known to within d (JCGM 101, 6.4.3).

    Example
    -------
    >>> round(CurvilinearTrapezoid(-1.0, 1.0, 0.3).sd, 6)
    0.585947
    """

    low: float
    high: float
    d: float

    def __post_init__(self) -> None:
        _positive(self.high - self.low, "width")
        if not 0.0 <= self.d < 0.5 * (self.high - self.low):
            raise EstimateError(f"d = {self.d}", expected="0 or more, less than half the width")

    @property
    def mean(self) -> float:
        """Expectation."""
        return 0.5 * (self.low + self.high)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return math.sqrt((self.high - self.low) ** 2 / 12.0 + self.d**2 / 9.0)

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        low = self.low - self.d + 2.0 * self.d * rng.random(size)
        high = self.low + self.high - low
        return np.asarray(low + (high - low) * rng.random(size))


@dataclass(frozen=True, slots=True)
class ScaledT:
    """Scaled and shifted t (JCGM 101, 6.4.9): a mean of few repeats, or a value with stated degrees of freedom.

    Example
    -------
    >>> round(ScaledT(0.0, 1.0, 4.0).sd, 6)
    1.414214
    """

    mean: float
    scale: float
    dof: float

    def __post_init__(self) -> None:
        _positive(self.scale, "scale", zero=True)
        _positive(self.dof, "degrees of freedom")

    @property
    def sd(self) -> float:
        """Standard deviation; infinite up to 2 degrees of freedom, where only quantiles mean anything."""
        return self.scale * math.sqrt(self.dof / (self.dof - 2.0)) if self.dof > 2.0 else math.inf

    def sample(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Independent draws, shape (size,)."""
        return np.asarray(self.mean + self.scale * rng.standard_t(self.dof, size))


def multivariate_normal(
    rng: np.random.Generator, size: int, *, mean: NDArray[np.float64], covariance: NDArray[np.float64]
) -> FloatArray:
    """Draws of correlated normal quantities; a singular covariance is allowed.

    Parameters
    ----------
    rng
        Generator.
    size
        Number of draws.
    mean, covariance
        Shapes (k,) and (k, k).

    Returns
    -------
    numpy.ndarray
        Shape (size, k).

    Raises
    ------
    EstimateError
        When the covariance is not symmetric or has a clearly negative eigenvalue.

    References
    ----------
    JCGM 101:2008, clause 6.4.8.

    Example
    -------
    >>> multivariate_normal(generator(0), 5, mean=np.zeros(2), covariance=np.ones((2, 2))).shape
    (5, 2)
    """
    cov = np.asarray(covariance, dtype=np.float64)
    if cov.ndim != 2 or cov.shape[0] != cov.shape[1] or not np.allclose(cov, cov.T, rtol=1e-9, atol=0.0):
        raise EstimateError(f"a covariance of shape {cov.shape}", expected="a symmetric square matrix")
    values, vectors = np.linalg.eigh(cov)
    if values[0] < -1e-9 * max(values[-1], 1e-300):
        raise EstimateError("a covariance with a negative variance", expected="a positive semi-definite matrix")
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(mean + rng.standard_normal((size, len(cov))) @ root.T)


def _positive(number: float, name: str, *, zero: bool = False) -> None:
    if not math.isfinite(number) or number < 0.0 or (number == 0.0 and not zero):
        raise EstimateError(f"{name} = {number}", expected="zero or more" if zero else "more than zero")
