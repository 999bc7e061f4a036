"""Profiles along rays: finding bone edges in them, and fitting blurred layers to them. Arrays in, arrays out.

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

PARAMETERS = 9
FRONT_X, LINING, BONE, GAP, FRONT_LEVEL, LINING_LEVEL, BONE_LEVEL, GAP_LEVEL, BLUR = range(PARAMETERS)
NONE_MM = 50.0
"""A thickness or gap fixed at this width has its far edge outside every window: the model without that edge."""
LEAST_THICKNESS_MM = 0.01
"""Thickness and gap are kept above this, where the model still depends on them."""
WALK_COLUMNS = 11
PEAK_X, PEAK, FALL_X, GAP_LOW, GAP_WIDTH, EXIT_X, EXIT_WIDTH, EXIT_LEVEL, EXIT_LOW, END_X, CODE = range(WALK_COLUMNS)
NO_BONE, NO_FALL, EXIT_FOUND, LEFT_SCAN = 0.0, 1.0, 2.0, 3.0
"""Codes of `walk_profiles`: no bone at the entry; bone without an exit in reach; an exit; the ray left the scan."""
EDGE_COLUMNS = 4
_ITERATIONS = 40
_SQRT_HALF = math.sqrt(0.5)
_DENSITY = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _normal(x, sigma, p, jacobian):  # type: ignore[no-untyped-def]
    """Model value at x; its derivatives by the nine parameters into `jacobian`."""
    width = sigma * p[BLUR]
    e2 = p[FRONT_X]
    u1 = (x - (e2 - p[LINING])) / width
    u2 = (x - e2) / width
    u3 = (x - (e2 + p[BONE])) / width
    u4 = (x - (e2 + p[BONE] + p[GAP])) / width
    c1 = 0.5 * (1.0 + math.erf(u1 * _SQRT_HALF))
    c2 = 0.5 * (1.0 + math.erf(u2 * _SQRT_HALF))
    c3 = 0.5 * (1.0 + math.erf(u3 * _SQRT_HALF))
    c4 = 0.5 * (1.0 + math.erf(u4 * _SQRT_HALF))
    a1 = (p[LINING_LEVEL] - p[FRONT_LEVEL]) * _DENSITY * math.exp(-0.5 * u1 * u1) / width
    a2 = (p[BONE_LEVEL] - p[LINING_LEVEL]) * _DENSITY * math.exp(-0.5 * u2 * u2) / width
    a3 = (p[GAP_LEVEL] - p[BONE_LEVEL]) * _DENSITY * math.exp(-0.5 * u3 * u3) / width
    a4 = (p[BONE_LEVEL] - p[GAP_LEVEL]) * _DENSITY * math.exp(-0.5 * u4 * u4) / width
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
    for i in range(x.shape[0]):
        if x[i] < low or x[i] > high or not math.isfinite(y[i]):
            continue
        residual = y[i] - _normal(x[i], sigma, p, jacobian)
        used += 1
        cost += weight * residual * residual
        for a in range(PARAMETERS):
            if sd[a] == 0.0:
                continue
            gradient[a] += weight * jacobian[a] * residual
            for b in range(a + 1):
                hessian[a, b] += weight * jacobian[a] * jacobian[b]
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
def _solve(matrix, right, free, damping, step):  # type: ignore[no-untyped-def]
    """Solve the damped system over the free parameters by Cholesky; False when it is not positive definite."""
    n = 0
    index = np.empty(PARAMETERS, np.int64)
    for a in range(PARAMETERS):
        if free[a]:
            index[n] = a
            n += 1
    lower = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            total = matrix[index[i], index[j]]
            if i == j:
                total += damping * matrix[index[i], index[i]] + 1e-12
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if total <= 0.0:
                    return False
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    z = np.empty(n)
    for i in range(n):
        total = right[index[i]]
        for k in range(i):
            total -= lower[i, k] * z[k]
        z[i] = total / lower[i, i]
    step[:] = 0.0
    for i in range(n - 1, -1, -1):
        total = z[i]
        for k in range(i + 1, n):
            total -= lower[k, i] * step[index[k]]
        step[index[i]] = total / lower[i, i]
    return True


@njit(cache=True, nogil=True)
def _variance(hessian, free, which):  # type: ignore[no-untyped-def]
    """Diagonal element of the inverse over the free parameters; infinite when it does not exist."""
    if not free[which]:
        return 0.0
    right = np.zeros(PARAMETERS)
    right[which] = 1.0
    step = np.zeros(PARAMETERS)
    if not _solve(hessian, right, free, 0.0, step) or step[which] <= 0.0:
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
            if not _solve(hessian, gradient, free, damping, step):
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
                if moved < 1e-5 and gained <= 1e-7 * (1.0 + cost):
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


@njit(cache=True, nogil=True)
def _crossing(x, y, first, last, level, rising):  # type: ignore[no-untyped-def]
    """Where y first crosses the level between two indices, by linear interpolation; x[last] when it does not."""
    for i in range(first, last):
        if (rising and y[i] < level <= y[i + 1]) or (not rising and y[i] > level >= y[i + 1]):
            return x[i] + (level - y[i]) / (y[i + 1] - y[i]) * (x[i + 1] - x[i])
    return x[last]


@njit(cache=True, nogil=True)
def _local_top(y, first, end, drop):  # type: ignore[no-untyped-def]
    """Index of the highest sample from `first` until the profile has fallen by `drop`, and where that was."""
    top = first
    for i in range(first, end):
        if y[i] > y[top]:
            top = i
        elif y[i] < y[top] - drop:
            return top, i
    return top, end


@njit(cache=True, nogil=True)
def _local_bottom(y, first, end, rise):  # type: ignore[no-untyped-def]
    bottom = first
    for i in range(first, end):
        if y[i] < y[bottom]:
            bottom = i
        elif y[i] > y[bottom] + rise:
            return bottom, i
    return bottom, end


@njit(cache=True, nogil=True)
def _leave(x, y, bottom, last, level):  # type: ignore[no-untyped-def]
    """Where y first rises above the level on the way from `bottom` to `last` (either way); x[last] when it does not."""
    step = 1 if last >= bottom else -1
    i = bottom
    while i != last:
        if y[i + step] >= level > y[i]:
            return x[i] + (level - y[i]) / (y[i + step] - y[i]) * (x[i + step] - x[i])
        i += step
    return x[last]


@njit(cache=True, nogil=True)
def _mean_between(x, y, end, low, high):  # type: ignore[no-untyped-def]
    total, count = 0.0, 0
    for i in range(end):
        if low <= x[i] <= high:
            total += y[i]
            count += 1
    return total / count if count > 0 else np.nan


@njit(cache=True, nogil=True)
def walk_profiles(profiles, x, search_from, search_to, bone_from, drop, gap_below, exit_gap, result, start, stop):  # type: ignore[no-untyped-def]
    """Walk each profile from the wall's front through bone and small gaps to the exit space.

    Parameters
    ----------
    profiles, x
        Shape (n, m) and (m,); NaN ends a profile.
    search_from, search_to
        Range of x in which the bone must begin.
    bone_from
        Shape (n,): values above this count as bone at the entry.
    drop
        Shape (n,): a fall or rise by this much is an edge, less is unevenness of the bone or noise.
    gap_below
        Shape (n,): a fall that stays above this is unevenness too, not a gap.
    exit_gap
        A gap at least this wide, mm, is the exit.
    result
        Shape (n, 11): x and value of the first peak; x where the first gap begins (NaN: none), its lowest value and
        width; x where the exit begins (NaN: none), its width, its middle level, its lowest value; last x inside the
        scan; code.
    start, stop
        Rows to do.
    """
    m = x.shape[0]
    for r in range(start, stop):
        result[r] = np.nan
        y = profiles[r]
        first = 0
        while first < m and (x[first] < search_from or not math.isfinite(y[first])):
            first += 1
        end = first
        while end < m and math.isfinite(y[end]):
            end += 1
        result[r, END_X] = x[end - 1] if end > 0 else np.nan
        i = first
        while i < end and x[i] <= search_to and y[i] < bone_from[r]:
            i += 1
        if i >= end or x[i] > search_to:
            result[r, CODE] = LEFT_SCAN if i >= end and end < m else NO_BONE
            continue
        code = LEFT_SCAN if end < m else NO_FALL
        top, i = _local_top(y, i, end, drop[r])
        result[r, PEAK_X], result[r, PEAK] = x[top], y[top]
        while i < end:
            bottom, rise = _local_bottom(y, i, end, drop[r])
            if y[bottom] > gap_below[r]:
                if rise >= end:
                    break
                top, i = _local_top(y, rise, end, drop[r])
                continue
            next_top, after = end - 1, end
            level = 0.5 * (y[top] + y[bottom])
            # A rise that ends below bone is noise, or soft tissue beside air: the gap goes on.
            while rise < end:
                next_top, after = _local_top(y, rise, end, drop[r])
                if y[next_top] >= bone_from[r]:
                    break
                _, rise = _local_bottom(y, after, end, drop[r])
                next_top, after = end - 1, end
            if rise < end:
                level = 0.5 * (min(y[top], y[next_top]) + y[bottom])
            fall_x = _leave(x, y, bottom, top, 0.5 * (y[top] + y[bottom]))
            rise_x = _leave(x, y, bottom, end - 1, level)
            width = rise_x - fall_x
            mean = _mean_between(x, y, end, fall_x, rise_x)
            if math.isnan(result[r, FALL_X]):
                result[r, FALL_X], result[r, GAP_LOW] = fall_x, y[bottom]
                result[r, GAP_WIDTH] = width if rise < end else np.inf
            # A long stretch of faint bone behind a small dip is not a space, however the half level cuts it.
            if width >= exit_gap and mean < gap_below[r]:
                result[r, EXIT_X], result[r, EXIT_WIDTH] = fall_x, width
                reach = min(width, 4.0)
                result[r, EXIT_LEVEL] = _mean_between(x, y, end, fall_x + 0.25 * reach, fall_x + 0.75 * reach)
                result[r, EXIT_LOW] = y[bottom]
                code = EXIT_FOUND
                break
            top, i = next_top, after
        result[r, CODE] = code


@njit(cache=True, nogil=True)
def _sheet(y, end):  # type: ignore[no-untyped-def]
    """Prominence of the highest bump in y[:end + 1]: the most that the profile rose and then fell again."""
    best, bottom, top = 0.0, y[0], y[0]
    for i in range(1, end + 1):
        if y[i] > top:
            top = y[i]
        best = max(best, min(top - bottom, top - y[i]))
        if y[i] < bottom:
            bottom = y[i]
            top = y[i]
    return best


@njit(cache=True, nogil=True)
def rising_edges(profiles, x, bone_from, soft, drop, edges, counts, start, stop):  # type: ignore[no-untyped-def]
    """Find where each profile rises into bone, up to as many times as `edges` has room for.

    Parameters
    ----------
    profiles, x
        Shape (n, m) and (m,); NaN ends a profile.
    bone_from, soft, drop
        A peak must be above `bone_from` and rise by `drop`; an edge lies midway between soft tissue (or what precedes,
        when that is higher) and the peak.
    edges, counts
        Output: (n, k, 4) with x of the edge, its peak, the lowest value within 1 mm before, and the prominence of the
        highest sheet crossed before it (how far the profile rose and fell again); (n,) how many.
    start, stop
        Rows to do.
    """
    room = edges.shape[1]
    for r in range(start, stop):
        y = profiles[r]
        end = 0
        while end < x.shape[0] and math.isfinite(y[end]):
            end += 1
        counts[r] = 0
        i = 0
        while i < end and counts[r] < room:
            bottom, rise = _local_bottom(y, i, end, drop)
            if rise >= end:
                break
            top, after = _local_top(y, rise, end, drop)
            if y[top] >= bone_from:
                level = 0.5 * (max(y[bottom], soft) + y[top])
                where = _crossing(x, y, bottom, top, level, True)
                before = y[bottom]
                for j in range(bottom, -1, -1):
                    if x[j] < where - 1.0:
                        break
                    before = min(before, y[j])
                edges[r, counts[r], 0], edges[r, counts[r], 1], edges[r, counts[r], 2] = where, y[top], before
                edges[r, counts[r], 3] = _sheet(y, bottom)
                counts[r] += 1
            i = after
