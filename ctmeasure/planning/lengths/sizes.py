"""The table of candidate lengths: needed length, and for every size P(short), P(fits), P(long)."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from ctmeasure.planning.lengths.catalogue import Catalogue, CatalogueSize, generic_catalogue
from ctmeasure.planning.lengths.gates import PROTRUSION_REFUSED_MM, protrusion_flags
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.spans import Span, spans
from ctmeasure.planning.lengths.stack import ContactStack, contact_stack
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import NORMAL_95
from ctmeasure.planning.measurands.evaluate import Outcome, evaluate
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import Context, Recipe
from ctmeasure.planning.results import LengthRow
from ctmeasure.planning.settings import Settings
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.distance import SHORT_IN_UNCERTAINTIES
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.uncertainty.fit_window import fit_probabilities_from_draws
from ctmeasure.uncertainty.intervals import coverage_interval

LEAST_P_FITS = 0.01
"""Sizes less likely to fit than this are not listed."""
ALONE_U_MM = 0.25
"""Above this standard uncertainty no step of 0.25 mm fits with better than about two in three: take sizers."""
NEAR_TIE = 0.05
"""Sizes whose P(fits) (or loss) is within 5 % of the best are a tie, and a tie goes to the shorter size."""
SIZER_FLAG = "no size can be recommended alone: sizer on the table"
TIE_FLAG = "near tie: the shorter size goes first"
NO_CONVERSION_FLAG = "catalogue states no conversion to functional length: no size"
NOTHING_FITS_FLAG = "no size of the catalogue fits"
NO_OPERATION = LengthRow(
    "no operation", "", "", "", None, None, None, None, None, None, ("hearing aid or bone-conduction device",)
)


def candidate_lengths(given: LengthInput, progress: Progress = no_progress) -> tuple[LengthRow, ...]:
    """Every reconstruction of this ear with its needed length and the sizes around it.

    Parameters
    ----------
    given
        The ear, its facts, the catalogue and the plan.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of LengthRow
        Per span one row a size with P(fits) above 0.01, ranked; or one row without a size whose flags say why. The
        last row is always "no operation".

    Raises
    ------
    LandmarkError
        When the canal axis contradicts the side.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    P(short) = P(size < needed + lower window end) and P(long) = P(size > needed + upper window end), from the joint
    draws with the bias of drawing around the estimate taken off; the three sum to one.
    """
    draws = joint_draws(given.measure)
    context = Context(given.measure, draws)
    settings = given.measure.settings
    catalogue = given.catalogue or generic_catalogue(settings.length_step_mm)
    wanted = spans(given, context)
    measurable = [span for span in wanted if span.vectors is not None]
    outcomes = evaluate(
        [_recipe(span) for span in measurable],
        given.measure.landmarks,
        side=given.measure.side,
        draws=draws,
        digits=settings.confidence_digits,
        draws_maximum=settings.draws_maximum,
        progress=progress,
    )
    found = dict(zip(map(id, measurable), outcomes, strict=True))
    rows: list[LengthRow] = []
    for span in wanted:
        outcome = found.get(id(span))
        if outcome is None or outcome.estimate is None:
            flags = (*(outcome.flags if outcome else ()), *span.flags)
            rows.append(_row(span, None, flags))
        else:
            rows.extend(_span_rows(span, outcome, catalogue, settings))
    return (*rows, NO_OPERATION)


def _recipe(span: Span) -> Recipe:
    assert span.vectors is not None
    return Recipe(span.reconstruction, span.geometry, "distance", span.sources, span.vectors, published=False)


def _row(span: Span, needed: Estimate | None, flags: tuple[str, ...]) -> LengthRow:
    words = tuple(dict.fromkeys(flags))
    return LengthRow(
        span.reconstruction, span.geometry, span.lateral, span.medial, needed, None, None, None, None, None, words
    )


def _span_rows(span: Span, outcome: Outcome, catalogue: Catalogue, settings: Settings) -> list[LengthRow]:
    stack = contact_stack(settings, reconstruction=span.reconstruction, lateral=span.lateral_kind)
    needed, samples = needed_length(outcome, stack)
    flags = (*outcome.flags, *span.flags)
    if not span.offered:
        return [_row(span, needed, flags)]
    if needed.standard_uncertainty > ALONE_U_MM:
        flags = (SIZER_FLAG, *flags)
    if catalogue.without_conversion(span.reconstruction):
        return [_row(span, needed, (NO_CONVERSION_FLAG, *flags))]
    ranked = rank_sizes(catalogue.of(span.reconstruction), samples, settings)
    if not ranked:
        return [_row(span, needed, (NOTHING_FITS_FLAG, *flags))]
    rows = []
    for position, one in enumerate(ranked, start=1):
        depth_words = _depth_flags(one.size, needed.value, samples, settings) if span.reconstruction == "piston" else ()
        refused = any(word.startswith("refused") for word in depth_words)
        rows.append(
            replace(
                _row(span, needed, (*one.flags, *depth_words, *flags)),
                size_mm=one.size.label_mm,
                p_short=one.p_short,
                p_fits=one.p_fits,
                p_long=one.p_long,
                rank=None if refused else position,
            )
        )
    return rows


def _depth_flags(size: CatalogueSize, needed_mm: float, samples: Floats, settings: Settings) -> tuple[str, ...]:
    """What a piston of this size does past the footplate: nominal depth, and the chance of reaching too deep."""
    assert size.functional_mm is not None
    base = settings.piston_protrusion_mm + size.functional_mm
    too_deep = float(np.mean(base - samples > PROTRUSION_REFUSED_MM))
    return protrusion_flags(base - needed_mm, too_deep)


def needed_length(outcome: Outcome, stack: ContactStack) -> tuple[Estimate, Floats]:
    """Needed functional length: the distance with its contact stack, as an estimate and as draws.

    Parameters
    ----------
    outcome
        The distance between the contact points.
    stack
        What lies between, and what reaches past.

    Returns
    -------
    Estimate, draws
        The value is distance plus stack. Where the distance is short, its interval (from inversion) is joined with the
        stack's part by squares; else the interval is that of the draws.
    """
    distance = outcome.estimate
    assert distance is not None
    shift = stack.effect_mm
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([(distance.seed or 0) % 2**64, 0x57AC])))
    samples = outcome.samples + shift
    for line in stack.lines:
        if line.u_mm > 0.0:
            samples = samples + line.u_mm * rng.standard_normal(len(samples))
    u = math.hypot(distance.standard_uncertainty, stack.u_mm)
    value = distance.value + shift
    if distance.value < SHORT_IN_UNCERTAINTIES * distance.standard_uncertainty:
        low = value - math.hypot(distance.value - distance.low_95, NORMAL_95 * stack.u_mm)
        high = value + math.hypot(distance.high_95 - distance.value, NORMAL_95 * stack.u_mm)
    else:
        low, high = (float(end) for end in coverage_interval(samples))
    lines = [Contribution(line.name, line.u_mm) for line in stack.lines if line.u_mm > 0.0]
    parts = [f"{line.name} {line.effect_mm:+g}" for line in stack.lines if line.effect_mm != 0.0]
    method = f"distance {distance.value:.2f} mm" + "".join(f"; {part} mm" for part in parts)
    estimate = Estimate(
        value,
        u,
        low,
        high,
        "mm",
        method,
        (*distance.budget, *lines),
        distance.flags,
        draws=distance.draws,
        seed=distance.seed,
    )
    return estimate, samples


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
    """Sizes worth listing, best first: by P(fits), or by expected loss once both costs are set.

    Parameters
    ----------
    sizes
        Of one reconstruction, converted to functional length.
    samples
        Draws of the needed length, shape (draws,), mm.
    settings
        Fit window and costs.

    Returns
    -------
    list of RankedSize
        Those with P(fits) above 0.01. Among near ties (5 %) the shorter size goes first, flagged.
    """
    low, high = settings.fit_window_low_mm, settings.fit_window_high_mm
    costed = settings.cost_too_long > 0.0 and settings.cost_too_short > 0.0
    found = []
    middle, reach = float(np.median(samples)), 6.0 * float(np.std(samples)) + high - low
    for size in sizes:
        assert size.functional_mm is not None
        if abs(size.functional_mm - middle) > reach:
            continue
        p = fit_probabilities_from_draws(size.functional_mm, samples, low_mm=low, high_mm=high)
        loss = loss_from_draws(size.functional_mm, samples, settings) if costed else None
        if p.fits > LEAST_P_FITS:
            words = () if loss is None else (f"expected loss {loss:.3f}",)
            found.append(RankedSize(size, p.short, p.fits, p.long, loss, words))
    if not found:
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


def loss_from_draws(size_mm: float, samples: Floats, settings: Settings) -> float:
    """Expected loss of a size, linear in the error on each side (cost a mm too long, cost a mm too short)."""
    error = size_mm - samples
    too_long = np.maximum(error, 0.0).mean()
    too_short = np.maximum(-error, 0.0).mean()
    return float(settings.cost_too_long * too_long + settings.cost_too_short * too_short)
