"""Fitting blurred layers to profiles along rays. Arrays in, arrays out.

A profile is read along a ray at equal steps. Kernels release the interpreter lock and fill rows `start` to `stop` of
their output, so that callers split the rows over threads; a row never depends on another.

The layer model has up to four edges, each a step blurred by one Gaussian (standard deviation ``sigma`` times the blur
scale): front level | lining | bone | gap | bone. Its parameters, in this order:

    0 front of the bone, 1 thickness of the lining before it, 2 thickness of the bone, 3 width of the gap behind it
    (in the unit of x), 4 front level, 5 lining level, 6 bone level, 7 level of the gap, 8 blur scale.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.small_systems import solve_free

PARAMETERS = 9
FRONT_X, LINING, BONE, GAP, FRONT_LEVEL, LINING_LEVEL, BONE_LEVEL, GAP_LEVEL, BLUR = range(PARAMETERS)
NONE_MM = 50.0
"""A thickness or gap fixed at this width has its far edge outside every window: the model without that edge."""
LEAST_THICKNESS_MM = 0.01
"""Thickness and gap are kept above this, where the model still depends on them."""
DIAGONAL_FLOOR = 1e-12
"""Added to the diagonal: parameters that the data do not see then stay where they are."""
_ITERATIONS = 40
_MOVED_MM, _GAINED = 1e-4, 1e-6
"""A fit has converged when a step moves no edge by more than this and gains no more than this share of its cost."""
_SQRT_HALF = math.sqrt(0.5)
_FLAT = 5.5
"""Standard deviations beyond which a step is done: what is left is under 1e-7 of it."""
_DENSITY = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _step(distance, width, height):  # type: ignore[no-untyped-def]
    """Distance from a blurred step in standard deviations, its share there, its slope; flat beyond `_FLAT`."""
    u = distance / width
    if u > _FLAT:
        return u, 1.0, 0.0
    if u < -_FLAT:
        return u, 0.0, 0.0
    return u, 0.5 * (1.0 + math.erf(u * _SQRT_HALF)), height * _DENSITY * math.exp(-0.5 * u * u) / width


@njit(cache=True, nogil=True)
def _normal(x, sigma, p, jacobian):  # type: ignore[no-untyped-def]
    """Model value at x; its derivatives by the nine parameters into `jacobian`."""
    width = sigma * p[BLUR]
    e2 = p[FRONT_X]
    u1, c1, a1 = _step(x - (e2 - p[LINING]), width, p[LINING_LEVEL] - p[FRONT_LEVEL])
    u2, c2, a2 = _step(x - e2, width, p[BONE_LEVEL] - p[LINING_LEVEL])
    u3, c3, a3 = _step(x - (e2 + p[BONE]), width, p[GAP_LEVEL] - p[BONE_LEVEL])
    u4, c4, a4 = _step(x - (e2 + p[BONE] + p[GAP]), width, p[BONE_LEVEL] - p[GAP_LEVEL])
    jacobian[FRONT_X] = -(a1 + a2 + a3 + a4)
    jacobian[LINING] = a1
    jacobian[BONE] = -(a3 + a4)
    jacobian[GAP] = -a4
    jacobian[FRONT_LEVEL] = 1.0 - c1
    jacobian[LINING_LEVEL] = c1 - c2
    jacobian[BONE_LEVEL] = c2 - c3 + c4
    jacobian[GAP_LEVEL] = c3 - c4
    jacobian[BLUR] = -(a1 * u1 + a2 * u2 + a3 * u3 + a4 * u4) * sigma
    return (
        p[FRONT_LEVEL]
        + (p[LINING_LEVEL] - p[FRONT_LEVEL]) * c1
        + (p[BONE_LEVEL] - p[LINING_LEVEL]) * c2
        + (p[GAP_LEVEL] - p[BONE_LEVEL]) * c3
        + (p[BONE_LEVEL] - p[GAP_LEVEL]) * c4
    )


@njit(cache=True, nogil=True)
def _assemble(y, x, sigma, p, mean, sd, low, high, weight, hessian, gradient, jacobian):  # type: ignore[no-untyped-def]
    """Cost, gradient and Gauss-Newton matrix of data and priors; counts the samples used in jacobian[-1]."""
    hessian[:] = 0.0
    gradient[:] = 0.0
    cost, used = 0.0, 0
    index = np.empty(PARAMETERS, np.int64)
    count = 0
    for a in range(PARAMETERS):
        if sd[a] != 0.0:
            index[count] = a
            count += 1
    for i in range(x.shape[0]):
        if x[i] > high:
            break
        if x[i] < low or not math.isfinite(y[i]):
            continue
        residual = y[i] - _normal(x[i], sigma, p, jacobian)
        used += 1
        cost += weight * residual * residual
        for m in range(count):
            a = index[m]
            scaled = weight * jacobian[a]
            gradient[a] += scaled * residual
            for n in range(m + 1):
                hessian[a, index[n]] += scaled * jacobian[index[n]]
    data_cost = cost
    for a in range(PARAMETERS):
        if sd[a] > 0.0 and math.isfinite(sd[a]):
            pull = (mean[a] - p[a]) / (sd[a] * sd[a])
            cost += pull * (mean[a] - p[a])
            gradient[a] += pull
            hessian[a, a] += 1.0 / (sd[a] * sd[a])
        for b in range(a):
            hessian[b, a] = hessian[a, b]
    return cost, data_cost, used


@njit(cache=True, nogil=True)
def _variance(hessian, free, which):  # type: ignore[no-untyped-def]
    """Diagonal element of the inverse over the free parameters; infinite when it does not exist."""
    if not free[which]:
        return 0.0
    right = np.zeros(PARAMETERS)
    right[which] = 1.0
    step = np.zeros(PARAMETERS)
    if not solve_free(hessian, right, free, 0.0, DIAGONAL_FLOOR, step) or step[which] <= 0.0:
        return np.inf
    return step[which]


@njit(cache=True, nogil=True)
def fit_layers(profiles, x, sigma, begin, mean, sd, low, high, weight, fitted, spread, quality, start, stop):  # type: ignore[no-untyped-def]
    """Fit the layer model to each profile by damped Gauss-Newton with Gaussian priors.

    Parameters
    ----------
    profiles, x
        Shape (n, m) (NaN is left out) and (m,).
    sigma
        Shape (n,): standard deviation of the blur along the ray, mm.
    begin, mean, sd
        Shape (n, 9): starting values, prior means and prior standard deviations (0: held fixed at `begin`,
        infinite: free).
    low, high
        Shape (n,): window of x that is fitted.
    weight
        Shape (n,): 1 / noise variance, times the share of an independent sample that each sample is.
    fitted, spread, quality
        Output: (n, 9) parameters; (n, 5) standard deviations of bone front, bone thickness in all, and of the bone
        thickness by noise, bone level and blur; (n, 3) data misfit sum, samples used, 1 when converged.
    start, stop
        Rows to do.
    """
    hessian = np.zeros((PARAMETERS, PARAMETERS))
    trial_hessian = np.zeros((PARAMETERS, PARAMETERS))
    gradient, trial_gradient = np.zeros(PARAMETERS), np.zeros(PARAMETERS)
    jacobian, step = np.zeros(PARAMETERS), np.zeros(PARAMETERS)
    free = np.zeros(PARAMETERS, np.bool_)
    for r in range(start, stop):
        p = begin[r].copy()
        for a in range(PARAMETERS):
            free[a] = sd[r, a] > 0.0
        cost, data_cost, used = _assemble(
            profiles[r], x, sigma[r], p, mean[r], sd[r], low[r], high[r], weight[r], hessian, gradient, jacobian
        )
        damping, converged = 1e-3, False
        for _ in range(_ITERATIONS):
            if not solve_free(hessian, gradient, free, damping, DIAGONAL_FLOOR, step):
                damping *= 10.0
                if damping > 1e8:
                    break
                continue
            trial = p + step
            trial[LINING] = max(trial[LINING], 0.0)
            trial[BONE] = max(trial[BONE], LEAST_THICKNESS_MM)
            trial[GAP] = max(trial[GAP], LEAST_THICKNESS_MM)
            trial[BLUR] = min(max(trial[BLUR], 0.3), 3.0)
            trial_cost, trial_data, trial_used = _assemble(
                profiles[r], x, sigma[r], trial, mean[r], sd[r], low[r], high[r], weight[r],
                trial_hessian, trial_gradient, jacobian,
            )  # fmt: skip
            if trial_cost <= cost:
                moved = max(
                    abs(trial[FRONT_X] - p[FRONT_X]), abs(trial[LINING] - p[LINING]), abs(trial[BONE] - p[BONE])
                )
                gained = cost - trial_cost
                p[:] = trial
                cost, data_cost, used = trial_cost, trial_data, trial_used
                hessian[:] = trial_hessian
                gradient[:] = trial_gradient
                damping = max(damping * 0.2, 1e-9)
                if moved < _MOVED_MM and gained <= _GAINED * (1.0 + cost):
                    converged = True
                    break
            else:
                damping *= 8.0
                if damping > 1e10:
                    converged = True
                    break
        fitted[r] = p
        spread[r, 0] = math.sqrt(_variance(hessian, free, FRONT_X))
        every = _variance(hessian, free, BONE)
        blur_free, level_free = free[BLUR], free[BONE_LEVEL]
        free[BLUR] = False
        known_blur = _variance(hessian, free, BONE)
        free[BONE_LEVEL] = False
        known_level = _variance(hessian, free, BONE)
        free[BLUR], free[BONE_LEVEL] = blur_free, level_free
        spread[r, 1] = math.sqrt(every)
        spread[r, 2] = math.sqrt(known_level)
        spread[r, 3] = math.sqrt(max(known_blur - known_level, 0.0)) if math.isfinite(known_blur) else np.inf
        spread[r, 4] = math.sqrt(max(every - known_blur, 0.0)) if math.isfinite(every) else np.inf
        quality[r, 0], quality[r, 1], quality[r, 2] = data_cost, used, 1.0 if converged else 0.0
