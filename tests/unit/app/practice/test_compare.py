"""Which marks, holes and facts go into the two plans; the planning itself is tested where it stands."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from ear_marks import right_ear

from ctmeasure.app.practice import compare
from ctmeasure.case.model import Case
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.results import PlanResult
from ctmeasure.planning.scoring.answers import Answer, Hole, Reference
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

EMPTY = PlanResult(
    measurements=(), sites=(), zone=(), pairs=(), pairs_reason="", lengths=(), wall_map=None,
    attention=(), warnings=(), not_assessed=(), seed=1, version="0",
)  # fmt: skip


def test_both_plans_get_the_attempts_holes_and_each_its_own_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Case] = []

    def planned(case: Case, volume: Volume, **_: Any) -> Case:
        seen.append(case)
        if case.side == "left":
            raise LandmarkError("the canal axis points out of a right ear, the side given is left")
        return replace(case, results=EMPTY)

    monkeypatch.setattr(compare, "compute_case", planned)
    volume = Volume(Geometry((2, 2, 2), np.eye(4)), np.zeros((2, 2, 2), np.int16))
    answer = Answer("left", right_ear(), holes=(Hole("front", (1.0, 2.0, 3.0)),), length_mm=4.5)
    marks = type(right_ear())([m for m in right_ear().values() if m.id != "stapes_head"])
    reference = Reference("right", (Answer("right", marks),), "synthetic")
    found, mine, true = compare.plan_both(answer, reference, volume, facts={"side": "right", "chorda_cut": "yes"})
    assert mine is None
    assert [case.side for case in seen] == ["right", "left"]
    assert [case.sites[0].entry_lps for case in seen] == [(1.0, 2.0, 3.0)] * 2
    assert "stapes_head" not in true.landmarks
    assert "stapes_head" in seen[1].landmarks
    assert all(case.facts.chorda_cut == seen[0].facts.chorda_cut for case in seen)
    assert found.not_given[0].startswith("your marks give no plan: the canal axis points out of a right ear")
