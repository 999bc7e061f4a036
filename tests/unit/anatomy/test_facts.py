"""Facts as people enter them: wrong kinds and contradictions are refused with found, expected and action."""

from __future__ import annotations

from typing import Any

import pytest

from ctmeasure.anatomy.facts import CaseFacts, WallState, facts_from_mapping, facts_to_mapping
from ctmeasure.errors import SettingsError


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("earlier_operations", 5, "a list of texts"),
        ("earlier_operations", "one", "a list of texts"),
        ("earlier_operations", ["one", 2], "a list of texts"),
        ("facial_function", 5, "a text"),
        ("implant_material", True, "a text"),
        ("side", 3, "a text"),
        ("canal_wall", "x", "a table of words"),
        ("canal_wall", {"330-30": 1}, "a table of words"),
        ("findings", ["scutum"], "a table of words"),
        ("findings", {"scutum": False}, "a table of words"),
        ("footplate_mobility", [], "mobile or fixed"),
        ("chorda_cut", 1, "yes or no"),
    ],
)
def test_a_value_of_the_wrong_kind_is_refused_in_one_line(key: str, value: Any, expected: str) -> None:
    with pytest.raises(SettingsError) as caught:
        facts_from_mapping({key: value})
    assert caught.value.found.startswith(key)
    assert expected in caught.value.expected
    assert caught.value.action == "correct the facts"
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text", ["0-400", "30-30", "0-0", "360-0", "-30-30", "nan-30", "10-370", "30", "1-2-3", "inf-3"]
)
def test_a_range_that_is_no_stretch_of_the_circle_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="canal_wall range"):
        facts_from_mapping({"canal_wall": {text: "intact"}})


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [("330-30", 330.0, 30.0), ("0-360", 0.0, 360.0), ("270-360", 270.0, 0.0), ("0-1", 0.0, 1.0)],
)
def test_ranges_of_the_circle_are_read(text: str, start: float, end: float) -> None:
    facts = facts_from_mapping({"canal_wall": {text: "rebuilt"}})
    assert facts.canal_wall == (WallState(start, end, "rebuilt"),)
    assert facts_from_mapping(facts_to_mapping(facts)) == facts


@pytest.mark.parametrize(
    "wall",
    [
        {"0-360": "intact"},
        {"330-30": "intact", "30-330": "intact"},
        {"0-200": "intact", "190-355": "intact", "350-10": "intact"},
    ],
)
def test_a_wall_taken_down_cannot_be_intact_all_round(wall: dict[str, str]) -> None:
    with pytest.raises(SettingsError, match="wall_taken_down is 'yes' and canal_wall says intact all round"):
        facts_from_mapping({"wall_taken_down": True, "canal_wall": wall})
    assert facts_from_mapping({"wall_taken_down": False, "canal_wall": wall}).wall_taken_down == "no"


@pytest.mark.parametrize("wall", [{}, {"330-30": "intact"}, {"0-180": "intact", "180-359": "intact"}])
def test_a_wall_taken_down_may_be_intact_in_part(wall: dict[str, str]) -> None:
    assert facts_from_mapping({"wall_taken_down": True, "canal_wall": wall}).wall_taken_down == "yes"


def test_one_stretch_cannot_be_both_intact_and_taken_down() -> None:
    with pytest.raises(SettingsError, match="330-60 intact and 50-120 taken down"):
        facts_from_mapping({"canal_wall": {"330-60": "intact", "50-120": "taken_down"}})
    facts = facts_from_mapping({"canal_wall": {"330-60": "intact", "60-330": "taken_down"}})
    assert [state.finding for state in facts.canal_wall] == ["intact", "taken_down"]


def test_nothing_entered_stays_unknown() -> None:
    assert facts_from_mapping({}) == CaseFacts()
