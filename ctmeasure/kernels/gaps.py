"""Listing every gap along profiles: where bone stops, how deep and how wide the dip is, where bone goes on.

Kernels release the interpreter lock and fill rows `start` to `stop` of their output; a row never depends on another.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.rays import _bone_begins, _gap_ends, _leave, _local_bottom, _local_top, _mean_between, _scanned

GAP_COLUMNS = 6
FALL, RISE, LOW, MEAN, TOP_BEFORE, TOP_AFTER = range(GAP_COLUMNS)


@njit(cache=True, nogil=True)
def list_gaps(profiles, x, search_from, search_to, bone_from, drop, below, gaps, counts, start, stop):  # type: ignore[no-untyped-def]
    """List the gaps of each profile behind the place where its bone begins.

    Parameters
    ----------
    profiles, x
        Shape (n, m) and (m,); NaN ends a profile.
    search_from, search_to
        Range of x in which the bone must begin.
    bone_from, drop, below
        Values above `bone_from` count as bone; a fall or rise by `drop` is an edge; only gaps whose lowest value is
        under `below` are listed.
    gaps, counts
        Output: (n, k, 6) with x where each gap begins and ends (its half levels; infinite when nothing ends it), its
        lowest value and mean, and the highest values of the bone before and behind it (NaN: none); (n,) how many, or
        -1 where no bone begins in the range.
    start, stop
        Rows to do.
    """
    room = gaps.shape[1]
    for r in range(start, stop):
        gaps[r] = np.nan
        counts[r] = -1
        y = profiles[r]
        first, end = _scanned(x, y, search_from)
        i = _bone_begins(x, y, first, end, search_to, bone_from)
        if i >= end or x[i] > search_to:
            continue
        counts[r] = 0
        top, i = _local_top(y, i, end, drop)
        while i < end and counts[r] < room:
            bottom, rise = _local_bottom(y, i, end, drop)
            bottom, next_top, after, rise = _gap_ends(y, bottom, rise, end, drop, bone_from)
            if y[bottom] < below:
                row = gaps[r, counts[r]]
                row[FALL] = _leave(x, y, bottom, top, 0.5 * (y[top] + y[bottom]))
                row[LOW], row[TOP_BEFORE] = y[bottom], y[top]
                last = x[end - 1]
                if rise < end:
                    last = _leave(x, y, bottom, next_top, 0.5 * (min(y[top], y[next_top]) + y[bottom]))
                    row[TOP_AFTER] = y[next_top]
                row[RISE] = last if rise < end else np.inf
                row[MEAN] = _mean_between(x, y, end, row[FALL], last)
                counts[r] += 1
            top, i = next_top, after


@njit(cache=True, nogil=True)
def look_within(profiles, x, fall, rise, margin, reach, far_reach, level, lowest, open_mm, start, stop):  # type: ignore[no-untyped-def]
    """Lowest value of each profile between places given for it, and on what length it lies under a level.

    Parameters
    ----------
    profiles, x
        Shape (n, m) and (m,), equal steps.
    fall, rise
        Shape (n, k): places that span each stretch; NaN: none.
    margin, reach, far_reach
        The stretch begins `margin` before `fall` and ends `margin` behind `rise`, for the lowest value at most `reach`
        behind `fall`, for the length at most `far_reach`.
    level
        Values under it are open.
    lowest, open_mm
        Output, shape (n, k); NaN and 0 where there is nothing.
    start, stop
        Rows to do.
    """
    step = x[1] - x[0]
    for r in range(start, stop):
        for k in range(fall.shape[1]):
            lowest[r, k] = np.nan
            open_mm[r, k] = 0.0
            if not math.isfinite(fall[r, k]):
                continue
            first = max(math.ceil((fall[r, k] - margin - x[0]) / step - 1e-9), 0)
            until = min(rise[r, k] + margin, fall[r, k] + reach)
            last = min(math.floor((until - x[0]) / step + 1e-9), x.shape[0] - 1)
            for i in range(first, last + 1):
                value = profiles[r, i]
                if math.isfinite(value) and not value >= lowest[r, k]:
                    lowest[r, k] = value
            until = min(rise[r, k] + margin, fall[r, k] + far_reach)
            last = min(math.floor((until - x[0]) / step + 1e-9), x.shape[0] - 1)
            for i in range(first, last):
                below, above = profiles[r, i], profiles[r, i + 1]
                if not (math.isfinite(below) and math.isfinite(above)):
                    break
                if below > above:
                    below, above = above, below
                if above < level:
                    open_mm[r, k] += step
                elif below < level:
                    open_mm[r, k] += step * (level - below) / (above - below)
