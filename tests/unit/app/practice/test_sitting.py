"""An attempt while somebody works on it: blinded, every act kept, gone on with after a kill or without a database."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ear_marks import CENTRE_LPS, place, right_ear
from practice_sets import scanned_set

pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")

from ctmeasure.anatomy.structures import Tube
from ctmeasure.app.commands import MoveLandmark, PlaceAgain, SetStatus, SetStructure
from ctmeasure.app.practice.attempts import open_store
from ctmeasure.app.practice.sitting import Sitting, sit_down
from ctmeasure.app.practice.steps import Kept, after_step, changes, kept
from ctmeasure.app.session import Session
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Hole
from ctmeasure.store.attempts import join, steps
from ctmeasure.store.database import Store, StoreError

AT = (-43.0, 10.0, 60.5)
NERVE = Tube("facial_nerve", "placed", ((-42.0, 12.0, 60.0), (-44.0, 14.0, 55.0)), radii_mm=(None, None))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    found = open_store(tmp_path / "practice.db")
    join(found, "R1")
    return found


def sitting(store: Store, tmp_path: Path) -> tuple[Sitting, Session]:
    folder = tmp_path / "set"
    opened = scanned_set(folder)
    found, volume = sit_down(store, opened, "ear-00", "R1", side="right")
    session = Session(found.case(volume), volume)
    session.listen(lambda case: found.keep(case))
    return found, session


def test_every_act_is_on_the_disk_and_comes_back(store: Store, tmp_path: Path) -> None:
    found, session = sitting(store, tmp_path)
    for command in (
        MoveLandmark("stapes_head", 0, AT), PlaceAgain("stapes_head", 0, (-43.2, 10.0, 60.5)),
        SetStatus("umbo", "absent"), SetStructure(NERVE), MoveLandmark("anchor_1", 0, AT),
        MoveLandmark("drum_centre", 0, (-40.0, 10.0, 60.0)), MoveLandmark("drum_centre", 0, AT),
    ):  # fmt: skip
        session.do(command)
        assert not found.pending
    session.undo()
    found.choose_length(4.5)
    draft = ("annulus", (AT, (-40.0, 10.0, 61.0)))
    found.keep(session.case, draft=draft)
    store.close()

    again, volume = sit_down(open_store(store.url.database), scanned_set(tmp_path / "set"), "ear-00", "R1")
    case = again.case(volume)
    assert case.landmarks == session.case.landmarks
    assert case.structures == (NERVE,)
    assert again.state.holes == (Hole("anchor_1", AT),)
    assert (again.state.length_mm, again.state.draft, again.state.side) == (4.5, draft, "right")
    # the side, seven acts and the one taken back, the length, the draft: a step each
    assert len(steps(store, again.record.id)) == 11


def test_the_case_of_an_attempt_holds_nothing_of_the_reference(store: Store, tmp_path: Path) -> None:
    found, session = sitting(store, tmp_path)
    case = session.case
    assert not case.landmarks
    assert (case.structures, case.results, case.suggestions, case.history) == ((), None, (), ())
    assert case.scan.pseudonym == ""
    assert found.missing() == found.asked


def test_what_a_database_that_goes_away_did_not_keep_is_kept_when_it_is_back(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found, session = sitting(store, tmp_path)
    with monkeypatch.context() as gone:

        def refuse(*_: object) -> int:
            raise StoreError("the practice database does not answer", expected="", action="")

        gone.setattr("ctmeasure.store.attempts.add_step", refuse)
        session.do(MoveLandmark("stapes_head", 0, AT))
        session.do(SetStatus("umbo", "absent"))
        assert "does not answer" in found.trouble
        with pytest.raises(CtmeasureError, match="nothing was handed in"):
            found.hand_in(plans="none")
        assert found.pending
    assert found.retry() == ""
    assert set(kept(store, found.record).landmarks) == {"stapes_head", "umbo"}
    handed = found.hand_in(plans="none")
    assert handed.record.state == "handed in"
    with pytest.raises(CtmeasureError, match="handed in before"):
        found.hand_in(plans="none")


def test_going_on_needs_no_side_and_beginning_does(store: Store, tmp_path: Path) -> None:
    opened = scanned_set(tmp_path / "set")
    with pytest.raises(CtmeasureError, match="which ear"):
        sit_down(store, opened, "ear-00", "R1")
    assert not steps(store, 1)


def test_any_state_is_reached_step_by_step_and_steps_of_a_newer_version_are_left_alone() -> None:
    marks = right_ear()
    ring = marks.with_landmark(replace(place("umbo", CENTRE_LPS), stated_u_mm=0.4))
    states = [
        Kept(), Kept(marks, (NERVE,), (Hole("anchor_1", AT, (0.0, 1.0, 0.0)),), 4.5, "left"),
        Kept(ring, (), (Hole("anchor_1", AT), Hole("anchor_2", AT)), None, "left", ("annulus", (AT,))), Kept(),
    ]  # fmt: skip
    state = states[0]
    for wanted in states:
        for step in changes(state, wanted):
            state = after_step(state, step)
        assert state == wanted
    assert after_step(state, {"something new": 1}) == state
    first = {"landmark": "umbo", "status": "placed", "clicks": [[0, *AT]]}  # as the first version wrote it
    assert after_step(state, first).landmarks.point_lps("umbo") == pytest.approx(AT)


def test_the_clock_goes_on_from_what_was_kept(store: Store, tmp_path: Path) -> None:
    found, _ = sitting(store, tmp_path)
    seconds = iter(np.arange(0.0, 100.0, 10.0))
    later = Sitting(store, found.opened, found.record, clock=lambda: float(next(seconds)))
    assert later.active_s == pytest.approx(found.record.active_s + 10.0)
