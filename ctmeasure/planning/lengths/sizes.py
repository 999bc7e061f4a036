"""The table of candidate lengths: needed length, and for every size P(short), P(fits), P(long)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ctmeasure.planning.lengths.catalogue import Catalogue, CatalogueSize, Implant, generic_catalogue, sizes_of
from ctmeasure.planning.lengths.gates import PROTRUSION_REFUSED_MM, protrusion_flags
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.narrowing import SIZER_FLAG, beyond_words, choice_flags, leaves_a_choice
from ctmeasure.planning.lengths.needed import needed_length
from ctmeasure.planning.lengths.ranking import RankedSize, knowing_better_words, rank_sizes
from ctmeasure.planning.lengths.shaft import shaft_checks
from ctmeasure.planning.lengths.spans import Span, is_chosen, spans, unmet_choice
from ctmeasure.planning.lengths.stack import contact_stack
from ctmeasure.planning.lengths.staged import staged_length
from ctmeasure.planning.lengths.table import CHOSEN_FLAG
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.evaluate import evaluate
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import Context, Recipe
from ctmeasure.planning.reader_model import later_placement_u_mm
from ctmeasure.planning.results import LengthRow, ShaftCheck, StagedLength
from ctmeasure.planning.settings import Settings
from ctmeasure.progress import Progress, no_progress
from ctmeasure.uncertainty.estimate import Estimate

NO_CONVERSION_FLAG = "catalogue states no conversion to functional length: no size"
NOTHING_FITS_FLAG = "no size of the catalogue fits"
NO_ROW_FLAG = "the catalogue has no implant for it"

NO_OPERATION = LengthRow(
    "no operation", "", "", "", None, None, None, None, None, None, ("hearing aid or bone-conduction device",)
)


@dataclass(frozen=True, slots=True)
class LengthsFound:
    """Candidate lengths, what lies along each shaft, and how sure each length is now and later."""

    rows: tuple[LengthRow, ...]
    shafts: tuple[ShaftCheck, ...] = ()
    staged: tuple[StagedLength, ...] = ()
    unmet_choice: str = ""


def candidate_lengths(given: LengthInput, progress: Progress = no_progress) -> tuple[LengthRow, ...]:
    """Every reconstruction of this ear with its needed length and every size of the catalogues.

    Parameters
    ----------
    given
        The ear, its facts, the catalogues and the plan.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of LengthRow
        Per span and implant one row a size, ranked; or one row without a size whose flags say why. The last row is
        always "no operation".

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
    return _lengths(given, progress, shafts=False).rows


