"""The tables behind page one."""

from __future__ import annotations

import numpy as np

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import STATUS_WORDS, landmark_term, landmark_terms
from ctmeasure.case.holes import pair_holes
from ctmeasure.case.model import Case
from ctmeasure.planning.measurands.measure import surface_u_mm
from ctmeasure.planning.reader_model import ReaderTerm
from ctmeasure.planning.results import VERDICT_WORDS, HolePair, Measurement, PlanResult, SiteResult
from ctmeasure.planning.settings import Settings
from ctmeasure.report.content import Column, Table
from ctmeasure.report.hearing_tables import hearing_tables
from ctmeasure.report.hole_tables import hole_tables
from ctmeasure.report.length_tables import length_tables
from ctmeasure.report.numbers import fixed, flag_words, interval, probability, unit_words
from ctmeasure.report.option_tables import option_tables
from ctmeasure.report.page_one import fact_pairs, finding_pairs, gap_groups, structure_label
from ctmeasure.report.scan_tables import fitness_table, provenance_table, settings_table
from ctmeasure.report.scene import site_letters
from ctmeasure.report.words import in_words
from ctmeasure.uncertainty.estimate import Estimate

BUDGET_LINES = 3
"""The largest contributions printed; all of them are in plan.json."""
SMALLEST_SHARE = 0.02
"""Contributions below this share of the variance are left to plan.json."""
OF_SITES = ("wall_thickness", "clearance")
"""Measurands that are printed with the hole they belong to."""


def tables(case: Case, fingerprint: str) -> tuple[Table, ...]:
    """Every table of the report, in order.

    Parameters
    ----------
    case
        With or without results.
    fingerprint
        `ctmeasure.report.plain.case_fingerprint` of the case.

    Returns
    -------
    tuple of Table
    """
    result = case.results
    computed: tuple[Table, ...] = ()
    if result:
        lengths = (*option_tables(case, result), *length_tables(result))
        holes = hole_tables(case, result)
        computed = (_measurements(result), *_sites(result), _pairs(case, result), *holes, *lengths)
    return (
        _gaps(case),
        *computed,
        *hearing_tables(case),
        _facts(case),
        _landmarks(case),
        _structures(case),
        fitness_table(case),
        settings_table(case),
        provenance_table(case, fingerprint),
    )


def _facts(case: Case) -> Table:
    rows = tuple((pair.label, pair.value) for pair in (*fact_pairs(case), *finding_pairs(case)))
    return Table("facts", "Facts and findings", (Column("Fact", share=1), Column("As entered", share=3)), rows)


def _gaps(case: Case) -> Table:
    """What page one may have no room for."""
    columns = (Column("What", share=1), Column("Words", share=3))
    rows = tuple((group.label, item) for group in gap_groups(case) for item in group.items)
    return Table("gaps", "Not assessed, not given, warnings", columns, rows, empty="nothing")


def _budget(estimate: Estimate) -> str:
    total = sum(item.standard_uncertainty**2 for item in estimate.budget)
    if not total:
        return "no budget kept"
    largest = sorted(estimate.budget, key=lambda item: -item.standard_uncertainty)[:BUDGET_LINES]
    parts = [
        f"{in_words(item.source)} {fixed(item.standard_uncertainty)} "
        f"({100 * item.standard_uncertainty**2 / total:.0f} %)"
        for item in largest
        if item.standard_uncertainty**2 >= SMALLEST_SHARE * total
    ]
    return "; ".join(parts)


def _measurements(result: PlanResult) -> Table:
    columns = (
        Column("Measurand", share=2.3),
        Column("Value", numeric=True, share=0.9),
        Column("u", numeric=True, share=0.7),
        Column("95 % interval", numeric=True, share=1.6),
        Column("What contributes (standard uncertainty, share of variance); flags", share=3.6),
    )
    rows = tuple(_measurement_row(item) for item in result.measurements if item.id not in OF_SITES)
    note = "Lengths in mm, angles in degrees. u: standard uncertainty. A value that could not be given says why. "
    note += "Bone and clearances of the holes have their own tables; everything is in measurements.csv."
    return Table("measurements", "Measurands", columns, rows, note)


def _measurement_row(item: Measurement) -> tuple[str, ...]:
    name = in_words(item.id) + (f", {in_words(item.qualifier)}" if item.qualifier else "")
    estimate = item.estimate
    if estimate is None:
        return name, "not given", "", "", flag_words(item.flags) or "no reason kept"
    unit = "" if estimate.unit == "mm" else f" {unit_words(estimate.unit)}"
    words = "; ".join(t for t in (_budget(estimate), flag_words((*item.flags, *estimate.flags))) if t)
    return name, f"{fixed(estimate.value)}{unit}", fixed(estimate.standard_uncertainty), interval(estimate), words


