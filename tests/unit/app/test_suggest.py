"""Suggestions: kept beside the marks, accepted one by one, refused by the reader, never placed by themselves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.suggestions import Suggestion
from ctmeasure.app.commands import AcceptSuggestion, Suggest
from ctmeasure.app.opened import open_sample
from ctmeasure.app.suggest import suggest_landmarks, suggestions_table
from ctmeasure.case.document import case_from_json, case_to_json
from ctmeasure.errors import LandmarkError, TableError
from ctmeasure.io.tables import read_landmarks

FIRST = ("canal_medial", "canal_lateral", "annulus", "footplate_centre", "lateral_semicircular_canal")
UMBO = Suggestion("umbo", ((1.0, 2.0, 3.0),), (0.3,), "a mean ear", False)


@pytest.fixture(scope="module")
def sample():  # type: ignore[no-untyped-def]
    """The shipped ear with its first clicks only, and what was marked besides."""
    case, volume = open_sample()
    few = LandmarkSet([m for name, m in case.landmarks.items() if name in FIRST])
    return replace(case, landmarks=few), volume, case.landmarks


def test_suggestions_lie_where_the_sample_was_marked(sample) -> None:  # type: ignore[no-untyped-def]
    case, volume, marked = sample
    found = suggest_landmarks(case, volume)
    by_id = {s.id: s for s in found.suggestions}
    assert not set(by_id) & set(FIRST)
    for name, allowed_mm in (("promontory", 0.9), ("round_window", 1.2), ("footplate_anterior", 0.9)):
        off = np.linalg.norm(np.array(by_id[name].points_lps[0]) - marked.point_lps(name))
        assert off < allowed_mm, name
    assert by_id["promontory"].from_image
    assert not by_id["pyramidal_eminence"].from_image
    assert {n.id for n in found.not_proposed} >= {"anchor_1", "old_prosthesis"}
    assert all(n.why for n in found.not_proposed)


def test_a_suggestion_enters_nothing_until_it_is_accepted(sample) -> None:  # type: ignore[no-untyped-def]
    case = Suggest((UMBO,)).apply(sample[0])
    assert "umbo" not in case.landmarks
    assert case_from_json(case_to_json(case)).suggestions == (UMBO,)
    accepted = AcceptSuggestion("umbo", "reader").apply(case)
    assert accepted.landmarks.point_lps("umbo").tolist() == [1.0, 2.0, 3.0]
    assert accepted.landmarks["umbo"].placements[0].observer == "reader"
    assert accepted.suggestions == ()
    with pytest.raises(LandmarkError, match="not suggested"):
        AcceptSuggestion("scutum").apply(case)
    along = replace(UMBO, id="facial_nerve", structure=True)
    with pytest.raises(LandmarkError, match="is a structure"):
        AcceptSuggestion("facial_nerve").apply(replace(case, suggestions=(along,)))


def test_the_written_table_is_refused_until_accepted(tmp_path: Path) -> None:
    table = tmp_path / "S.csv"
    table.write_text(suggestions_table((UMBO, replace(UMBO, id="facial_nerve", structure=True))), encoding="utf-8")
    with pytest.raises(TableError, match=r"line 2: 'umbo' is a suggestion that nobody has accepted"):
        read_landmarks(table)
    table.write_text(table.read_text(encoding="utf-8").replace("suggested", "placed"), encoding="utf-8")
    assert read_landmarks(table).point_lps("umbo").tolist() == [1.0, 2.0, 3.0]
