"""Where the bone along a ray may end, each place with its weight, and what that means as one number."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OWN_WEIGHT = 0.55
"""Weight of what the ray itself shows; the rays beside it share the rest (it lies no surer than they are apart)."""
AGREE_MM = 0.3
"""Ends of bone nearer to each other than this are one uneven face; farther apart, they are different faces."""
BEYOND_MM = 1.5
"""A gap nothing ends is followed this far beyond the farthest."""
VALUE_QUANTILE = 0.45
"""Where several ends remain possible the value is this quantile of the bone's length: a little before the median, since
it is thin bone that gives way. On synthetic ears bone of 0.5 to 3 mm then has no bias and rms 0.44 instead of 0.53 mm;
the expectation has 0.47 but reads 0.09 too thick and lies between two ends that may be."""
COVERAGE_TAIL = 0.025
"""Probability left out at either end of the interval."""
NORMAL_95 = 1.959964
BISECTIONS = 30


class Ends(NamedTuple):
    """Places where the bone of n rays may end.

    ``places_mm``, ``until_mm`` (where the gap is over) and ``weights``: shape (n, m), weights sum to one (zero where
    there is no place); the last column is "no end before the farthest", at that distance. ``chosen``: index of the
    likeliest gap among the ray's own (shape (n,), -1: no end); ``p_chosen``: weight of all places that agree with it;
    ``uneven_mm``: their spread.
    """

    places_mm: Floats
    until_mm: Floats
    weights: Floats
    chosen: NDArray[np.intp]
    p_chosen: Floats
    uneven_mm: Floats


def weigh_ends(fall_mm: Floats, rise_mm: Floats, *, probability: Floats, farthest_mm: float) -> Ends:
    """Turn gaps with probabilities into places where the bone may end first.

    Parameters
    ----------
    fall_mm, rise_mm, probability
        Shape (r, n, k): where each gap of each parallel ray begins (NaN: none) and ends, in order, and the probability
        that it is one. The first ray is the ray itself.
    farthest_mm
        Stands for bone without an end.

    Returns
    -------
    Ends

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    A gap is the first when it is one and none before it is: ``p_i prod_{j<i} (1 - p_j)``, taken as independent.

    Example
    -------
    >>> import numpy as np
    >>> gaps = np.array([[[1.0, 2.0]]])
    >>> found = weigh_ends(gaps, gaps + 0.5, probability=np.array([[[0.25, 1.0]]]), farthest_mm=12.0)
    >>> found.weights.tolist(), int(found.chosen[0])
    ([[0.25, 0.75, 0.0]], 1)
    """
    rays, n, room = fall_mm.shape
    p = np.where(np.isfinite(fall_mm), probability, 0.0)
    none_before = np.cumprod(np.concatenate([np.ones((rays, n, 1)), 1.0 - p], axis=2), axis=2)
    first = p * none_before[:, :, :-1]
    share = np.full(rays, (1.0 - OWN_WEIGHT) / max(rays - 1, 1))
    share[0] = OWN_WEIGHT if rays > 1 else 1.0
    by_ray = np.moveaxis(first * share[:, None, None], 0, 1).reshape(n, rays * room)
    weights = np.concatenate([by_ray, (share @ none_before[:, :, -1])[:, None]], axis=1)
    places, until = (
        np.concatenate(
            [np.moveaxis(np.nan_to_num(mm, nan=farthest_mm), 0, 1).reshape(n, -1), np.full((n, 1), farthest_mm)], axis=1
        )
        for mm in (fall_mm, np.minimum(rise_mm, farthest_mm + BEYOND_MM))
    )
    own = places[:, [*range(room), rays * room]]
    there = np.concatenate([p[0] > 0.0, np.ones((n, 1), np.bool_)], axis=1)
    near = np.abs(places[:, None, :] - own[:, :, None]) < AGREE_MM
    mass = np.where(there, np.sum(near * weights[:, None, :], axis=2), -1.0)
    best = np.argmax(mass, axis=1)
    rows = np.arange(n)
    agreeing = near[rows, best] * weights
    spread = np.sum(agreeing * (places - own[rows, best][:, None]) ** 2, axis=1) / np.maximum(
        agreeing.sum(axis=1), 1e-9
    )
    return Ends(
        places,
        until,
        weights,
        np.where(best == room, -1, best),
        mass[rows, best],
        np.where(best == room, 0.0, np.sqrt(spread)),
    )


def estimate(ends: Ends, chosen_mm: Floats, u_mm: Floats, *, sure: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Value, standard uncertainty and 95 % interval of the bone's length from its possible ends.

    Parameters
    ----------
    ends
        From `weigh_ends`.
    chosen_mm, u_mm
        Measured length to the chosen end and its standard uncertainty, shape (n,).
    sure
        From this weight of the chosen end on, the value is that length; below, `VALUE_QUANTILE` over all ends.

    Returns
    -------
    tuple
        Value, u, low, high; shape (n,).

    Raises
    ------
    ValueError
        When shapes disagree.

    References
    ----------
    JCGM 101:2008, 7.6 and 7.7: standard deviation and coverage interval of a distribution. A quantile, not the
    expectation, is its one number: it is an end that may be, not a place between two.
    """
    rows = np.arange(len(chosen_mm))
    own = np.where(ends.chosen < 0, ends.places_mm[:, -1], ends.places_mm[rows, np.maximum(ends.chosen, 0)])
    agree = np.abs(ends.places_mm - own[:, None]) < AGREE_MM
    centres = np.where(agree, chosen_mm[:, None], np.maximum(chosen_mm[:, None] + ends.places_mm - own[:, None], 0.0))
    total = np.maximum(ends.weights.sum(axis=1, keepdims=True), 1e-12)
    weights = ends.weights / total
    order = np.argsort(centres, axis=1, kind="stable")
    below = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1) < VALUE_QUANTILE
    middle = np.take_along_axis(order, below.sum(axis=1, keepdims=True), axis=1)[:, 0]
    likely = centres[rows, middle]
    spread = np.sqrt(np.sum(weights * (centres - likely[:, None]) ** 2, axis=1))
    low, high = chosen_mm - NORMAL_95 * u_mm, chosen_mm + NORMAL_95 * u_mm
    mixed = np.isfinite(chosen_mm) & np.isfinite(u_mm) & (ends.p_chosen < 1.0 - 0.5 * COVERAGE_TAIL)
    for tail, out in ((COVERAGE_TAIL, low), (1.0 - COVERAGE_TAIL, high)):
        out[mixed] = _quantile(centres[mixed], weights[mixed], u_mm[mixed], tail)
    unsure = mixed & (ends.p_chosen < sure)
    value = np.where(unsure, likely, chosen_mm)
    return value, np.where(unsure, np.hypot(u_mm, spread), u_mm), np.maximum(low, 0.0), high


