"""Pairs in detail: arms, order, front, bone with interval, handle, and the second hole beside a drilled one."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.drilling.handle_position import DRUM_OUT_FLAG, handle_position
from ctmeasure.planning.drilling.pairs import rank_pairs, second_holes
from ctmeasure.planning.drilling.places import measure_places
from ctmeasure.planning.settings import Settings

COARSE = {"map_angle_step_deg": 8.0, "map_rim_step_mm": 1.0}


@pytest.fixture(scope="module")
def tip(ear):
    point = ear.canal.point_lps(0.0, 0.0, -1.0)
    return tuple(map(float, point))


@pytest.fixture(scope="module")
def pairs(scene, zone, tip):
    found, reason = rank_pairs(scene, zone, handle_tip=lambda a, b: tip)
    assert found, reason
    return found


def test_each_arm_runs_from_the_middle_to_its_hole_and_through_the_bone(pairs, scene, zone):
    exits = {c.entry_lps: c.to_exit_mm for c in zone.cells}
    for pair in pairs:
        for reach, entry in zip(pair.arm_reaches_mm, (pair.entry_1_lps, pair.entry_2_lps), strict=True):
            assert reach == pytest.approx(0.5 * pair.span_mm + exits[entry])
            assert reach <= scene.settings.arm_reach_mm
        turn = np.degrees(np.arccos(np.clip(np.dot(pair.direction_1_lps, pair.direction_2_lps), -1, 1)))
        assert pair.parallelism_deg == pytest.approx(turn, abs=1e-6)


def test_arms_that_reach_no_hole_empty_the_list_and_say_so(make_scene, zone):
    scene = make_scene(settings=Settings(**COARSE, arm_reach_mm=1.5))
    found, reason = rank_pairs(scene, zone)
    assert found == ()
    assert reason.startswith("No pair")
    assert "arm longer than 1.5 mm" in reason


def test_a_listed_hole_has_its_bone_with_an_interval(pairs):
    for pair in pairs:
        for bone, value in zip(pair.bones, pair.thicknesses_mm, strict=True):
            assert bone is None or bone.low_95 <= bone.value <= bone.high_95
            assert bone is None or bone.value == pytest.approx(value)
    assert any(bone is not None for pair in pairs for bone in pair.bones)


def test_what_is_best_at_one_thing_is_listed_and_says_so(pairs):
    best_at = (
        "largest clearance of all pairs",
        "bone nearest to the middle of its limits",
        "tip nearest to the middle",
    )
    assert any(words in p.reason for p in pairs for words in best_at)


def test_the_order_of_the_arms_has_a_reason(pairs):
    for pair in pairs:
        assert pair.first_in in (1, 2)
        assert pair.first_in_reason


def test_the_second_hole_keeps_span_and_bridge_to_the_drilled_one(scene, zone, pairs):
    places = zone.places
    row = int(np.argmin(np.linalg.norm(places.entry_lps - np.array(pairs[0].entry_1_lps), axis=1)))
    drilled = measure_places(
        scene, places.entry_lps[[row]], normal_lps=places.normal_lps[[row]],
        wall_angle_deg=places.wall_angle_deg[[row]], rim_distance_mm=places.rim_distance_mm[[row]],
        depth_mm=places.depth_mm[[row]], surface_u_mm=np.array([0.08]), direction_lps=places.direction_lps[[row]],
    )  # fmt: skip
    found, reason = second_holes(scene, zone, drilled)
    assert found, reason
    s = scene.settings
    for hole in found:
        span = np.linalg.norm(np.array(hole.cell.entry_lps) - places.entry_lps[row])
        assert hole.span_mm == pytest.approx(span)
        assert s.span_low_mm <= span <= s.span_high_mm
        assert min(hole.bridge_entry_mm, hole.bridge_exit_mm) >= s.bridge_mm
    partners = {pairs[0].entry_1_lps, pairs[0].entry_2_lps}
    assert any(hole.cell.entry_lps in partners for hole in found)


def test_no_second_hole_says_why(make_scene, zone):
    scene = make_scene(settings=Settings(**COARSE, span_low_mm=15.0, span_high_mm=16.0))
    found, reason = second_holes(scene, zone, zone.places)
    assert found == ()
    assert reason.startswith("No second hole")


def point(name, *coordinates):
    return Landmark(name, "placed", tuple(Placement(tuple(map(float, p)), i) for i, p in enumerate(coordinates)))


def test_handle_and_later_prosthesis_by_hand(ear):
    """A footplate 6 mm deep across the axis, tip 2 mm above it and 3 mm aside: lengths by Pythagoras."""
    canal = ear.canal
    rows = canal.superior_lps, canal.posterior_lps, canal.axis_lps
    at = lambda up, back, out: canal.frame.origin_lps + up * rows[0] + back * rows[1] + out * rows[2]  # noqa: E731
    marks = LandmarkSet(
        [
            point("footplate_centre", at(0, 0, -6)),
            point("footplate_anterior", at(0, -1.5, -6)),
            point("footplate_posterior", at(0, 1.5, -6)),
            point("footplate_superior", at(0.7, 0, -6)),
            point("promontory", at(-3, 0, -4)),
        ]
    )
    found = handle_position(
        tuple(at(4, -2, 1)), tuple(at(4, 2, 1)), tip_lps=tuple(at(3, 0, -4)), landmarks=marks, canal=canal,
        settings=Settings(),
    )  # fmt: skip
    assert found.total_mm == pytest.approx(np.sqrt(13.0))
    assert found.total_tilt_deg == pytest.approx(np.degrees(np.arctan2(3.0, 2.0)))
    assert found.to_promontory_mm == pytest.approx(6.0)
    assert found.length_mm == pytest.approx(np.sqrt(26.0))
    assert found.off_centre_mm == pytest.approx(0.0, abs=1e-9)
    assert found.axis_to_footplate_deg == pytest.approx(np.degrees(np.arcsin(5.0 / np.sqrt(26.0))))
    assert DRUM_OUT_FLAG not in found.flags


def test_without_marks_the_handle_says_what_is_missing(ear):
    found = handle_position(
        (0.0, -2.0, 4.0), (0.0, 2.0, 4.0), tip_lps=(0.0, 1.0, 0.0), landmarks=LandmarkSet(), canal=ear.canal,
        settings=Settings(),
    )  # fmt: skip
    assert (found.total_mm, found.to_promontory_mm) == (None, None)
    assert found.off_centre_mm == pytest.approx(1.0)
    assert len(found.flags) == 2
