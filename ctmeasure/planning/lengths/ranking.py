"""Sizes of one implant, best first: by P(fits), or by expected loss once the surgeon has set both costs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ctmeasure.planning.lengths.catalogue import CatalogueSize
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.fit_window import fit_probabilities_from_draws

LEAST_P_FITS = 0.01
"""When no size is likelier to fit than this, none of the implant is listed."""
NEAR_TIE = 0.05
"""Sizes whose P(fits) (or loss) is within 5 % of the best are a tie, and a tie goes to the shorter size."""
MIDDLES = tuple((at + 0.5) / 15 for at in range(15))
"""Quantiles at which the middle of a narrower length is tried."""
TIE_FLAG = "near tie: the shorter size goes first"


@dataclass(frozen=True, slots=True)
class RankedSize:
    """One size with its probabilities (they sum to one) and, when costs are set, its expected loss."""

    size: CatalogueSize
    p_short: float
    p_fits: float
    p_long: float
    loss: float | None
    flags: tuple[str, ...] = ()


def rank_sizes(sizes: Iterable[CatalogueSize], samples: Floats, settings: Settings) -> list[RankedSize]:
    """Every size, best first: by P(fits), or by expected loss once both costs are set.

    Parameters
    ----------
    sizes
        Of one implant, converted to functional length.
    samples
        Draws of the needed length, shape (draws,), mm.
    settings
        Fit window and costs.

    Returns
    -------
    list of RankedSize
        All of them, or none when the likeliest has P(fits) of 0.01 or less. Among near ties (5 %) the shorter size goes
        first, flagged.

    Raises
    ------
    Nothing.
    """
    costed = settings.cost_too_long > 0.0 and settings.cost_too_short > 0.0
    found = []
    for size in sizes:
        assert size.functional_mm is not None
        low, high = settings.fit_window_mm(size.reconstruction)
        p = fit_probabilities_from_draws(size.functional_mm, samples, low_mm=low, high_mm=high)
        loss = loss_from_draws(size.functional_mm, samples, settings) if costed else None
        words = () if loss is None else (f"expected loss {loss:.3f}",)
        found.append(RankedSize(size, p.short, p.fits, p.long, loss, words))
    if max((one.p_fits for one in found), default=0.0) <= LEAST_P_FITS:
        return []
    worth = [-(one.loss or 0.0) if costed else one.p_fits for one in found]
    best = max(worth)
    tied = [abs(best - w) <= NEAR_TIE * abs(best) for w in worth]
    if sum(tied) > 1:
        found = [replace(one, flags=(*one.flags, TIE_FLAG)) if t else one for one, t in zip(found, tied, strict=True)]
    keys = [
        (not t, 0.0 if t else -w, one.size.functional_mm or 0.0) for one, w, t in zip(found, worth, tied, strict=True)
    ]
    return [one for _, one in sorted(zip(keys, found, strict=True), key=lambda pair: pair[0])]


def knowing_better_words(sizes: Sequence[CatalogueSize], samples: Floats, settings: Settings) -> str:
    """What halving the uncertainty of the needed length would save of the least expected loss; empty without costs.

    Parameters
    ----------
    sizes
        Of one implant.
    samples
        Draws of the needed length, shape (draws,), mm.
    settings
        Costs.

    Returns
    -------
    str

    Raises
    ------
    Nothing.

    Notes
    -----
    The best size for a length known half as badly is not known beforehand, so the least loss is averaged over where
    the middle of the narrower length could lie.
    """
    if not (sizes and settings.cost_too_long > 0.0 and settings.cost_too_short > 0.0):
        return ""
    lengths = [size.functional_mm or 0.0 for size in sizes]
    now = min(loss_from_draws(length, samples, settings) for length in lengths)
    middle = float(np.median(samples))
    half = 0.5 * (samples - middle)
    # Of a spread s, halved to s / 2, the middle is still spread by s sqrt(3) / 2 around where it is now.
    middles = middle + math.sqrt(0.75) * (np.quantile(samples, MIDDLES) - middle)
    then = [min(loss_from_draws(length, m + half, settings) for length in lengths) for m in middles]
    return f"halving its uncertainty would lower the least expected loss from {now:.3f} to {np.mean(then):.3f}"


def loss_from_draws(size_mm: float, samples: Floats, settings: Settings) -> float:
    """Expected loss of a size, linear in the error on each side (cost a mm too long, cost a mm too short)."""
    error = size_mm - samples
    too_long = np.maximum(error, 0.0).mean()
    too_short = np.maximum(-error, 0.0).mean()
    return float(settings.cost_too_long * too_long + settings.cost_too_short * too_short)
