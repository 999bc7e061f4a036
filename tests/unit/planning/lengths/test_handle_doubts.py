"""A handle's numbers: measured between the points everything is measured between, each with its interval."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from ctmeasure.planning.lengths.handle_doubts import handle_doubts
from ctmeasure.planning.lengths.sizes import plan_lengths
from ctmeasure.planning.results import HandlePosition, HolePair, RefinedRecord

ENTRIES = (2.0, -1.5, 4.4), (2.0, 2.5, 4.4)
CLICKED = HandlePosition((2.0, 0.5, 4.4), (-1.0, 0.0, 0.0), 9.9, 0.5, 9.9, 9.0, 9.9, 9.0, ("kept",))


def pair(rank: int, verdict: str = "caution") -> HolePair:
    out = (1.0, 0.0, 0.0)
    return HolePair(
        rank, ENTRIES[0], out, ENTRIES[1], out, (11.0, 1.0), (330.0, 30.0), (1.0, 1.0), (2.0, 2.0), 4.0, 3.0, 3.0, None,
        "", None, (-1.0, 0.0, 0.0), verdict, "", handle=CLICKED,  # type: ignore[arg-type]
    )  # fmt: skip


RIM = {"footplate_anterior": (-4.0, -1.5, 0.0), "footplate_posterior": (-4.0, 1.5, 0.0),
       "footplate_superior": (-4.0, 0.0, 0.7), "footplate_inferior": (-4.0, 0.0, -0.7)}  # fmt: skip


def test_every_number_is_that_of_the_shapes_and_has_its_interval(make_lengths) -> None:  # type: ignore[no-untyped-def]
    given = make_lengths(points=RIM, pair_entries_lps=ENTRIES)
    first, second, kept = handle_doubts(given, (pair(1), pair(2), pair(3, "clear")))
    handle = first.handle
    assert handle is not None
    # tip 1 mm medial of the rim's centre at (-1, 0, 0); top (2, 0.5, 4.4); promontory (-3, 0, -4); plate normal +x
    truth = {
        "length": math.sqrt(9.0 + 0.25 + 4.4**2),
        "to_promontory": math.sqrt(4.0 + 16.0),
        "axis_to_footplate": math.degrees(math.asin(3.0 / math.sqrt(9.0 + 0.25 + 4.4**2))),
        "total": 3.0,
    }
    for name, value in truth.items():
        estimate = getattr(handle, name)
        assert estimate.value == pytest.approx(value, abs=1e-6), name
        assert estimate.low_95 < value < estimate.high_95
        assert estimate.standard_uncertainty > 0.0
    assert (handle.length_mm, handle.total_mm) == pytest.approx((truth["length"], 3.0))
    assert handle.total_tilt_deg == pytest.approx(0.0, abs=1e-6)
    assert handle.flags == ("kept",)
    # per axis: tip 0.1 of the hand with the rim's own small share, promontory 0.1
    assert 0.13 < handle.to_promontory.standard_uncertainty < 0.19  # type: ignore[union-attr]
    assert second.handle is not None
    assert second.handle.length is None, "only the pairs that are named first"
    assert second.handle.length_mm == pytest.approx(truth["length"])
    assert kept.handle is not None
    assert kept.handle.length is not None


def test_a_footplate_found_in_the_image_moves_the_total_as_it_moves_the_lengths(make_lengths) -> None:  # type: ignore[no-untyped-def]
    tiny = tuple(tuple(1e-4 if i == j else 0.0 for j in range(3)) for i in range(3))
    found = RefinedRecord(
        "footplate_centre", True, "", (-4.0, 0.0, 0.0), (-4.5, 0.0, 0.0), tiny, 0.5, (0.8, 0.6, 0.0),  # type: ignore[arg-type]
        ((-0.6, 0.8, 0.0), (0.0, 0.0, 1.0)), (0.01, 0.01),
    )  # fmt: skip
    given = make_lengths(pair_entries_lps=ENTRIES)
    given = replace(given, measure=replace(given.measure, refined=(found,)))
    lengths = plan_lengths(given)
    (done,) = handle_doubts(given, (pair(1),), rows=lengths.rows, shafts=lengths.shafts)
    row = next(r for r in lengths.rows if (r.reconstruction, r.lateral_contact) == ("total", "planned handle tip"))
    assert done.handle is not None
    assert done.handle.total == row.needed, "one quantity, one number"
    assert done.handle.total_mm == pytest.approx(3.5)
    # the normal found leans by acos(0.8) to the line, which runs along x
    assert done.handle.total_tilt_deg == pytest.approx(math.degrees(math.acos(0.8)), abs=1e-6)


def test_what_is_not_placed_is_left_out(make_lengths) -> None:  # type: ignore[no-untyped-def]
    given = make_lengths(status={"promontory": "not_seen", "footplate_centre": "not_seen"})
    bare = replace(CLICKED, to_promontory_mm=None, axis_to_footplate_deg=None, total_mm=None, total_tilt_deg=None)
    (done,) = handle_doubts(given, (replace(pair(1), handle=bare),))
    assert done.handle is not None
    assert done.handle.length is not None
    assert (done.handle.total, done.handle.to_promontory, done.handle.total_mm) == (None, None, None)
    assert handle_doubts(given, (replace(pair(1), handle=None),))[0].handle is None
