"""The words of the panel, and which planes a case offers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ctmeasure_napari.planes import first_planes, plane_choices
from ctmeasure_napari.scene import point_label
from ctmeasure_napari.texts import COMPUTED, NEVER, OUT_OF_DATE, question_texts, scan_words, state_words, title_words

from ctmeasure.anatomy.landmarks import LandmarkSet


def test_after_a_change_no_computed_answer_shows_a_number(right_ear) -> None:
    case, _ = right_ear
    for text in question_texts(case, changed=True):
        if text.number in (2, 3, 4):
            assert text.answer == "not computed since the last change"
    assert question_texts(case, changed=False)[1].answer == "not computed yet"


def test_the_five_questions_come_in_order_and_in_their_words(right_ear) -> None:
    texts = question_texts(right_ear[0], changed=False)
    assert [text.number for text in texts] == [1, 2, 3, 4, 5]
    assert [text.question for text in texts] == [
        "What is left?",
        "How far out is the drum?",
        "Where can the holes go?",
        "How long?",
        "What moved?",
    ]
    assert "malleus (tip absent, rest not entered)" in texts[0].answer
    assert "stapes arch not seen" in texts[0].answer


def test_state_words_tell_never_outdated_and_computed_apart(right_ear, results) -> None:
    case, _ = right_ear
    said = [
        state_words(case, changed=False),
        state_words(case, changed=True),
        state_words(replace(case, results=results), changed=True),
    ]
    assert said == [NEVER, OUT_OF_DATE, COMPUTED]


def test_title_and_header_start_with_the_side_and_keep_the_pseudonym(right_ear) -> None:
    assert title_words(right_ear[0]) == "RIGHT ear - SAMPLE-TEST - ctmeasure"
    assert scan_words(right_ear[0])[0] == "SAMPLE-TEST\n0.40 x 0.40 x 0.40 mm"


def test_a_marked_ear_opens_along_and_down_its_canal_through_one_common_point(right_ear) -> None:
    case, volume = right_ear
    choices = plane_choices(case, volume.geometry)
    keys = first_planes(choices)
    assert keys == ("canal_upright", "canal_level", "canal_across")
    common = choices["canal_across"].plane.origin_lps
    np.testing.assert_allclose([choices[key].plane.offset_mm(common) for key in keys], 0.0, atol=1e-9)
    assert choices["superior" if "superior" in choices else "stapes_axial"].plane is None
    assert choices["stapes_axial"].missing


def test_an_unmarked_scan_opens_in_the_patients_planes_and_shows_all_of_it(right_ear) -> None:
    case, volume = right_ear
    choices = plane_choices(replace(case, landmarks=LandmarkSet()), volume.geometry)
    assert first_planes(choices) == ("axial", "coronal", "sagittal")
    plane = choices["axial"].plane
    assert plane.width_mm > 0.4 * 98
    assert choices["canal_upright"].missing
    np.testing.assert_allclose(plane.origin_lps, volume.geometry.centre_lps)


def test_points_are_called_as_people_call_them() -> None:
    assert point_label(("footplate_centre", 0)) == "footplate centre"
    assert point_label(("annulus", 0)) == "drum rim 1"
    assert point_label(("anchor_2", 1)) == "hole 2, direction"
