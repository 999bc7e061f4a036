"""Reading voxels between voxel centres: numba kernels over plain arrays, indices in (slice, row, column) order.

Every kernel releases the interpreter lock and fills a range of its output, so the callers split work over threads.
A point is inside when each index lies within [0, n - 1] (voxel centres), give or take `INSIDE_TOLERANCE`.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

INSIDE_TOLERANCE = 1e-6
"""In voxels: a point this far beyond the outermost centres still counts as on them (rounding of the inverse map)."""

ROW_PIECE = 128
"""Pixels of a row done at a time: the buffers stay in the nearest cache."""

MEAN, MAXIMUM, MINIMUM = 0, 1, 2
"""How a slab is reduced."""


@njit(cache=True, nogil=True, inline="always")
def _linear_at(flat, k, j, i, last_k, last_j, last_i, row, plane, up_k, up_j, up_i):
    # The base corner is held one step back from the far face, so no branch is needed there; `up_*` is 0 on an axis
    # with a single voxel.
    k0 = min(np.intp(k), last_k)
    j0 = min(np.intp(j), last_j)
    i0 = min(np.intp(i), last_i)
    c = i - i0
    at = np.uintp(k0 * plane + j0 * row + i0)
    up_k, up_j, up_i = np.uintp(up_k), np.uintp(up_j), np.uintp(up_i)
    v00 = flat[at] + c * (np.float64(flat[at + up_i]) - flat[at])
    at10 = at + up_j
    v01 = flat[at10] + c * (np.float64(flat[at10 + up_i]) - flat[at10])
    at01 = at + up_k
    v10 = flat[at01] + c * (np.float64(flat[at01 + up_i]) - flat[at01])
    at11 = at01 + up_j
    v11 = flat[at11] + c * (np.float64(flat[at11 + up_i]) - flat[at11])
    b = j - j0
    low = v00 + b * (v01 - v00)
    high = v10 + b * (v11 - v10)
    return low + (k - k0) * (high - low)


@njit(cache=True, nogil=True, inline="always")
def _cubic_weights(t):
    # Catmull-Rom: the cubic through the four neighbours whose slopes are central differences.
    t2 = t * t
    t3 = t2 * t
    return (
        0.5 * (-t3 + 2.0 * t2 - t),
        0.5 * (3.0 * t3 - 5.0 * t2 + 2.0),
        0.5 * (-3.0 * t3 + 4.0 * t2 + t),
        0.5 * (t3 - t2),
    )


@njit(cache=True, nogil=True)
def _cubic_at(flat, k, j, i, n_k, n_j, n_i):
    k0 = min(max(np.intp(k), 0), max(n_k - 2, 0))
    j0 = min(max(np.intp(j), 0), max(n_j - 2, 0))
    i0 = min(max(np.intp(i), 0), max(n_i - 2, 0))
    weights_k = _cubic_weights(k - k0)
    weights_j = _cubic_weights(j - j0)
    w0, w1, w2, w3 = _cubic_weights(i - i0)
    # Beyond the faces the outermost voxel is repeated.
    i_m = np.uintp(max(i0 - 1, 0))
    i_0 = np.uintp(i0)
    i_1 = np.uintp(min(i0 + 1, n_i - 1))
    i_2 = np.uintp(min(i0 + 2, n_i - 1))
    total = 0.0
    for a in range(4):
        plane = min(max(k0 + a - 1, 0), n_k - 1) * n_j
        partial = 0.0
        for b in range(4):
            row = np.uintp((plane + min(max(j0 + b - 1, 0), n_j - 1)) * n_i)
            partial += weights_j[b] * (
                w0 * flat[row + i_m] + w1 * flat[row + i_0] + w2 * flat[row + i_1] + w3 * flat[row + i_2]
            )
        total += weights_k[a] * partial
    return total


@njit(cache=True, nogil=True)
def sample_points(
    values: NDArray,
    index_from_lps: NDArray[np.float64],
    points_lps: NDArray[np.float64],
    cubic: bool,
    outside: float,
    result: NDArray[np.float64],
    inside: NDArray[np.bool_],
    start: int,
    stop: int,
) -> None:
    """Sample at scattered points.

    Parameters
    ----------
    values
        Shape (K, J, I), C-ordered, int16 or float32.
    index_from_lps
        Shape (3, 4): rows give k, j, i from (x, y, z, 1).
    points_lps
        Shape (n, 3).
    cubic
        Catmull-Rom when true, trilinear when false.
    outside
        Written where a point is outside.
    result, inside
        Shape (n,), filled from `start` to `stop`.
    start, stop
        Range of points to do.
    """
    n_k, n_j, n_i = values.shape
    flat = values.reshape(-1)
    last_k, last_j, last_i = max(n_k - 2, 0), max(n_j - 2, 0), max(n_i - 2, 0)
    up_k = n_j * n_i if n_k > 1 else 0
    up_j = n_i if n_j > 1 else 0
    up_i = 1 if n_i > 1 else 0
    m = index_from_lps
    for p in range(start, stop):
        x, y, z = points_lps[p, 0], points_lps[p, 1], points_lps[p, 2]
        k = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
        j = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
        i = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
        # Written so that NaN fails it.
        here = (
            k >= -INSIDE_TOLERANCE
            and k <= n_k - 1 + INSIDE_TOLERANCE
            and j >= -INSIDE_TOLERANCE
            and j <= n_j - 1 + INSIDE_TOLERANCE
            and i >= -INSIDE_TOLERANCE
            and i <= n_i - 1 + INSIDE_TOLERANCE
        )
        inside[p] = here
        if not here:
            result[p] = outside
        elif cubic:
            result[p] = _cubic_at(flat, k, j, i, n_k, n_j, n_i)
        else:
            result[p] = _linear_at(flat, k, j, i, last_k, last_j, last_i, n_i, n_j * n_i, up_k, up_j, up_i)


@njit(cache=True, nogil=True)
def _clip(start, step, n, low, high):
    # Columns [low, high) for which start + column * step stays on the grid of n voxels.
    first, last = -INSIDE_TOLERANCE, n - 1 + INSIDE_TOLERANCE
    if step == 0.0:
        return (low, high) if first <= start <= last else (low, low)
    a, b = (first - start) / step, (last - start) / step
    if a > b:
        a, b = b, a
    # Kept in floats until bounded: a nearly parallel row gives quotients beyond any integer.
    a = min(max(np.ceil(a), low), high)
    b = min(max(np.floor(b) + 1.0, low), high)
    return int(a), max(int(a), int(b))


@njit(cache=True, nogil=True)
def _linear_row(flat, shape, k, j, i, step_k, step_j, step_i, low, high, at, work, line):
    # Three short loops over a small buffer instead of one long one: places, loads, blends. The first and last then run
    # on whole vector registers, and the loads (the slow part: they miss the cache) overlap one another.
    n_k, n_j, n_i = shape
    last_k, last_j, last_i = max(n_k - 2, 0), max(n_j - 2, 0), max(n_i - 2, 0)
    up_k = np.uintp(n_j * n_i if n_k > 1 else 0)
    up_j = np.uintp(n_i if n_j > 1 else 0)
    up_i = np.uintp(1 if n_i > 1 else 0)
    part_k, part_j, part_i = work[0], work[1], work[2]
    c000, c001, c010, c011 = work[3], work[4], work[5], work[6]
    c100, c101, c110, c111 = work[7], work[8], work[9], work[10]
    for first in range(low, high, ROW_PIECE):
        count = min(ROW_PIECE, high - first)
        for m in range(count):
            c = np.float64(np.int32(first + m))
            at_k, at_j, at_i = k + c * step_k, j + c * step_j, i + c * step_i
            # The base corner is held one step back from the far face: no branch is needed there.
            k0 = min(np.int32(at_k), np.int32(last_k))
            j0 = min(np.int32(at_j), np.int32(last_j))
            i0 = min(np.int32(at_i), np.int32(last_i))
            part_k[m], part_j[m], part_i[m] = at_k - k0, at_j - j0, at_i - i0
            at[m] = (np.intp(k0) * n_j + j0) * n_i + i0
        for m in range(count):
            low_corner = np.uintp(at[m])
            high_corner = low_corner + up_k
            c000[m], c001[m] = flat[low_corner], flat[low_corner + up_i]
            c010[m], c011[m] = flat[low_corner + up_j], flat[low_corner + up_j + up_i]
            c100[m], c101[m] = flat[high_corner], flat[high_corner + up_i]
            c110[m], c111[m] = flat[high_corner + up_j], flat[high_corner + up_j + up_i]
        piece = line[first : first + count]
        for m in range(count):
            a, b = part_i[m], part_j[m]
            v00 = c000[m] + a * (c001[m] - c000[m])
            v01 = c010[m] + a * (c011[m] - c010[m])
            v10 = c100[m] + a * (c101[m] - c100[m])
            v11 = c110[m] + a * (c111[m] - c110[m])
            near = v00 + b * (v01 - v00)
            far = v10 + b * (v11 - v10)
            piece[m] = near + part_k[m] * (far - near)


@njit(cache=True, nogil=True)
def sample_planes(
    values: NDArray,
    origins_kji: NDArray[np.float64],
    row_step_kji: NDArray[np.float64],
    column_step_kji: NDArray[np.float64],
    cubic: bool,
    mode: int,
    result: NDArray[np.float32],
    start: int,
    stop: int,
) -> None:
    """Sample an oblique plane, or reduce a stack of parallel ones to one picture without storing the stack.

    Each row of each plane is clipped to the volume once, so that the inner loops have no test in them.

    Parameters
    ----------
    values
        Shape (K, J, I), C-ordered, int16 or float32, fewer than 2**31 voxels along an axis.
    origins_kji
        Shape (planes, 3): index of pixel (0, 0) of each plane.
    row_step_kji, column_step_kji
        Index steps from one row to the next and from one column to the next.
    cubic
        Catmull-Rom when true, trilinear when false.
    mode
        `MEAN`, `MAXIMUM` or `MINIMUM`, over the planes that are inside at that pixel.
    result
        Shape (rows, columns); pixels outside the volume become NaN.
    start, stop
        Range of rows to do.
    """
    n_k, n_j, n_i = values.shape
    flat = values.reshape(-1)
    columns = result.shape[1]
    planes = origins_kji.shape[0]
    step_k, step_j, step_i = column_step_kji[0], column_step_kji[1], column_step_kji[2]
    at = np.empty(ROW_PIECE, np.intp)
    work = np.empty((11, ROW_PIECE), np.float32)
    line = np.empty(columns, np.float32)
    total = np.empty(columns, np.float64)
    count = np.empty(columns, np.int64)
    for r in range(start, stop):
        if planes > 1:
            total[:] = 0.0 if mode == MEAN else (-np.inf if mode == MAXIMUM else np.inf)
            count[:] = 0
        for p in range(planes):
            k = origins_kji[p, 0] + r * row_step_kji[0]
            j = origins_kji[p, 1] + r * row_step_kji[1]
            i = origins_kji[p, 2] + r * row_step_kji[2]
            low, high = _clip(k, step_k, n_k, 0, columns)
            low, high = _clip(j, step_j, n_j, low, high)
            low, high = _clip(i, step_i, n_i, low, high)
            if cubic:
                for c in range(low, high):
                    line[c] = _cubic_at(flat, k + c * step_k, j + c * step_j, i + c * step_i, n_k, n_j, n_i)
            else:
                _linear_row(flat, values.shape, k, j, i, step_k, step_j, step_i, low, high, at, work, line)
            if planes == 1:
                result[r, :low] = np.nan
                result[r, low:high] = line[low:high]
                result[r, high:] = np.nan
                continue
            for c in range(low, high):
                count[c] += 1
                if mode == MEAN:
                    total[c] += line[c]
                elif mode == MAXIMUM:
                    total[c] = max(total[c], line[c])
                else:
                    total[c] = min(total[c], line[c])
        if planes > 1:
            for c in range(columns):
                if count[c] == 0:
                    result[r, c] = np.nan
                elif mode == MEAN:
                    result[r, c] = total[c] / count[c]
                else:
                    result[r, c] = total[c]
