import csv
import io
import json
import math
from dataclasses import replace

import pytest

from ctmeasure.errors import OutputError
from ctmeasure.report.plain import case_fingerprint, plain
from ctmeasure.report.plan_json import plan_json
from ctmeasure.report.tables import cell, csv_files, flags_cell

ESTIMATE = "value,standard_uncertainty,low_95,high_95"
XYZ, DXYZ = "x_mm,y_mm,z_mm", "dx,dy,dz"
COLUMNS = {
    "measurements.csv": f"id,qualifier,{ESTIMATE},unit,method,flags",
    "sites.csv": f"id,{XYZ},{DXYZ},moved_mm,wall_angle_deg,clock_hour,rim_distance_mm,angle_to_normal_deg,"
    "thickness_mm,thickness_u,thickness_low_95,thickness_high_95,thickness_state,to_exit_mm,far_side,drill_depth_mm,"
    "structure,clearance_mm,clearance_u,clearance_low_95,clearance_high_95,p_contact,p_below_margin,reachable,verdict,"
    "flags,in_sight,freedom,p_rim_breakout",
    "zone.csv": f"wall_angle_deg,clock_hour,rim_distance_mm,depth_mm,{XYZ},{DXYZ},angle_to_normal_deg,thickness_mm,"
    "to_exit_mm,far_side,reachable,nearest_structure,clearance_mm,p_contact,p_below_margin,verdict,in_sight,freedom,"
    "over_margin_mm,riskiest_structure,riskiest_clearance_mm,p_is_upper_limit,p_contact_is_upper_limit,"
    "p_below_upper_95,p_contact_upper_95,clearance_u,thickness_u,thickness_low_95,thickness_high_95,to_exit_u",
    "pairs.csv": "rank,hole_1_x_mm,hole_1_y_mm,hole_1_z_mm,hole_1_dx,hole_1_dy,hole_1_dz,hole_2_x_mm,hole_2_y_mm,"
    "hole_2_z_mm,hole_2_dx,hole_2_dy,hole_2_dz,span_mm,bridge_entry_mm,bridge_exit_mm,clearance_mm,p_any,"
    "handle_tip_x_mm,handle_tip_y_mm,handle_tip_z_mm,verdict,reason,flags,hole_1_bone_mm,"
    "hole_1_bone_low_95,hole_1_bone_high_95,hole_2_bone_mm,hole_2_bone_low_95,hole_2_bone_high_95,parallelism_deg,"
    "arm_1_mm,arm_2_mm,first_in,on_front,handle_length_mm,off_centre_mm,total_mm,total_tilt_deg,span_u,span_low_95,"
    "span_high_95,bridge_entry_u,bridge_entry_low_95,bridge_entry_high_95,bridge_exit_u,bridge_exit_low_95,"
    "bridge_exit_high_95,clearance_u,clearance_low_95,clearance_high_95,hole_1_p_rim_breakout,hole_2_p_rim_breakout,"
    "p_span_outside",
    "lengths.csv": "reconstruction,geometry,lateral_contact,medial_contact,needed_mm,u_mm,low_95,high_95,size_mm,"
    "p_short,p_fits,p_long,rank,flags,catalogue,implant,functional_mm,expected_loss",
}


def rows_of(case, name):
    return list(csv.DictReader(io.StringIO(csv_files(case.results)[name])))


@pytest.mark.parametrize("name", COLUMNS)
def test_columns_are_those_other_tools_rely_on(case, name):
    assert csv_files(case.results)[name].splitlines()[0] == COLUMNS[name]


def test_a_missing_number_is_an_empty_cell_with_a_flag(case):
    row = next(r for r in rows_of(case, "measurements.csv") if r["id"] == "drum_thickness")
    assert (row["value"], row["low_95"], row["high_95"]) == ("", "", "")
    assert row["flags"] == "below resolution"


def test_sites_have_one_row_a_structure_and_one_for_any(case):
    rows = [r for r in rows_of(case, "sites.csv") if r["id"] == "upper"]
    assert [r["structure"] for r in rows] == ["facial_nerve", "chorda_tympani", "any"]
    assert rows[-1]["verdict"] == "clear"
    assert rows[0]["reachable"] == "true"
    assert (rows[0]["thickness_mm"], rows[0]["drill_depth_mm"]) == ("1.42", "2.85")


def test_not_assessed_stays_not_assessed_in_the_table(case):
    rows = [r for r in rows_of(case, "sites.csv") if r["id"] == "lower front"]
    assert {r["verdict"] for r in rows} == {"not assessed"}
    assert {r["thickness_mm"] for r in rows} == {""}
    assert all(r["flags"] for r in rows)


def test_probabilities_of_a_size_add_up_to_one(case):
    for row in rows_of(case, "lengths.csv"):
        if row["size_mm"]:
            assert float(row["p_short"]) + float(row["p_fits"]) + float(row["p_long"]) == pytest.approx(1.0, abs=1e-5)
        else:
            assert row["p_fits"] == ""
            assert row["flags"]


