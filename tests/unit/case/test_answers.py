"""The five answers: every number with its doubt, nothing offered that may not be used."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from ctmeasure.case.answers import five_answers, summary_text
from ctmeasure.case.holes import behind_words, pair_holes, pair_span
from ctmeasure.case.model import Case
from ctmeasure.case.store import load_case
from ctmeasure.case.table_sizes import chosen_lengths
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.results import LengthRow, Measurement, WallPath
from ctmeasure.uncertainty.estimate import Estimate

NEEDED_MM, U_MM = 4.57, 0.586


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(Path(__file__).with_name("versions") / "case-1.json")


def below(length_mm: float) -> float:
    """P(needed < length) of a normal needed length, by the error function."""
    return 0.5 * (1.0 + math.erf((length_mm - NEEDED_MM) / (U_MM * math.sqrt(2.0))))


def size_rows(window: float = 0.25, refused: tuple[float, ...] = ()) -> tuple[LengthRow, ...]:
    needed = Estimate(NEEDED_MM, U_MM, NEEDED_MM - 1.96 * U_MM, NEEDED_MM + 1.96 * U_MM, "mm", "made up")
    sizes = [2.75 + 0.25 * i for i in range(16)]
    fits = {size: below(size + window) - below(size - window) for size in sizes}
    best_first = sorted(sizes, key=lambda size: -fits[size])
    return tuple(
        LengthRow(
            "total", "as planned", "planned handle tip", "footplate_centre", needed, size, 1 - below(size + window),
            fits[size], below(size - window), None if size in refused else best_first.index(size) + 1,
        )
        for size in sizes
    )  # fmt: skip


def with_results(case: Case, **changes: object) -> Case:
    assert case.results is not None
    return replace(case, results=replace(case.results, **changes))  # type: ignore[arg-type]


def answer(case: Case, number: int) -> str:
    return ". ".join(five_answers(case)[number - 1].sentences)


def test_the_sizes_on_the_table_hold_a_fitting_one_with_95_percent() -> None:
    # by hand: 4.25 to 5.00 fit needed lengths from 4.00 to 5.25, P = phi(1.160) - phi(-0.973) = 0.712
    assert below(5.25) - below(4.0) == pytest.approx(0.712, abs=0.001)
    table = table_set(size_rows())
    assert table is not None
    assert table.sizes_mm == (3.5, 3.75, 4.0, 4.25, 4.5, 4.75, 5.0, 5.25, 5.5)
    assert table.coverage == pytest.approx(below(5.75) - below(3.25), abs=1e-4)
    assert table.coverage >= 0.95


def test_labels_that_are_not_functional_lengths_change_the_words_and_not_the_coverage() -> None:
    labelled = tuple(replace(row, size_mm=row.size_mm + 10.0) for row in size_rows())  # type: ignore[operator]
    plain, table = table_set(size_rows()), table_set(labelled)
    assert plain is not None
    assert table is not None
    assert table.sizes_mm == tuple(size + 10.0 for size in plain.sizes_mm)
    assert table.coverage == plain.coverage


def test_for_a_normal_length_it_is_what_the_closed_form_gives() -> None:
    # neighbouring windows touch, so a run of sizes a to b holds what lies between a - 0.25 and b + 0.25
    sizes = [2.75 + 0.25 * i for i in range(16)]
    runs = [sizes[i:j] for i in range(16) for j in range(i + 1, 17)]
    covers = {tuple(run): below(run[-1] + 0.25) - below(run[0] - 0.25) for run in runs}
    enough = [run for run, covered in covers.items() if covered >= 0.95]
    shortest = min(map(len, enough))
    best = max((run for run in enough if len(run) == shortest), key=covers.__getitem__)
    table = table_set(size_rows())
    assert table is not None
    assert table.sizes_mm == best
    assert table.coverage == pytest.approx(covers[best], abs=1e-6)


def test_sizes_far_apart_leave_gaps_between_their_windows() -> None:
    apart = tuple(row for row in size_rows() if row.size_mm in (3.5, 4.5, 5.5))
    table = table_set(apart)
    assert table is not None
    by_hand = sum(below(size + 0.25) - below(size - 0.25) for size in (3.5, 4.5, 5.5))
    assert table.coverage == pytest.approx(by_hand, abs=1e-9)


def test_the_answer_prints_the_sizes_and_what_they_cover(case: Case) -> None:
    text = answer(with_results(case, lengths=size_rows()), 4)
    assert "On the table: 3.50 to 5.50 in steps of 0.25, 9 sizes (one of them fits with P 0.97)" in text
    assert "4.50 fits with P 0.33" in text


def test_the_window_the_sizes_were_judged_by_decides() -> None:
    table = table_set(size_rows(0.5))
    assert table is not None
    assert table.coverage == pytest.approx(below(table.sizes_mm[-1] + 0.5) - below(table.sizes_mm[0] - 0.5), abs=1e-4)
    assert len(table.sizes_mm) == 7


def test_a_refused_size_is_never_on_the_table() -> None:
    table = table_set(size_rows(refused=(5.25, 5.5, 5.75, 6.0, 6.25, 6.5)))
    assert table is not None
    assert max(table.sizes_mm) == 5.0
    assert table.coverage < 0.95, "said as it is"


@pytest.mark.parametrize("flag", ["class: below resolution", "below resolution"])
def test_a_drum_below_resolution_is_said_to_be_so(case: Case, flag: str) -> None:
    assert case.results is not None
    others = tuple(item for item in case.results.measurements if item.id != "drum_thickness")
    thin = Measurement("drum_thickness", "", None, ("drum_centre",), (flag,))
    assert "thickness below resolution" in answer(with_results(case, measurements=(*others, thin)), 2)
    assert "thickness" not in answer(with_results(case, measurements=others), 2)


def test_a_void_plan_offers_no_hole_and_no_size(case: Case) -> None:
    assert re.search(r"o'clock", answer(case, 3))
    assert "On the table" in answer(case, 4)
    void = replace(case, facts=replace(case.facts, operated_since_scan="yes"))
    for number in (3, 4):
        text = answer(void, number)
        assert "plan void: an operation since this scan was entered" in text
        assert not re.search(r"\d", text), "no number to use"
    shown = summary_text(void)
    assert "PLAN VOID" in shown
    assert "fits with P" not in shown
    assert "mm from the rim" not in shown


def test_every_number_of_the_holes_has_its_interval_or_says_what_would_give_it(case: Case) -> None:
    assert case.results is not None
    pair = case.results.pairs[0]
    # by hand: 0.5 mm of the hand each, so 0.707 mm for a span; with the rim's 0.3 mm, 0.583 mm for a rim distance
    span, (hole, _) = pair_span(case, pair), pair_holes(case, pair)
    assert span.standard_uncertainty == pytest.approx(0.70711, abs=1e-4)
    assert (span.low_95, span.high_95) == pytest.approx((pair.span_mm - 1.386, pair.span_mm + 1.386), abs=1e-3)
    assert hole.rim.standard_uncertainty == pytest.approx(0.58310, abs=1e-4)
    text = answer(case, 3)
    assert f"{pair.span_mm:.1f} ({pair.span_mm - 1.386:.1f} to {pair.span_mm + 1.386:.1f}) mm apart" in text
    assert "interval: assess the hole as a site" in text


def test_a_hole_assessed_as_a_site_carries_the_interval_far_side_and_travel_of_the_site(case: Case) -> None:
    assert case.results is not None
    pair = case.results.pairs[0]
    bone = Estimate(1.9, 0.2, 1.5, 2.3, "mm", "made up")
    site = replace(
        case.results.sites[0], entry_lps=pair.entry_2_lps, wall=WallPath(bone, "resolved", 2.0, "antrum"),
        drill_depth_mm=3.3,
    )  # fmt: skip
    first, second = pair_holes(with_results(case, sites=(site,)), pair)
    assert (second.bone, second.far_side, second.drill_mm) == (bone, "antrum", 3.3)
    assert first.bone is None
    assert "1.9 (1.5 to 2.3) mm (interval" in answer(with_results(case, sites=(site,)), 3)


def test_what_is_behind_a_hole_is_that_of_its_cell_and_travel_adds_what_the_bur_overshoots(case: Case) -> None:
    assert case.results is not None
    cell = next(c for c in case.results.zone if c.to_exit_mm is not None and c.entry_lps is not None)
    cell = replace(cell, far_side="antrum", to_exit_mm=2.2, angle_to_normal_deg=45.0)
    pair = replace(case.results.pairs[0], entry_1_lps=cell.entry_lps)
    hole = pair_holes(with_results(case, sites=(), zone=(cell,)), pair)[0]
    assert hole.far_side == "antrum"
    # by hand: 2.2 mm to the exit, then r (1 + tan 45) = 0.3 x 2 and 1.0 mm plunge past it
    assert hole.drill_mm == pytest.approx(3.8, abs=1e-6)
    unknown = pair_holes(with_results(case, sites=(), zone=()), pair)[0]
    assert (unknown.far_side, unknown.drill_mm) == ("not assessed", None)


@pytest.mark.parametrize(
    ("far_side", "words", "through"),
    [
        ("attic", "right through the bone into the attic", True),
        ("closed cell or marrow", "behind the bone: closed cell or marrow, no open space", False),
        ("soft tissue", "behind the bone: soft tissue, no open space", False),
        ("dura", "behind the bone: dura, no open space", False),
        ("no exit within arm length", "no exit from the bone found within reach: not right through", False),
        ("not assessed", "behind the bone: not assessed", False),
    ],
)
def test_only_open_space_behind_reads_right_through(case: Case, far_side: str, words: str, through: bool) -> None:
    assert case.results is not None
    hole = replace(pair_holes(case, case.results.pairs[0])[0], far_side=far_side)
    assert behind_words(hole) == words
    assert hole.goes_through is through


def test_the_least_gap_is_named_as_what_its_interval_is(case: Case) -> None:
    assert case.results is not None
    gap = Estimate(2.96, 0.4, 1.9, 3.2, "mm", "made up")
    first = replace(case.results.pairs[0], clearance=gap, clearance_mm=2.96, nearest_structure="tegmen")
    text = answer(with_results(case, pairs=(first,)), 3)
    assert "least gap of both holes 3.0 mm (1.9 to 3.2), nearest at the mean: tegmen" in text
    assert "closest" not in text


def test_the_reconstruction_that_answers_is_the_planned_total() -> None:
    rows = size_rows()
    lying = tuple(replace(row, geometry="as it lies on this scan") for row in rows)

    class Result:
        lengths = (*lying, *rows)

    assert chosen_lengths(Result()) == rows  # type: ignore[arg-type]


def test_a_total_without_a_size_is_not_answered_with_a_handle(case: Case) -> None:
    """88 mm (a mark of the other ear) fits no size; the handle that has sizes is another question."""
    rows = size_rows()
    far = replace(rows[0], needed=Estimate(88.0, 0.6, 86.8, 89.2, "mm", "made up"), size_mm=None, p_short=None,
                  p_fits=None, p_long=None, rank=None, flags=("no size of the catalogue is near",))  # fmt: skip
    handles = tuple(replace(row, reconstruction="handle", lateral_contact="midpoint of the holes") for row in rows)
    planned = with_results(case, lengths=(far, *handles))
    assert chosen_lengths(planned.results) == ()
    assert "no length can be given" in answer(planned, 4)
    assert five_answers(planned)[3].missing == ("no size of the catalogue is near",)
    assert chosen_lengths(with_results(case, lengths=handles).results)[0].reconstruction == "handle"


def test_a_missing_probability_is_not_a_small_one(case: Case) -> None:
    best = replace(next(row for row in size_rows() if row.rank == 1), p_fits=None, rank=1)
    text = answer(with_results(case, lengths=(best,)), 4)
    assert "4.50 fits with P not assessed" in text
    assert "<1 in 1000" not in text


def test_a_length_beyond_the_sizes_is_said_and_no_size_named(case: Case) -> None:
    beyond = "needed length beyond the sizes listed (2.75 to 4.00 mm): none of them is offered"
    rows = tuple(replace(row, rank=None, flags=(beyond,)) for row in size_rows() if (row.size_mm or 0.0) <= 4.0)
    text = answer(with_results(case, lengths=rows), 4)
    assert "4.6 mm (3.4 to 5.7)" in text
    assert beyond in text
    assert "No size is offered" in text
    assert "fits with P" not in text


def test_why_there_is_no_pair_is_said_once(case: Case) -> None:
    text = answer(with_results(case, pairs=(), pairs_reason="No pair: no cell left. Of 6 map cells removed: x 6."), 3)
    assert text.startswith("no pair can be offered: no cell left. Of 6 map cells")


def test_the_dangerous_warnings_come_first() -> None:
    from ctmeasure.case.danger import by_danger

    wall = "Canal wall 5:00 to 6:30 o'clock: entered as whole, the scan shows it not whole; the entry counts."
    heat, range_ = (
        "Heat: a hole lies under 2 mm from the facial canal.",
        "drum lateralisation: outside the published range",
    )
    derived, below = "a derived series (reformatted)", "the scan ends 3 mm below: what lies beyond was not looked at"
    assert by_danger((derived, below, range_, heat, wall)) == (wall, heat, below, derived, range_)
