"""The sheet for the operating room: intervals everywhere, what is behind a hole, nothing offered from a void plan."""

import re
from dataclasses import replace

import pytest

from ctmeasure.anatomy.landmarks import Landmark, Placement
from ctmeasure.planning.cautions import cautions
from ctmeasure.report.page_one import number_boxes
from ctmeasure.report.sections import tables
from ctmeasure.report.sheet import operating_sheet


def void(case):
    return replace(case, facts=replace(case.facts, operated_since_scan="yes"))


def with_far_sides(case, first, second):
    """The first pair's holes as cells of the map with these far sides, and no site at them."""
    pair = case.results.pairs[0]
    cells = tuple(
        replace(case.results.zone[0], entry_lps=entry, far_side=words, to_exit_mm=2.0, angle_to_normal_deg=0.0)
        for entry, words in ((pair.entry_1_lps, first), (pair.entry_2_lps, second))
    )
    return replace(case, results=replace(case.results, zone=cells, sites=(), pairs=(pair,)))


def test_every_cautions_words_are_on_the_sheet_in_full(case):
    assert operating_sheet(case).cautions == cautions()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("no", "No operation since this scan"),
        ("yes", "OPERATED SINCE THIS SCAN: PLAN VOID"),
        ("unknown", "No operation since this scan (not entered: ask)"),
    ],
)
def test_the_time_out_asks_what_was_entered(case, answer, words):
    asked = replace(case, facts=replace(case.facts, operated_since_scan=answer))
    lines = [line for line in operating_sheet(asked).time_out if "since this scan" in line.lower()]
    assert lines == [words]


def test_a_void_plan_has_no_hole_and_no_size_on_the_sheet_or_in_large_print(case):
    assert any("o'clock" in line for line in operating_sheet(case).holes)
    sheet = operating_sheet(void(case))
    for lines in (sheet.holes, sheet.sizes):
        assert len(lines) == 1
        assert "plan void" in lines[0]
        assert not re.search(r"\d", lines[0])
    boxes = number_boxes(void(case))
    assert [box.label for box in boxes] == ["Drum", "Holes and sizes"]
    assert boxes[1].value == "none offered"
    assert not re.search(r"\d", boxes[1].beside + boxes[1].note)


def test_the_maps_and_charts_of_a_void_plan_offer_nothing(case):
    from ctmeasure.report.assemble import _charts
    from ctmeasure.report.scene import wall_scene

    assert wall_scene(case).holes
    assert wall_scene(void(case)).holes == ()
    assert _charts(void(case)) == ()


def test_span_and_rim_distances_carry_what_the_hand_makes_of_them(case):
    # by hand: span 3.41 with 1.96 x 0.5 x sqrt 2 = 1.386; rim 1.6 with 1.96 x hypot(0.5, 0.3) = 1.143
    text = " ".join(operating_sheet(case).holes)
    assert "3.4 mm apart (2.0 to 4.8)" in text
    assert "1.6 mm from the rim (0.5 to 2.7)" in text
    (box,) = [box for box in number_boxes(case) if box.label == "First pair of holes"]
    assert "3.4 mm apart (2.0 to 4.8)" in box.beside


def test_bone_without_an_interval_says_what_would_give_it(case):
    text = " ".join(operating_sheet(case).holes)
    assert "bone 1.4 mm (no interval)" in text
    assert "Bone without an interval: assess that hole as a site." in text


def test_right_through_is_said_only_of_a_hole_with_open_space_behind(case):
    lines = operating_sheet(with_far_sides(case, "closed cell or marrow", "attic")).holes
    (first,) = [line for line in lines if line.startswith("1a")]
    (second,) = [line for line in lines if line.startswith("1b")]
    assert "behind the bone: closed cell or marrow, no open space" in first
    assert "right through" not in first
    assert "right through the bone into the attic" in second
    assert "both holes go right through" not in " ".join(lines)
    # 2.0 mm to the exit, r = 0.3 mm at a right angle and 1.0 mm plunge
    assert "bur travels 3.3 mm" in first


def test_the_sizes_say_together_how_likely_one_fits(case):
    # 4.58 with u 0.24: 4.25 to 5.00 fit needed lengths from 4.00 to 5.25, all but 1 %
    text = " ".join(operating_sheet(case).sizes)
    assert re.search(r"Together: one of them fits with P 0\.9[5-9]", text)


def test_of_a_planned_hole_the_landmark_table_prints_the_entry(case):
    entry, along = (-44.0, 10.0, 36.0), (-43.0, 11.0, 40.0)
    anchor = Landmark("anchor_1", "placed", (Placement(entry, 0), Placement(along, 1)))
    table = next(t for t in tables(replace(case, landmarks=case.landmarks.with_landmark(anchor)), "x")
                 if t.id == "landmarks")  # fmt: skip
    (row,) = [row for row in table.rows if row[0] == "hole 1"]
    assert row[4] == "\N{MINUS SIGN}44.00, 10.00, 36.00"
    (ring,) = [row for row in table.rows if row[0] == "drum rim"]
    mean = case.landmarks["annulus"].points_lps.mean(axis=0)
    assert ring[4].replace("\N{MINUS SIGN}", "-") == ", ".join(f"{c:.2f}" for c in mean)


def test_pairs_in_the_table_show_travel_and_far_side(case):
    table = next(t for t in tables(with_far_sides(case, "antrum", "attic"), "x") if t.id == "pairs")
    columns = [column.label for column in table.columns]
    assert table.rows[0][columns.index("Travel, mm")] == "3.30 + 3.30"
