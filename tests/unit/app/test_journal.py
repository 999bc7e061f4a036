"""Nothing a person did is lost: the journal, the hold on a case, the memory of a computation."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import numpy as np
import pytest
import window_phantom

from ctmeasure.app import compute, holes, journal
from ctmeasure.app.commands import MoveLandmark, PlaceAgain, RemoveStructure, SetSite, SetStatus
from ctmeasure.app.hold import Hold
from ctmeasure.app.journal import Journal, journal_file, left_behind
from ctmeasure.app.live import dragged_hole, live_numbers
from ctmeasure.app.memory import Memory
from ctmeasure.app.opened import open_anything
from ctmeasure.app.places import note_recent, read_settings, recent_work, write_settings
from ctmeasure.app.session import Session
from ctmeasure.case.model import SiteRequest
from ctmeasure.errors import CaseError, LandmarkError, OutputError


@pytest.fixture
def ear(tmp_path, monkeypatch):
    monkeypatch.setenv("CTMEASURE_STATE_DIR", str(tmp_path / "state"))
    volume = window_phantom.phantom_volume("right")
    return window_phantom.phantom_case(volume, "right"), volume


def moved(n: int) -> MoveLandmark:
    return MoveLandmark("drum_centre", 0, (0.1 * n, 10.0, 100.0))


def work(session: Session) -> None:
    for n in range(3):
        session.do(moved(n))
    session.do(SetStatus("stapes_head", "absent"))
    session.do(RemoveStructure("tegmen"))
    session.undo()
    session.undo()
    session.redo()


def test_a_killed_window_comes_back_with_every_step_and_how_it_looked(ear) -> None:
    case, volume = ear
    file = journal_file(case, None)
    session = Session(case, volume)
    kept = Journal(file, session)
    work(session)
    kept.note_look({"plane": "canal_across", "focus_lps": [1.0, 2.0, 3.0]})
    # no close: the process is gone
    left = left_behind(file, case)
    assert left is not None
    assert not left.in_order
    assert left.case == session.case
    assert left.look == {"plane": "canal_across", "focus_lps": [1.0, 2.0, 3.0]}
    assert [words for words, _ in left.undo] == [words for words, _ in session.steps_back]
    back = Session(left.case, volume, steps_back=left.undo, steps_forth=left.redo)
    assert back.redo_words == session.redo_words == "remove tegmen"
    while back.undo_words:
        back.undo()
    assert back.case.landmarks == case.landmarks
    assert back.case.structures == case.structures


def test_a_journal_goes_on_after_it_was_taken_up_again(ear) -> None:
    case, volume = ear
    file = journal_file(case, None)
    session = Session(case, volume)
    Journal(file, session).close()
    left = left_behind(file, case)
    assert left is not None
    assert left.in_order
    session.do(moved(1))  # nobody writes this one down any more
    left = left_behind(file, case)
    assert left is not None
    second = Session(left.case, volume, steps_back=left.undo)
    Journal(file, second)
    second.do(moved(7))
    again = left_behind(file, case)
    assert again is not None
    assert again.case.landmarks.point_lps("drum_centre")[0] == pytest.approx(0.7)
    assert again.steps == 1


def test_half_a_last_line_loses_only_that_step(ear) -> None:
    case, volume = ear
    file = journal_file(case, None)
    session = Session(case, volume)
    Journal(file, session)
    session.do(moved(1))
    before = session.case
    session.do(moved(2))
    file.write_bytes(file.read_bytes()[:-40])
    left = left_behind(file, case)
    assert left is not None
    assert left.case.landmarks == before.landmarks


def test_a_full_disk_is_said_and_everything_is_written_once_there_is_room(ear, monkeypatch) -> None:
    case, volume = ear
    file = journal_file(case, None)
    session = Session(case, volume)
    kept = Journal(file, session)

    def full(*_args: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(journal.os, "fsync", full)
        session.do(moved(1))
        assert "not written down" in kept.trouble
        assert os.strerror(errno.ENOSPC) in kept.trouble
        session.do(moved(2))
    session.do(moved(3))
    assert kept.trouble == ""
    left = left_behind(file, case)
    assert left is not None
    assert left.steps == 3
    assert left.case.landmarks == session.case.landmarks


def test_a_journal_of_a_case_that_another_program_changed_is_set_aside(ear) -> None:
    case, volume = ear
    file = journal_file(case, None)
    session = Session(case, volume)
    Journal(file, session)
    session.do(moved(1))
    other = Session(case, volume).do(MoveLandmark("umbo", 0, (0.0, 10.0, 100.0)))
    assert left_behind(file, other) is None
    assert not file.exists()
    assert file.with_suffix(".set-aside").exists()


def test_a_damaged_journal_is_set_aside_and_never_an_error(ear) -> None:
    case, _ = ear
    file = journal_file(case, None)
    for content in ("", "no json", '{"format": 99}', json.dumps({"format": 1, "case": {"schema_version": 1}})):
        file.write_text(content, encoding="utf-8")
        assert left_behind(file, case) is None


def test_the_second_window_on_a_case_is_told_who_holds_it_and_may_change_nothing(ear, tmp_path) -> None:
    case, volume = ear
    path = tmp_path / "case.json"
    path.write_text("{}", encoding="utf-8")
    first = Hold(path)
    with pytest.raises(OutputError) as refused:
        Hold(path)
    assert f"process {os.getpid()}" in str(refused.value)
    session = Session(case, volume, read_only=refused.value.found)
    with pytest.raises(CaseError, match="is open elsewhere"):
        session.do(moved(1))
    assert session.case is case
    first.release()
    first.release()
    Hold(path).release()
    assert sorted(p.name for p in tmp_path.iterdir() if p.is_file()) == ["case.json"]


def test_repeats_add_up_and_are_the_points_doubt(ear) -> None:
    case, _ = ear
    session = Session(case)
    x, y, z = case.landmarks.point_lps("drum_centre")
    session.do(PlaceAgain("drum_centre", 0, (x + 0.2, y, z)))
    session.do(PlaceAgain("drum_centre", 0, (x + 0.4, y, z)))
    landmark = session.case.landmarks["drum_centre"]
    assert [p.repeat for p in landmark.placements] == [0, 1, 2]
    np.testing.assert_allclose(landmark.point_lps, (x + 0.2, y, z))
    with pytest.raises(LandmarkError, match="not placed yet"):
        session.do(PlaceAgain("stapes_head", 0, (x, y, z)))


def test_settings_and_recent_work_are_remembered_and_a_broken_file_is_no_error(ear, tmp_path) -> None:
    assert read_settings() == {}
    assert write_settings({"large_type": True})
    assert read_settings() == {"large_type": True}
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        note_recent(tmp_path / name, side="left")
    note_recent(tmp_path / "a", side="left")
    assert [Path(row[0]).name for row in recent_work()] == ["a", "b"]
    (tmp_path / "b").rmdir()
    assert [Path(row[0]).name for row in recent_work()] == ["a"]
    (tmp_path / "state" / "recent.json").write_text("[[", encoding="utf-8")
    assert recent_work() == ()


def test_nothing_at_a_path_is_said_before_anything_else_is_asked(tmp_path) -> None:
    with pytest.raises(CaseError, match="there is no"):
        open_anything(tmp_path / "nonexistent")


def test_live_numbers_follow_the_points_with_the_values_a_plan_gives(ear) -> None:
    case, volume = ear
    before = {number.id: number for number in live_numbers(case, volume.geometry)}
    drum, footplate = (case.landmarks.point_lps(i) for i in ("drum_centre", "footplate_centre"))
    found = before["drum_to_footplate"]
    assert found.value_mm == pytest.approx(np.linalg.norm(drum - footplate), abs=1e-9)
    assert found.low_95 < found.value_mm < found.high_95
    # the drum lies half a millimetre outside the rim of these shapes
    assert before["drum_lateralisation"].value_mm == pytest.approx(0.5, abs=1e-6)
    out = drum + 1.0 * window_phantom.outwards("right")
    after = {n.id: n for n in live_numbers(MoveLandmark("drum_centre", 0, tuple(out)).apply(case), volume.geometry)}
    assert after["drum_lateralisation"].value_mm == pytest.approx(1.5, abs=1e-6)


def test_what_did_not_change_is_not_computed_again_and_gives_the_same_plan(ear) -> None:
    """Every landmark that is said not to touch the holes is moved at once: the remembered plan equals a fresh one."""
    from dataclasses import replace

    case, volume = ear
    case = replace(case, settings=replace(case.settings, map_angle_step_deg=30.0, map_rim_step_mm=2.0))
    memory, steps = Memory(), []
    compute.compute_case(case, volume, memory=memory)
    for name in holes.NOT_FOR_DRILLING:
        spot = np.add(case.landmarks.point_lps("drum_centre"), (-0.5, 0.3, 0.2))
        case = MoveLandmark(name, 0, tuple(float(v) for v in spot)).apply(case)
    remembered = compute.compute_case(case, volume, memory=memory, progress=lambda text, _: steps.append(text))
    assert not any("map" in text or "pairs" in text for text in steps)
    assert remembered == compute.compute_case(case, volume)


def test_a_dragged_hole_is_assessed_in_the_plan_there_is_and_the_plan_after_it_needs_no_new_map(ear) -> None:
    """Its bone and verdict are those of the plan made after it is let go; other marks ask for a new plan first."""
    from dataclasses import replace

    case, volume = ear
    case = replace(case, settings=replace(case.settings, map_angle_step_deg=30.0, map_rim_step_mm=2.0))
    memory, steps = Memory(), []
    assert dragged_hole(case, SiteRequest("a", (0.0, 0.0, 0.0)), memory) is None
    cells = [c for c in compute.compute_case(case, volume, memory=memory).results.zone if c.entry_lps is not None]
    site = SiteRequest("a", tuple(float(v) for v in np.add(cells[len(cells) // 2].entry_lps, 0.1)))
    live = dragged_hole(case, site, memory)
    case = SetSite(site).apply(case)
    let_go = compute.compute_case(case, volume, memory=memory, progress=lambda text, _: steps.append(text))
    assert "pairs of holes" in steps
    assert not any("map" in text or "canal wall" in text for text in steps)
    assert let_go == compute.compute_case(case, volume)
    (planned,) = let_go.results.sites
    assert (live.verdict, live.wall, live.clock_hour) == (planned.verdict, planned.wall, planned.clock_hour)
    assert dragged_hole(case, SiteRequest("a", (float("nan"), 0.0, 0.0)), memory) is None
    spot = tuple(float(v) for v in np.add(case.landmarks.point_lps("canal_lateral"), 0.1))
    assert dragged_hole(MoveLandmark("canal_lateral", 0, spot).apply(case), site, memory) is None
