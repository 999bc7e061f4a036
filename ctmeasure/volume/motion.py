"""Whether the patient moved between slices: a jump of the picture that its neighbours do not show."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ctmeasure.volume.volume import Volume

JUMP = 1.8
"""How many times more two slices must differ than the pairs around them (our own choice)."""

LEAST_JUMP_SHARE = 0.02
"""A jump must also change the picture by this share of its range, or it is noise (our own choice)."""

AROUND = 4
"""Pairs on either side that a pair is compared with."""

FEWEST_SLICES = 2 * AROUND + 2
"""Shorter stacks have too few neighbours to compare."""


def jumps_between_slices(volume: Volume, *, noise: float) -> tuple[int, ...]:
    """Find neighbouring slices that differ far more than the pairs around them.

    Parameters
    ----------
    volume
        The scan.
    noise
        Standard deviation of its noise, in its unit.

    Returns
    -------
    tuple of int
        Index of the first slice of each such pair, in order.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    It sees a shift between two slices, as sequential scans and table steps make. It does not see a slow drift, nor the
    blur of motion within a turn: no jump is not "no motion".
    """
    count = volume.geometry.shape_kji[0]
    if count < FEWEST_SLICES:
        return ()
    changes = _changes(volume.values, noise)
    spread = float(np.subtract(*np.percentile(volume.values[:: max(count // 16, 1), ::8, ::8], (99, 1))))
    found = []
    for k in range(count - 1):
        low, high = max(k - AROUND, 0), min(k + AROUND + 1, count - 1)
        around = np.delete(changes[low:high], k - low)
        if changes[k] > JUMP * float(np.median(around)) and changes[k] > LEAST_JUMP_SHARE * spread:
            found.append(k)
    return tuple(found)


def _changes(values: NDArray[np.int16] | NDArray[np.float32], noise: float) -> NDArray[np.float64]:
    """Root of the mean squared difference of each slice to the next, without what noise alone makes of it."""
    some = values[:, ::2, ::2]
    result = np.empty(len(values) - 1)
    before = some[0].astype(np.float32)
    for k in range(len(result)):
        after = some[k + 1].astype(np.float32)
        difference = (after - before).ravel()
        result[k] = math.sqrt(max(float(difference @ difference) / difference.size - 2.0 * noise**2, 0.0))
        before = after
    return result
