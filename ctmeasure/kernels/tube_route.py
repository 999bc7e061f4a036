"""The way along a dark tube: ridge measure, and descent of an arrival time. Arrays in, arrays out.

`ridge` fills slices `start` to `stop` and releases the interpreter lock, so that callers split them over threads.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def ridge(smooth, spacing_mm, scale_mm, flatness, out, start, stop):  # type: ignore[no-untyped-def]
    """Dark-tube measure of a smoothed block, larger one kept: sqrt(l1 l2) exp(-l3^2 / 2 (flatness l2)^2) scale^2.

    ``l1 >= l2 >= l3`` are the Hessian's eigenvalues by central differences; zero unless ``l2`` and their sum are
    above 0. The block's outer layer is left as it is.
    """
    nk, nj, ni = smooth.shape
    second = scale_mm * scale_mm / (spacing_mm * spacing_mm)
    for k in range(max(start, 1), min(stop, nk - 1)):
        for j in range(1, nj - 1):
            for i in range(1, ni - 1):
                c = smooth[k, j, i]
                a = smooth[k + 1, j, i] + smooth[k - 1, j, i] - 2.0 * c
                b = smooth[k, j + 1, i] + smooth[k, j - 1, i] - 2.0 * c
                d = smooth[k, j, i + 1] + smooth[k, j, i - 1] - 2.0 * c
                if a + b + d <= 0.0:
                    continue
                kj = 0.25 * (
                    smooth[k + 1, j + 1, i]
                    - smooth[k + 1, j - 1, i]
                    - smooth[k - 1, j + 1, i]
                    + smooth[k - 1, j - 1, i]
                )
                ki = 0.25 * (
                    smooth[k + 1, j, i + 1]
                    - smooth[k + 1, j, i - 1]
                    - smooth[k - 1, j, i + 1]
                    + smooth[k - 1, j, i - 1]
                )
                ji = 0.25 * (
                    smooth[k, j + 1, i + 1]
                    - smooth[k, j + 1, i - 1]
                    - smooth[k, j - 1, i + 1]
                    + smooth[k, j - 1, i - 1]
                )
                mean = (a + b + d) / 3.0
                spread = math.sqrt(
                    ((a - mean) ** 2 + (b - mean) ** 2 + (d - mean) ** 2 + 2.0 * (kj * kj + ki * ki + ji * ji)) / 6.0
                )
                if spread < 1e-12:
                    continue
                p, q, r = (a - mean) / spread, (b - mean) / spread, (d - mean) / spread
                s, t, u = kj / spread, ki / spread, ji / spread
                half = 0.5 * (p * (q * r - u * u) - s * (s * r - u * t) + t * (s * u - q * t))
                angle = math.acos(min(max(half, -1.0), 1.0)) / 3.0
                l1 = mean + 2.0 * spread * math.cos(angle)
                l3 = mean + 2.0 * spread * math.cos(angle + 2.0 * math.pi / 3.0)
                l2 = 3.0 * mean - l1 - l3
                if l2 <= 0.0:
                    continue
                value = second * math.sqrt(l1 * l2) * math.exp(-0.5 * (l3 / (flatness * l2)) ** 2)
                if value > out[k, j, i]:
                    out[k, j, i] = value


@njit(cache=True, nogil=True)
def descend(arrival, start_kji, most):  # type: ignore[no-untyped-def]
    """Voxels from a place to the front's source: each the neighbour (of 26) with the steepest fall of arrival time."""
    path = np.empty((most, 3), np.int64)
    k, j, i = start_kji[0], start_kji[1], start_kji[2]
    nk, nj, ni = arrival.shape
    for n in range(most):
        path[n, 0], path[n, 1], path[n, 2] = k, j, i
        here = arrival[k, j, i]
        steepest, bk, bj, bi = 0.0, -1, -1, -1
        for dk in range(-1, 2):
            for dj in range(-1, 2):
                for di in range(-1, 2):
                    length = math.sqrt(dk * dk + dj * dj + di * di)
                    a, b, c = k + dk, j + dj, i + di
                    if length == 0.0 or a < 0 or b < 0 or c < 0 or a >= nk or b >= nj or c >= ni:
                        continue
                    fall = (here - arrival[a, b, c]) / length
                    if fall > steepest:
                        steepest, bk, bj, bi = fall, a, b, c
        if bk < 0:
            return path[: n + 1]
        k, j, i = bk, bj, bi
    return path
