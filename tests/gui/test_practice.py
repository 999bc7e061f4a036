"""Practice in the window: blinded, every act kept before it is drawn, gone on with, handed in once, shown beside it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("napari", reason="the window toolkit napari is not installed")
pytest.importorskip("qtpy.QtWidgets", reason="no Qt binding is installed")
pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")

from ctmeasure_napari.practice import build_practice
from ear_marks import place
from practice_sets import scanned_set

from ctmeasure.app.commands import MoveLandmark
from ctmeasure.app.practice.attempts import open_store
from ctmeasure.app.practice.sets import open_set
from ctmeasure.app.practice.sitting import sit_down
from ctmeasure.app.practice.steps import kept
from ctmeasure.io.practice import open_reference, reference_of
from ctmeasure.planning.reader_model import ReaderLandmark, ReaderModel
from ctmeasure.store.attempts import attempts, join, scores
from ctmeasure.store.database import StoreError


@pytest.fixture
def desk(display, make_napari_viewer, right_ear, qtbot, tmp_path):
    """Opens the attempt in a window; called again it is a new window of a new process, so to say."""
    case, volume = right_ear
    store = open_store(tmp_path / "practice.db")
    join(store, "R1")
    windows = []

    def sit():
        opened = scanned_set(tmp_path / "set", volume, case.landmarks)
        sitting, scan = sit_down(open_store(tmp_path / "practice.db"), opened, "ear-00", "R1", side="right")
        window = build_practice(make_napari_viewer(show=True), sitting, scan)
        window.bar.confirmed = lambda _words: True
        windows.append(window)
        return window

    yield sit
    for window in windows:
        window.close()


def click(window, point_lps) -> None:
    """A click of the left button into the large pane, at a place of the patient."""
    bench = window.workbench
    bench.look_at(point_lps)
    bench.clicked(bench.panes[0], np.asarray(point_lps, dtype=float))


def test_an_attempt_from_the_first_click_to_the_feedback(desk, right_ear, qtbot, tmp_path: Path) -> None:
    """One window for the whole way, because opening it is the slow part."""
    from qtpy.QtWidgets import QLabel

    truth = right_ear[0].landmarks
    window = desk()
    bench, store = window.workbench, window.sitting.store
    record = window.sitting.record

    # blinded: nothing but what the trainee says, and no word of the reference or of a number
    assert not bench.case.landmarks
    assert not list(bench.scene.points)
    listed = {window.panel.list.topLevelItem(i).data(0, 256) for i in range(window.panel.list.topLevelItemCount())}
    assert listed == set(window.sitting.asked)
    shown = " ".join(label.text() for label in window.main.findChildren(QLabel))
    assert "mm outside the rim" not in shown
    assert "nothing special" not in shown

    # the next thing is one that was asked, and a click is kept before it is drawn
    window.panel.hand.next.click()
    assert bench.placing.item.id in window.sitting.asked
    bench.start_placing("drum_centre")
    click(window, truth.point_lps("drum_centre") + np.array([0.0, 0.0, 0.5]))
    assert kept(open_store(tmp_path / "practice.db"), record).landmarks.placed("drum_centre")
    bench.start_placing("umbo")
    qtbot.waitUntil(window.panel.hand.absent.isEnabled, timeout=5000)
    window.panel.hand.absent.click()
    assert kept(store, record).landmarks.status("umbo") == "absent"
    window.panel.length.setValue(4.5)
    assert kept(store, record).length_mm == 4.5

    # clicks of a ring that are not enough yet are kept as well
    bench.start_placing("annulus")
    for point in truth["annulus"].points_lps[:2]:
        click(window, point)
    draft = kept(store, record).draft
    assert draft is not None
    assert (draft[0], len(draft[1])) == ("annulus", 2)

    # a database that goes away: said, and kept when it is back
    real, window.sitting.store = window.sitting.store, Gone()
    bench.let_go()
    bench.do(MoveLandmark("stapes_head", 0, tuple(truth.point_lps("canal_medial"))))
    assert "not kept yet" in window.bar.time.text()
    assert window.sitting.pending
    window.sitting.store = real
    qtbot.waitUntil(lambda: not window.sitting.pending, timeout=5000)
    assert kept(store, record).landmarks.placed("stapes_head")

    # handed in once, then the feedback: the same plane for both points, and no change any more
    window.hand_in("none")
    qtbot.waitUntil(lambda: window.feedback is not None, timeout=30000)
    text = window.feedback.words.toPlainText()
    assert "drum centre: 0.50 mm off" in text
    assert scores(store, record.id)[0].content["points"][1]["radial_mm"] == pytest.approx(0.5)
    at = next(i for i, point in enumerate(window.feedback.points) if point.id == "drum_centre")
    window.feedback.list.setCurrentRow(at)
    assert [not label.pixmap().isNull() for label in window.feedback.pictures] == [True, True]
    assert window.workbench.focus_lps == pytest.approx(truth.point_lps("drum_centre"))
    before = bench.case
    bench.do(MoveLandmark("umbo", 0, tuple(truth.point_lps("drum_centre"))))
    assert bench.case is before
    assert attempts(store, reader="R1")[0].state == "handed in"
    window.feedback.dialog.close()


class Gone:
    """A database that does not answer."""

    def transaction(self):
        raise StoreError("the practice database does not answer", expected="", action="")

    def close(self) -> None:
        pass


def test_a_window_that_was_killed_goes_on_where_it_stopped(desk, right_ear) -> None:
    truth = right_ear[0].landmarks
    window = desk()
    window.workbench.start_placing("stapes_head")
    click(window, truth.point_lps("canal_medial"))
    window.workbench.start_placing("annulus")
    click(window, truth["annulus"].points_lps[0])
    # no close, no farewell: the next window stands for the next process
    again = desk()
    assert again.workbench.case.landmarks.placed("stapes_head")
    assert again.workbench.placing is not None
    assert (again.workbench.placing.item.id, len(again.workbench.placing.draft)) == ("annulus", 1)
    assert again.sitting.active_s > 0.0


def test_a_set_of_the_open_cases_and_a_drill_from_the_dialog(display, qtbot, right_ear, tmp_path: Path) -> None:
    from ctmeasure_napari.practice_start import NOT_BEGUN, PracticeDialog

    case, volume = right_ear
    moved = place("drum_centre", case.landmarks.point_lps("drum_centre") + np.array([0.0, 0.0, 0.4]))
    other = replace(case, landmarks=case.landmarks.with_landmark(moved))
    dialog = PracticeDialog(lambda: [(case, volume), (other, volume)])
    qtbot.addWidget(dialog.dialog)
    dialog.database.setText(str(tmp_path / "practice.db"))
    dialog.reader.setText("R1")
    dialog._try(lambda: dialog.drill("clock"))
    assert "nobody is known as 'R1'" in dialog.words.toPlainText()
    dialog.new.setChecked(True)
    dialog.make_from_open(tmp_path / "ours", "our ears")
    assert "set 'our ears' with 1 tasks" in dialog.words.toPlainText()
    assert NOT_BEGUN in dialog.tasks.item(0).text()
    opened = open_set(tmp_path / "ours")
    reference = reference_of(open_reference(opened.folder, opened.document.tasks[0]))
    assert len(reference.answers) == 2, "two cases of one ear are two experts at one task"

    dialog.drill("clock")
    drill = dialog.drills[0]
    qtbot.addWidget(drill.dialog)
    for number, question in enumerate(drill.asked):
        drill.answer.setText(question.right[0] if number else "13")
        drill.take()
        assert drill.said.text().startswith("Right: " if number else "No: ")
    assert drill.question.text() == "9 of 10 right"
    dialog.show_progress()
    assert "drill clock: 9 of 10 right" in dialog.words.toPlainText()
    dialog.show_supervision()
    assert dialog.words.toPlainText().startswith("R1: 0 attempts")
    dialog.dialog.close()


def test_the_cross_of_a_measured_reader_wears_the_readers_own_ellipse(right_ear) -> None:
    from ctmeasure_napari.scene import case_scene

    case = right_ear[0]
    wide = tuple(tuple(row) for row in 0.64 * np.eye(3))
    model = ReaderModel("R1", "synthetic", (ReaderLandmark("drum_centre", 20, (0.0, 0.0, 0.0), wide),))  # type: ignore[arg-type]
    mark = case_scene(replace(case, reader_model=model)).point(("drum_centre", 0))
    plain = case_scene(case).point(("drum_centre", 0))
    # 0.8 mm an axis, times 1 + 1/20 and the variance of a t of 19 degrees of freedom; beside it voxel and edge
    assert np.diag(mark.covariance - plain.covariance) == pytest.approx(0.64 * 1.05 * 19 / 17 - 0.09, abs=1e-9)
