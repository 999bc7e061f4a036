"""Two plans compared in words, from invented results."""

from __future__ import annotations

import pytest

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.planning.results import Clearance, LengthRow, PlanResult, SiteResult, WallPath
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.consequences import consequences
from ctmeasure.planning.scoring.score import score_attempt
from ctmeasure.uncertainty.estimate import Estimate


def about(value: float, u: float = 0.2, unit: str = "mm") -> Estimate:
    return Estimate(value, u, value - 2 * u, value + 2 * u, unit, "invented")


def length(value: float) -> LengthRow:
    return LengthRow("total", "as planned", "drum", "footplate", about(value), 4.5, 0.2, 0.6, 0.2, 1)


def gap(structure: str, value: float | None, verdict: str) -> Clearance:
    estimate = about(value) if value is not None else None
    return Clearance(structure, estimate, 0.5 if value else None, 0.5, 1.0, 0.001, verdict)  # type: ignore[arg-type]


def plan(needed: float | None, *gaps: Clearance, verdict: str = "caution") -> PlanResult:
    wall = WallPath(about(1.5), "measured", 1.5, "attic")  # type: ignore[arg-type]
    overall = Clearance("any", None, None, None, None, None, verdict)  # type: ignore[arg-type]
    site = SiteResult("front", (0, 0, 0), (0, 0, 1), 0.0, 10.0, 11.5, 2.0, 2.0, 20.0, wall, 2.0, True, gaps, overall)
    return PlanResult(
        measurements=(), sites=(site,) if gaps else (), zone=(), pairs=(), pairs_reason="",
        lengths=(length(needed),) if needed is not None else (), wall_map=None,
        attention=(), warnings=(), not_assessed=(), seed=1, version="0",
    )  # fmt: skip


def test_the_length_and_the_hole_in_the_words_of_the_feedback() -> None:
    mine = plan(5.2, gap("facial_nerve", 1.1, "clear"), gap("chorda_tympani", 1.0, "clear"))
    true = plan(4.6, gap("facial_nerve", 0.2, "keep out"), gap("chorda_tympani", 0.9, "clear"), verdict="keep out")
    found = consequences(mine, true, chosen_mm=5.0)
    first, second, third = found.sentences()
    assert first.startswith("the length you chose, 5.00 mm, is 0.4 mm longer than the reference needs")
    assert second.startswith("your length would be 0.6 mm too long (total, as planned, drum to footplate: 5.20")
    assert third == (
        "the hole you chose ('front') leaves 0.2 mm to the facial canal (-0.2 to 0.6; keep out); "
        "by your marks it leaves 1.1 mm"
    )


def test_a_hole_that_meets_an_unmarked_structure_is_a_danger() -> None:
    true = plan(4.6, gap("facial_nerve", -0.3, "keep out"), verdict="keep out")
    found = consequences(plan(4.6, gap("chorda_tympani", 1.0, "clear")), true)
    assert found.holes[0].words().startswith("the hole you chose ('front') meets the facial canal by 0.3 mm")
    reference = Reference("right", (Answer("right", LandmarkSet()),))
    score = score_attempt(Answer("right", LandmarkSet()), reference, landmarks=[], consequences=found)
    assert score.dangers == ("facial canal was not marked, and hole 'front' would meet it",)


def test_what_the_reference_does_not_assess_is_never_called_clear() -> None:
    true = plan(None, gap("facial_nerve", None, "not assessed"), verdict="not assessed")
    found = consequences(None, true, chosen_mm=4.5)
    assert found.holes[0].words() == "hole 'front': not assessed by the reference (not assessed)"
    assert found.not_given == (
        "lengths: the reference gives none",
        "the length you chose: the reference gives no length to compare it with",
    )


def test_points_that_give_no_length_are_said() -> None:
    found = consequences(plan(None), plan(4.6))
    assert found.not_given == ("total, as planned, drum to footplate: your points give no length",)


@pytest.mark.parametrize(("mine", "words"), [(4.6, "the same"), (4.1, "0.5 mm too short")])
def test_same_and_too_short(mine: float, words: str) -> None:
    assert f"your length would be {words}" in consequences(plan(mine), plan(4.6)).sentences()[0]
