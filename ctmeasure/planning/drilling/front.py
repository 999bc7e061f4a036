"""The Pareto front of pairs: those that no other pair equals in every respect and betters in one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FRONT_STEP_MM = 0.1
"""Clearances, bone and handle positions that differ by less count as equal: no scan and no hand tells them apart."""
FRONT_WORDS = "no pair that fits is as good in risk, clearance, bone and handle position and better in one of them"


def steps_of(values: ArrayLike, *, step: float) -> NDArray[np.int64]:
    """Values in whole steps, as `on_front` compares them.

    Example
    -------
    >>> steps_of([0.04, 0.06, 1.0], step=0.1).tolist()
    [0, 1, 10]
    """
    return np.asarray(np.round(np.asarray(values, dtype=np.float64) / step), dtype=np.int64)


def on_front(costs: Sequence[NDArray[np.int64]]) -> Bools:
    """Which of n things lie on the Pareto front.

    Parameters
    ----------
    costs
        What each thing costs in each respect, arrays of shape (n,); small is good.

    Returns
    -------
    numpy.ndarray
        Shape (n,): True where no other is at most as costly in all respects and less costly in one. Things that are
        equal in every respect are all on the front or all off it.

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    Equal things are looked at once, so that a million pairs take well under a second. Of those left, the one with the
    least sum of costs is on the front, since whatever beats it has a smaller sum; what it beats goes; and so on.

    Example
    -------
    >>> on_front([np.array([0, 1, 2, 1]), np.array([2, 1, 2, 3])]).tolist()
    [True, True, False, False]
    """
    table = np.stack([np.asarray(cost, dtype=np.int64) for cost in costs], axis=1)
    if len(table) == 0:
        return np.zeros(0, np.bool_)
    table = table - table.min(axis=0)
    key = np.ravel_multi_index(tuple(table.T), tuple(table.max(axis=0) + 1))
    _, where, back = np.unique(key, return_index=True, return_inverse=True)
    rows = table[where]
    kept = np.zeros(len(rows), np.bool_)
    left = np.argsort(rows.sum(axis=1), kind="stable")
    while len(left):
        best, left = left[0], left[1:]
        kept[best] = True
        left = left[(rows[left] < rows[best]).any(axis=1)]
    return np.asarray(kept[back])
