"""Open options, the published class, and findings that contradict each other."""

from __future__ import annotations

import pytest

from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.lengths.options import contradictions, find_options, ossicle_class
from ctmeasure.planning.results import Measurement
from ctmeasure.uncertainty.estimate import Estimate


def ear(placed: str = "", absent: str = "", not_seen: str = "") -> LandmarkSet:
    marks = [Landmark(i, "placed", (Placement((0.0, 0.0, 0.0)),)) for i in placed.split()]
    marks += [Landmark(i, "absent") for i in absent.split()]
    return LandmarkSet([*marks, *(Landmark(i, "not_seen") for i in not_seen.split())])


@pytest.mark.parametrize(
    ("marks", "letter"),
    [
        (ear("umbo stapes_head incus_long_process"), "0"),
        (ear("umbo stapes_head", "incus_long_process"), "A"),
        (ear("umbo", "stapes_head"), "B"),
        (ear("stapes_head", "umbo"), "C"),
        (ear("", "umbo stapes_head"), "D"),
        (ear("handle_tip", "umbo stapes_head"), "D"),
        (ear("umbo", "", "stapes_head"), "not classed"),
        (ear("umbo"), "not classed"),
    ],
)
def test_class_counts_the_natural_handle_and_the_arch(marks: LandmarkSet, letter: str) -> None:
    assert ossicle_class(marks).startswith(letter)


def states(marks: LandmarkSet, facts: CaseFacts | None = None) -> dict[str, str]:
    return {o.id: o.state for o in find_options(marks, (), facts or CaseFacts()).options}


def test_no_operation_is_always_there_and_last() -> None:
    for marks in (ear(), ear("umbo stapes_head footplate_centre drum_centre"), ear("", "footplate_centre")):
        options = find_options(marks, (), CaseFacts()).options
        assert options[-1].id == "no operation"
        assert options[-1].state == "always"


def test_an_option_closes_only_on_what_is_known_to_be_absent() -> None:
    assert states(ear("drum_centre", "stapes_head"))["partial"] == "not open"
    assert states(ear("drum_centre", "", "stapes_head"))["partial"] == "needs"
    assert states(ear("drum_centre"))["total"] == "needs"
    assert states(ear("", "footplate_centre"))["total"] == "not open"
    assert states(ear("umbo"))["handle"] == "not open"


def test_mobility_is_a_need_until_notes_say_mobile() -> None:
    marks = ear("footplate_centre drum_centre")
    assert states(marks)["total"] == "needs"
    assert states(marks, CaseFacts(footplate_mobility="mobile"))["total"] == "open"
    fixed = find_options(marks, (), CaseFacts(footplate_mobility="fixed")).options[1]
    assert "footplate fixed by earlier notes" in fixed.against


def test_a_piston_shows_every_gate_and_is_never_simply_open() -> None:
    marks = ear("footplate_centre incus_long_process")
    facts = CaseFacts(only_hearing_ear="yes", findings={"narrow_niche": "present", "facial_dehiscence": "absent"})
    piston = find_options(marks, (), facts).options[3]
    assert piston.state == "needs"
    assert {"only hearing ear", "narrow niche"} <= set(piston.against)
    assert "dehiscent or overhanging facial nerve: absent" in piston.gates
    assert "gusher sign: wide vestibular aqueduct: not seen" in piston.gates


@pytest.mark.parametrize(
    ("marks", "facts", "words"),
    [
        (ear("incudostapedial_joint", "stapes_head"), CaseFacts(), "stapes arch absent"),
        (ear("incudostapedial_joint", "incus_long_process"), CaseFacts(), "long process of the incus absent"),
        (ear("umbo handle_tip"), CaseFacts(), "umbo and a replaced handle"),
        (ear("handle_contact", "handle_tip"), CaseFacts(), "handle tip absent"),
        (ear("chorda_entry"), CaseFacts(chorda_cut="yes"), "chorda cut"),
        (ear(), CaseFacts(nerve_seen_bare="yes", findings={"facial_dehiscence": "absent"}), "nerve seen bare"),
        (
            ear(),
            CaseFacts(findings={"scutum": "present"}, canal_wall=(WallState(330.0, 30.0, "eroded_scutum"),)),
            "eroded scutum",
        ),
    ],
)
def test_each_contradiction_is_named_in_one_line(marks: LandmarkSet, facts: CaseFacts, words: str) -> None:
    (line,) = contradictions(marks, (), facts)
    assert words in line


def height(value: float, u: float, qualifier: str) -> Measurement:
    estimate = Estimate(value, u, value - 1.96 * u, value + 1.96 * u, "mm", "given")
    return Measurement("oval_window_niche_height", qualifier, estimate)


def test_a_niche_contradicts_its_finding_only_outside_the_interval() -> None:
    narrow = CaseFacts(findings={"narrow_niche": "present"})
    wide = CaseFacts(findings={"narrow_niche": "absent"})
    for value, u, qualifier, facts, count in (
        (2.2, 0.1, "from the scan", narrow, 1),
        (2.2, 0.5, "from the scan", narrow, 0),
        (2.2, 0.1, "from landmarks", narrow, 0),
        (1.0, 0.1, "from landmarks", wide, 1),
        (1.0, 0.3, "from the scan", wide, 0),
        (1.8, 0.1, "from the scan", CaseFacts(), 0),
    ):
        assert len(contradictions(ear(), (), facts, (height(value, u, qualifier),))) == count