def likeliest(ends: Ends, *, most: int, least: float) -> tuple[NDArray[np.intp], Floats]:
    """Separate places where the bone may end, the chosen one first, then by weight.

    Parameters
    ----------
    ends
        From `weigh_ends`.
    most
        How many at most.
    least
        Places that carry less than this are left out.

    Returns
    -------
    tuple
        Columns of ``places_mm`` (n, most), -1: none; what each carries with all that agree with it (n, most).

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    left = ends.weights.copy()
    n = len(left)
    rows = np.arange(n)
    columns, carried = np.full((n, most), -1, np.intp), np.zeros((n, most))
    last = ends.places_mm.shape[1] - 1
    for turn in range(most):
        best = np.where(ends.chosen < 0, last, ends.chosen) if turn == 0 else np.argmax(left, axis=1)
        near = np.abs(ends.places_mm - ends.places_mm[rows, best][:, None]) < AGREE_MM
        mass = np.sum(np.where(near, left, 0.0), axis=1)
        kept = mass >= (least if turn else 0.0)
        columns[:, turn] = np.where(kept, best, -1)
        carried[:, turn] = np.where(kept, mass, 0.0)
        left[near] = 0.0
    return columns, carried


def spread_about_chosen(ends: Ends) -> Floats:
    """Root mean square distance of the other possible ends from the chosen one, mm; "no end" is left out.

    Parameters
    ----------
    ends
        From `weigh_ends`.

    Returns
    -------
    numpy.ndarray
        Shape (n,); 0 where no end was chosen.

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    places, weights = ends.places_mm[:, :-1], ends.weights[:, :-1]
    own = places[np.arange(len(places)), np.maximum(ends.chosen, 0)]
    apart = places - own[:, None]
    apart = np.where(np.abs(apart) < AGREE_MM, 0.0, apart)
    square = np.sum(weights * apart**2, axis=1) / np.maximum(weights.sum(axis=1), 1e-9)
    return np.where(ends.chosen < 0, 0.0, np.sqrt(square))


def _quantile(centres: Floats, weights: Floats, u_mm: Floats, probability: float) -> Floats:
    """Quantile of a mixture of normal distributions of equal width, by bisection."""
    from scipy.special import ndtr

    low = centres.min(axis=1) - 8.0 * u_mm
    high = centres.max(axis=1) + 8.0 * u_mm
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        below = np.sum(weights * ndtr((middle[:, None] - centres) / u_mm[:, None]), axis=1) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
