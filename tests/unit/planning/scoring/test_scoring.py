"""Scores against shapes whose errors are known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ear_marks import CENTRE_LPS, place, right_ear

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.anatomy.structures import Tube
from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.errors import CtmeasureError, LandmarkError
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.drills import grade, questions
from ctmeasure.planning.scoring.points import axes_of, curve_gaps, limit_mm, outcome, point_score
from ctmeasure.planning.scoring.score import advice, point_words, score_attempt, worst_points
from ctmeasure.planning.scoring.structures import structure_score
from ctmeasure.planning.scoring.terms import practice_terms

OUT, BACK, UP = np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0])
ROLL = np.radians(5.0)
UP_R, BACK_R = np.cos(ROLL) * UP + np.sin(ROLL) * BACK, np.cos(ROLL) * BACK - np.sin(ROLL) * UP


def reference(*more: Landmark, answers: int = 1) -> Reference:
    marks = LandmarkSet([*right_ear().values(), *more])
    return Reference("right", tuple(Answer("right", marks) for _ in range(answers)), "synthetic")


def shifted(name: str, shift: np.ndarray) -> Answer:
    marks = right_ear()
    return Answer("right", marks.with_landmark(place(name, marks[name].points_lps + shift)))


def test_an_error_is_split_into_lateral_posterior_superior_and_along_the_structure() -> None:
    known = 0.3 * OUT - 0.2 * BACK_R + 0.1 * UP_R
    ref = reference()
    found = point_score("stapes_head", shifted("stapes_head", known), ref, axes_of(ref.mean_landmarks(), "right"))
    parts = (found.lateral_mm, found.posterior_mm, found.superior_mm)
    assert parts == pytest.approx((0.3, -0.2, 0.1), abs=1e-9)
    assert found.radial_mm == pytest.approx(math.sqrt(0.14))
    # the stapes stands out of its footplate along the canal axis in this ear
    assert found.along_mm == pytest.approx(0.3, abs=1e-9)
    assert found.inside
    # 3 degrees of freedom at 95 %: 7.815 (chi-square tables), allowance 0.3 mm
    assert found.limit_mm == pytest.approx(0.3 * math.sqrt(7.815), abs=1e-4)


def test_lateral_is_outwards_in_either_ear() -> None:
    left = Reference("left", (Answer("left", LandmarkSet([place("umbo", np.zeros(3))])),))
    found = point_score(
        "umbo",
        Answer("left", LandmarkSet([place("umbo", np.array([0.4, 0, 0]))])),
        left,
        axes_of(LandmarkSet(), "left"),
    )
    assert found.lateral_mm == pytest.approx(0.4)


def test_outside_the_experts_spread() -> None:
    ref = reference()
    found = point_score("stapes_head", shifted("stapes_head", 0.9 * UP), ref, axes_of(ref.mean_landmarks(), "right"))
    assert found.inside is False


def test_the_limit_covers_another_expert() -> None:
    # experts of the same scatter, no allowance: the limit must hold a further one in 95 % of ears
    rng, sd, experts, runs, held = np.random.default_rng(201), 0.3, 3, 4000, 0
    for _ in range(runs):
        points = rng.normal(0, sd, (experts + 1, 3))
        answers = tuple(Answer("left", LandmarkSet([place("umbo", p)])) for p in points[:experts])
        spread = Reference("left", answers).spread("umbo")
        assert spread is not None
        mean, found_sd, freedom = spread
        held += np.linalg.norm(points[-1] - mean[0]) <= limit_mm(found_sd, freedom, experts, allowance_mm=1e-9)
    assert held / runs == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / runs))


def test_a_ring_is_compared_as_a_curve_whatever_its_indices() -> None:
    def circle(angles: np.ndarray, radius: float) -> np.ndarray:
        return radius * np.stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)], axis=1)

    wanted = circle(np.radians(np.arange(0.0, 360.0, 22.5)), 4.0)
    placed = circle(np.radians(np.arange(10.0, 360.0, 45.0)), 4.25)
    gaps = curve_gaps(placed, wanted, closed=True)
    assert np.linalg.norm(gaps, axis=1) == pytest.approx(0.25, abs=0.01)


def test_a_ring_that_lies_off_as_a_whole_gives_back_its_shift_and_the_scatter_of_its_points() -> None:
    rng, shift, scatter = np.random.default_rng(311), np.array([0.3, -0.2, 0.15]), 0.1
    wanted, found, spread = right_ear()["annulus"].points_lps, [], []
    reference = Reference("right", (Answer("right", right_ear()),))
    axes = axes_of(right_ear(), "right")
    for _ in range(40):
        placed = wanted + shift + scatter * rng.standard_normal(wanted.shape)
        answer = Answer("right", right_ear().with_landmark(place("annulus", placed)))
        score = point_score("annulus", answer, reference, axes)
        found.append([score.lateral_mm, score.posterior_mm, score.superior_mm])
        spread.append(score.scatter_mm)
    # 13 points, across the curve only: a mean in the plane of the ring rests on half of them
    error = scatter / math.sqrt(13 / 2 * 40)
    assert np.mean(found, axis=0) == pytest.approx(axes.split(shift), abs=4 * error + 0.01)
    assert np.sqrt(np.mean(np.square(spread))) == pytest.approx(scatter, rel=0.1)


@pytest.mark.parametrize(
    ("expected", "given", "word"),
    [
        ("placed", "placed", "placed"), ("placed", "partial", "partly"), ("partial", "partial", "placed"),
        ("placed", "absent", "missed"), ("absent", "placed", "invented"), ("not_seen", "partial", "invented"),
        ("absent", "absent", "agreed"), ("not_seen", "absent", "mistaken"), ("placed", None, "unanswered"),
        (None, "placed", "open"),
    ],
)  # fmt: skip
def test_statuses(expected: str | None, given: str | None, word: str) -> None:
    assert outcome(expected, given) == word


def test_experts_who_disagree_leave_a_status_open() -> None:
    answers = [Answer("left", LandmarkSet([Landmark("umbo", s)])) for s in ("absent", "not_seen")]  # type: ignore[arg-type]
    assert Reference("left", tuple(answers)).status("umbo") is None


def test_a_tube_is_scored_by_gap_and_by_how_much_of_it_was_followed() -> None:
    line = np.stack([np.linspace(0, 20, 21), np.zeros(21), np.zeros(21)], axis=1)
    whole = Tube("facial_nerve", "placed", tuple(map(tuple, line)), radii_mm=(0.6,) * 21)
    part = Tube("facial_nerve", "placed", tuple(map(tuple, line[:11] + 0.4 * UP)), radii_mm=(0.6,) * 11)
    ref = Reference("left", (Answer("left", LandmarkSet(), (whole,)),))
    found = structure_score("facial_nerve", Answer("left", LandmarkSet(), (part,)), ref, axes_of(LandmarkSet(), "left"))
    assert (found.mean_mm, found.superior_mm) == pytest.approx((0.4, 0.4))
    # 10 of 20 mm, and as far beyond its end as 1 mm of distance reaches: sqrt(1 - 0.16)
    assert found.covered == pytest.approx((10 + math.sqrt(0.84)) / 20, abs=0.02)


def test_dangers_are_counted_apart() -> None:
    marks = [m for m in right_ear().values() if m.id != "stapes_head"]
    ref = Reference("right", (Answer("right", LandmarkSet([*marks, Landmark("stapes_head", "absent")])),), "synthetic")
    found = score_attempt(Answer("left", right_ear()), ref, landmarks=["stapes_head", "umbo"])
    assert found.dangers == (
        "left for right: the ear is the right one, you said left",
        "a stapes head was marked that is not there",
    )
    assert found.failed


@pytest.mark.parametrize(
    ("answered", "fails"),
    [
        ([], True),
        ([Landmark("stapes_head", "absent")], True),
        ([Landmark("stapes_head", "not_seen")], True),
        (None, False),
    ],
)
def test_what_is_not_answered_as_it_is_fails(answered: list[Landmark] | None, fails: bool) -> None:
    """A landmark that is there: left out, denied, not seen, and placed where it is."""
    ref = reference()
    answer = ref.first if answered is None else Answer("right", LandmarkSet(answered))
    assert score_attempt(answer, ref, landmarks=["stapes_head"]).failed is fails


def test_a_perfect_attempt_scores_a_hundred_and_one_at_the_limit_sixty_one() -> None:
    ref = reference()
    assert score_attempt(ref.first, ref, landmarks=["umbo", "stapes_head"]).composite == pytest.approx(100.0)
    at_limit = shifted("stapes_head", 0.3 * math.sqrt(7.814728) * UP)
    assert score_attempt(at_limit, ref, landmarks=["stapes_head"]).composite == pytest.approx(60.65, abs=0.01)


def test_an_unanswered_landmark_lowers_the_score_and_is_named() -> None:
    ref = reference()
    marks = LandmarkSet([m for m in right_ear().values() if m.id != "stapes_head"])
    found = score_attempt(Answer("right", marks), ref, landmarks=["stapes_head", "drum_centre"])
    assert found.composite == pytest.approx(50.0)
    assert found.status_share == pytest.approx(0.5)
    assert point_words(found.points[0]) == "stapes head: you did not answer; it is there"
    assert worst_points(found)[0].id == "stapes_head"


def test_words_and_advice() -> None:
    ref = reference()
    axes = axes_of(ref.mean_landmarks(), "right")
    good = point_score("stapes_head", ref.first, ref, axes)
    assert advice(good) == ""
    bad = point_score("stapes_head", shifted("stapes_head", 1.0 * OUT), ref, axes)
    assert point_words(bad) == (
        "stapes head: 1.00 mm off (1.0 lateral, 1.0 of it along the structure), outside the experts' 0.84 mm"
    )
    assert "both crura" in advice(bad)


def test_every_landmark_has_a_plane_a_mistake_and_known_ends() -> None:
    from ctmeasure.anatomy.planes import RECIPES

    terms = practice_terms()
    assert set(terms) == set(landmark_terms())
    for term in terms.values():
        assert term.plane in RECIPES
        assert len(term.mistake) > 20
        assert term.along is None or set(term.along) <= set(landmark_terms())


def test_references_that_cannot_be() -> None:
    with pytest.raises(LandmarkError, match="without any answer"):
        Reference("left", ())
    with pytest.raises(LandmarkError, match="both ears"):
        Reference("left", (Answer("right", LandmarkSet()),))


def test_drills() -> None:
    # behind in a right ear is 9 o'clock, in a left ear 3 o'clock
    for question in questions("clock", 60, seed=3):
        if "straight back:" in question.text:
            assert question.right[0] == ("9" if question.text.startswith("right") else "3")
    asked = questions("behind", 40, seed=4)
    assert any("lower back wall" in q.text and "facial canal" in q.right for q in asked)
    found = grade(asked[:2], [asked[0].right[-1].upper() + " o'clock", "nothing"])
    assert found.right == (True, False)


@pytest.mark.parametrize("bad", [("hours", 3), ("clock", 0)])
def test_drills_that_cannot_be(bad: tuple[str, int]) -> None:
    with pytest.raises(CtmeasureError):
        questions(*bad, seed=1)


def test_more_answers_than_questions() -> None:
    with pytest.raises(CtmeasureError, match="2 answers to 1"):
        grade(questions("clock", 1, seed=1), ["1", "2"])


def test_the_reference_centre_is_where_it_was_built() -> None:
    assert right_ear().point_lps("canal_medial") == pytest.approx(CENTRE_LPS)
