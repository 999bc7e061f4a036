"""Law of propagation of uncertainty: linear with correlation, second order, effective degrees of freedom, budgets."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.uncertainty.estimate import Contribution, EstimateError

FloatArray = NDArray[np.float64]
Model = Callable[[FloatArray], float]

STEP_IN_UNCERTAINTIES = 0.05
"""Numeric derivatives step by this part of the input's standard uncertainty: the scale on which the model matters."""


def combined_uncertainty(
    coefficients: ArrayLike, uncertainties: ArrayLike, *, correlation: ArrayLike | None = None
) -> float:
    """Combined standard uncertainty by the linear law of propagation.

    Parameters
    ----------
    coefficients
        Sensitivity coefficients (partial derivatives), shape (k,).
    uncertainties
        Standard uncertainties of the inputs, shape (k,).
    correlation
        Correlation matrix, shape (k, k); independent inputs by default.

    Returns
    -------
    float
        Combined standard uncertainty.

    Raises
    ------
    EstimateError
        When shapes disagree.

    References
    ----------
    JCGM 100:2008, equations 10, 13 and 16.

    Example
    -------
    >>> combined_uncertainty([1, 1], [3.0, 4.0]), combined_uncertainty([1, 1], [3.0, 4.0], correlation=[[1, 1], [1, 1]])
    (5.0, 7.0)
    """
    parts = np.asarray(coefficients, dtype=np.float64) * np.asarray(uncertainties, dtype=np.float64)
    r = np.eye(len(parts)) if correlation is None else np.asarray(correlation, dtype=np.float64)
    if parts.ndim != 1 or r.shape != (len(parts), len(parts)):
        raise EstimateError(f"{parts.shape} inputs with a correlation of shape {r.shape}", expected="(k,) and (k, k)")
    return math.sqrt(max(float(parts @ r @ parts), 0.0))


def propagate_covariance(jacobian: ArrayLike, covariance: ArrayLike) -> FloatArray:
    """Covariance of several results: J U J^T.

    Parameters
    ----------
    jacobian
        Shape (m, k).
    covariance
        Shape (k, k).

    Returns
    -------
    numpy.ndarray
        Shape (m, m).

    Raises
    ------
    EstimateError
        When shapes disagree.

    References
    ----------
    JCGM 102:2011, clause 6.2.1.3.

    Example
    -------
    >>> propagate_covariance([[1, 1], [1, -1]], [[1, 0], [0, 1]]).tolist()
    [[2.0, 0.0], [0.0, 2.0]]
    """
    j, u = np.asarray(jacobian, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if j.ndim != 2 or u.shape != (j.shape[1], j.shape[1]):
        raise EstimateError(
            f"a jacobian of shape {j.shape} and a covariance of shape {u.shape}", expected="(m,k), (k,k)"
        )
    return np.asarray(j @ u @ j.T)


def sensitivities(model: Model, inputs: ArrayLike, *, uncertainties: ArrayLike) -> FloatArray:
    """Sensitivity coefficients by central differences.

    Parameters
    ----------
    model
        Takes the inputs (k,) and returns a number.
    inputs
        Best values, shape (k,).
    uncertainties
        Standard uncertainties, shape (k,); they set the step. An input without uncertainty gets coefficient 0.

    Returns
    -------
    numpy.ndarray
        Shape (k,).

    Raises
    ------
    EstimateError
        When shapes disagree.

    Example
    -------
    >>> sensitivities(lambda x: x[0] * x[1], [2.0, 3.0], uncertainties=[0.1, 0.1]).round(9).tolist()
    [3.0, 2.0]
    """
    x, u = _inputs(inputs, uncertainties)
    steps = np.diag(STEP_IN_UNCERTAINTIES * u)
    result = [(model(x + s) - model(x - s)) / (2.0 * s[i]) if u[i] > 0.0 else 0.0 for i, s in enumerate(steps)]
    return np.array(result, dtype=np.float64)


def second_order_variance(model: Model, inputs: ArrayLike, *, uncertainties: ArrayLike) -> float:
    """Second-order addition to the variance for independent normal inputs.

    Parameters
    ----------
    model, inputs, uncertainties
        As in `sensitivities`.

    Returns
    -------
    float
        Sum over i, j of (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2; may be negative.

    Raises
    ------
    EstimateError
        When shapes disagree.

    Notes
    -----
    Needed where a first-order coefficient vanishes. By finite differences one standard uncertainty wide, so it is the
    curvature over the range that matters.

    References
    ----------
    JCGM 100:2008, note to clause 5.1.2.

    Example
    -------
    >>> round(second_order_variance(lambda x: x[0] ** 2, [0.0], uncertainties=[0.1]) / 2e-4, 9)
    1.0
    """
    x, u = _inputs(inputs, uncertainties)
    f0, steps, k = model(x), np.diag(u), len(x)
    total = 0.0
    for i in range(k):
        for j in range(k):
            if u[i] == 0.0 or u[j] == 0.0:
                continue
            a, b = steps[i], steps[j]
            if i == j:
                f_ij = model(x + a) - 2.0 * f0 + model(x - a)
                f_ijj = 0.5 * (model(x + 2 * a) - 2.0 * model(x + a) + 2.0 * model(x - a) - model(x - 2 * a))
            else:
                f_ij = 0.25 * (model(x + a + b) - model(x + a - b) - model(x - a + b) + model(x - a - b))
                f_ijj = 0.5 * (
                    (model(x + a + b) - 2.0 * model(x + a) + model(x + a - b))
                    - (model(x - a + b) - 2.0 * model(x - a) + model(x - a - b))
                )
            f_i = 0.5 * (model(x + a) - model(x - a))
            total += 0.5 * f_ij**2 + f_i * f_ijj
    return float(total)


def effective_dof(contributions: ArrayLike, dofs: ArrayLike) -> float:
    """Welch-Satterthwaite effective degrees of freedom.

    Parameters
    ----------
    contributions
        |c_i| u_i, shape (k,).
    dofs
        Degrees of freedom, shape (k,); infinite for a contribution taken as exactly known.

    Returns
    -------
    float
        Not rounded. JCGM 100 G.4.1 truncates to the next lower integer before looking up t; `t_factor` takes it as is.

    Raises
    ------
    EstimateError
        When shapes disagree or a number of degrees of freedom is not positive.

    References
    ----------
    JCGM 100:2008, equation G.2b.

    Example
    -------
    >>> round(effective_dof([1.0, 1.0], [4, 4]), 9)
    8.0
    """
    parts, nu = np.asarray(contributions, dtype=np.float64), np.asarray(dofs, dtype=np.float64)
    if parts.shape != nu.shape or parts.ndim != 1 or np.any(nu <= 0.0):
        raise EstimateError(
            f"contributions {parts.shape}, degrees of freedom {nu.shape}", expected="(k,), all positive"
        )
    below = float(np.sum(parts**4 / nu))
    return math.inf if below == 0.0 else float(np.sum(parts**2) ** 2 / below)


def t_factor(probability: float, dof: float) -> float:
    """Two-sided coverage factor of the t distribution.

    Parameters
    ----------
    probability
        Coverage probability.
    dof
        Degrees of freedom, may be infinite or fractional.

    Returns
    -------
    float
        The factor k of U = k u.

    Raises
    ------
    EstimateError
        When the probability is not between 0 and 1 or the degrees of freedom are not positive.

    References
    ----------
    JCGM 100:2008, table G.2.

    Example
    -------
    >>> round(t_factor(0.99, 16), 2), round(t_factor(0.95, math.inf), 2)
    (2.92, 1.96)
    """
    if not 0.0 < probability < 1.0 or not dof > 0.0:
        raise EstimateError(f"probability {probability} with {dof} degrees of freedom", expected="0 < p < 1, dof > 0")
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + 0.5 * probability
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))


