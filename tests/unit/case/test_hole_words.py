"""Holes in words a hand can follow: marks, distances, directions, depth, what is felt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import report_fabricated as fabricated

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.case.hole_words import direction_words, felt_words, from_mark, pair_words
from ctmeasure.case.holes import pair_holes
from ctmeasure.planning.results import HandlePosition


@pytest.fixture(scope="module", params=["right", "left"])
def case(request):
    return fabricated.fabricated_case(request.param)


def with_mark(case, name, point):
    mark = Landmark(name, "placed", (Placement(tuple(map(float, point)), 0),))
    kept = [m for key, m in case.landmarks.items() if key != name]
    return replace(case, landmarks=LandmarkSet([*kept, mark]))


def test_each_hole_is_told_from_rim_marks_and_the_other_hole(case):
    pair = case.results.pairs[0]
    entry = np.array(pair.entry_1_lps)
    marked = with_mark(case, "chorda_entry", entry + np.array([0.0, 3.0, 0.0]))
    first, second = pair_words(marked, pair)
    assert "o'clock" in first
    assert "mm from the rim" in first
    # 3 mm posterior in the patient is behind in either ear, so the hole lies in front of the mark.
    assert "3.0 mm (placed to 0.3) in front" in first
    assert "chorda" in first
    assert "from hole b" in first
    assert "from hole a" in second
    assert f"; {pair.span_mm:.1f} (" in first


def test_a_mark_that_is_not_placed_is_not_told(case):
    bare = replace(case, landmarks=LandmarkSet([m for k, m in case.landmarks.items() if k != "chorda_entry"]))
    assert from_mark(bare, "chorda_entry", np.zeros(3), None) == ""


def test_directions_are_those_of_the_ear_on_either_side(case):
    from ctmeasure.anatomy.frames import canal_frame

    canal = canal_frame(case.landmarks, case.side)
    assert direction_words(2.0 * canal.superior_lps + 0.1 * canal.axis_lps, canal) == "above"
    assert direction_words(-canal.axis_lps - 2.0 * canal.posterior_lps, canal) == "in front and inwards"
    assert direction_words(0.1 * canal.axis_lps, canal) == ""


def test_what_is_felt_follows_what_lies_behind_and_nothing_is_felt_of_the_unknown(case):
    hole = pair_holes(case, case.results.pairs[0])[0]
    assert "gives way into air" in felt_words(replace(hole, far_side="attic"))
    assert "stop at once" in felt_words(replace(hole, far_side="dura"))
    assert "no definite giving way" in felt_words(replace(hole, far_side="not assessed"))


def test_the_depth_is_where_the_answer_ends(case):
    pair = case.results.pairs[0]
    words = pair_words(case, pair)[0]
    hole = pair_holes(case, pair)[0]
    if hole.drill_mm is not None:
        assert f"the bur travels {hole.drill_mm:.1f} mm; what is said here holds no deeper, stop there" in words
    else:
        assert "travel not known" in words


def test_the_report_prints_handle_order_and_words():
    from ctmeasure.report.hole_tables import handle_words, hole_tables

    case = fabricated.fabricated_case("right")
    handle = HandlePosition((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), 4.2, 0.3, 1.8, 70.0, 4.6, 12.0, ("a flag",))
    pair = replace(
        case.results.pairs[0], handle=handle, first_in=2, first_in_reason="it lies nearer to the rim",
        arm_reaches_mm=(3.1, 3.4), parallelism_deg=21.0,
    )  # fmt: skip
    result = replace(case.results, pairs=(pair, *case.results.pairs[1:]), what_ifs=("What-if: x.",))
    found = {table.title: table for table in hole_tables(case, result)}
    text = " ".join(" ".join(row) for row in found["The first pair, for the hand"].rows)
    for part in ("hole b takes its arm first", "3.10 mm", "3.40 mm", "21 degrees", "12 degrees", "a flag"):
        assert part in text or part.replace("0 mm", " mm") in text
    assert ("", "", "What-if: x.") in found["What would change the answer"].rows
    assert "70 degrees" in handle_words(handle)