def plan_lengths(given: LengthInput, progress: Progress = no_progress) -> LengthsFound:
    """`candidate_lengths`, with what lies along the shaft of each offered reconstruction and its staged uncertainty.

    Parameters
    ----------
    given
        The ear, its facts, the catalogues and the plan.
    progress
        Listener; may cancel.

    Returns
    -------
    LengthsFound

    Raises
    ------
    LandmarkError
        When the canal axis contradicts the side.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    return _lengths(given, progress, shafts=True)


def _lengths(given: LengthInput, progress: Progress, *, shafts: bool) -> LengthsFound:
    draws = joint_draws(given.measure)
    context = Context(given.measure, draws)
    settings = given.measure.settings
    catalogues = given.catalogues or (generic_catalogue(settings.length_step_mm),)
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
    later_u_mm = later_placement_u_mm("handle_contact", draws.readers, noise_mm=settings.placement_noise_mm)
    rows: list[LengthRow] = []
    staged: list[StagedLength] = []
    for span in wanted:
        outcome = found.get(id(span))
        if outcome is None or outcome.estimate is None:
            flags = (*(outcome.flags if outcome else ()), *span.flags)
            rows.append(_row(span, None, _with_choice(span, settings, flags)))
            continue
        needed, samples = needed_length(
            outcome, contact_stack(settings, reconstruction=span.reconstruction, lateral=span.lateral_kind)
        )
        flags = _with_choice(span, settings, (*outcome.flags, *span.flags))
        rows.extend(_span_rows(span, needed, samples, flags, catalogues, settings))
        if shafts and span.offered and span.lateral_at is not None:
            staged.append(staged_length(span, needed, later_u_mm))
    lines = [span for span in measurable if span.offered and span.lateral_at is not None] if shafts else []
    sized = [row for row in rows if row.size_mm is not None]
    offered = [
        (span.reconstruction, span.geometry, span.lateral_kind)
        for span in wanted
        if any((row.reconstruction, row.lateral_contact) == (span.reconstruction, span.lateral) for row in sized)
    ]
    return LengthsFound(
        (*rows, NO_OPERATION),
        shaft_checks(given, context, lines, catalogues, progress),
        tuple(staged),
        unmet_choice(given, context, offered),
    )


def _recipe(span: Span) -> Recipe:
    assert span.vectors is not None
    return Recipe(span.reconstruction, span.geometry, "distance", span.sources, span.vectors, published=False)


def _with_choice(span: Span, settings: Settings, flags: tuple[str, ...]) -> tuple[str, ...]:
    return (CHOSEN_FLAG, *flags) if is_chosen(span, settings) else flags


def _row(span: Span, needed: Estimate | None, flags: tuple[str, ...]) -> LengthRow:
    words = tuple(dict.fromkeys(flags))
    return LengthRow(
        span.reconstruction, span.geometry, span.lateral, span.medial, needed, None, None, None, None, None, words
    )


def _span_rows(
    span: Span,
    needed: Estimate,
    samples: Floats,
    flags: tuple[str, ...],
    catalogues: tuple[Catalogue, ...],
    settings: Settings,
) -> list[LengthRow]:
    if not span.offered:
        return [_row(span, needed, flags)]
    if not leaves_a_choice(needed):
        flags = (SIZER_FLAG, *flags)
    rows: list[LengthRow] = []
    for catalogue in catalogues:
        unsized = replace(_row(span, needed, flags), catalogue=catalogue.name)
        implants = catalogue.implants_of(span.reconstruction)
        if not implants:
            why = NO_CONVERSION_FLAG if catalogue.without_conversion(span.reconstruction) else NO_ROW_FLAG
            rows.append(replace(unsized, flags=(why, *unsized.flags)))
        for implant in implants:
            ranked = rank_sizes(sizes_of(implant), samples, settings)
            if not ranked:
                rows.append(replace(unsized, flags=(NOTHING_FITS_FLAG, *unsized.flags), implant=implant.name))
            else:
                sized = replace(unsized, implant=implant.name)
                rows += _size_rows(span, sized, ranked, implant, samples, settings)
    return rows


def _size_rows(
    span: Span, row: LengthRow, ranked: list[RankedSize], implant: Implant, samples: Floats, settings: Settings
) -> list[LengthRow]:
    """One row a size of one implant, best first."""
    assert row.needed is not None
    against = implant.takes(span_mm=span.holes_mm[0], reach_mm=span.holes_mm[1]) if span.holes_mm else ()
    better = knowing_better_words(sizes_of(implant), samples, settings)
    by_length = sorted(ranked, key=lambda one: one.size.functional_mm or 0.0)
    beyond = beyond_words(
        [one.size.label_mm for one in ranked],
        p_short_of_longest=by_length[-1].p_short,
        p_long_of_shortest=by_length[0].p_long,
    )
    functional = [one.size.functional_mm or 0.0 for one in ranked]
    shared = (
        *((better,) if better else ()),
        *((beyond,) if beyond else choice_flags(row.needed, functional, reconstruction=span.reconstruction)),
        *(f"refused: {words}" for words in against),
        *(("can be cut shorter in the ear",) if implant.trimmable else ()),
    )
    rows = []
    for position, one in enumerate(ranked, start=1):
        depth = _depth_flags(one.size, row.needed.value, samples, settings) if span.reconstruction == "piston" else ()
        refused = bool(against) or bool(beyond) or any(word.startswith("refused") for word in depth)
        words = dict.fromkeys((*one.flags, *depth, *shared, *row.flags))
        rows.append(
            replace(
                row,
                flags=tuple(words),
                size_mm=one.size.label_mm,
                functional_mm=one.size.functional_mm,
                p_short=one.p_short,
                p_fits=one.p_fits,
                p_long=one.p_long,
                rank=None if refused else position,
                expected_loss=one.loss,
            )
        )
    return rows


def _depth_flags(size: CatalogueSize, needed_mm: float, samples: Floats, settings: Settings) -> tuple[str, ...]:
    """What a piston of this size does past the footplate: nominal depth, and the chance of reaching too deep."""
    assert size.functional_mm is not None
    base = settings.piston_protrusion_mm + size.functional_mm
    too_deep = float(np.mean(base - samples > PROTRUSION_REFUSED_MM))
    return protrusion_flags(base - needed_mm, too_deep)
