"""Reading voxels between voxel centres: numba kernels over plain arrays, indices in (slice, row, column) order.

Every kernel releases the interpreter lock and fills a range of its output, so the callers split work over threads.
A point is inside when each index lies within [0, n - 1] (voxel centres), give or take `INSIDE_TOLERANCE`.
"""

from __future__ import annotations

import sys

import numpy as np
from numba import njit
from numpy.typing import NDArray

INSIDE_TOLERANCE = 1e-6
"""In voxels: a point this far beyond the outermost centres still counts as on them (rounding of the inverse map)."""

ROW_PIECE = 64
"""Pixels of a row done at a time: the buffers stay in the nearest cache."""

STRIP = 64
"""Columns of a picture done at a time, all rows of them: two rows of voxels then fit the nearest cache."""

MEAN, MAXIMUM, MINIMUM = 0, 1, 2
"""How a slab is reduced."""


@njit(cache=True, nogil=True)
def _linear_at(flat, k, j, i, last_k, last_j, last_i, row, plane, up_k, up_j, up_i):  # type: ignore[no-untyped-def]
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


@njit(cache=True, nogil=True)
def _cubic_weights(t):  # type: ignore[no-untyped-def]
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
def _cubic_at(flat, k, j, i, n_k, n_j, n_i):  # type: ignore[no-untyped-def]
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
def _clip(start, step, n, low, high):  # type: ignore[no-untyped-def]
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


def pairs_of(values: NDArray) -> NDArray[np.int32]:
    """View int16 voxels as overlapping 32-bit words, each a voxel and its right-hand neighbour: two in one load.

    Parameters
    ----------
    values
        Shape (K, J, I), C-ordered.

    Returns
    -------
    numpy.ndarray
        Shape (K * J * I - 1,), int32 at steps of two bytes, read-only; empty where the trick does not apply (other
        types, a single column, a big-endian machine, or more voxels than 32 bits count).
    """
    fits = values.dtype == np.int16 and values.shape[2] > 1 and values.size < 2**31 and sys.byteorder == "little"
    base = np.frombuffer(values.data if fits else bytes(4), np.int32, count=1)
    shape = (values.size - 1 if fits else 0,)
    return np.lib.stride_tricks.as_strided(base, shape=shape, strides=(2,), writeable=False)


# The row kernels are three short loops over a small buffer instead of one long one: places, loads, blends. The first
# and last then run on whole vector registers, and the loads (the slow part: they miss the cache) overlap one another.
# Buffers are parts of one array, so that the compiler can see that they do not overlap.


@njit(cache=True, nogil=True)
def _places(shape, k, j, i, step_k, step_j, step_i, first, count, at, part):  # type: ignore[no-untyped-def]
    last_k, last_j, last_i = max(shape[0] - 2, 0), max(shape[1] - 2, 0), max(shape[2] - 2, 0)
    rows, columns, start = np.float64(shape[1]), np.float64(shape[2]), np.float64(first)
    for m in range(count):
        c = start + np.float64(np.int32(m))
        at_k, at_j, at_i = k + c * step_k, j + c * step_j, i + c * step_i
        # The base corner is held one step back from the far face: no branch is needed there.
        k0 = min(np.int32(at_k), np.int32(last_k))
        j0 = min(np.int32(at_j), np.int32(last_j))
        i0 = min(np.int32(at_i), np.int32(last_i))
        part[m] = np.float32(at_k - k0)
        part[ROW_PIECE + m] = np.float32(at_j - j0)
        part[2 * ROW_PIECE + m] = np.float32(at_i - i0)
        # Exact in float64, and narrowed to 32 bits on whole registers; integer products would be widened to 64.
        at[m] = at.dtype.type((np.float64(k0) * rows + np.float64(j0)) * columns + np.float64(i0))


@njit(cache=True, nogil=True)
def _linear_row(flat, shape, k, j, i, step_k, step_j, step_i, low, high, at, part, corner, line):  # type: ignore[no-untyped-def]
    up_k = np.uintp(shape[1] * shape[2] if shape[0] > 1 else 0)
    up_j = np.uintp(shape[2] if shape[1] > 1 else 0)
    up_i = np.uintp(1 if shape[2] > 1 else 0)
    for first in range(low, high, ROW_PIECE):
        count = min(ROW_PIECE, high - first)
        _places(shape, k, j, i, step_k, step_j, step_i, first, count, at, part)
        for m in range(count):
            p = np.uintp(at[m])
            q = p + up_k
            corner[m], corner[ROW_PIECE + m] = flat[p], flat[p + up_i]
            corner[2 * ROW_PIECE + m], corner[3 * ROW_PIECE + m] = flat[p + up_j], flat[p + up_j + up_i]
            corner[4 * ROW_PIECE + m], corner[5 * ROW_PIECE + m] = flat[q], flat[q + up_i]
            corner[6 * ROW_PIECE + m], corner[7 * ROW_PIECE + m] = flat[q + up_j], flat[q + up_j + up_i]
        for m in range(count):
            a, b = part[2 * ROW_PIECE + m], part[ROW_PIECE + m]
            v00 = corner[m] + a * (corner[ROW_PIECE + m] - corner[m])
            v01 = corner[2 * ROW_PIECE + m] + a * (corner[3 * ROW_PIECE + m] - corner[2 * ROW_PIECE + m])
            v10 = corner[4 * ROW_PIECE + m] + a * (corner[5 * ROW_PIECE + m] - corner[4 * ROW_PIECE + m])
            v11 = corner[6 * ROW_PIECE + m] + a * (corner[7 * ROW_PIECE + m] - corner[6 * ROW_PIECE + m])
            near, far = v00 + b * (v01 - v00), v10 + b * (v11 - v10)
            line[first + m] = near + part[m] * (far - near)


