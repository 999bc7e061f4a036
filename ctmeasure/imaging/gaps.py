"""Every gap along a ray and along the rays beside it, and how likely each is a gap or an exit on the ray itself."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.layers import ROWS_WORTH_A_THREAD, STEP_MM
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.volume.sampling import in_threads

Floats = NDArray[np.float64]

MOST_GAPS = 8
"""Gaps listed along one ray; behind the eighth nobody drills."""
LISTED_SHARE = 0.85
"""A dip that stays above this share of the step from soft tissue to bone is unevenness of the bone."""
NARROW_MM = 0.3
"""What the ray crosses on less than this is no gap: it is under any point spread."""
MARGIN_MM, REACH_MM = 0.15, 1.6
"""A gap is looked for on the rays beside it this far before and behind, and no farther from its beginning."""
LOWEST_SHARE, WIDEST_MM, WIDEST_OVER_EXIT_MM = -0.3, 3.0, 1.0
"""Beyond these, depth of a gap, its width, and its width over the least exit tell nothing more."""
FAR_REACH_MM, OPEN_SHARE = 3.0, 0.5
"""The length on which a ray is open is taken no farther than this, under this share of the step to bone."""
GAP_WEIGHTS = (4.07 + 0.4, -4.81, -4.16, 2.44, -1.45, 2.24)
"""Logit of "the ray crosses this on 0.3 mm or more": constant, then weights of the lowest value and of the mean in the
sharper copy, of the deepest and of the shallowest of the lowest values on the rays beside it (all as shares of the step
from soft tissue to bone), and of the logarithm of the width in mm (plus a sampling step). The constant leans towards a
gap by 0.4: on the same ears that gives the least mean error of length and no bias. Open lengths tell nothing more."""
EXIT_WEIGHTS = (0.30, 3.61, -1.87, 1.78, 2.36, -1.13, 0.33, 4.37, -2.64, -0.29, -0.59, -0.46, -0.30)
"""Logit of "this is an exit": constant, weights of the lowest value, of the shallowest beside, of the width over the
least exit in mm, of its square, of its product with the shallowest; of the open length over the least exit on the ray
and beside it, of their squares, and of the products of the first with the shallowest, the lowest and the second."""


class Gaps(NamedTuple):
    """Gaps of r parallel rays (the first is the ray itself) at n places, up to k each; shapes (r, n, k), NaN: none.

    ``fall_mm`` and ``rise_mm``: where it begins and ends (infinite: nothing ends it); ``low``, ``mean``: grey levels in
    the sharper copy; ``p_gap``: probability that the ray itself crosses it on `NARROW_MM` or more, ``p_exit``: that it
    is an exit; both 0 where there is none. ``begins`` (r, n): bone was found at the entry.
    """

    fall_mm: Floats
    rise_mm: Floats
    low: Floats
    mean: Floats
    p_gap: Floats
    p_exit: Floats
    begins: NDArray[np.bool_]


def find_gaps(
    profiles: Floats,
    offsets_mm: Floats,
    *,
    levels: TissueLevels,
    search_mm: tuple[float, float],
    exit_gap_mm: float,
    farthest_mm: float,
) -> Gaps:
    """List the gaps of parallel rays and weigh them.

    Parameters
    ----------
    profiles, offsets_mm
        Shape (r, n, m) in the sharper copy, the ray itself first, and (m,).
    levels
        Grey levels of the ear.
    search_mm
        Where the bone begins.
    exit_gap_mm
        A gap at least this long is an exit.
    farthest_mm
        Gaps that begin beyond this are left out.

    Returns
    -------
    Gaps

    Raises
    ------
    ValueError
        When shapes disagree.

    Notes
    -----
    The logits were fitted to gaps of synthetic ears, whose shapes tell the truth. A grazed cell dips on one side of the
    ray only, one that is crossed on all sides alike.
    """
    from ctmeasure.kernels.gaps import FALL, GAP_COLUMNS, LOW, MEAN, RISE, list_gaps

    rays, n, m = profiles.shape
    flat = np.ascontiguousarray(profiles.reshape(rays * n, m))
    found = np.empty((rays * n, MOST_GAPS, GAP_COLUMNS))
    counts = np.empty(rays * n, np.int64)
    step = levels.bone - levels.soft
    below = levels.soft + LISTED_SHARE * step
    in_threads(
        lambda start, stop: list_gaps(
            flat, offsets_mm, search_mm[0], search_mm[1], levels.bone_like, levels.drop, below, found, counts,
            start, stop,
        ),
        rays * n,
        smallest=ROWS_WORTH_A_THREAD,
    )  # fmt: skip
    found[~(found[:, :, FALL] <= farthest_mm)] = np.nan
    found = found.reshape(rays, n, MOST_GAPS, GAP_COLUMNS)
    fall, rise, low = found[..., FALL], found[..., RISE], found[..., LOW]
    own = np.clip((low - levels.soft) / step, LOWEST_SHARE, 1.0)
    deepest, shallowest, own_open, open_beside = _beside(profiles, offsets_mm, fall, rise, levels)
    width = rise - fall
    even = np.clip((found[..., MEAN] - levels.soft) / step, LOWEST_SHARE, 1.0)
    log_width = np.log(np.minimum(width, WIDEST_MM) + STEP_MM)
    p_gap = _logistic(GAP_WEIGHTS, own, even, deepest, shallowest, log_width)
    over, own_over, beside_over = (
        np.clip(mm - exit_gap_mm, -1.0, WIDEST_OVER_EXIT_MM) for mm in (width, own_open, open_beside)
    )
    p_exit = _logistic(
        EXIT_WEIGHTS, own, shallowest, over, over**2, over * shallowest, own_over, beside_over, own_over**2,
        beside_over**2, own_over * shallowest, own_over * own, own_over * beside_over,
    )  # fmt: skip
    there = np.isfinite(fall)
    return Gaps(
        fall, rise, low, found[..., MEAN], np.where(there, p_gap, 0.0), np.where(there, np.minimum(p_exit, p_gap), 0.0),
        (counts >= 0).reshape(rays, n),
    )  # fmt: skip


def _beside(
    profiles: Floats, offsets_mm: Floats, fall: Floats, rise: Floats, levels: TissueLevels
) -> tuple[Floats, Floats, Floats, Floats]:
    """What the other rays show where each gap is: deepest and shallowest of their lowest values, as shares, and on what
    length the ray itself, and on average the others, are open there."""
    from ctmeasure.kernels.gaps import look_within

    rays, n, room = fall.shape
    deepest, shallowest = np.ones((rays, n, room)), np.ones((rays, n, room))
    own_open, open_beside = np.zeros((rays, n, room)), np.zeros((rays, n, room))
    step = levels.bone - levels.soft
    open_under = levels.soft + OPEN_SHARE * step
    lowest, open_mm = np.empty((n, room)), np.empty((n, room))

    def look(ray: int, other: int) -> None:
        in_threads(
            lambda start, stop: look_within(
                profiles[other], offsets_mm, fall[ray], rise[ray], MARGIN_MM, REACH_MM, FAR_REACH_MM, open_under,
                lowest, open_mm, start, stop,
            ),
            n,
            smallest=ROWS_WORTH_A_THREAD,
        )  # fmt: skip

    for ray in range(rays):
        look(ray, ray)
        own_open[ray] = open_mm
        for other in range(rays):
            if other == ray:
                continue
            look(ray, other)
            share = np.clip((np.nan_to_num(lowest, nan=levels.bone) - levels.soft) / step, LOWEST_SHARE, 1.0)
            first = other == (1 if ray == 0 else 0)
            deepest[ray] = share if first else np.minimum(deepest[ray], share)
            shallowest[ray] = share if first else np.maximum(shallowest[ray], share)
            open_beside[ray] += open_mm / (rays - 1)
    return deepest, shallowest, own_open, open_beside


def _logistic(weights: tuple[float, ...], *features: Floats) -> Floats:
    logit = weights[0] + sum(w * feature for w, feature in zip(weights[1:], features, strict=True))
    return np.asarray(1.0 / (1.0 + np.exp(-logit)), dtype=np.float64)
