"""Propagation of distributions by Monte Carlo, run until the wanted digits are stable (JCGM 101, clause 7.9)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.distributions import generator
from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.intervals import Kind, coverage_interval

FloatArray = NDArray[np.float64]
Inputs = TypeVar("Inputs")

SMALLEST_BLOCK = 10_000
"""Draws in a block, unless the coverage probability needs more (JCGM 101, clause 7.9.4 b)."""

MOST_DRAWS = 1_000_000
"""Where the adaptive procedure gives up and says so."""


@dataclass(frozen=True, eq=False)
class MonteCarloResult:
    """Pooled result of all blocks.

    Parameters
    ----------
    draws
        Model values, shape (n,) or (n, k).
    y, u, low, high
        Mean, standard deviation and ends of the coverage interval, shape () or (k,).
    probability, kind
        Of the interval.
    converged
        Shape () or (k,): the digits asked for are stable. Never assumed.
    tolerance
        Numerical tolerance delta of each output.
    count, seed
        Number of draws and seed.

    Raises
    ------
    EstimateError
        Never by itself.

    Example
    -------
    >>> result = adaptive_monte_carlo(lambda x: x, lambda rng, n: rng.normal(0, 1, n), seed=1)
    >>> bool(result.converged)
    True
    """

    draws: FloatArray
    y: FloatArray
    u: FloatArray
    low: FloatArray
    high: FloatArray
    probability: float
    kind: Kind
    converged: NDArray[np.bool_]
    tolerance: FloatArray
    count: int
    seed: int


def numerical_tolerance(u: float, digits: int) -> float:
    """Half a unit in the last of the wanted significant digits of a standard uncertainty.

    Parameters
    ----------
    u
        Standard uncertainty, 0 or more.
    digits
        Significant digits, 1 or more.

    Returns
    -------
    float
        delta = 10^l / 2 with u = c 10^l, c an integer of `digits` digits; 0 for u = 0.

    Raises
    ------
    EstimateError
        When u is negative or not finite, or digits < 1.

    References
    ----------
    JCGM 101:2008, clause 7.9.2 (examples: 0.00035 with two digits gives 0.000005, 2 with one digit gives 0.5).

    Example
    -------
    >>> numerical_tolerance(2.0, 1)
    0.5
    """
    if not math.isfinite(u) or u < 0.0 or digits < 1:
        raise EstimateError(f"u = {u} with {digits} digits", expected="u >= 0 and at least one digit")
    if u == 0.0:
        return 0.0
    exponent = int(f"{u:.{digits - 1}e}".split("e")[1])
    return 0.5 * 10.0 ** (exponent - digits + 1)


def block_size(probability: float) -> int:
    """Draws per block: the larger of 10,000 and the least integer not below 100 / (1 - p).

    Parameters
    ----------
    probability
        Coverage probability.

    Returns
    -------
    int
        Draws.

    Raises
    ------
    EstimateError
        When the probability is not between 0 and 1.

    References
    ----------
    JCGM 101:2008, clause 7.9.4 b.

    Example
    -------
    >>> block_size(0.95), block_size(0.999)
    (10000, 100000)
    """
    if not 0.0 < probability < 1.0:
        raise EstimateError(f"a coverage probability of {probability}", expected="between 0 and 1")
    return max(SMALLEST_BLOCK, math.ceil(100.0 / (1.0 - probability) - 1e-9))


def adaptive_monte_carlo(
    model: Callable[[Inputs], FloatArray],
    draw: Callable[[np.random.Generator, int], Inputs],
    *,
    seed: int,
    probability: float = 0.95,
    kind: Kind = "symmetric",
    digits: int = 2,
    most_draws: int = MOST_DRAWS,
    tolerance_divisor: float = 1.0,
    progress: Progress = no_progress,
) -> MonteCarloResult:
    """Draw blocks until mean, standard uncertainty and interval ends are stable to the digits asked for.

    Parameters
    ----------
    model
        Vectorised: takes what `draw` returned, gives shape (n,), or (n, k) for k results of the same joint draws.
    draw
        Takes the generator and a number n, returns n joint draws of all inputs in any form the model understands.
    seed
        Of the PCG64 generator.
    probability, kind
        Of the coverage interval.
    digits
        Significant digits of the standard uncertainty that must be stable (1 or 2).
    most_draws
        Upper limit; at least two blocks are always drawn.
    tolerance_divisor
        5 when the result referees another method (JCGM 101, clause 8.2).
    progress
        Listener; may cancel.

    Returns
    -------
    MonteCarloResult
        From all draws pooled; `converged` says for each output whether the digits are stable.

    Raises
    ------
    EstimateError
        When the model returns a wrong shape or a value that is not finite.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    References
    ----------
    JCGM 101:2008, clause 7.9.4; JCGM 102:2011, clause 7.8 (several outputs).

    Example
    -------
    >>> r = adaptive_monte_carlo(lambda x: x.sum(axis=1), lambda rng, n: rng.normal(0, 1, (n, 4)), seed=7)
    >>> round(float(r.u), 1)
    2.0
    """
    size = block_size(probability)
    rng = generator(seed)
    blocks: list[FloatArray] = []
    summaries: list[FloatArray] = []
    most_blocks = max(2, most_draws // size)
    ok, tolerance = np.array(False), np.array(0.0)
    while len(blocks) < most_blocks:
        values = np.asarray(model(draw(rng, size)), dtype=np.float64)
        if values.ndim not in (1, 2) or values.shape[0] != size or not np.all(np.isfinite(values)):
            raise EstimateError(
                f"a model result of shape {values.shape} or with a value that is not finite",
                expected=f"({size},) or ({size}, k), all finite",
            )
        blocks.append(values)
        low, high = coverage_interval(values, probability, kind=kind)
        summaries.append(np.stack([values.mean(axis=0), values.std(axis=0, ddof=1), low, high]))
        progress(f"Monte Carlo, {len(blocks) * size} draws", len(blocks) / most_blocks)
        if len(blocks) < 2:
            continue
        h = len(blocks)
        scatter = 2.0 * np.std(summaries, axis=0, ddof=1) / math.sqrt(h)
        pooled_u = _pooled_sd(np.stack(summaries), size)
        tolerance = np.vectorize(numerical_tolerance)(pooled_u, digits) / tolerance_divisor
        ok = np.all(scatter <= tolerance, axis=0)
        if np.all(ok):
            break
    pooled = np.concatenate(blocks)
    low, high = coverage_interval(pooled, probability, kind=kind)
    return MonteCarloResult(
        pooled,
        np.asarray(pooled.mean(axis=0)),
        np.asarray(pooled.std(axis=0, ddof=1)),
        np.asarray(low),
        np.asarray(high),
        probability,
        kind,
        np.asarray(ok),
        np.asarray(tolerance),
        len(pooled),
        seed,
    )


def _pooled_sd(summaries: FloatArray, size: int) -> FloatArray:
    """Standard deviation of all draws from the means and standard deviations of equal blocks."""
    means, sds = summaries[:, 0], summaries[:, 1]
    h = len(summaries)
    squares = (size - 1) * np.sum(sds**2, axis=0) + size * np.sum((means - means.mean(axis=0)) ** 2, axis=0)
    return np.asarray(np.sqrt(squares / (h * size - 1)))
