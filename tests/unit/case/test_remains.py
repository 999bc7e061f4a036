"""What is left, in words: absent only when all of a part is, and the wall as entered beside the wall as shown."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest

from ctmeasure.anatomy.facts import WallState
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball
from ctmeasure.case.answers import five_answers
from ctmeasure.case.model import Case
from ctmeasure.case.remains import part_state, part_words, shown_words, what_is_left
from ctmeasure.case.store import load_case
from ctmeasure.planning.results import WallSector

MALLEUS = ("umbo", "malleus_lateral_process", "malleus_neck")
HERE = (Placement((0.0, 0.0, 0.0)),)


def marks(*statuses: str | None) -> LandmarkSet:
    return LandmarkSet(
        [
            Landmark(name, status, HERE if status in ("placed", "partial") else ())  # type: ignore[arg-type]
            for name, status in zip(MALLEUS, statuses, strict=True)
            if status
        ]
    )


TABLE = {
    # tip, lateral process, neck: state, words
    (None, None, None): ("not entered", "malleus not entered"),
    ("placed", None, None): ("present", "malleus present"),
    ("placed", "placed", "placed"): ("present", "malleus present"),
    ("placed", "not_seen", "not_seen"): ("present", "malleus present (tip seen, rest not seen)"),
    ("partial", None, None): ("partial", "malleus partial (tip partial, rest not entered)"),
    ("partial", "partial", "partial"): ("partial", "malleus partial"),
    ("absent", "absent", "absent"): ("absent", "malleus absent"),
    ("not_seen", "not_seen", "not_seen"): ("not seen", "malleus not seen"),
    ("absent", "not_seen", "not_seen"): ("not seen", "malleus (tip absent, rest not seen)"),
    ("absent", "absent", "not_seen"): ("not seen", "malleus (tip and lateral process absent, neck not seen)"),
    ("not_seen", "absent", "absent"): ("not seen", "malleus (lateral process and neck absent, tip not seen)"),
    ("absent", None, None): ("not entered", "malleus (tip absent, rest not entered)"),
    ("absent", "not_seen", None): ("not seen", "malleus (tip absent, lateral process not seen, neck not entered)"),
    ("not_seen", None, None): ("not seen", "malleus (tip not seen, rest not entered)"),
    ("absent", "placed", "placed"): ("partial", "malleus partial (lateral process and neck seen, tip absent)"),
    ("absent", "placed", "not_seen"): (
        "partial", "malleus partial (lateral process seen, tip absent, neck not seen)",
    ),
    ("absent", "partial", "not_seen"): (
        "partial", "malleus partial (lateral process partial, tip absent, neck not seen)",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("statuses", "said"), TABLE.items())
def test_every_kind_of_mix(statuses: tuple[str | None, ...], said: tuple[str, str]) -> None:
    found = marks(*statuses)
    assert (part_state(found, MALLEUS), part_words("malleus", found, MALLEUS)) == said


def test_over_all_mixes_absent_is_said_of_the_whole_only_when_all_of_it_is() -> None:
    for statuses in product((None, "placed", "partial", "absent", "not_seen"), repeat=3):
        found = marks(*statuses)
        state, words = part_state(found, MALLEUS), part_words("malleus", found, MALLEUS)
        assert (state == "absent") == (set(statuses) == {"absent"})
        assert (words == "malleus absent") == (set(statuses) == {"absent"})
        assert (state in ("present", "partial")) == bool({"placed", "partial"} & set(statuses))
        if "not_seen" in statuses:
            assert "not seen" in words, "what was not seen is always said"
        if "absent" in statuses:
            assert "absent" in words


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(Path(__file__).with_name("versions") / "case-1.json")


def sector(start: float, end: float, shown: str, entered: str, share: float | None = 0.8) -> WallSector:
    differs = bool(entered) and shown != "not in the scan" and (entered == "whole") != (shown == "whole")
    return WallSector("", start, end, shown, share, entered, entered or shown, 0.0, differs)


def test_the_wall_says_what_was_entered_and_what_the_scan_shows(case: Case) -> None:
    assert case.results is not None
    sectors = (
        sector(330, 30, "whole", "whole"), sector(30, 75, "whole", "whole"), sector(75, 105, "whole", "whole"),
        sector(105, 165, "not whole", "whole"), sector(165, 210, "not whole", "whole"),
        sector(210, 285, "whole", "whole"), sector(285, 330, "whole", "whole"),
    )  # fmt: skip
    facts = replace(case.facts, canal_wall=(WallState(0.0, 360.0, "intact"),))
    told = replace(case, side="right", facts=facts, results=replace(case.results, wall_sectors=sectors))
    sentence = five_answers(told)[0].sentences[0]
    # right ear: the hour is 12 - angle / 30, so 105 to 210 degrees read clockwise are 5:00 to 8:30
    assert "canal wall entered: intact all round; the scan shows it not whole at 5:00 to 8:30 o'clock: look" in sentence
    whole = replace(told.results, wall_sectors=sectors[:3])
    assert what_is_left(replace(told, results=whole)).endswith("canal wall intact all round")


def test_sectors_on_both_sides_of_zero_are_one_and_what_was_not_scanned_is_said() -> None:
    found = (sector(330, 30, "open or taken down", ""), sector(75, 105, "not in the scan", "", None),
             sector(285, 330, "open or taken down", ""))  # fmt: skip
    assert shown_words(found, "left") == (
        "the scan shows it open or taken down at 9:30 to 1:00 o'clock: look; not in the scan at 2:30 to 3:30 o'clock"
    )
    assert shown_words((sector(330, 30, "whole", ""),), "left") == ""


def test_a_marked_remnant_stands_in_answer_one(case: Case) -> None:
    assert "remnant" not in what_is_left(replace(case, structures=()))
    remnant = Ball("ossicle_remnant", "placed", ((1.0, 2.0, 3.0),), radius_mm=0.5)
    assert "ossicle remnant marked" in what_is_left(replace(case, structures=(remnant,)))
    assert "ossicle remnant not seen" in what_is_left(
        replace(case, structures=(Ball("ossicle_remnant", "not_seen", ()),))
    )
