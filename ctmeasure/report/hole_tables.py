"""Tables of what a hand needs to know about the first pair, and of what would change the answer."""

from __future__ import annotations

import math

from ctmeasure.case.hole_words import pair_words
from ctmeasure.case.model import Case
from ctmeasure.planning.drilling.changes import change_words, changes_something
from ctmeasure.planning.results import HandlePosition, HolePair, PlanResult
from ctmeasure.report.content import Column, Table
from ctmeasure.report.numbers import fixed, with_interval
from ctmeasure.report.page_one import first_pair, structure_label
from ctmeasure.report.scene import site_letters
from ctmeasure.uncertainty.estimate import Estimate


def hole_tables(case: Case, result: PlanResult) -> tuple[Table, ...]:
    """The first pair in words, and what would change the answer; nothing where there is nothing to say.

    Raises
    ------
    Nothing.
    """
    found = []
    if result.wall_sectors:
        found.append(_wall_table(result))
    pair = first_pair(result)
    if pair is not None:
        columns = (Column("", share=0.9), Column("In words a hand can follow", share=7.0))
        words = pair_words(case, pair)
        rows = [(f"hole {pair.rank}{letter}", text) for letter, text in zip("ab", words, strict=True)]
        rows += _handle_rows(pair)
        found.append(Table("hole_words", "The first pair, for the hand", columns, tuple(rows)))
    changes = _change_rows(result)
    if changes:
        asked = (Column("", share=0.9), Column("Structure", share=1.8), Column("What would change", share=6.0))
        note = "Each doubt is halved alone, on the same draws; what changes nothing is left out. "
        note += "A wish for thinner slices is no reason to scan again."
        found.append(Table("changes", "What would change the answer", asked, changes, note))
    return tuple(found)


def _wall_table(result: PlanResult) -> Table:
    columns = (
        Column("Sector", share=1.6),
        Column("The scan shows", share=1.4),
        Column("Bone edge found in", numeric=True, share=1.0),
        Column("Rim zone under soft tissue", numeric=True, share=1.0),
        Column("Entered", share=1.4),
        Column("What counts", share=1.4),
    )
    rows = tuple(
        (
            sector.clock, sector.shown, _share(sector.bone_share), _share(sector.rim_soft_share),
            sector.entered or "not entered", sector.state + (" (differs from the scan)" if sector.differs else ""),
        )
        for sector in result.wall_sectors
    )  # fmt: skip
    note = "Bone that is missing and bone too thin to be resolved look alike; what was entered counts."
    return Table("wall_state", "State of the canal wall", columns, rows, note)


def _share(value: float | None) -> str:
    """A share in whole percent, rounded down, so that none below a limit reads as the limit."""
    return "not scanned" if value is None else f"{math.floor(100.0 * value + 1e-9)} %"


def _change_rows(result: PlanResult) -> tuple[tuple[str, str, str], ...]:
    letters = site_letters(result)
    rows = [
        (letters[site.id], structure_label(change.structure), change_words(change))
        for site in result.sites
        for change in site.changes
        if changes_something(change)
    ]
    return (*rows, *(("", "", words) for words in result.what_ifs))


def _handle_rows(pair: HolePair) -> list[tuple[str, str]]:
    rows = []
    if pair.first_in is not None:
        letter = "ab"[pair.first_in - 1]
        arms = ""
        if pair.arm_reaches_mm is not None:
            arms = "; arms, from the handle's top through the bone: " + " and ".join(
                f"{fixed(reach)} mm" for reach in pair.arm_reaches_mm
            )
        turned = "" if pair.parallelism_deg is None else f"; the holes stand {pair.parallelism_deg:.0f} degrees apart"
        rows.append(("order", f"hole {letter} takes its arm first: {pair.first_in_reason}{arms}{turned}"))
    if pair.handle is not None:
        rows.append(("handle", handle_words(pair.handle)))
    return rows


def handle_words(handle: HandlePosition) -> str:
    """A handle position in words.

    Raises
    ------
    Nothing.
    """
    length = _measured(handle.length, handle.length_mm, "mm")
    parts = [f"{length} long, tip {fixed(handle.off_centre_mm)} mm off the middle of the holes (of the plan)"]
    if handle.to_promontory_mm is not None:
        parts.append(f"tip {_measured(handle.to_promontory, handle.to_promontory_mm, 'mm')} from the promontory")
    if handle.axis_to_footplate_deg is not None:
        angle = _measured(handle.axis_to_footplate, handle.axis_to_footplate_deg, "degrees")
        parts.append(f"handle at {angle} to the plane of the footplate")
    if handle.total_mm is not None and handle.total_tilt_deg is not None:
        parts.append(
            f"a later total prosthesis: {_measured(handle.total, handle.total_mm, 'mm')} from tip to footplate, "
            f"{_measured(handle.total_tilt, handle.total_tilt_deg, 'degrees')} off its normal"
        )
    return "; ".join((*parts, *handle.flags))


def _measured(estimate: Estimate | None, value: float, unit: str) -> str:
    """A number with its interval, or with the words that it has none."""
    decimals = 0 if unit == "degrees" else 2
    if estimate is not None:
        return with_interval(estimate, decimals)
    return f"{fixed(value, decimals)} {unit} (interval not given)"
