"""The five questions, answered in sentences: the same text opens the report, ends `plan` and fills the window."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms
from ctmeasure.case.holes import NO_INTERVAL, pair_holes, pair_span
from ctmeasure.case.model import Case
from ctmeasure.case.remains import unentered, what_is_left
from ctmeasure.case.table_sizes import chosen_lengths, table_words
from ctmeasure.case.words import mm, probability_words, reason_words, value_words, with_interval
from ctmeasure.planning.lengths.narrowing import BEYOND_WORDS, SPAN_WORDS
from ctmeasure.planning.lengths.ranking import TIE_FLAG
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.results import HolePair, LengthRow, Measurement, PlanResult

QUESTIONS = (
    "What is left?",
    "How far out is the drum?",
    "Where can the holes go?",
    "How long?",
    "What moved?",
)
VOID_WORDS = "plan void: an operation since this scan was entered"
VOID_ACTION = "plan on a new scan"
BELOW_RESOLUTION = "below resolution"


@dataclass(frozen=True, slots=True)
class Answer:
    """One question with its answer in sentences and what is still missing for it."""

    number: int
    question: str
    sentences: tuple[str, ...]
    missing: tuple[str, ...] = ()


def five_answers(case: Case) -> tuple[Answer, ...]:
    """The five answers of one case, in order.

    Parameters
    ----------
    case
        With or without results; an answer that cannot be given says what would give it.

    Returns
    -------
    tuple of Answer

    Raises
    ------
    Nothing.
    """
    result = case.results
    return (
        Answer(1, QUESTIONS[0], (what_is_left(case),), unentered(case)),
        _drum(case, result),
        _holes(case, result),
        _length(case, result),
        Answer(5, QUESTIONS[4], ("no earlier scan",)),
    )


def _drum(case: Case, result: PlanResult | None) -> Answer:
    found = result.measurement("drum_lateralisation") if result else None
    if found is None or found.estimate is None:
        labels = [
            landmark_terms()[i].label
            for i in ("annulus", "drum_centre", "canal_medial", "canal_lateral")
            if not case.landmarks.placed(i)
        ]
        return Answer(2, QUESTIONS[1], ("not measured",), tuple(f"place: {label}" for label in labels))
    estimate = found.estimate
    where = "outside" if estimate.value >= 0 else "inside"
    low, high = sorted((abs(estimate.low_95), abs(estimate.high_95)))
    if estimate.low_95 < 0 < estimate.high_95:
        interval = f"{mm(estimate.low_95)} to {mm(estimate.high_95)}, outside positive"
        sentence = f"{mm(abs(estimate.value))} mm {where} the rim ({interval})"
    else:
        sentence = f"{mm(abs(estimate.value))} mm {where} the rim ({mm(low)} to {mm(high)})"
    more = []
    thickness = result.measurement("drum_thickness") if result else None
    if thickness is not None and thickness.estimate is not None:
        more.append(f"thickness {with_interval(thickness.estimate)}")
    elif thickness is not None and is_below_resolution(thickness):
        more.append("thickness below resolution")
    promontory = result.measurement("drum_to_promontory") if result else None
    if promontory is not None and promontory.estimate is not None:
        more.append(f"{with_interval(promontory.estimate)} from the promontory")
    return Answer(2, QUESTIONS[1], (sentence, *more))


def is_below_resolution(found: Measurement) -> bool:
    """Whether something is there and too thin to be given in mm: said by its class, or by the words alone.

    Example
    -------
    >>> is_below_resolution(Measurement("drum_thickness", "", None, (), ("class: below resolution",)))
    True
    """
    return any(flag.removeprefix("class: ") == BELOW_RESOLUTION for flag in found.flags)


def hole_words(case: Case, pair: HolePair) -> str:
    """Both holes of a pair in words a hand can follow, each number with its interval or what would give it.

    Raises
    ------
    Nothing.
    """
    holes = pair_holes(case, pair)
    hours = " and ".join(clock_words(hole.clock_hour) for hole in holes)
    rims = " and ".join(value_words(hole.rim) for hole in holes)
    bone = " and ".join(value_words(hole.bone) if hole.bone else mm(hole.bone_mm) for hole in holes)
    behind = " and ".join(hole.far_side for hole in holes)
    unsure = f" ({NO_INTERVAL})" if any(hole.bone is None for hole in holes) else ""
    return (
        f"{hours} o'clock, {rims} mm from the rim, {value_words(pair_span(case, pair))} mm apart, "
        f"bone {bone} mm{unsure}, behind: {behind}{by_hand_words(case, pair)}"
    )


def by_hand_words(case: Case, pair: HolePair) -> str:
    """What a hand may miss, with its probability: the rim, and the limits of the span; empty where not known."""
    words = ""
    if pair.p_breaks_out is not None:
        words += f", P(breaks out at the rim) {' and '.join(probability_words(p) for p in pair.p_breaks_out)}"
    if pair.p_span_outside is not None:
        low, high = case.settings.span_low_mm, case.settings.span_high_mm
        words += f", P(span outside {low:g} to {high:g} mm) {probability_words(pair.p_span_outside)}"
    return words


def _holes(case: Case, result: PlanResult | None) -> Answer:
    if result is None:
        return Answer(3, QUESTIONS[2], ("not assessed",), ("run the plan",))
    if case.facts.plan_is_void:
        return Answer(3, QUESTIONS[2], (f"no hole is offered; {VOID_WORDS}",), (VOID_ACTION,))
    kept = [pair for pair in result.pairs if pair.verdict == "clear"]
    if not result.pairs:
        why = reason_words(result.pairs_reason)
        return Answer(3, QUESTIONS[2], (f"no pair can be offered: {why}",), result.not_assessed)
    first = result.pairs[0]
    if kept:
        first = kept[0]
        lead = f"{len(kept)} pair{'s keep' if len(kept) > 1 else ' keeps'} every margin. First: "
    else:
        lead = f"no pair keeps every margin; {len(result.pairs)} with caution. First: "
    closest = ""
    if first.clearance is not None:
        nearest = structure_terms()[first.nearest_structure].label if first.nearest_structure else "not kept"
        closest = f"; least gap of both holes {with_interval(first.clearance)}, nearest at the mean: {nearest}"
    if first.p_any is not None:
        closest += f", P(under a margin) {probability_words(first.p_any)}"
    return Answer(3, QUESTIONS[2], (lead + hole_words(case, first) + closest,), result.not_assessed)


def contact_words(contact: str) -> str:
    """A contact as people read it: the vocabulary label where there is one.

    Example
    -------
    >>> contact_words("footplate_centre"), contact_words("planned handle tip")
    ('footplate centre', 'planned handle tip')
    """
    return landmark_terms()[contact].label if contact in landmark_terms() else contact


def _length(case: Case, result: PlanResult | None) -> Answer:
    if case.facts.plan_is_void and result is not None:
        return Answer(4, QUESTIONS[3], (f"no size is offered; {VOID_WORDS}",), (VOID_ACTION,))
    rows = chosen_lengths(result) if result else ()
    table = table_set(rows)
    if rows and table is None and rows[0].needed is not None:
        against = next((flag for flag in rows[0].flags if flag.startswith((BEYOND_WORDS, "refused"))), "no size fits")
        return Answer(4, QUESTIONS[3], (f"{_needed_words(rows[0])}. {against}. No size is offered",))
    if not rows or table is None:
        # First what was measured and has no size, then what could not be measured.
        unsized = sorted(result.lengths if result else (), key=lambda row: row.needed is None)
        why = next((row.flags for row in unsized if row.flags and row.size_mm is None), ())
        return Answer(4, QUESTIONS[3], ("no length can be given",), why or ("place footplate_centre and drum_centre",))
    best = min(rows, key=lambda row: row.rank if row.rank is not None else 10**6)
    size, fits = best.size_mm, best.p_fits
    assert size is not None
    sentence = _needed_words(best)
    chance = f"{size:.2f} fits with P {'not assessed' if fits is None else probability_words(fits)}"
    tied = sorted(row.size_mm for row in rows if TIE_FLAG in row.flags and row.size_mm is not None)
    if len(tied) > 1:
        chance += f" (a tie of {', '.join(f'{one:.2f}' for one in tied)}; the shorter goes first)"
    alone = tuple(flag for flag in best.flags if flag.startswith(("no size", SPAN_WORDS)))
    return Answer(4, QUESTIONS[3], (f"{sentence}. {chance}. On the table: {table_words(table)}", *alone))


def _needed_words(row: LengthRow) -> str:
    """What a reconstruction spans, and the length it needs with its interval."""
    contacts = f"{contact_words(row.lateral_contact)} to {contact_words(row.medial_contact)}"
    needed = with_interval(row.needed) if row.needed is not None else "needed length not given"
    return f"{row.reconstruction}, {row.geometry}, {contacts}: {needed}"


def header_line(case: Case) -> str:
    """Side, pseudonym, grid, point spread and noise on one line.

    Raises
    ------
    Nothing.
    """
    k, j, i = case.scan.spacing_mm
    parts = [f"{case.side.upper()} ear", case.scan.pseudonym or "no pseudonym", f"{i:.2f} x {j:.2f} x {k:.2f} mm"]
    fitness = case.fitness
    if fitness is not None:
        if fitness.point_spread_mm is None:
            parts.append("point spread not estimable")
        else:
            parts.append("point spread {:.2f} / {:.2f} mm".format(*fitness.point_spread_mm))
        parts.append(f"noise {fitness.noise_hu:.0f} {case.scan.intensity_unit}")
    return "   ".join(parts)


def not_assessed_lines(case: Case) -> tuple[str, ...]:
    """What was not assessed, a sentence each; an empty tuple only when there are results and nothing was left out."""
    if case.results is None:
        return ("nothing has been computed yet",)
    return case.results.not_assessed


LABEL_WIDTH = 27
"""Width of the question column on a terminal."""


def summary_text(case: Case, *, report: str = "", width: int = 132) -> str:
    """The five answers as text, as every run ends with.

    Parameters
    ----------
    case
        The case.
    report
        Where the report stands, for the last line.
    width
        Columns to wrap at.

    Returns
    -------
    str
        Lines without a trailing line feed.

    Raises
    ------
    Nothing.
    """
    import textwrap

    rows = [(answer.question, ". ".join(answer.sentences)) for answer in five_answers(case)]
    if case.facts.plan_is_void:
        rows.insert(0, ("PLAN VOID", "an operation since this scan was entered; nothing below may be used"))
    left_out = "; ".join(line.rstrip(".") for line in not_assessed_lines(case))
    rows.append(("Not assessed", left_out or "nothing that was asked for"))
    if report:
        rows.append(("Report", report))
    lines = [header_line(case)]
    for label, text in rows:
        wrapped = textwrap.wrap(text, max(width - LABEL_WIDTH, 40)) or [""]
        lines.append(f"{label:<{LABEL_WIDTH}}{wrapped[0]}")
        lines.extend(" " * LABEL_WIDTH + line for line in wrapped[1:])
    return "\n".join(lines)