def _sites(result: PlanResult) -> tuple[Table, ...]:
    if not result.sites:
        return ()
    letters = site_letters(result)
    where = (
        Column("Hole", share=1.6),
        Column("Clock, rim distance", share=1.5),
        Column("Bone to first gap, mm (95 %)", share=1.8),
        Column("To exit, mm", numeric=True, share=1.0),
        Column("Behind", share=1.3),
        Column("Verdict", share=1.1),
        Column("Flags", share=2.1),
    )
    near = (
        Column("Hole", share=0.6),
        Column("Structure", share=2.1),
        Column("Clearance, mm", numeric=True, share=1.0),
        Column("95 % interval", numeric=True, share=1.4),
        Column("P(contact)", numeric=True, share=1.1),
        Column("P(under margin)", numeric=True, share=1.2),
        Column("Verdict", share=1.2),
        Column("Flags", share=1.8),
    )
    return (
        Table(
            "sites",
            "Holes asked for",
            where,
            tuple(_site_row(site, letters[site.id]) for site in result.sites),
        ),
        Table(
            "clearances",
            "Clearances of the holes asked for",
            near,
            tuple(row for site in result.sites for row in _clearance_rows(site, letters[site.id])),
            '"Margin kept" holds only within the stated margin and confidence, for the structures that were marked.',
        ),
    )


def _site_row(site: SiteResult, letter: str) -> tuple[str, ...]:
    wall = site.wall
    clock = clock_words(site.clock_hour) + " o'clock" if site.clock_hour is not None else "clock not given"
    rim = f"{fixed(site.rim_distance_mm)} mm" if site.rim_distance_mm is not None else "rim distance not given"
    bone = f"{fixed(wall.to_first_gap.value)} ({interval(wall.to_first_gap)})" if wall.to_first_gap else wall.state
    moved = f"moved {fixed(site.moved_mm)} mm to the wall" if site.moved_mm else ""
    said = any(flag.startswith("not reachable") for flag in site.flags)
    reach = {True: "", False: "" if said else "not reachable", None: "reach not assessed"}[site.reachable]
    flags = flag_words(
        f for f in (moved, reach, wall.state if wall.to_first_gap else "", *site.flags, *wall.flags) if f
    )
    exit_mm = "not given" if wall.to_exit_mm is None else fixed(wall.to_exit_mm)
    name = f"{letter}  {site.id.replace('_', ' ')}"
    return name, f"{clock}, {rim}", bone, exit_mm, wall.far_side, VERDICT_WORDS[site.verdict], flags


def _clearance_rows(site: SiteResult, name: str) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for row in (*site.clearances, site.overall):
        value, span = (fixed(row.estimate.value), interval(row.estimate)) if row.estimate else ("", "")
        rows.append(
            (
                name,
                structure_label(row.structure),
                value or ("see above" if row is site.overall else "not given"),
                span,
                probability(row.p_contact),
                probability(row.p_below_margin),
                VERDICT_WORDS[row.verdict],
                flag_words(row.flags),
            )
        )
    return rows


def _pairs(case: Case, result: PlanResult) -> Table:
    columns = (
        Column("Rank", numeric=True, share=0.75),
        Column("Clock", share=1.3),
        Column("From rim, mm", numeric=True, share=1.25),
        Column("Bone, mm", numeric=True, share=1.25),
        Column("Travel, mm", numeric=True, share=1.25),
        Column("Span, mm", numeric=True, share=0.85),
        Column("Bridge, mm", numeric=True, share=1.25),
        Column("Least gap, mm (95 %); nearest", share=1.7),
        Column("Verdict; P(under a margin)", share=1.7),
        Column("Why here", share=4.4),
    )
    rows = tuple(
        (
            str(pair.rank),
            " + ".join(clock_words(hour) for hour in pair.clock_hours),
            " + ".join(fixed(value) for value in pair.rim_distances_mm),
            " + ".join(fixed(value) for value in pair.thicknesses_mm),
            " + ".join(fixed(hole.drill_mm) for hole in pair_holes(case, pair)),
            fixed(pair.span_mm),
            f"{fixed(pair.bridge_entry_mm)}, {fixed(pair.bridge_exit_mm)}",
            _closest(pair),
            f"{VERDICT_WORDS[pair.verdict]}; {probability(pair.p_any)}",
            pair.reason,
        )
        for pair in result.pairs[:PAIRS_PRINTED]
    )
    note = "Bridge: bone left between the holes at entry, at exit. Least gap: of both holes to any structure, with its "
    note += "95 % interval; nearest: at the mean. Travel: of the bur's centre. "
    note += "Bone, distances from the rim and span are planned values; the sheet for the operating room has intervals."
    if any(pair.clearance is None for pair in result.pairs[:PAIRS_PRINTED]):
        note += " Without an interval: assess the holes as sites."
    more = len(result.pairs) - len(rows)
    note += f" {more} more in pairs.csv." if more > 0 else ""
    return Table("pairs", "Pairs of holes", columns, rows, note, empty=result.pairs_reason or "no pair can be offered")


