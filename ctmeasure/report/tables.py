"""The CSV files of an output folder: a missing number is an empty cell, a flag a word, a boolean true or false."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

from ctmeasure.planning.results import (
    Clearance,
    HolePair,
    LengthRow,
    Measurement,
    PlanResult,
    SiteResult,
    ZoneCell,
)
from ctmeasure.report.numbers import SMALLEST_PROBABILITY
from ctmeasure.uncertainty.estimate import Estimate
from ctmeasure.uncertainty.intervals import clopper_pearson_upper

MEASUREMENTS = "id,qualifier,value,standard_uncertainty,low_95,high_95,unit,method,flags"
SITES = (
    "id,x_mm,y_mm,z_mm,dx,dy,dz,moved_mm,wall_angle_deg,clock_hour,rim_distance_mm,angle_to_normal_deg,"
    "thickness_mm,thickness_u,thickness_low_95,thickness_high_95,thickness_state,to_exit_mm,far_side,drill_depth_mm,"
    "structure,clearance_mm,clearance_u,clearance_low_95,clearance_high_95,p_contact,p_below_margin,reachable,"
    "verdict,flags,in_sight,freedom,p_rim_breakout"
)
ZONE = (
    "wall_angle_deg,clock_hour,rim_distance_mm,depth_mm,x_mm,y_mm,z_mm,dx,dy,dz,angle_to_normal_deg,thickness_mm,"
    "to_exit_mm,far_side,reachable,nearest_structure,clearance_mm,p_contact,p_below_margin,verdict,in_sight,freedom,"
    "over_margin_mm,riskiest_structure,riskiest_clearance_mm,p_is_upper_limit,p_contact_is_upper_limit,"
    "p_below_upper_95,p_contact_upper_95,clearance_u,thickness_u,thickness_low_95,thickness_high_95,to_exit_u"
)
PAIRS = (
    "rank,hole_1_x_mm,hole_1_y_mm,hole_1_z_mm,hole_1_dx,hole_1_dy,hole_1_dz,"
    "hole_2_x_mm,hole_2_y_mm,hole_2_z_mm,hole_2_dx,hole_2_dy,hole_2_dz,span_mm,bridge_entry_mm,bridge_exit_mm,"
    "clearance_mm,p_any,handle_tip_x_mm,handle_tip_y_mm,handle_tip_z_mm,verdict,reason,flags,"
    "hole_1_bone_mm,hole_1_bone_low_95,hole_1_bone_high_95,hole_2_bone_mm,hole_2_bone_low_95,hole_2_bone_high_95,"
    "parallelism_deg,arm_1_mm,arm_2_mm,first_in,on_front,handle_length_mm,off_centre_mm,total_mm,total_tilt_deg,"
    "span_u,span_low_95,span_high_95,bridge_entry_u,bridge_entry_low_95,bridge_entry_high_95,bridge_exit_u,"
    "bridge_exit_low_95,bridge_exit_high_95,clearance_u,clearance_low_95,clearance_high_95,hole_1_p_rim_breakout,"
    "hole_2_p_rim_breakout,p_span_outside"
)
LENGTHS = (
    "reconstruction,geometry,lateral_contact,medial_contact,needed_mm,u_mm,low_95,high_95,size_mm,p_short,p_fits,"
    "p_long,rank,flags,catalogue,implant,functional_mm,expected_loss"
)
DECIMALS = 6
"""Of a length or angle in a table: a nanometre, far below anything measured."""
NO_VECTOR = (None, None, None)
NO_ESTIMATE = (None, None, None, None)


def cell(value: Any) -> str:
    """One value as written in a table.

    Example
    -------
    >>> cell(None), cell(True), cell(1.50), cell(float("nan")), cell(2e-9), cell("attic")
    ('', 'true', '1.5', '', '2e-09', 'attic')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return value
    number = float(value)
    if not math.isfinite(number):
        return ""
    if number != 0.0 and abs(number) < 10.0**-DECIMALS:
        return f"{number:.6g}"
    return f"{abs(number) if number == 0.0 else number:.{DECIMALS}f}".rstrip("0").rstrip(".")


