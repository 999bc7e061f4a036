"""Commands make new cases; undo and redo are exact."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Tube
from ctmeasure.app.commands import (
    ChangeSetting,
    MoveLandmark,
    MoveStructurePoint,
    PlaceRing,
    RemoveLandmark,
    RemoveSite,
    SetDoubt,
    SetFacts,
    SetReaderModel,
    SetSite,
    SetStatus,
    SetStructure,
)
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case, ScanReference, SiteRequest
from ctmeasure.errors import LandmarkError, SettingsError
from ctmeasure.planning.reader_model import ReaderModel

SCAN = ScanReference(
    series_uid="2.25.1",
    study_uid="2.25.2",
    frame_of_reference_uid="2.25.3",
    content_hash="0" * 64,
    description="invented",
    kernel="invented",
    modality="CT",
    intensity_unit="HU",
    date="",
    pseudonym="SAMPLE-00",
    shape_kji=(4, 5, 6),
    spacing_mm=(0.4, 0.3, 0.3),
    slice_thickness_mm=0.4,
    affine_lps=tuple(tuple(float(x) for x in row) for row in np.eye(4)),
)


def start() -> Session:
    marks = LandmarkSet([Landmark("umbo", "placed", (Placement((0.0, 0.0, 0.0)),))])
    nerve = Tube("facial_nerve", "placed", ((0.0, 0.0, 0.0), (0.0, 0.0, 5.0)), radii_mm=(0.6, 0.6))
    return Session(Case("right", SCAN, CaseFacts(side="right"), marks, (nerve,)))


COMMANDS = [
    MoveLandmark("umbo", 0, (1.0, 2.0, 3.0)),
    PlaceRing("lateral_semicircular_canal", ((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0))),
    SetStatus("scutum", "not_seen"),
    SetStatus("umbo", "absent"),
    SetDoubt("umbo", 0.7),
    RemoveLandmark("umbo"),
    SetStructure(Tube("chorda_tympani", "placed", ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0)), radii_mm=(0.2, 0.2))),
    MoveStructurePoint("facial_nerve", 1, (0.0, 0.0, 6.0)),
    SetSite(SiteRequest("a", (0.0, 0.0, 0.0), (0.0, 0.0, 1.0))),
    SetFacts(CaseFacts(side="right", chorda_cut="yes")),
    ChangeSetting("bur_diameter_mm", 0.5),
    SetReaderModel(ReaderModel("R1", "synthetic", ())),
]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.words)
def test_undo_and_redo_are_identities(command: object) -> None:
    session = start()
    before = session.case
    after = session.do(command)
    assert after != before
    assert session.undo() == before
    assert session.redo() == after
    assert [step.action for step in after.history] == [command.words]


def test_a_hole_can_be_taken_back_and_brought_back() -> None:
    session = start()
    for name in ("a", "b"):
        session.do(SetSite(SiteRequest(name, (0.0, 0.0, 0.0), (0.0, 0.0, 1.0))))
    both = session.case
    assert [site.id for site in session.do(RemoveSite("a")).sites] == ["b"]
    assert session.undo() == both
    assert [site.id for site in session.redo().sites] == ["b"]


def test_a_stated_doubt_is_kept_with_the_case_and_adds_to_the_doubt_of_the_placing(tmp_path) -> None:
    from ctmeasure.case.doubts import landmark_doubts
    from ctmeasure.case.store import load_case, save_case

    session = start()
    plain = landmark_doubts(session.case, session.case.landmarks["umbo"])[0].covariance_lps
    unsure = session.do(SetDoubt("umbo", 0.7))
    doubted = landmark_doubts(unsure, unsure.landmarks["umbo"])[0].covariance_lps
    np.testing.assert_allclose(doubted - plain, 0.49 * np.eye(3), atol=1e-12)
    save_case(unsure, tmp_path / "case.json")
    assert load_case(tmp_path / "case.json").landmarks == unsure.landmarks
    for wrong in (-0.1, 5.1, float("nan")):
        with pytest.raises(LandmarkError):
            session.do(SetDoubt("umbo", wrong))
    with pytest.raises(LandmarkError):
        session.do(SetDoubt("scutum", 0.5))


def test_a_new_step_forgets_what_was_taken_back() -> None:
    session = start()
    session.do(COMMANDS[0])
    session.undo()
    session.do(COMMANDS[2])
    assert session.redo_words == ""
    assert session.undo_words == "scutum not seen"


def test_a_refused_command_changes_nothing() -> None:
    session = start()
    before = session.case
    with pytest.raises(LandmarkError):
        session.do(MoveLandmark("umbo", 0, (float("nan"), 0.0, 0.0)))
    with pytest.raises(LandmarkError):
        session.do(MoveStructurePoint("facial_nerve", 9, (0.0, 0.0, 0.0)))
    with pytest.raises(SettingsError):
        session.do(ChangeSetting("bur_diameter_mm", 99.0))
    everywhere = (WallState(0.0, 360.0, "intact"), WallState(330.0, 30.0, "taken_down"))
    with pytest.raises(SettingsError):
        session.do(SetFacts(CaseFacts(side="right", canal_wall=everywhere)))
    assert session.case is before
    assert session.undo_words == ""


def test_listeners_hear_every_case_until_they_leave() -> None:
    session, heard = start(), []
    leave = session.listen(heard.append)
    session.do(COMMANDS[0])
    session.undo()
    leave()
    session.do(COMMANDS[0])
    assert len(heard) == 2