@pytest.mark.parametrize(
    ("p_any", "gap", "written", "flag"),
    [
        # none of 5,000 draws: 1 - 0.05 ** (1 / 5000), Clopper CJ, Pearson ES (1934), doi:10.1093/biomet/26.4.404
        (0.0, 1.3, 1.0 - 0.05 ** (1.0 / 5000.0), "p_any is a bound, not an estimate"),
        (0.0004, 1.3, 0.0004, "p_any is a bound, not an estimate"),
        (0.0, None, None, "p_any not given: no marked structure near"),
        (0.02, 1.3, 0.02, ""),
        (None, None, None, ""),
    ],
)
def test_a_pairs_probability_is_never_an_exact_zero(case, p_any, gap, written, flag):
    pair = replace(case.results.pairs[0], p_any=p_any, clearance_mm=gap)
    (row,) = rows_of(replace(case, results=replace(case.results, pairs=(pair,))), "pairs.csv")
    if written is None:
        assert row["p_any"] == ""
    else:
        assert float(row["p_any"]) == pytest.approx(written, rel=2e-3)
        assert float(row["p_any"]) > 0.0
    assert row["flags"] == flag


def test_no_sites_table_when_none_was_asked_for(case):
    assert "sites.csv" not in csv_files(replace(case.results, sites=()))


def test_zone_has_a_row_a_cell_and_no_word_for_nothing(case):
    rows = rows_of(case, "zone.csv")
    assert len(rows) == len(case.results.zone)
    assert not {v.lower() for r in rows for v in r.values()} & {"nan", "none", "inf"}


def test_cells_and_flags_are_written_plainly():
    assert [cell(v) for v in (None, math.nan, False, -0.0, 3, 0.1 + 0.2)] == ["", "", "false", "0", "3", "0.3"]
    assert flags_cell(("a;b", "a;b", "", "c")) == "a, b;c"


def test_a_user_text_with_commas_and_quotes_survives(case, fabricated):
    site = replace(case.results.sites[0], id='a,"b"\nc')
    rows = rows_of(replace(case, results=replace(case.results, sites=(site,))), "sites.csv")
    assert {r["id"] for r in rows} == {'a,"b"\nc'}


def test_plan_json_is_strict_and_holds_budgets_flags_and_attention(case):
    def refuse(text):
        raise AssertionError(text)

    data = json.loads(plan_json(case), parse_constant=refuse)
    drum = next(m for m in data["measurements"] if m["id"] == "drum_lateralisation")
    assert drum["estimate"]["budget"][0]["source"] == "placement of drum centre"
    assert data["attention"] == [
        {"kind": "site not assessed", "what": "site 'lower front'", "action": "mark the joint fossa"}
    ]
    assert data["seed"] == 7
    assert len(data["cautions"]) == 10


def test_plan_json_turns_no_number_into_null(case):
    result = replace(case.results, provenance={"noise": math.nan})
    assert json.loads(plan_json(replace(case, results=result)))["provenance"] == {"noise": None}


def test_plan_json_needs_results(case):
    with pytest.raises(OutputError, match="without results"):
        plan_json(replace(case, results=None))


def test_plain_refuses_what_json_cannot_hold():
    with pytest.raises(TypeError, match="object"):
        plain(object())


def test_fingerprint_ignores_times_and_sees_a_moved_point(case, fabricated):
    assert case_fingerprint(replace(case, history=())) == case_fingerprint(case)
    moved = case.landmarks["drum_centre"]
    moved = replace(moved, placements=(replace(moved.placements[0], position_lps=(0.0, 0.0, 0.0)),))
    assert case_fingerprint(replace(case, landmarks=case.landmarks.with_landmark(moved))) != case_fingerprint(case)


def test_scan_and_structures_are_in_words_with_units(case):
    from ctmeasure.report.plain import case_fingerprint
    from ctmeasure.report.sections import tables
    from ctmeasure.volume.quality import ScanFitness

    judged = ScanFitness((0.4, 0.3, 0.3), (44.0, 40.0, 40.0), 0.46, 0.03, None, None, 54.0, air_level=-956.0)
    case = replace(case, fitness=judged)
    found = {table.id: table for table in tables(case, case_fingerprint(case))}
    fitness = dict(found["fitness"].rows)
    for raw in ("noise hu", "spacing mm", "gates", "air level", "point spread in plane u mm"):
        assert raw not in fitness
    assert fitness["Noise (standard deviation)"] == "54.00 HU"
    assert fitness["Air reads"] == "\N{MINUS SIGN}956.00 HU"
    assert fitness["Point spread in plane, full width at half maximum"] == "0.46 mm"
    assert fitness["Point spread through plane, full width at half maximum"] == "not known"
    assert fitness["Spacing (slices, rows, columns)"] == "0.40 x 0.30 x 0.30 mm"
    for row in found["structures"].rows:
        if row[1].startswith(("placed", "partial")):
            assert row[3][0].isdigit(), "a number stands before the words where it comes from"
