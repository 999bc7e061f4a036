"""The sheet for the operating room: side, time-out, holes in words, sizes on the table, what to check in the ear."""

from __future__ import annotations

from collections.abc import Sequence

from ctmeasure.anatomy.clock import clock_words, wall_words
from ctmeasure.case.answers import VOID_ACTION, VOID_WORDS, not_assessed_lines
from ctmeasure.case.holes import PlannedHole, behind_words, pair_holes, pair_span
from ctmeasure.case.model import Case
from ctmeasure.case.table_sizes import chosen_lengths
from ctmeasure.case.words import reason_words
from ctmeasure.planning.cautions import cautions
from ctmeasure.planning.lengths.narrowing import SPAN_WORDS
from ctmeasure.planning.lengths.shaft import FACIAL_GAP, FOOTPLATE_TILT, NICHE_GAP, PROMONTORY_GAP, SHOE_ROOM
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.results import VERDICT_WORDS, HolePair, LengthRow, PlanResult
from ctmeasure.report.content import Sheet
from ctmeasure.report.length_tables import group_words, row_key
from ctmeasure.report.numbers import fixed, interval, probability, with_interval
from ctmeasure.report.page_one import date_words, least_gap_words, margin_words
from ctmeasure.report.words import in_words

PAIRS_ON_SHEET = 2


def operating_sheet(case: Case, *, fingerprint: str = "") -> Sheet:
    """The sheet of one case.

    Parameters
    ----------
    case
        With or without results.
    fingerprint
        The case's own, printed on the sheet.

    Returns
    -------
    Sheet
    """
    version = (
        f"Case {fingerprint}, schema {case.schema_version}" if fingerprint else f"Case schema {case.schema_version}"
    )
    return Sheet(
        _time_out(case),
        _holes(case),
        _sizes(case),
        _checks(case),
        not_assessed_lines(case),
        cautions(),
        (f"Scan of {date_words(case.scan.date)}", version),
    )


def _time_out(case: Case) -> tuple[str, ...]:
    since = {
        "no": "No operation since this scan",
        "yes": "OPERATED SINCE THIS SCAN: PLAN VOID",
        "unknown": "No operation since this scan (not entered: ask)",
    }
    only = {"yes": "ONLY HEARING EAR", "no": "not the only hearing ear", "unknown": "only hearing ear? not entered"}
    return (
        f"Side: {case.side.upper()}",
        "Label matches patient and scan",
        f"Scan of {date_words(case.scan.date)}",
        since[case.facts.operated_since_scan],
        only[case.facts.only_hearing_ear],
        f"Facial function: {case.facts.facial_function}",
        "Nerve monitoring on",
    )


def _holes(case: Case) -> tuple[str, ...]:
    result = case.results
    if result is not None and case.facts.plan_is_void:
        return (f"No hole is offered: {VOID_WORDS}; {VOID_ACTION}.",)
    if result is None or not result.pairs:
        reason = reason_words(result.pairs_reason if result else "") or "nothing was computed"
        return (f"No pair of holes can be offered: {reason}.",)
    kept = [pair for pair in result.pairs if pair.verdict == "clear"] or list(result.pairs)
    lines: list[str] = []
    for pair in kept[:PAIRS_ON_SHEET]:
        span = pair_span(case, pair)
        holes = pair_holes(case, pair)
        label, value, beside = least_gap_words(result, pair)
        margin = margin_words(pair)
        lines.append(
            f"Pair {pair.rank}, {VERDICT_WORDS[pair.verdict]}: {fixed(span.value, 1)} mm apart ({interval(span, 1)}). "
            f"{label}: {value} ({beside}){'; ' + margin if margin else ''}."
        )
        lines.extend(_hole_line(pair, hole, "ab"[at]) for at, hole in enumerate(holes))
    lines.append(f"Bur {case.settings.bur_diameter_mm:g} mm, irrigated. {HAND_NOTE}")
    if any(hole.bone is None for pair in kept[:PAIRS_ON_SHEET] for hole in pair_holes(case, pair)):
        lines[-1] += " Bone without an interval: assess that hole as a site."
    return tuple(lines)


HAND_NOTE = "In brackets: 95 % intervals; those of rim distance and span are what a hand makes of the plan, as set."


def _hole_line(pair: HolePair, hole: PlannedHole, letter: str) -> str:
    if hole.bone is not None:
        bone = f"{fixed(hole.bone.value, 1)} mm ({interval(hole.bone, 1)})"
    else:
        bone = f"{fixed(hole.bone_mm, 1)} mm (no interval)"
    travel = f"bur travels {fixed(hole.drill_mm, 1)} mm" if hole.drill_mm is not None else "bur travel not given"
    return (
        f"{pair.rank}{letter}: {clock_words(hole.clock_hour)} o'clock, {wall_words(hole.wall_angle_deg)}, "
        f"{fixed(hole.rim.value, 1)} mm from the rim ({interval(hole.rim, 1)}), bone {bone}, {travel}, "
        f"{behind_words(hole)}."
    )