def linear_budget(
    names: Sequence[str], coefficients: ArrayLike, *, uncertainties: ArrayLike
) -> tuple[Contribution, ...]:
    """Budget lines |c_i| u_i, largest first.

    Parameters
    ----------
    names
        What each input is called.
    coefficients, uncertainties
        Shape (k,).

    Returns
    -------
    tuple of Contribution
        In the unit of the result.

    Raises
    ------
    EstimateError
        When lengths disagree.

    Example
    -------
    >>> [line.source for line in linear_budget(["a", "b"], [1, 2], uncertainties=[1.0, 1.0])]
    ['b', 'a']
    """
    parts = np.abs(np.asarray(coefficients, dtype=np.float64) * np.asarray(uncertainties, dtype=np.float64))
    if parts.shape != (len(names),):
        raise EstimateError(f"{len(names)} names for {parts.shape} contributions", expected="one name each")
    return _sorted_lines(dict(zip(names, parts.tolist(), strict=True)))


def one_at_a_time_budget(
    model: Callable[[Mapping[str, FloatArray]], FloatArray],
    draws: Mapping[str, FloatArray],
    *,
    means: Mapping[str, FloatArray],
) -> tuple[Contribution, ...]:
    """Budget by letting one input vary at a time, the others held at their means.

    Parameters
    ----------
    model
        Vectorised: takes a mapping of arrays with the draws along the first axis, returns shape (n,).
    draws
        Drawn inputs by source, first axis n. Inputs that vary together belong under one name.
    means
        Best value of each input, without the first axis.

    Returns
    -------
    tuple of Contribution
        Standard deviation of the result per source, largest first. Interactions between sources are in none of them,
        so the root sum of squares need not equal the combined uncertainty.

    Raises
    ------
    EstimateError
        When the names differ.

    References
    ----------
    JCGM 101:2008, annex B.

    Example
    -------
    >>> d = {"a": np.array([-1.0, 1.0]), "b": np.array([2.0, 2.0])}
    >>> one_at_a_time_budget(lambda x: x["a"] + x["b"], d, means={"a": 0.0, "b": 2.0})[0].source
    'a'
    """
    if set(draws) != set(means):
        raise EstimateError(f"draws of {sorted(draws)} and means of {sorted(means)}", expected="the same inputs")
    still = {
        name: np.broadcast_to(np.asarray(means[name], dtype=np.float64), np.shape(values))
        for name, values in draws.items()
    }
    return _sorted_lines({name: float(np.std(model({**still, name: draws[name]}), ddof=1)) for name in draws})


def _sorted_lines(parts: Mapping[str, float]) -> tuple[Contribution, ...]:
    lines = [Contribution(name, value) for name, value in parts.items()]
    return tuple(sorted(lines, key=lambda line: -line.standard_uncertainty))


def _inputs(inputs: ArrayLike, uncertainties: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, u = np.asarray(inputs, dtype=np.float64), np.asarray(uncertainties, dtype=np.float64)
    if x.ndim != 1 or x.shape != u.shape:
        raise EstimateError(f"inputs of shape {x.shape} with uncertainties of shape {u.shape}", expected="(k,) both")
    return x, u
