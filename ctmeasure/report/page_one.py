"""The parts of page one: who and which side, facts and findings, the numbers in large print."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.facts import finding_labels
from ctmeasure.anatomy.vocabulary import structure_terms
from ctmeasure.case.answers import VOID_ACTION, VOID_WORDS, not_assessed_lines
from ctmeasure.case.danger import by_danger
from ctmeasure.case.holes import pair_span, sites_of_pair
from ctmeasure.case.model import Case
from ctmeasure.case.remains import wall_state_words
from ctmeasure.case.table_sizes import chosen_lengths, table_words
from ctmeasure.case.words import reason_words
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.results import VERDICT_WORDS, Clearance, HolePair, PlanResult
from ctmeasure.report.content import NumberBox, Pair, TextGroup
from ctmeasure.report.numbers import fixed, interval, probability, with_interval
from ctmeasure.report.words import in_words

VOID_BANNER = "PLAN VOID: an operation since this scan was entered. Nothing on this page may be used for planning."
NOT_ENTERED = "not entered"


def date_words(date: str) -> str:
    """A DICOM date as printed.

    Example
    -------
    >>> date_words("20240311"), date_words("")
    ('2024-03-11', 'not kept')
    """
    return f"{date[:4]}-{date[4:6]}-{date[6:8]}" if len(date) == 8 and date.isdigit() else (date or "not kept")


def structure_label(structure: str) -> str:
    """The words of a structure id.

    Example
    -------
    >>> structure_label("facial_nerve"), structure_label("any")
    ('facial canal', 'all structures')
    """
    if structure == "any":
        return "all structures"
    terms = structure_terms()
    return terms[structure].label if structure in terms else structure.replace("_", " ")


def identity(case: Case, fingerprint: str) -> tuple[Pair, ...]:
    """Scan date, pseudonym, case and scan hash."""
    return (
        Pair("Scan date", date_words(case.scan.date)),
        Pair("Pseudonym", case.scan.pseudonym or "none"),
        Pair("Case", f"{fingerprint}, schema {case.schema_version}"),
        Pair("Scan hash", case.scan.content_hash[:10] or "none"),
    )


def fact_pairs(case: Case) -> tuple[Pair, ...]:
    """The facts as entered."""
    facts = case.facts
    return (
        Pair("Only hearing ear", facts.only_hearing_ear),
        Pair("Facial function", facts.facial_function),
        Pair("Earlier operations", "; ".join(facts.earlier_operations) or NOT_ENTERED),
        Pair("Nerve seen bare", facts.nerve_seen_bare),
        Pair("Chorda cut", facts.chorda_cut),
        Pair("Wall taken down", facts.wall_taken_down),
        Pair("Footplate (from notes)", facts.footplate_mobility),
        Pair("Implant material", facts.implant_material),
        Pair("Operated since this scan", facts.operated_since_scan),
    )


def finding_pairs(case: Case) -> tuple[Pair, ...]:
    """Findings grouped by what was found; "not seen" and "nobody looked" stay apart."""
    groups: dict[str, list[str]] = {"Present": [], "Absent": [], "Not seen": [], "Not entered": []}
    for finding, label in finding_labels().items():
        state = case.facts.findings.get(finding)
        words = {"present": "Present", "absent": "Absent", "not_seen": "Not seen", None: "Not entered"}[state]
        groups[words].append(label)
    pairs = [Pair(words, ", ".join(labels)) for words, labels in groups.items() if labels]
    return (*pairs, Pair("Canal wall", wall_state_words(case)))


def gap_groups(case: Case) -> tuple[TextGroup, ...]:
    """What was not assessed, what was asked for and not given, and warnings; empty groups left out."""
    result = case.results
    gaps = tuple(line.rstrip(".") for line in not_assessed_lines(case))
    groups = [TextGroup("Not assessed", gaps or ("nothing that was asked was left out",))]
    if result:
        asked = tuple(f"{item.kind}: {in_words(item.what)}; {item.action}" for item in result.attention)
        groups += [TextGroup("Asked for and not given", asked), TextGroup("Warnings", _warnings(result.warnings))]
    return tuple(group for group in groups if group.items)


def _warnings(found: Sequence[str]) -> tuple[str, ...]:
    """Warnings in words, the dangerous ones first."""
    return tuple(in_words(line.rstrip(".")) for line in by_danger(found))


def first_pair(result: PlanResult | None) -> HolePair | None:
    """The pair that is named first: the best that keeps every margin, else the best there is."""
    if result is None or not result.pairs:
        return None
    return next((pair for pair in result.pairs if pair.verdict == "clear"), result.pairs[0])


def closest_of_pair(result: PlanResult, pair: HolePair) -> Clearance | None:
    """The least clearance with an interval at the holes of a pair, where they were assessed as sites."""
    rows = [
        row
        for site in sites_of_pair(result.sites, pair)
        for row in site.clearances
        if row.estimate is not None and row.structure == pair.nearest_structure
    ]
    return min(rows, key=lambda row: row.estimate.value if row.estimate else math.inf, default=None)


def least_gap_words(result: PlanResult, pair: HolePair) -> tuple[str, str, str]:
    """What is known about the nearest structure of a pair: what the number is, the number, and what stands beside it.

    Notes
    -----
    The interval of ``pair.clearance`` is that of the least gap over both holes and all structures; which structure is
    nearest may differ from draw to draw, so the one named is the nearest at the mean geometry.
    """
    name = structure_label(pair.nearest_structure) if pair.nearest_structure else "no marked structure"
    nearest = f"nearest at the mean: {name}"
    if pair.clearance is not None:
        return LEAST_GAP, f"{fixed(pair.clearance.value, 1)} mm", f"{interval(pair.clearance, 1)}; {nearest}"
    found = closest_of_pair(result, pair)
    if found is not None and found.estimate is not None:
        return f"Gap to {name}", f"{fixed(found.estimate.value, 1)} mm", f"{interval(found.estimate, 1)}, at one hole"
    if pair.clearance_mm is not None:
        return LEAST_GAP, f"{fixed(pair.clearance_mm, 1)} mm", f"interval: assess the holes as sites; {nearest}"
    return LEAST_GAP, "not given", "no marked structure near"


LEAST_GAP = "Least gap of both holes"


def margin_words(pair: HolePair) -> str:
    """The probability of coming under any margin, in words; empty when it is not known."""
    return f"P(under a margin) {probability(pair.p_any)}" if pair.p_any is not None else ""


def number_boxes(case: Case) -> tuple[NumberBox, ...]:
    """The three or four numbers the room asks for."""
    if case.facts.plan_is_void and case.results is not None:
        nothing = NumberBox("Holes and sizes", "none offered", VOID_WORDS, VOID_ACTION)
        return (_drum_box(case.results), nothing)
    return (_drum_box(case.results), *_hole_boxes(case), _length_box(case))


def _drum_box(result: PlanResult | None) -> NumberBox:
    found = result.measurement("drum_lateralisation") if result else None
    if found is None or found.estimate is None:
        why = "; ".join(found.flags) if found and found.flags else "rim, canal axis or drum centre not placed"
        return NumberBox("Drum", "not given", why)
    estimate = found.estimate
    where = "outside the rim" if estimate.value >= 0 else "inside the rim"
    if estimate.low_95 >= 0 or estimate.high_95 <= 0:
        low, high = sorted((abs(estimate.low_95), abs(estimate.high_95)))
        span = f"{fixed(low, 1)} to {fixed(high, 1)}"
    else:
        span = f"{interval(estimate, 1)}, outside positive"
    return NumberBox("Drum", f"{fixed(abs(estimate.value), 1)} mm", f"{where}, {span}")


def _hole_boxes(case: Case) -> tuple[NumberBox, NumberBox]:
    result = case.results
    pair = first_pair(result)
    if result is None or pair is None:
        why = reason_words(result.pairs_reason if result else "") or "no pair can be offered"
        return NumberBox("First pair of holes", "not given", why), NumberBox(LEAST_GAP, "not given", "no pair")
    clock = " + ".join(clock_words(hour) for hour in pair.clock_hours)
    span = pair_span(case, pair)
    beside = f"o'clock; {VERDICT_WORDS[pair.verdict]}; {fixed(span.value, 1)} mm apart ({interval(span, 1)})"
    label, value, closest = least_gap_words(result, pair)
    return NumberBox("First pair of holes", clock, beside), NumberBox(label, value, closest, margin_words(pair))


def _length_box(case: Case) -> NumberBox:
    rows = chosen_lengths(case.results) if case.results else ()
    table = table_set(rows)
    if not rows or rows[0].needed is None:
        return NumberBox("Needed length", "not given", "see the answer to question 4")
    best = rows[0]
    assert best.needed is not None
    words = f"{interval(best.needed, 1)}; {in_words(best.reconstruction)}, {in_words(best.geometry)}"
    if table is None:
        return NumberBox("Needed length", f"{fixed(best.needed.value, 1)} mm", words, "No size is offered")
    return NumberBox("Needed length", f"{fixed(best.needed.value, 1)} mm", words, f"On the table: {table_words(table)}")


def sentence_interval(result: PlanResult | None, measurand: str) -> str:
    """One measurand as in a sentence; empty when it was not given."""
    found = result.measurement(measurand) if result else None
    return with_interval(found.estimate, 1) if found is not None and found.estimate is not None else ""
