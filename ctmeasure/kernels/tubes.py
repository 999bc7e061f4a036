"""Round canals in bone: blurred discs, wall fits along rays, circles through them. Arrays in, arrays out.

Kernels that fill rows `start` to `stop` release the interpreter lock, so that callers split the rows over threads.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.small_systems import solve_free

TABLE_STEP = 0.05
"""Step of the table of blurred discs, in standard deviations of the blur."""
TABLE_RADII, TABLE_PLACES = 321, 481
RAY_COLUMNS = 7
EDGE, WALL, BEYOND, BONE, EDGE_U, MISFIT, CODE = range(RAY_COLUMNS)
NO_BONE, FITTED, NOT_SEEN = 0.0, 1.0, 2.0
"""Codes of a ray: no bony wall on it; fitted; it leaves the scan, starts in bone or meets metal."""
THICK_MM = 50.0
"""Thickness of a wall whose outer side lies beyond the ray."""
_SQRT_HALF = math.sqrt(0.5)
_DENSITY = 1.0 / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _bessel_i0e(x):  # type: ignore[no-untyped-def]
    """exp(-x) I0(x), x >= 0: Abramowitz and Stegun 9.8.1 and 9.8.2 (error under 2e-7)."""
    if x < 3.75:
        t = (x / 3.75) ** 2
        series = 1.0 + t * (
            3.5156229 + t * (3.0899424 + t * (1.2067492 + t * (0.2659732 + t * (0.0360768 + t * 0.0045813))))
        )
        return series * math.exp(-x)
    t = 3.75 / x
    series = 0.39894228 + t * (
        0.01328592
        + t
        * (
            0.00225319
            + t
            * (
                -0.00157565
                + t * (0.00916281 + t * (-0.02057706 + t * (0.02635537 + t * (-0.01647633 + t * 0.00392377))))
            )
        )
    )
    return series / math.sqrt(x)


@njit(cache=True, nogil=True)
def disc_table():  # type: ignore[no-untyped-def]
    """Blurred disc of unit level over (radius, distance from its centre), both in standard deviations of the blur.

    ``dD/dR = R exp(-(R - r)^2 / 2) i0e(R r)``, summed by Simpson's rule over R.
    """
    table = np.zeros((TABLE_RADII, TABLE_PLACES))
    half = 0.5 * TABLE_STEP
    for m in range(TABLE_PLACES):
        r = m * TABLE_STEP
        before = 0.0
        for n in range(1, TABLE_RADII):
            big = n * TABLE_STEP
            middle = big - half
            f1 = middle * math.exp(-0.5 * (middle - r) ** 2) * _bessel_i0e(middle * r)
            f2 = big * math.exp(-0.5 * (big - r) ** 2) * _bessel_i0e(big * r)
            table[n, m] = table[n - 1, m] + TABLE_STEP * (before + 4.0 * f1 + f2) / 6.0
            before = f2
    return table


@njit(cache=True, nogil=True)
def disc_level(table, radius, place):  # type: ignore[no-untyped-def]
    """Level of a blurred unit disc; lengths in standard deviations of the blur."""
    if radius <= 0.0:
        return 0.0
    x, y = radius / TABLE_STEP, abs(place) / TABLE_STEP
    n, m = int(x), int(y)
    if n >= TABLE_RADII - 1 or m >= TABLE_PLACES - 1:
        return 0.5 * (1.0 + math.erf((radius - abs(place) - 0.5 / radius) * _SQRT_HALF))
    fx, fy = x - n, y - m
    low = table[n, m] * (1.0 - fy) + table[n, m + 1] * fy
    high = table[n + 1, m] * (1.0 - fy) + table[n + 1, m + 1] * fy
    return low * (1.0 - fx) + high * fx


@njit(cache=True, nogil=True)
def _disc(table, r, radius, blur):  # type: ignore[no-untyped-def]
    """Disc seen through one or two Gaussians; `blur` rows (weight, sigma across the edge, sigma along the edge)."""
    total = 0.0
    for g in range(blur.shape[0]):
        weight, across, along = blur[g, 0], blur[g, 1], blur[g, 2]
        if weight != 0.0:
            # Blur along a curved edge moves its half level towards the centre; the table holds equal blur both ways.
            shifted = radius - 0.5 * (along * along - across * across) / max(radius, 0.5 * along)
            total += weight * disc_level(table, shifted / across, r / across)
    return total


@njit(cache=True, nogil=True)
def _outside(r, edge, blur):  # type: ignore[no-untyped-def]
    """Share of what lies beyond the wall's outer side, and its derivative by the side's place."""
    share, slope = 0.0, 0.0
    for g in range(blur.shape[0]):
        weight, across, along = blur[g, 0], blur[g, 1], blur[g, 2]
        if weight != 0.0:
            u = (r - edge + 0.5 * along * along / max(edge, along)) / across
            share += weight * 0.5 * (1.0 + math.erf(u * _SQRT_HALF))
            slope -= weight * _DENSITY * math.exp(-0.5 * u * u) / across
    return share, slope


@njit(cache=True, nogil=True)
def _normal_equations(values, r, first, last, table, blur, inner, p, prior, prior_weight, weight, h, g):  # type: ignore[no-untyped-def]
    """Fill the normal equations of one ray; give the cost. Parameters: edge, wall, level beyond, bone."""
    h[:] = 0.0
    g[:] = 0.0
    cost = 0.0
    d = np.empty(4)
    step = 0.02
    for n in range(first, last):
        disc = _disc(table, r[n], p[0], blur)
        slope = (_disc(table, r[n], p[0] + step, blur) - _disc(table, r[n], p[0] - step, blur)) / (2.0 * step)
        share, fall = _outside(r[n], p[0] + p[1], blur)
        model = p[3] + (inner - p[3]) * disc + (p[2] - p[3]) * share
        d[1] = (p[2] - p[3]) * fall
        d[0] = (inner - p[3]) * slope + d[1]
        d[2] = share
        d[3] = 1.0 - disc - share
        rest = values[n] - model
        cost += weight * rest * rest
        for a in range(4):
            g[a] += weight * d[a] * rest
            for b in range(4):
                h[a, b] += weight * d[a] * d[b]
    for a in range(4):
        off = prior[a] - p[a]
        cost += prior_weight[a] * off * off
        g[a] += prior_weight[a] * off
        h[a, a] += prior_weight[a]
    return cost


@njit(cache=True, nogil=True)
def _fit_ray(values, r, table, blur, inner, bone, bone_sd, lowest, soft, most, weight, out):  # type: ignore[no-untyped-def]
    """Fit inner edge, wall thickness, level beyond and bone level along one ray; see `fit_rays`."""
    count = r.shape[0]
    seen = count
    for n in range(count):
        if not math.isfinite(values[n]) or values[n] > most:
            seen = n
            break
    contrast = bone - inner
    out[CODE] = NOT_SEEN
    if seen < 5 or values[0] > inner + 0.72 * contrast:
        return
    out[CODE] = NO_BONE
    # The wall is the first peak: from there the profile falls by a quarter of the step, or it goes on as bone.
    top, peak, fall = -1, -1.0e9, -1
    for n in range(seen):
        if values[n] > peak:
            peak, top = values[n], n
        elif peak - values[n] > 0.25 * contrast and peak > inner + 0.18 * contrast:
            fall = n
            break
    if peak < soft + 0.18 * (bone - soft):
        return
    half = 0.5 * (min(values[0], inner + 0.5 * contrast) + peak)
    at = top
    while at > 0 and values[at - 1] > half:
        at -= 1
    if at == 0:
        out[CODE] = NOT_SEEN
        return
    edge = r[at] - (r[at] - r[at - 1]) * (values[at] - half) / max(values[at] - values[at - 1], 1e-9)
    across = blur[0, 1]
    p = np.array([max(edge, 0.08), THICK_MM, soft, bone])
    prior = p.copy()
    prior_weight = np.array([0.0, 0.0, 1.0 / (0.6 * contrast) ** 2, 1.0 / bone_sd**2])
    free = np.array([True, False, False, True])
    last = seen
    if fall >= 0:
        valley, low = fall, values[fall]
        for n in range(fall, seen):
            if values[n] < low:
                low, valley = values[n], n
            elif values[n] > low + 0.2 * contrast:
                break
        mid = 0.5 * (peak + low)
        out_at = top
        while out_at < seen - 1 and values[out_at] > mid:
            out_at += 1
        p[1] = max(r[out_at] - edge, 0.12)
        p[2] = low
        prior[2] = low
        free[1] = True
        free[2] = True
        last = min(valley + 1, seen)
    last = max(last, min(at + 3, seen))
    h, g, step, trial = np.zeros((4, 4)), np.zeros(4), np.zeros(4), np.zeros(4)
    h2, g2 = np.zeros((4, 4)), np.zeros(4)
    cost = _normal_equations(values, r, 0, last, table, blur, inner, p, prior, prior_weight, weight, h, g)
    damping = 1e-2
    for _ in range(25):
        if not solve_free(h, g, free, damping, 0.0, step):
            damping *= 10.0
            continue
        for a in range(4):
            trial[a] = p[a] + step[a]
        trial[0] = min(max(trial[0], 0.05), edge + 1.0)
        if free[1]:
            trial[1] = max(trial[1], 0.02)
        trial[2] = max(trial[2], lowest)
        new = _normal_equations(values, r, 0, last, table, blur, inner, trial, prior, prior_weight, weight, h2, g2)
        if new < cost:
            moved = abs(trial[0] - p[0])
            p[:] = trial
            h[:] = h2
            g[:] = g2
            gain = cost - new
            cost = new
            damping = max(0.2 * damping, 1e-7)
            if moved < 2e-4 and gain < 1e-3 * cost + 1e-6:
                break
        else:
            damping *= 6.0
            if damping > 1e6:
                break
    g[:] = 0.0
    g[0] = 1.0
    if not solve_free(h, g, free, 0.0, 0.0, step) or abs(p[0] - edge) > 1.5 * across + 0.15:
        out[CODE] = NO_BONE if p[1] < 0.05 else NOT_SEEN
        return
    out[EDGE], out[WALL], out[BEYOND], out[BONE] = p[0], p[1], p[2], p[3]
    out[EDGE_U] = math.sqrt(max(step[0], 0.0))
    out[MISFIT] = cost / max(weight * (last - 2), 1e-12)
    # Less wall than a third of bone's level over a tenth of a millimetre is a nerve that lies bare.
    out[CODE] = FITTED if p[1] * (p[3] - soft) > 0.05 * (bone - soft) else NO_BONE


@njit(cache=True, nogil=True)
def fit_rays(values, r, table, blur, inner, bone, bone_sd, lowest, soft, most, weight, out, start, stop):  # type: ignore[no-untyped-def]
    """Fit the wall on every ray of the sections `start` to `stop`.

    Parameters
    ----------
    values
        Profiles (sections, rays, places) outwards from the sections' centres.
    r
        Places, from 0.
    table
        From `disc_table`.
    blur
        Point spread (sections, rays, Gaussians, 3): weight, sigma across the edge, sigma along the edge.
    inner, bone, bone_sd
        Levels per section: inside the canal, its bone and the doubt of that.
    lowest, soft, most
        Air level, soft-tissue level, level from which it is metal.
    weight
        One sample's weight: 1 / variance, less for correlated noise.
    out
        (sections, rays, RAY_COLUMNS).
    """
    for m in range(start, stop):
        for n in range(values.shape[1]):
            out[m, n, :] = np.nan
            _fit_ray(
                values[m, n], r, table, blur[m, n], inner[m], bone[m], bone_sd[m], lowest, soft, most, weight, out[m, n]
            )


@njit(cache=True, nogil=True)
def fit_circles(rays, directions, shape_u, centre_sd, radius_prior, radius_sd, out, covariance, start, stop):  # type: ignore[no-untyped-def]
    """Robust circles through the fitted edges of sections `start` to `stop`, with priors for sections half open.

    `out` (sections, 6): centre in the section (2), radius, root mean square misfit, share of rays with a wall, largest
    open angle (rad). `covariance` (sections, 3, 3) of centre and radius.
    """
    count = rays.shape[1]
    for m in range(start, stop):
        x, y, radius = 0.0, 0.0, radius_prior[m]
        h = np.zeros((3, 3))
        used, rms = 0.0, 0.0
        for sweep in range(12):
            h[:] = 0.0
            g = np.zeros(3)
            h[0, 0] = h[1, 1] = 1.0 / centre_sd**2
            h[2, 2] = 1.0 / radius_sd**2
            g[0], g[1] = -x / centre_sd**2, -y / centre_sd**2
            g[2] = (radius_prior[m] - radius) / radius_sd**2
            used, total, weights = 0.0, 0.0, 0.0
            for n in range(count):
                if rays[m, n, CODE] != FITTED:
                    continue
                px = rays[m, n, EDGE] * directions[n, 0] - x
                py = rays[m, n, EDGE] * directions[n, 1] - y
                far = math.sqrt(px * px + py * py)
                if far < 1e-9:
                    continue
                u = math.sqrt(rays[m, n, EDGE_U] ** 2 + shape_u**2)
                rest = far - radius
                w = 1.0 / (u * u)
                if sweep > 2 and abs(rest) > 1.345 * u:
                    w *= 1.345 * u / abs(rest)
                if sweep > 4 and abs(rest) > 5.0 * u:
                    w *= 0.05
                nx, ny = px / far, py / far
                d0, d1, d2 = nx, ny, 1.0
                g[0] += w * d0 * rest
                g[1] += w * d1 * rest
                g[2] += w * rest
                h[0, 0] += w * d0 * d0
                h[0, 1] += w * d0 * d1
                h[1, 1] += w * d1 * d1
                h[0, 2] += w * d0 * d2
                h[1, 2] += w * d1 * d2
                h[2, 2] += w
                used += 1.0
                total += w * rest * rest
                weights += w
            h[1, 0], h[2, 0], h[2, 1] = h[0, 1], h[0, 2], h[1, 2]
            change = np.linalg.solve(h, g)
            x += min(max(change[0], -0.3), 0.3)
            y += min(max(change[1], -0.3), 0.3)
            radius = min(max(radius + change[2], 0.1), 2.5)
            rms = math.sqrt(total / weights) if weights > 0.0 else 0.0
        widest, gap = 0.0, 0.0
        for n in range(2 * count):
            gap = 0.0 if rays[m, n % count, CODE] == FITTED else gap + 2.0 * math.pi / count
            widest = max(widest, min(gap, 2.0 * math.pi))
        out[m, 0], out[m, 1], out[m, 2], out[m, 3], out[m, 4], out[m, 5] = x, y, radius, rms, used / count, widest
        covariance[m] = np.linalg.inv(h)