def _closest(pair: HolePair) -> str:
    """The least gap of a pair, its interval when there is one, and to what."""
    if not pair.nearest_structure:
        return "none near"
    span = f" ({interval(pair.clearance)})" if pair.clearance is not None else ""
    return f"{fixed(pair.clearance_mm)}{span} {structure_label(pair.nearest_structure)}"


PAIRS_PRINTED = 8
ENTRY_AND_DIRECTION = ("anchor_1", "anchor_2")
"""Landmarks whose points are an entry point and a point further along the drill."""


def _landmarks(case: Case) -> Table:
    from ctmeasure.case.doubts import case_readers, landmark_doubts

    columns = (
        Column("Landmark", share=2.0),
        Column("Status", share=0.9),
        Column("Points", numeric=True, share=0.8),
        Column("Placements", numeric=True, share=1.2),
        Column("Position LPS, mm (mean; of a hole: entry)", share=2.0),
        Column("Doubt R-L, A-P, S-I, mm", share=1.9),
        Column("From", share=1.6),
    )
    rows: list[tuple[str, ...]] = []
    readers = case_readers(case)
    for landmark_id in landmark_terms():
        landmark = case.landmarks.get(landmark_id)
        if landmark is None:
            continue
        label, status = landmark_term(landmark_id).label, STATUS_WORDS[landmark.status]
        if not landmark.is_placed:
            rows.append((label, status, "0", "0", "", "", ""))
            continue
        doubts = landmark_doubts(case, landmark)
        # of an anchor the first point is the entry and the second only shows the drill direction
        entry = landmark_id in ENTRY_AND_DIRECTION
        doubts = doubts[:1] if entry else doubts
        centre = landmark.points_lps[0] if entry else landmark.points_lps.mean(axis=0)
        spread = np.mean([doubt.covariance_lps.diagonal() for doubt in doubts], axis=0)
        repeated = any(doubt.repeats > 1 for doubt in doubts)
        rows.append(
            (
                label,
                status,
                str(len(landmark.indices)),
                str(len(landmark.placements)),
                ", ".join(fixed(float(value)) for value in centre),
                ", ".join(fixed(float(value) ** 0.5) if value < 1e6 else "unbounded" for value in spread),
                _doubt_from(readers.get(landmark_id), repeated=repeated),
            )
        )
        rows += _found_in_image(case, landmark_id)
    note = (
        "Doubt: standard uncertainty of one point, from repeats, from a reader who was measured or the default, with "
    )
    note += "voxel and point spread. "
    note += "Unbounded: two or three repeats leave the variance open; the intervals use the t distribution."
    return Table("landmarks", "Landmarks and their doubt", columns, tuple(rows), note)


def _doubt_from(reader: ReaderTerm | None, *, repeated: bool) -> str:
    """Where the doubt of a placed landmark comes from."""
    if reader is None:
        return "repeats" if repeated else "default noise"
    return f"repeats; bias {reader.words}" if repeated else reader.words


def _found_in_image(case: Case, landmark_id: str) -> list[tuple[str, ...]]:
    """A line under a landmark that was looked for in the image: where it was found, and which of the two is used."""
    found = next((r for r in case.results.refined if r.id == landmark_id), None) if case.results else None
    if found is None:
        return []
    said = "; ".join((found.why, *(f"{name}: {words}" for name, words in found.details), *found.flags))
    if found.found_lps is None:
        return [("  in the image", "not found", "", "", "", "", said)]
    u = ", ".join(fixed(found.covariance_mm2[axis][axis] ** 0.5) for axis in range(3))
    place = ", ".join(fixed(value) for value in found.found_lps)
    used = "used for measuring" if found.used else "not used"
    return [("  in the image", used, "1", "", place, u, said)]


def _structures(case: Case) -> Table:
    traced = {record.id for record in case.results.traced} if case.results else set()
    columns = (
        Column("Structure", share=2),
        Column("Status", share=1),
        Column("Points", numeric=True, share=0.7),
        Column("Surface u, mm", share=1.4),
        Column("Confirmed by", share=1.4),
    )
    rows = tuple(
        (
            structure_label(item.id),
            STATUS_WORDS[item.status] + (", traced in the scan" if item.id in traced else ""),
            str(len(item.points)),
            _surface_u(item, case.settings),
            item.confirmed_by or "nobody",
        )
        for item in case.structures_in_plan
    )
    return Table("structures", "Structures to keep clear of", columns, rows, empty="no structure marked")


def _surface_u(item: Structure, settings: Settings) -> str:
    """Standard uncertainty of a structure's surface, and where it comes from when nobody gave it."""
    if item.surface_u_mm is not None:
        return fixed(item.surface_u_mm)
    return f"{fixed(surface_u_mm(item, settings))}, from the settings" if item.is_marked else ""
