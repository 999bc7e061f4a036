"""Walking along profiles: where bone begins, where it ends, what follows. Arrays in, arrays out.

A profile is read along a ray at equal steps. Kernels release the interpreter lock and fill rows `start` to `stop` of
their output, so that callers split the rows over threads; a row never depends on another.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

WALK_COLUMNS = 11
PEAK_X, PEAK, FALL_X, GAP_LOW, GAP_WIDTH, EXIT_X, EXIT_WIDTH, EXIT_LEVEL, EXIT_LOW, END_X, CODE = range(WALK_COLUMNS)
NO_BONE, NO_FALL, EXIT_FOUND, LEFT_SCAN = 0.0, 1.0, 2.0, 3.0
"""Codes of `walk_profiles`: no bone at the entry; bone without an exit in reach; an exit; the ray left the scan."""
EDGE_COLUMNS = 4


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
def _scanned(x, y, search_from):  # type: ignore[no-untyped-def]
    """First index and end of the run of finite samples that begins at or behind `search_from`."""
    first = 0
    while first < x.shape[0] and (x[first] < search_from or not math.isfinite(y[first])):
        first += 1
    end = first
    while end < x.shape[0] and math.isfinite(y[end]):
        end += 1
    return first, end


@njit(cache=True, nogil=True)
def _bone_begins(x, y, first, end, search_to, bone_from):  # type: ignore[no-untyped-def]
    """First index that reads as bone; one at `end` or beyond `search_to` when none does in the range."""
    i = first
    while i < end and x[i] <= search_to and y[i] < bone_from:
        i += 1
    return i


@njit(cache=True, nogil=True)
def _gap_ends(y, bottom, rise, end, drop, bone_from):  # type: ignore[no-untyped-def]
    """Follow a gap from its first bottom to bone: its lowest index, the next top, where that ends, where it rose.

    A rise that ends below bone is noise, or soft tissue beside air: the gap goes on.
    """
    lowest, next_top, after = bottom, end - 1, end
    while rise < end:
        next_top, after = _local_top(y, rise, end, drop)
        if y[next_top] >= bone_from:
            break
        low, rise = _local_bottom(y, after, end, drop)
        if y[low] < y[lowest]:
            lowest = low
        next_top, after = end - 1, end
    return lowest, next_top, after, rise


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
        first, end = _scanned(x, y, search_from)
        result[r, END_X] = x[end - 1] if end > 0 else np.nan
        i = _bone_begins(x, y, first, end, search_to, bone_from[r])
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
            level = 0.5 * (y[top] + y[bottom])
            _, next_top, after, rise = _gap_ends(y, bottom, rise, end, drop[r], bone_from[r])
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