@njit(cache=True, nogil=True)
def _blend_pair(word, share):  # type: ignore[no-untyped-def]
    left = np.float32(np.int32(word << 16) >> 16)
    right = np.float32(word >> 16)
    return left + share * (right - left)


@njit(cache=True, nogil=True)
def _linear_row_of_pairs(pairs, shape, k, j, i, step_k, step_j, step_i, low, high, at, part, word, line):  # type: ignore[no-untyped-def]
    up_k = np.uintp(shape[1] * shape[2] if shape[0] > 1 else 0)
    up_j = np.uintp(shape[2] if shape[1] > 1 else 0)
    for first in range(low, high, ROW_PIECE):
        count = min(ROW_PIECE, high - first)
        _places(shape, k, j, i, step_k, step_j, step_i, first, count, at, part)
        for m in range(count):
            p = np.uintp(at[m])
            q = p + up_k
            word[m] = pairs[p]
            word[ROW_PIECE + m] = pairs[p + up_j]
            word[2 * ROW_PIECE + m] = pairs[q]
            word[3 * ROW_PIECE + m] = pairs[q + up_j]
        for m in range(count):
            a, b = part[2 * ROW_PIECE + m], part[ROW_PIECE + m]
            v00, v01 = _blend_pair(word[m], a), _blend_pair(word[ROW_PIECE + m], a)
            v10, v11 = _blend_pair(word[2 * ROW_PIECE + m], a), _blend_pair(word[3 * ROW_PIECE + m], a)
            near, far = v00 + b * (v01 - v00), v10 + b * (v11 - v10)
            line[first + m] = near + part[m] * (far - near)


@njit(cache=True, nogil=True)
def _reduce(line, low, high, mode, total, count):  # type: ignore[no-untyped-def]
    for c in range(low, high):
        count[c] += 1
        if mode == MEAN:
            total[c] += line[c]
        elif mode == MAXIMUM:
            total[c] = max(total[c], line[c])
        else:
            total[c] = min(total[c], line[c])


@njit(cache=True, nogil=True)
def _finish(total, count, left, right, mode, row):  # type: ignore[no-untyped-def]
    for c in range(left, right):
        if count[c] == 0:
            row[c] = np.nan
        elif mode == MEAN:
            row[c] = total[c] / count[c]
        else:
            row[c] = total[c]


@njit(cache=True, nogil=True)
def sample_planes(
    values: NDArray,
    pairs: NDArray[np.int32],
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
    pairs
        `pairs_of` the values.
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
    at, at_narrow = np.empty(ROW_PIECE, np.int64), np.empty(ROW_PIECE, np.int32)
    part, corner = np.empty(3 * ROW_PIECE, np.float32), np.empty(8 * ROW_PIECE, np.float32)
    word = np.empty(4 * ROW_PIECE, np.int32)
    line = np.empty(columns, np.float32)
    total = np.empty(columns, np.float64)
    count = np.empty(columns, np.int64)
    # Strip by strip: the voxels of one row of a strip are still in the nearest cache when the next row needs them.
    for left in range(0, columns, STRIP):
        right = min(left + STRIP, columns)
        for r in range(start, stop):
            if planes > 1:
                total[left:right] = 0.0 if mode == MEAN else (-np.inf if mode == MAXIMUM else np.inf)
                count[left:right] = 0
            for p in range(planes):
                k = origins_kji[p, 0] + r * row_step_kji[0]
                j = origins_kji[p, 1] + r * row_step_kji[1]
                i = origins_kji[p, 2] + r * row_step_kji[2]
                low, high = _clip(k, step_k, n_k, left, right)
                low, high = _clip(j, step_j, n_j, low, high)
                low, high = _clip(i, step_i, n_i, low, high)
                if cubic:
                    for c in range(low, high):
                        line[c] = _cubic_at(flat, k + c * step_k, j + c * step_j, i + c * step_i, n_k, n_j, n_i)
                elif pairs.size:
                    _linear_row_of_pairs(
                        pairs, values.shape, k, j, i, step_k, step_j, step_i, low, high, at_narrow, part, word, line
                    )
                else:
                    _linear_row(flat, values.shape, k, j, i, step_k, step_j, step_i, low, high, at, part, corner, line)
                if planes == 1:
                    result[r, left:low] = np.nan
                    result[r, low:high] = line[low:high]
                    result[r, high:right] = np.nan
                else:
                    _reduce(line, low, high, mode, total, count)
            if planes > 1:
                _finish(total, count, left, right, mode, result[r])
