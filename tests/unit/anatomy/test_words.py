"""Sides, clock hours, sectors, landmarks and structures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ctmeasure.anatomy.clock import checked_side, clock_hour, clock_words, wall_angle_of_clock, wall_words
from ctmeasure.anatomy.facts import facts_from_mapping, facts_to_mapping
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.sectors import sector_of, sectors
from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.anatomy.vocabulary import landmark_terms, needed_landmarks, structure_terms
from ctmeasure.errors import LandmarkError, SettingsError


def test_posterior_is_nine_in_a_right_ear_and_three_in_a_left_one() -> None:
    # a surgeon looking into a right ear has the patient's back on the left: common practice, no source
    assert clock_hour(90.0, "right") == 9.0
    assert clock_hour(90.0, "left") == 3.0
    assert clock_hour(270.0, "right") == 3.0
    assert clock_hour(0.0, "right") == clock_hour(0.0, "left") == 12.0


@pytest.mark.parametrize("side", ["left", "right"])
def test_clock_and_wall_angle_are_inverse(side: str) -> None:
    angles = np.arange(0.0, 360.0, 7.5)
    back = wall_angle_of_clock(clock_hour(angles, checked_side(side)), checked_side(side))
    assert np.allclose(back, angles)


def test_clock_words_round_to_ten_minutes_and_never_read_zero() -> None:
    assert [clock_words(h) for h in (0.0, 0.5, 11.999, 12.83)] == ["12:00", "12:30", "12:00", "12:50"]


def test_wall_words_name_eight_walls() -> None:
    assert len({wall_words(a) for a in range(0, 360, 45)}) == 8
    assert wall_words(359.0) == wall_words(1.0) == "upper wall"


def test_sectors_cover_the_circle_once() -> None:
    for angle in np.arange(0.0, 360.0, 0.5):
        assert sum(s.contains(float(angle)) for s in sectors()) == 1
    assert math.isclose(sum((s.end_deg - s.start_deg) % 360 for s in sectors()), 360.0)


def test_sector_needs_name_known_structures() -> None:
    known = set(structure_terms()) | set(landmark_terms())
    assert {need.structure for s in sectors() for need in s.needs} <= known
    assert [n.part for n in sector_of(120.0).needs if n.structure == "facial_nerve"] == ["mastoid_confirmed"]


def test_every_needed_landmark_is_in_the_vocabulary() -> None:
    assert set(needed_landmarks()) == {"annulus", "canal_medial", "canal_lateral", "drum_centre", "footplate_centre"}


def test_unknown_ids_suggest_the_nearest() -> None:
    with pytest.raises(LandmarkError, match="did you mean 'footplate_centre'"):
        Landmark("footplate_center", "absent")


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"id": "umbo", "status": "absent", "placements": (Placement((0, 0, 0)),)}, "absent and coordinates"),
        ({"id": "umbo", "status": "placed"}, "no coordinates"),
        ({"id": "umbo", "status": "placed", "placements": (Placement((0, math.nan, 0)),)}, "not a number"),
        (
            {"id": "umbo", "status": "placed", "placements": (Placement((0, 0, 0)), Placement((1, 0, 0), 1))},
            "one point",
        ),
        ({"id": "annulus", "status": "placed", "placements": (Placement((0, 0, 0)), Placement((1, 0, 0), 1))}, "ring"),
    ],
)
def test_landmarks_that_contradict_themselves_are_refused(kwargs: dict, words: str) -> None:
    with pytest.raises(LandmarkError, match=words):
        Landmark(**kwargs)


def test_repeats_are_averaged_as_points() -> None:
    mark = Landmark("umbo", "placed", (Placement((0, 0, 0)), Placement((2, 0, 0), repeat=1)))
    assert mark.point_lps.tolist() == [1.0, 0.0, 0.0]
    assert mark.repeats_lps(0).shape == (2, 3)


def test_absent_and_not_seen_differ() -> None:
    marks = LandmarkSet([Landmark("umbo", "absent"), Landmark("scutum", "not_seen")])
    assert (marks.status("umbo"), marks.status("scutum"), marks.status("promontory")) == ("absent", "not_seen", None)


def test_structures_refuse_what_cannot_be_measured_to() -> None:
    with pytest.raises(LandmarkError, match="radii"):
        Tube("facial_nerve", "placed", ((0, 0, 0), (0, 0, 1)), radii_mm=(0.6,))
    with pytest.raises(LandmarkError, match="above zero"):
        Tube("facial_nerve", "placed", ((0, 0, 0), (0, 0, 1)), radii_mm=(0.6, -0.1))
    with pytest.raises(LandmarkError, match="patch"):
        Patch("tegmen", "placed", ((0, 0, 0), (1, 0, 0)))
    with pytest.raises(LandmarkError, match="ball"):
        Ball("jugular_bulb", "placed", ((0, 0, 0),))
    assert not Tube("facial_nerve", "placed", ((0, 0, 0), (0, 0, 1)), radii_mm=(0.6, None)).has_radii


def test_facts_survive_the_file_form_and_refuse_unknown_words() -> None:
    facts = facts_from_mapping(
        {
            "side": "right",
            "chorda_cut": True,
            "findings": {"scutum": "absent"},
            "canal_wall": {"330-30": "eroded_scutum"},
            "earlier_operations": ["first operation, notes not seen"],
        }
    )
    assert facts_from_mapping(facts_to_mapping(facts)) == facts
    assert facts.finding("aeration") == "not_seen"
    for wrong in ({"sde": "left"}, {"findings": {"scutum": "maybe"}}, {"canal_wall": {"upper": "intact"}}):
        with pytest.raises(SettingsError):
            facts_from_mapping(wrong)