def _sizes(case: Case) -> tuple[str, ...]:
    if case.results is not None and case.facts.plan_is_void:
        return (f"No size is offered: {VOID_WORDS}; {VOID_ACTION}.",)
    rows = chosen_lengths(case.results) if case.results else ()
    lines = _table_lines(rows)
    if not lines or case.results is None:
        return ("No length can be given; size in the ear.",)
    if rows[0].reconstruction != "handle":
        lines += _table_lines(_handle_rows(case.results))
    return (*lines, *_along_shaft(case.results, rows[0]), "The sizer in the ear decides.")


def _handle_rows(result: PlanResult) -> tuple[LengthRow, ...]:
    """Sizes of the handle itself, of the first catalogue that has any, where one is an option."""
    closed = any(option.id == "handle" and option.state == "not open" for option in result.options.options)
    rows = [row for row in result.lengths if row.reconstruction == "handle" and row.rank is not None]
    return () if closed else tuple(row for row in rows if row_key(row) == row_key(rows[0]))


def _along_shaft(result: PlanResult, row: LengthRow) -> tuple[str, ...]:
    """What was looked at along the shaft of one reconstruction, on one line; what was not, too."""
    span = (row.reconstruction, row.geometry, row.lateral_contact, row.medial_contact)
    words: list[str] = []
    unknown: list[str] = []
    for check in result.shafts:
        here = (check.reconstruction, check.geometry, check.lateral_contact, check.medial_contact) == span
        of_niche = check.what == SHOE_ROOM and check.reconstruction == row.reconstruction
        name = ON_SHEET.get(check.what, "")
        if not name or not (here or of_niche):
            continue
        if check.estimate is None:
            unknown.append(name)
            continue
        decimals = 0 if check.estimate.unit == "deg" else 1
        chance = f", P({check.p_bad_words}) {probability(check.p_bad)}" if check.p_bad is not None else ""
        words.append(f"{name} {with_interval(check.estimate, decimals)}{chance}")
    words += [f"not assessed: {', '.join(unknown)}"] if unknown else []
    return (f"Along the shaft: {'; '.join(words)}.",) if words else ()


ON_SHEET = {
    FOOTPLATE_TILT: "tilt to the footplate normal",
    FACIAL_GAP: "gap to the facial canal",
    PROMONTORY_GAP: "gap to the promontory",
    NICHE_GAP: "gap to the niche rims",
    SHOE_ROOM: "room of the shoe in the niche",
}
"""What of a shaft stands on the sheet, in short words; the rest is in the tables."""


def _table_lines(rows: Sequence[LengthRow]) -> list[str]:
    """One reconstruction: needed length, the plain statement, and the sizes to have on the table."""
    table = table_set(rows)
    if not rows or rows[0].needed is None or table is None:
        return []
    first = rows[0]
    sizes = [
        f"{fixed(row.size_mm)} mm (P {probability(row.p_fits)})"
        for row in sorted(rows, key=lambda row: row.size_mm or 0.0)
        if row.size_mm in table.sizes_mm
    ]
    covered = "it fits" if len(sizes) == 1 else "one of them fits"
    plain = next((f" {words[0].upper()}{words[1:]}." for words in first.flags if words.startswith(SPAN_WORDS)), "")
    words = group_words(row_key(first))
    return [
        f"{words[0].upper()}{words[1:]}, needed {with_interval(first.needed, 1)}.{plain}",
        f"On the table, each with the probability that it fits: {', '.join(sizes)}. "
        f"Together: {covered} with P {probability(table.coverage)}.",
    ]


def _checks(case: Case) -> tuple[str, ...]:
    bare = " Notes say the nerve was seen bare." if case.facts.nerve_seen_bare == "yes" else ""
    options = case.results.options if case.results else None
    return (
        *(
            f"CONTRADICTION in the case, settle it first: {in_words(line)}."
            for line in (options.contradictions if options else ())
        ),
        "Footplate mobile? Not visible on CT.",
        "Stapes arch, incus and handle: there or not, by touch and sight.",
        f"Facial canal: find it under direct vision, monitor on; CT shows the canal, not the nerve.{bare}",
        "Chorda: find it before the bur turns.",
        "Wall at each hole: whole, thick enough, nothing soft behind it.",
        "Size with a sizer before the implant is opened.",
    )
