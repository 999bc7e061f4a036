"""The sheet for the operating room: side, time-out, holes in words, sizes on the table, what to check in the ear."""

from __future__ import annotations

from ctmeasure.anatomy.clock import clock_words, wall_words
from ctmeasure.case.answers import chosen_lengths, not_assessed_lines, table_sizes_mm
from ctmeasure.case.model import Case
from ctmeasure.planning.results import VERDICT_WORDS, HolePair
from ctmeasure.report.content import Sheet
from ctmeasure.report.length_tables import group_words
from ctmeasure.report.numbers import fixed, probability, with_interval
from ctmeasure.report.page_one import closest_words, date_words, margin_words, sites_of_pair

PAIRS_ON_SHEET = 2


def operating_sheet(case: Case) -> Sheet:
    """The sheet of one case.

    Parameters
    ----------
    case
        With or without results.

    Returns
    -------
    Sheet
    """
    return Sheet(_time_out(case), _holes(case), _sizes(case), _checks(case), not_assessed_lines(case))


def _time_out(case: Case) -> tuple[str, ...]:
    only = {"yes": "ONLY HEARING EAR", "no": "not the only hearing ear", "unknown": "only hearing ear? not entered"}
    return (
        f"Side: {case.side.upper()}",
        "Label matches patient and scan",
        f"Scan of {date_words(case.scan.date)}",
        "No operation since this scan",
        only[case.facts.only_hearing_ear],
        f"Facial function: {case.facts.facial_function}",
        "Nerve monitoring on",
    )


def _holes(case: Case) -> tuple[str, ...]:
    result = case.results
    if result is None or not result.pairs:
        reason = (result.pairs_reason if result else "") or "nothing was computed"
        return (f"No pair of holes can be offered: {reason}.",)
    kept = [pair for pair in result.pairs if pair.verdict == "clear"] or list(result.pairs)
    lines: list[str] = []
    for pair in kept[:PAIRS_ON_SHEET]:
        lines.append(f"Pair {pair.rank}, {VERDICT_WORDS[pair.verdict]}: {fixed(pair.span_mm, 1)} mm apart.")
        lines.extend(_hole_line(pair, i) for i in (0, 1))
        value, beside = closest_words(result, pair)
        margin = margin_words(pair)
        lines.append(f"Closest: {value} ({beside}){'; ' + margin if margin else ''}.")
        for site in sites_of_pair(result, pair):
            if site.wall.to_first_gap is not None and site.drill_depth_mm is not None:
                lines.append(
                    f"At {site.id}: bone {with_interval(site.wall.to_first_gap, 1)}, bur travels "
                    f"{fixed(site.drill_depth_mm, 1)} mm, behind the wall: {site.wall.far_side}."
                )
    bur = case.settings
    lines.append(f"Bur {bur.bur_diameter_mm:g} mm, irrigated; both holes go right through the bone.")
    return tuple(lines)


def _hole_line(pair: HolePair, at: int) -> str:
    return (
        f"{pair.rank}{'ab'[at]}: {clock_words(pair.clock_hours[at])} o'clock, {wall_words(pair.wall_angles_deg[at])}, "
        f"{fixed(pair.rim_distances_mm[at], 1)} mm from the rim, bone {fixed(pair.thicknesses_mm[at], 1)} mm."
    )


def _sizes(case: Case) -> tuple[str, ...]:
    rows = chosen_lengths(case.results) if case.results else ()
    if not rows or rows[0].needed is None:
        return ("No length can be given; size in the ear.",)
    first = rows[0]
    table = set(table_sizes_mm(rows))
    sizes = [
        f"{fixed(row.size_mm)} mm fits with P {probability(row.p_fits)}"
        for row in sorted(rows, key=lambda row: row.size_mm or 0.0)
        if row.size_mm in table
    ]
    return (
        f"{group_words((first.reconstruction, first.geometry, first.lateral_contact, first.medial_contact))}, "
        f"needed {with_interval(first.needed, 1)}.",
        "On the table: " + "; ".join(sizes) + ".",
        "The sizer in the ear decides.",
    )


def _checks(case: Case) -> tuple[str, ...]:
    bare = " Notes say the nerve was seen bare." if case.facts.nerve_seen_bare == "yes" else ""
    return (
        "Footplate mobile? Not visible on CT.",
        "Stapes arch, incus and handle: there or not, by touch and sight.",
        f"Facial canal: find it under direct vision, monitor on; CT shows the canal, not the nerve.{bare}",
        "Chorda: find it before the bur turns.",
        "Wall at each hole: whole, thick enough, nothing soft behind it.",
        "Size with a sizer before the implant is opened.",
    )
