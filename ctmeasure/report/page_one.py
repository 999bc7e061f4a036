"""The parts of page one: who and which side, facts and findings, the numbers in large print."""

from __future__ import annotations

import math

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.facts import finding_labels
from ctmeasure.anatomy.vocabulary import structure_terms
from ctmeasure.case.answers import chosen_lengths, not_assessed_lines, table_sizes_mm, wall_state_words
from ctmeasure.case.model import Case
from ctmeasure.planning.results import VERDICT_WORDS, Clearance, HolePair, PlanResult, SiteResult
from ctmeasure.report.content import NumberBox, Pair, TextGroup
from ctmeasure.report.numbers import fixed, interval, probability, with_interval
from ctmeasure.report.words import in_words

VOID_BANNER = "PLAN VOID: an operation since this scan was entered. Nothing on this page may be used for planning."
SAME_PLACE_MM = 0.3
"""A site this close to a hole of a pair is that hole, and its clearances with intervals are printed for it."""
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
        groups += [TextGroup("Asked for and not given", asked), TextGroup("Warnings", result.warnings)]
    return tuple(group for group in groups if group.items)


def first_pair(result: PlanResult | None) -> HolePair | None:
    """The pair that is named first: the best that keeps every margin, else the best there is."""
    if result is None or not result.pairs:
        return None
    return next((pair for pair in result.pairs if pair.verdict == "clear"), result.pairs[0])


def sites_of_pair(result: PlanResult, pair: HolePair) -> tuple[SiteResult, ...]:
    """Fully assessed sites that are the holes of a pair."""
    return tuple(
        site
        for site in result.sites
        if min(math.dist(site.entry_lps, pair.entry_1_lps), math.dist(site.entry_lps, pair.entry_2_lps))
        <= SAME_PLACE_MM
    )


def closest_of_pair(result: PlanResult, pair: HolePair) -> Clearance | None:
    """The least clearance with an interval at the holes of a pair, where they were assessed as sites."""
    rows = [
        row
        for site in sites_of_pair(result, pair)
        for row in site.clearances
        if row.estimate is not None and row.structure == pair.nearest_structure
    ]
    return min(rows, key=lambda row: row.estimate.value if row.estimate else math.inf, default=None)


def closest_words(result: PlanResult, pair: HolePair) -> tuple[str, str]:
    """The closest structure of a pair: the clearance, and what stands beside it."""
    found = closest_of_pair(result, pair)
    estimate = pair.clearance or (found.estimate if found is not None else None)
    name = structure_label(pair.nearest_structure) if pair.nearest_structure else "no marked structure"
    if estimate is not None:
        value, beside = f"{fixed(estimate.value, 1)} mm", f"{name}, {interval(estimate, 1)}"
    elif pair.clearance_mm is not None:
        value, beside = f"{fixed(pair.clearance_mm, 1)} mm", f"{name}; interval: assess the holes as sites"
    else:
        return "not given", "no marked structure near"
    return value, beside


def margin_words(pair: HolePair) -> str:
    """The probability of coming under any margin, in words; empty when it is not known."""
    return f"P(under a margin) {probability(pair.p_any)}" if pair.p_any is not None else ""


def number_boxes(case: Case) -> tuple[NumberBox, ...]:
    """The three or four numbers the room asks for."""
    return (_drum_box(case.results), *_hole_boxes(case.results), _length_box(case.results))


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


def _hole_boxes(result: PlanResult | None) -> tuple[NumberBox, NumberBox]:
    pair = first_pair(result)
    if result is None or pair is None:
        why = (result.pairs_reason if result else "") or "no pair can be offered"
        return NumberBox("First pair of holes", "not given", why), NumberBox(
            "Closest structure", "not given", "no pair"
        )
    clock = " + ".join(clock_words(hour) for hour in pair.clock_hours)
    beside = f"o'clock; {VERDICT_WORDS[pair.verdict]}; {fixed(pair.span_mm, 1)} mm apart"
    value, closest = closest_words(result, pair)
    return NumberBox("First pair of holes", clock, beside), NumberBox(
        "Closest structure", value, closest, margin_words(pair)
    )


def _length_box(result: PlanResult | None) -> NumberBox:
    rows = chosen_lengths(result) if result else ()
    if not rows or rows[0].needed is None:
        return NumberBox("Needed length", "not given", "see the answer to question 4")
    best = rows[0]
    sizes = "  ".join(fixed(size) for size in table_sizes_mm(rows))
    assert best.needed is not None
    words = f"{interval(best.needed, 1)}; {in_words(best.reconstruction)}, {in_words(best.geometry)}"
    return NumberBox("Needed length", f"{fixed(best.needed.value, 1)} mm", words, f"On the table: {sizes}")


def sentence_interval(result: PlanResult | None, measurand: str) -> str:
    """One measurand as in a sentence; empty when it was not given."""
    found = result.measurement(measurand) if result else None
    return with_interval(found.estimate, 1) if found is not None and found.estimate is not None else ""