def flags_cell(flags: Iterable[str]) -> str:
    """Flags separated by semicolons; a semicolon inside one becomes a comma.

    Example
    -------
    >>> flags_cell(("below resolution", "a; b"))
    'below resolution;a, b'
    """
    return ";".join(dict.fromkeys(re.sub(r";\s*", ", ", flag) for flag in flags if flag))


def _table(header: str, rows: Iterable[Sequence[Any]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    columns = header.split(",")
    writer.writerow(columns)
    for row in rows:
        if len(row) != len(columns):
            raise ValueError(f"row of {len(row)} cells under {len(columns)} columns")
        writer.writerow([cell(value) for value in row])
    return buffer.getvalue()


def _four(estimate: Estimate | None) -> tuple[float | None, ...]:
    if estimate is None:
        return NO_ESTIMATE
    return estimate.value, estimate.standard_uncertainty, estimate.low_95, estimate.high_95


def measurements_csv(measurements: Iterable[Measurement]) -> str:
    """The text of measurements.csv."""
    return _table(MEASUREMENTS, (_measurement_row(item) for item in measurements))


def _measurement_row(item: Measurement) -> tuple[Any, ...]:
    estimate = item.estimate
    flags = (*item.flags, *(estimate.flags if estimate else ()))
    unit, method = (estimate.unit, estimate.method) if estimate else ("", "")
    why = flags if estimate or flags else ("not given",)
    return item.id, item.qualifier, *_four(estimate), unit, method, flags_cell(why)


def sites_csv(sites: Iterable[SiteResult]) -> str:
    """The text of sites.csv: one row a structure, and one more for all of them together."""
    return _table(SITES, (_site_row(site, row) for site in sites for row in (*site.clearances, site.overall)))


def _site_row(site: SiteResult, row: Clearance) -> tuple[Any, ...]:
    wall = site.wall
    flags = (*site.flags, *wall.flags, *row.flags)
    return (
        site.id,
        *site.entry_lps,
        *site.direction_lps,
        site.moved_mm,
        site.wall_angle_deg,
        site.clock_hour,
        site.rim_distance_mm,
        site.angle_to_normal_deg,
        *_four(wall.to_first_gap),
        wall.state,
        wall.to_exit_mm,
        wall.far_side,
        site.drill_depth_mm,
        row.structure,
        *_four(row.estimate),
        row.p_contact,
        row.p_below_margin,
        site.reachable,
        row.verdict,
        flags_cell(flags),
        site.in_sight,
        site.freedom,
        site.p_breaks_out,
    )


def zone_csv(zone: Iterable[ZoneCell]) -> str:
    """The text of zone.csv."""
    return _table(ZONE, (_zone_row(item) for item in zone))


def _zone_row(item: ZoneCell) -> tuple[Any, ...]:
    return (
        item.wall_angle_deg,
        item.clock_hour,
        item.rim_distance_mm,
        item.depth_mm,
        *(item.entry_lps or NO_VECTOR),
        *(item.direction_lps or NO_VECTOR),
        item.angle_to_normal_deg,
        item.thickness_mm,
        item.to_exit_mm,
        item.far_side,
        item.reachable,
        item.nearest_structure,
        item.clearance_mm,
        item.p_contact,
        item.p_below_margin,
        item.verdict,
        item.in_sight,
        item.freedom,
        item.over_margin_mm,
        item.riskiest_structure,
        item.riskiest_clearance_mm,
        item.p_below_is_limit if item.p_below_margin is not None else None,
        item.p_contact_is_limit if item.p_contact is not None else None,
        item.p_below_upper,
        item.p_contact_upper,
        item.clearance_u_mm,
        item.thickness_u_mm,
        item.thickness_low_mm,
        item.thickness_high_mm,
        item.to_exit_u_mm,
    )


def pairs_csv(pairs: Iterable[HolePair]) -> str:
    """The text of pairs.csv."""
    return _table(PAIRS, (_pair_row(item) for item in pairs))


P_ANY_BOUND = "p_any is a bound, not an estimate"
P_ANY_NOT_DRAWN = "p_any not given: no marked structure near"


def _p_any(item: HolePair) -> tuple[float | None, tuple[str, ...]]:
    """The probability of a pair as other tools may use it: small ones flagged as bounds, and never an exact zero.

    Notes
    -----
    None of n draws does not mean never: in its place stands the one-sided Clopper-Pearson 95 % upper limit.
    """
    if item.p_any is None or item.p_any >= SMALLEST_PROBABILITY:
        return item.p_any, ()
    if item.p_any > 0.0:
        return item.p_any, (P_ANY_BOUND,)
    if item.clearance_mm is None:
        return None, (P_ANY_NOT_DRAWN,)
    from ctmeasure.planning.drilling.pairs import BLOCK, PAIR_BLOCKS

    return clopper_pearson_upper(0, PAIR_BLOCKS * BLOCK), (P_ANY_BOUND,)


def _pair_row(item: HolePair) -> tuple[Any, ...]:
    p_any, flags = _p_any(item)
    return (
        item.rank,
        *item.entry_1_lps,
        *item.direction_1_lps,
        *item.entry_2_lps,
        *item.direction_2_lps,
        item.span_mm,
        item.bridge_entry_mm,
        item.bridge_exit_mm,
        item.clearance_mm,
        p_any,
        *(item.handle_tip_lps or NO_VECTOR),
        item.verdict,
        item.reason,
        flags_cell((*flags, *item.flags, *(item.handle.flags if item.handle else ()))),
        *(value for bone in item.bones for value in _central(bone)),
        item.parallelism_deg,
        *(item.arm_reaches_mm or (None, None)),
        item.first_in,
        item.on_front,
        *((h.length_mm, h.off_centre_mm, h.total_mm, h.total_tilt_deg) if (h := item.handle) else NO_ESTIMATE),
        *(number for e in (item.span, item.bridge_entry, item.bridge_exit, item.clearance) for number in _four(e)[1:]),
        *(item.p_breaks_out or (None, None)),
        item.p_span_outside,
    )


def _central(estimate: Estimate | None) -> tuple[float | None, ...]:
    return (None, None, None) if estimate is None else (estimate.value, estimate.low_95, estimate.high_95)


def lengths_csv(lengths: Iterable[LengthRow]) -> str:
    """The text of lengths.csv."""
    return _table(LENGTHS, (_length_row(item) for item in lengths))


def _length_row(item: LengthRow) -> tuple[Any, ...]:
    return (
        item.reconstruction,
        item.geometry,
        item.lateral_contact,
        item.medial_contact,
        *_four(item.needed),
        item.size_mm,
        item.p_short,
        item.p_fits,
        item.p_long,
        item.rank,
        flags_cell((*item.flags, *(item.needed.flags if item.needed else ()))),
        item.catalogue,
        item.implant,
        item.functional_mm,
        item.expected_loss,
    )


def csv_files(result: PlanResult) -> dict[str, str]:
    """Every CSV file of an output folder, by name; sites.csv only when sites were asked for.

    Parameters
    ----------
    result
        The plan.

    Returns
    -------
    dict
        File name to text.
    """
    files = {
        "measurements.csv": measurements_csv(result.measurements),
        "zone.csv": zone_csv(result.zone),
        "pairs.csv": pairs_csv(result.pairs),
        "lengths.csv": lengths_csv(result.lengths),
    }
    if result.sites:
        files["sites.csv"] = sites_csv(result.sites)
    return files
