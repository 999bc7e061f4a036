"""Attempts from start to score without a scan; the reference stays shut, and tampering shows."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from ear_marks import place, right_ear
from practice_sets import ASKED, missed, small_set

pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")

from ctmeasure.app.practice import attempts as practice
from ctmeasure.app.practice.files import reader_model, write_export, write_reader_model
from ctmeasure.app.practice.pages import write_progress
from ctmeasure.app.practice.progress import progress_lines, reader_progress
from ctmeasure.app.practice.sets import PracticeSet, open_set
from ctmeasure.app.practice.steps import kept, landmark_step
from ctmeasure.app.practice.supervise import supervision, supervision_lines
from ctmeasure.errors import CtmeasureError, OutputError
from ctmeasure.io.practice import SEALED, SEALING, SetError, open_reference
from ctmeasure.io.reader_model import read_reader_model
from ctmeasure.planning.scoring.answers import Answer, Hole
from ctmeasure.store.attempts import REPEAT_FLAG, add_step, join, scores, steps
from ctmeasure.store.database import Store, StoreError

ZERO = np.zeros(3)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    found = practice.open_store(tmp_path / "practice.db")
    join(found, "R1")
    return found


def attempt(store: Store, opened: PracticeSet, task: str, marks, reader: str = "R1", again: bool = False):  # type: ignore[no-untyped-def]
    record = practice.start(store, opened, task, reader, again=again)
    return practice.hand_in(store, opened, record, Answer("right", marks), plans="none")


def test_clicks_are_kept_and_handed_in_and_scored(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    record = practice.start(store, opened, "ear-00", "R1")
    wrong, right = (place("stapes_head", right_ear()["stapes_head"].points_lps + d) for d in (1.0, 0.0))
    for mark in (wrong, right):
        add_step(store, record.id, landmark_step(mark))
    store.close()
    going_on = practice.start(store, opened, "ear-00", "R1")
    state = kept(store, going_on)
    assert state.landmarks["stapes_head"] == right
    handed = practice.hand_in(store, opened, going_on, practice.read_answer("right", None, kept=state), plans="none")
    assert handed.score.points[0].radial_mm == pytest.approx(0.0)
    assert handed.score.points[1].outcome == "unanswered"
    assert scores(store, record.id)[0].content["composite"] == pytest.approx(50.0)
    assert "did not answer" in "\n".join(practice.feedback_lines(handed))


def test_nothing_of_the_reference_is_read_before_the_hand_in(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = small_set(tmp_path / "set")

    def unpacked(*_: object) -> None:
        raise AssertionError("the reference was unpacked")

    monkeypatch.setattr("ctmeasure.io.practice.open_reference", unpacked)
    record = practice.start(store, opened, "ear-00", "R1")
    add_step(store, record.id, landmark_step(place("stapes_head", ZERO)))
    with pytest.raises(AssertionError, match="unpacked"):
        practice.hand_in(store, opened, record, Answer("right", right_ear()), plans="none")
    # the answer is in the book already: it can be scored later, and cannot be changed any more
    monkeypatch.undo()
    with pytest.raises(StoreError, match="handed in before"):
        practice.hand_in(store, opened, record, Answer("right", right_ear()), plans="none")


def test_the_manifest_and_the_sealed_file_say_nothing_by_eye(tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    point = f"{right_ear().point_lps('stapes_head')[0]:.1f}"
    for file in (tmp_path / "set").rglob("*"):
        if file.is_file():
            assert b"nothing special" not in file.read_bytes()
            assert point.encode() not in file.read_bytes()
    assert opened.document.sealing == SEALING
    assert "no lock" in SEALING


def test_a_second_hand_in_and_a_repeat(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    attempt(store, opened, "ear-00", missed(np.array([1.0, 0, 0]), ZERO))
    with pytest.raises(StoreError, match="was handed in by R1"):
        attempt(store, opened, "ear-00", right_ear())
    again = attempt(store, opened, "ear-00", right_ear(), again=True)
    assert again.record.flags == (REPEAT_FLAG,)
    found = reader_progress(store, "R1")
    assert [row.counts for row in found.attempts] == [True, False]
    assert found.landmarks[1].errors_mm == pytest.approx((1.0,))


def test_a_reference_edited_after_attempts_is_refused_and_no_score_changes(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set", tasks=1)
    handed = attempt(store, opened, "ear-00", right_ear())
    before = scores(store, handed.record.id)
    sealed = next((tmp_path / "set" / SEALED).glob("*.ref"))
    sealed.write_bytes(sealed.read_bytes() + b"x")
    join(store, "R2")
    for call in (
        lambda: practice.start(store, opened, "ear-00", "R2"),
        lambda: practice.score_again(store, opened, handed.record, plans="none"),
    ):
        with pytest.raises(StoreError, match="was changed after attempts began"):
            call()
    with pytest.raises(SetError, match="edited after it was sealed"):
        open_reference(opened.folder, opened.document.tasks[0])
    assert scores(store, handed.record.id) == before
    sealed.unlink()
    with pytest.raises(SetError, match="cannot be read"):
        practice.start(store, opened, "ear-00", "R2")


def test_a_changed_set_is_refused(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    attempt(store, opened, "ear-00", right_ear())
    manifest = tmp_path / "set" / "set.json"
    data = json.loads(manifest.read_text())
    data["tasks"][0]["level"] = "hard"
    manifest.write_text(json.dumps(data))
    with pytest.raises(StoreError, match="set 'invented' was changed"):
        practice.start(store, open_set(tmp_path / "set"), "ear-01", "R1")


def test_damaged_sets_unknown_tasks_and_too_many_holes(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    with pytest.raises(SetError, match="no task 'ear-99'"):
        practice.start(store, opened, "ear-99", "R1")
    with pytest.raises(SetError, match="no practice set"):
        open_set(tmp_path)
    with pytest.raises(OutputError, match="holds a set already"):
        small_set(tmp_path / "set")
    record = practice.start(store, opened, "ear-00", "R1")
    with pytest.raises(CtmeasureError, match="1 holes for task"):
        practice.hand_in(
            store, opened, record, Answer("right", right_ear(), holes=(Hole("a", (0, 0, 0)),)), plans="none"
        )
    with pytest.raises(CtmeasureError, match="a length of 45 mm"):
        practice.hand_in(store, opened, record, Answer("right", right_ear(), length_mm=45.0), plans="none")
    (tmp_path / "set" / "set.json").write_text("{")
    with pytest.raises(SetError, match="no practice set"):
        open_set(tmp_path / "set")


def test_a_simulated_reader_is_recovered_and_becomes_a_reader_model(store: Store, tmp_path: Path) -> None:
    count, rng = 14, np.random.default_rng(301)
    bias, sd = np.array([0.3, -0.1, 0.0]), np.array([0.15, 0.25, 0.1])
    opened = small_set(tmp_path / "set", tasks=count)
    drawn = bias + sd * rng.standard_normal((count, 3))
    for n in range(count):
        attempt(store, opened, f"ear-{n:02d}", missed(drawn[n], ZERO))
    found = reader_progress(store, "R1")
    stapes = next(item for item in found.landmarks if item.id == "stapes_head")
    assert stapes.bias_mm == pytest.approx(drawn.mean(axis=0), abs=1e-9)
    assert stapes.sd_mm == pytest.approx(drawn.std(axis=0, ddof=1), abs=1e-9)
    assert (np.abs(np.array(stapes.bias_mm) - bias) < 4 * sd / count**0.5).all()
    words = write_reader_model(store, "R1", tmp_path / "model.json")
    assert "never narrows" in words
    model = read_reader_model(tmp_path / "model.json")
    assert model == reader_model(store, "R1")
    assert model.origin == "synthetic"
    with pytest.raises(OutputError, match="exists"):
        write_reader_model(store, "R1", tmp_path / "model.json")


def test_too_few_attempts_give_no_reader_model(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set")
    attempt(store, opened, "ear-00", right_ear())
    with pytest.raises(CtmeasureError, match="at least 12 placements"):
        reader_model(store, "R1")


def test_progress_supervision_and_export_in_words_and_files(store: Store, tmp_path: Path) -> None:
    opened = small_set(tmp_path / "set", tasks=5)
    join(store, "R2")
    for n in range(5):
        attempt(store, opened, f"ear-{n:02d}", missed(np.array([0.1, 0, 0.2 * n]), np.array([0, 1.5, 0])))
    found = reader_progress(store, "R1")
    assert found.next_step.startswith("practise the drum centre next (5 of 5 failed): the outer face is taken")
    assert len(found.cusum.unacceptable_at) == 1
    assert "not yet" in "\n".join(progress_lines(found))
    files = write_progress(found, tmp_path / "out")
    assert {"progress.csv", "landmarks.csv", "overall.svg", "stapes_head.svg"} <= set(files)
    assert (tmp_path / "out" / "progress.csv").read_text().count("\n") == 6
    assert (tmp_path / "out" / "overall.svg").read_bytes().startswith(b"<?xml")
    page = supervision(store)
    assert [row["struggles_with"] for row in page["people"]] == ["drum centre", ""]
    assert "R2: 0 attempts" in "\n".join(supervision_lines(page))
    write_export(store, "R1", tmp_path / "r1.json")
    assert len(json.loads((tmp_path / "r1.json").read_text())["attempt"]) == 5
    assert steps(store, 1) == ()


def test_the_asked_landmarks_are_known() -> None:
    from ctmeasure.anatomy.vocabulary import landmark_terms, needed_landmarks
    from ctmeasure.app.practice.sets import asked_landmarks

    assert set(needed_landmarks()) <= set(asked_landmarks()) <= set(landmark_terms())
    assert set(ASKED) <= set(asked_landmarks())
