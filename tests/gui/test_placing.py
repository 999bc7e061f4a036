"""Placing everything by clicks on bare models, taking everything back, doing it again; killed and recovered."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import window_phantom

pytest.importorskip("napari", reason="the window toolkit napari is not installed")

from ctmeasure_napari import acts, adapter, panes
from ctmeasure_napari.checklist import NOT_ENTERED, item_of, items, next_item, rows_of, state_of
from ctmeasure_napari.conference import Stepper, compare, readers
from ctmeasure_napari.convert import flat_from_lps, through
from ctmeasure_napari.drawings import HEIGHT, SKETCHES, WIDTH, sketch
from ctmeasure_napari.keeper import Keeper
from ctmeasure_napari.planes import plane_choices
from ctmeasure_napari.workbench import Workbench
from napari.utils._proxies import ReadOnlyWrapper
from napari.utils.interactions import mouse_press_callbacks, mouse_release_callbacks

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Ball
from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms
from ctmeasure.app.commands import MoveLandmark, PlaceAgain
from ctmeasure.app.session import Session
from ctmeasure.errors import CtmeasureError

PRECISION_MM = 0.05
"""A click at a known place must give its position this well."""


def bench_of(case, volume) -> Workbench:
    models = tuple(adapter.new_model() for _ in range(3))
    for model in models:
        model.canvas.size = (300, 360)
    return Workbench(Session(case, volume), models)


@pytest.fixture
def empty_ear(right_ear):
    case, volume = right_ear
    return replace(case, landmarks=LandmarkSet(), structures=()), volume


def click(bench: Workbench, point_lps) -> None:
    """A press and a release of the mouse where the large plane shows a place, after scrolling to it."""
    from types import SimpleNamespace

    pane = bench.panes[0]
    bench.look_at(point_lps)
    flat = tuple(flat_from_lps(through(pane.plane, bench.focus_lps), point_lps))
    for kind, callbacks in (("mouse_press", mouse_press_callbacks), ("mouse_release", mouse_release_callbacks)):
        event = SimpleNamespace(
            type=kind, position=flat, pos=np.zeros(2), button=1, modifiers=[], handled=False, is_dragging=False,
            dims_displayed=[0, 1],
        )  # fmt: skip
        callbacks(pane.model, ReadOnlyWrapper(event, exceptions=("handled",)))


def truth_of(case) -> dict[str, np.ndarray]:
    """Where the shapes are: every landmark and structure of the made-up ear."""
    found = {name: mark.points_lps for name, mark in case.landmarks.items() if mark.is_placed}
    for item in case.structures:
        dome = np.add(item.points_lps, (0.0, 0.0, item.radius_mm)) if isinstance(item, Ball) else np.empty((0, 3))
        found[item.id] = np.concatenate([item.points_lps, dome])
    return found


@pytest.mark.parametrize("side", ["right", "left"])
def test_everything_is_placed_by_clicks_in_the_planes_it_turns_to_taken_back_and_done_again(side, request) -> None:
    case, volume = request.getfixturevalue(f"{side}_ear")
    truth = truth_of(case)
    bench = bench_of(replace(case, landmarks=LandmarkSet(), structures=()), volume)
    start = bench.case
    order = [
        item
        for item in items()
        if item.id in truth and not (item.id == "lateral_semicircular_canal" and item.what == "structure")
    ]
    assert [item.id for item in order][:3] == ["canal_lateral", "canal_medial", "annulus"]
    for item in order:
        bench.start_placing(item.id)
        assert bench.placing is not None
        assert bench.panes[0].key in item.planes
        for point in truth[item.id]:
            click(bench, point)
        bench.end_placing()
    for item in order:
        if item.what == "landmark":
            placed = bench.case.landmarks[item.id].points_lps
            np.testing.assert_allclose(placed, truth[item.id], atol=PRECISION_MM)
        else:
            found = next(s for s in bench.case.structures if s.id == item.id)
            np.testing.assert_allclose(found.points_lps, truth[item.id][: len(found.points)], atol=PRECISION_MM)
            if isinstance(found, Ball):
                assert found.radius_mm == pytest.approx(3.5, abs=PRECISION_MM)
    full = bench.case
    steps = 0
    while bench.session.undo_words or (bench.placing and bench.placing.draft):
        bench.undo()
        steps += 1
    assert bench.case is start
    assert steps == len(full.history) - len(start.history)
    while bench.session.redo_words:
        bench.redo()
    assert bench.case is full


def test_a_draft_is_not_in_the_case_until_it_is_enough_and_undo_goes_through_it_click_by_click(empty_ear) -> None:
    bench = bench_of(*empty_ear)
    start = bench.case
    bench.start_placing("annulus")
    ring = [window_phantom.place((0.0, 4.4 * np.sin(a), 4.4 * np.cos(a)), "right") for a in (0.0, 1.5, 3.0, 4.5, 5.5)]
    for n, point in enumerate(ring[:3], start=1):
        click(bench, point)
        assert bench.case is start
        assert f"{n} of at least 4 clicks" in bench.message
        assert len(bench.placing.draft) == n
    click(bench, ring[3])
    assert state_of(bench.case, item_of("annulus")) == "placed, 4 points"
    click(bench, ring[4])
    assert state_of(bench.case, item_of("annulus")) == "placed, 5 points"
    bench.undo()
    bench.undo()
    assert bench.case is start
    assert len(bench.placing.draft) == 3
    bench.undo()
    assert len(bench.placing.draft) == 2
    bench.redo()
    assert len(bench.placing.draft) == 3
    bench.redo()
    assert state_of(bench.case, item_of("annulus")) == "placed, 4 points"
    assert bench.placing.draft == ()
    bench.undo()
    bench.end_placing()
    assert "3 clicks were not enough" in bench.message


def test_absent_and_not_seen_are_different_and_no_ear_is_without_a_facial_canal(empty_ear) -> None:
    bench = bench_of(*empty_ear)
    bench.start_placing("umbo")
    bench.set_status("absent")
    bench.start_placing("stapes_head")
    bench.set_status("not_seen")
    assert (bench.case.landmarks.status("umbo"), bench.case.landmarks.status("stapes_head")) == ("absent", "not_seen")
    before = bench.case
    bench.start_placing("facial_nerve")
    bench.set_status("absent")
    assert bench.case is before
    assert "no ear is without" in bench.message
    bench.set_status("not_seen")
    assert bench.case.structures[0].status == "not_seen"
    bench.start_placing("chorda_tympani")
    bench.set_status("absent")
    assert bench.case.structures[1].status == "absent"


def test_placing_again_adds_a_repeat_and_its_scatter_is_the_doubt(right_ear) -> None:
    bench = bench_of(*right_ear)
    at = bench.case.landmarks.point_lps("footplate_centre")
    for shift in (0.3, -0.3, 0.1):
        bench.start_placing("footplate_centre", again=True)
        click(bench, np.add(at, (0.0, shift, 0.0)))
    assert len(bench.case.landmarks["footplate_centre"].placements) == 4
    rows = {row.item.id: row for row in rows_of(bench.case, bench.scene, 1)}
    assert rows["footplate_centre"].state == "placed, 4 times"


def test_the_list_leads_through_what_is_needed_first_and_names_everything_there_is(empty_ear) -> None:
    case, _ = empty_ear
    named = {(item.id, item.what) for item in items()}
    assert {(i, "landmark") for i in landmark_terms()} <= named
    assert {i for i, what in named if what == "structure"} >= set(structure_terms()) - set(landmark_terms())
    order = []
    while (item := next_item(case)) is not None and item.needed:
        order.append(item.id)
        assert state_of(case, item) == NOT_ENTERED
        if item.what == "landmark" and not item.many:
            case = MoveLandmark(item.id, 0, (0.0, 10.0, 100.0)).apply(case)
        else:
            bench = bench_of(case, window_phantom.phantom_volume("right"))
            bench.start_placing(item.id)
            bench.set_status("not_seen")
            case = bench.case
    assert order == ["canal_lateral", "canal_medial", "annulus", "drum_centre", "footplate_centre", "facial_nerve"]


@pytest.mark.parametrize("side", ["right", "left"])
def test_drawings_stay_in_their_frame_and_a_left_ear_is_the_mirror_of_a_right_one(side) -> None:
    for item in items():
        assert item.drawing in SKETCHES
        drawn = sketch(item.drawing, item.spot, side)
        for x, y in (*(p for line in drawn.lines for p in line), drawn.spot):
            assert 0.0 <= x <= WIDTH
            assert 0.0 <= y <= HEIGHT
    right, left = (sketch("level", (18.0, 40.0), s) for s in ("right", "left"))
    assert (right.left, left.right) == ("outside", "outside")
    assert left.spot == (WIDTH - right.spot[0], right.spot[1])


@pytest.mark.parametrize("tilt_deg", [0.0, 17.0])
@pytest.mark.parametrize("side", ["right", "left"])
def test_a_click_tells_the_place_in_a_tilted_head_and_a_free_plane(side, tilt_deg) -> None:
    """The head is turned about two axes: planes, clicks and the patient's coordinates go with it."""
    from scipy.spatial.transform import Rotation

    from ctmeasure.volume.geometry import Geometry
    from ctmeasure.volume.volume import Volume

    volume = window_phantom.phantom_volume(side)
    case = window_phantom.phantom_case(volume, side)
    turn = Rotation.from_euler("xy", [tilt_deg, 0.5 * tilt_deg], degrees=True)
    affine = volume.geometry.affine_lps.copy()
    affine[:3, :3] = turn.as_matrix() @ affine[:3, :3]
    affine[:3, 3] = turn.apply(affine[:3, 3])
    grid = Geometry(volume.geometry.shape_kji, affine, "1.2.3")
    from ctmeasure.case.model import scan_reference

    turned = Volume(grid, volume.values, volume.source)
    marks = LandmarkSet(
        replace(m, placements=tuple(replace(p, position_lps=tuple(turn.apply(p.position_lps))) for p in m.placements))
        for m in case.landmarks.values()
    )
    bench = bench_of(replace(case, landmarks=marks, structures=(), scan=scan_reference(turned)), turned)
    target = turn.apply(window_phantom.place((3.0, 4.0, 0.0), side))  # on the wall of the air canal
    for key in ("canal_upright", "canal_across", "axial"):
        bench.choose_plane(0, key)
        bench.turn(bench.panes[0], about="down", by_deg=11.0)
        assert bench.panes[0].key == panes.FREE
        click(bench, target)
        np.testing.assert_allclose(bench.focus_lps, target, atol=PRECISION_MM)


def test_a_point_of_a_structure_and_a_hole_are_moved_like_a_landmark(right_ear) -> None:
    bench = bench_of(*right_ear)
    before = bench.case
    bench.move(("keep/facial_nerve", 1), window_phantom.place((-6.0, 2.5, 3.4), "right"))
    nerve = next(s for s in bench.case.structures if s.id == "facial_nerve")
    np.testing.assert_allclose(nerve.points_lps[1], window_phantom.place((-6.0, 2.5, 3.4), "right"))
    bench.move(("hole/new", 0), window_phantom.place((3.0, 0.0, 4.0), "right"))
    assert [site.id for site in bench.case.sites] == ["new"]
    assert any(mark.kind == "hole" for mark in bench.scene.points)
    bench.undo()
    bench.undo()
    assert bench.case is before


def test_a_hole_is_taken_back_and_comes_back_by_undo(right_ear) -> None:
    bench = bench_of(*right_ear)
    bench.move(("hole/new", 0), window_phantom.place((3.0, 0.0, 4.0), "right"))
    with_hole = bench.case
    bench.select(("hole/new", 0))
    acts.remove(bench)
    assert bench.case.sites == ()
    assert bench.message == "hole new taken back"
    assert not any(mark.kind == "hole" for mark in bench.scene.points)
    bench.undo()
    assert bench.case is with_hole


def test_a_dragged_hole_says_how_it_stands_where_it_is_and_only_letting_go_changes_the_case(right_ear) -> None:
    from ctmeasure.planning.results import Clearance, SiteResult, WallPath
    from ctmeasure.uncertainty.estimate import Estimate

    def near(mm: float) -> Estimate:
        return Estimate(mm, 0.2, mm - 0.4, mm + 0.4, "mm", "test")

    bench = bench_of(*right_ear)
    bench.move(("hole/new", 0), window_phantom.place((3.0, 0.0, 4.0), "right"))
    bench.select(("hole/new", 0))
    before, asked = bench.case, []

    def assessed(site):
        asked.append(site)
        gaps = [
            Clearance(name, near(mm), 1.0, None, None, None, verdict)
            for name, mm, verdict in (("facial_nerve", 4.1, "clear"), ("chorda_tympani", 0.6, "keep out"))
        ]
        wall = WallPath(near(1.6), "resolved", 2.0, "attic")
        return SiteResult(
            "new", site.entry_lps, (0.0, 0.0, 1.0), 0.0, 0.0, 12.0, 2.0, 0.0, 0.0, wall, 2.5, True, tuple(gaps), gaps[1]
        )

    pane = bench.panes[0]
    there = np.array(window_phantom.place((2.5, 0.4, 4.0), "right"))
    bench.drag(pane, ("hole/new", 0), there)
    assert bench.message == "hole new: assessed when it is let go", "no plan is there to assess it in"
    bench.assess_hole = assessed
    bench.drag(pane, ("hole/new", 0), there)
    np.testing.assert_allclose(asked[-1].entry_lps, there)
    assert bench.message.startswith("hole new, preliminary: keep out; bone 1.6")
    assert "nearest: chorda tympani 0.6" in bench.message
    assert bench.case is before
    bench.move(("hole/new", 0), there)
    np.testing.assert_allclose(bench.case.sites[0].entry_lps, there)


def test_unsure_is_a_doubt_a_person_states_on_top_of_the_placing(right_ear) -> None:
    bench = bench_of(*right_ear)
    before = bench.case
    plain = bench.scene.point(("drum_centre", 0)).covariance
    bench.select(("drum_centre", 0))
    acts.set_doubt(bench, 0.8)
    assert bench.case.landmarks.status("drum_centre") == "placed"
    np.testing.assert_allclose(bench.scene.point(("drum_centre", 0)).covariance, plain + 0.8**2 * np.eye(3), atol=1e-9)
    assert "unsure by 0.8 mm" in state_of(bench.case, item_of("drum_centre"))
    # an arrow key moves the point; how sure the person is stays
    bench.nudge(bench.panes[0], right_mm=0.1)
    assert bench.case.landmarks["drum_centre"].stated_u_mm == 0.8
    held = bench.case
    acts.set_doubt(bench, 9.0)
    assert "not seen" in bench.message
    assert bench.case is held
    bench.undo()
    bench.undo()
    assert bench.case is before
    bench.select(None)
    acts.set_doubt(bench, 0.5)
    assert "only a placed landmark" in bench.message


def test_a_snap_is_a_step_of_its_own_that_undo_takes_back(empty_ear) -> None:
    """The canal is a cylinder of 4 mm about its axis: where a snap must go is known."""
    case, volume = empty_ear
    bench = bench_of(case, volume)
    bench.snap = True
    bench.start_placing("canal_medial")
    bench.choose_plane(0, "axial")
    clicked = window_phantom.place((3.0, 0.8, 0.5), "right")
    click(bench, clicked)
    snapped = bench.case.landmarks.point_lps("canal_medial")
    np.testing.assert_allclose(snapped[1:], window_phantom.place((3.0, 0.0, 0.0), "right")[1:], atol=0.15)
    assert "middle of the canal's air" in bench.message
    bench.undo()
    np.testing.assert_allclose(bench.case.landmarks.point_lps("canal_medial"), clicked, atol=PRECISION_MM)

    bench.snap = False
    bench.start_placing("scutum")
    bench.choose_plane(0, "sagittal")
    beside = np.array(window_phantom.place((3.0, 0.0, 3.6), "right"))
    click(bench, beside)
    np.testing.assert_allclose(bench.case.landmarks.point_lps("scutum"), beside, atol=PRECISION_MM)
    bench.select(("scutum", 0))
    acts.snap_in_hand(bench)
    on_wall = bench.case.landmarks.point_lps("scutum") - window_phantom.place((3.0, 0.0, 0.0), "right")
    assert np.hypot(on_wall[1], on_wall[2]) == pytest.approx(window_phantom.CANAL_RADIUS_MM, abs=0.15)
    bench.undo()
    np.testing.assert_allclose(bench.case.landmarks.point_lps("scutum"), beside, atol=PRECISION_MM)
    bench.asked = ("scutum",)  # practice: the hand is what is asked for
    acts.snap_in_hand(bench)
    np.testing.assert_allclose(bench.case.landmarks.point_lps("scutum"), beside, atol=PRECISION_MM)
    assert "no snapping here" in bench.message
    bench.asked = None

    bench.start_placing("footplate_centre")
    click(bench, window_phantom.place((-5.0, 0.0, 0.0), "right"))
    held = bench.case
    acts.snap_in_hand(bench)
    assert bench.case is held
    assert "no edge of its own" in bench.message


PLANE_SETS = {
    "patient": ("axial", "coronal", "sagittal"),
    "canal": ("canal_upright", "canal_level", "canal_across"),
    "lateral canal": ("lateral_canal_axial", "lateral_canal_coronal"),
    "superior canal": ("poschl", "stenvers"),
    "oval window": ("oval_window",),
    "free": (panes.FREE,),
}


@pytest.mark.parametrize("name", PLANE_SETS)
@pytest.mark.parametrize("side", ["right", "left"])
def test_every_landmark_is_placed_by_clicks_in_every_plane_set_and_taken_back(name, side, request) -> None:
    """An ear without marks, in the planes that its marks will give: click all, undo all, redo all."""
    case, volume = request.getfixturevalue(f"{side}_ear")
    rim = {"anterior": (0.0, -1.5, 0.0), "posterior": (0.0, 1.5, 0.0), "superior": (0.0, 0.0, 0.7)}
    for end, offset in (rim | {"inferior": (0.0, 0.0, -0.7)}).items():
        mark = window_phantom.point(f"footplate_{end}", np.add((-6.0, 2.0, 1.5), offset), side)
        case = replace(case, landmarks=case.landmarks.with_landmark(mark))
    choices = plane_choices(case, volume.geometry)
    empty = replace(case, landmarks=LandmarkSet(), structures=())
    for key in PLANE_SETS[name] if side == "right" else PLANE_SETS[name][:1]:
        bench = bench_of(empty, volume)
        pane = bench.panes[0]
        if key == panes.FREE:
            for about, by_deg in (("down", 13.0), ("right", -7.0)):
                bench.turn(pane, about=about, by_deg=by_deg)
            plane = pane.plane
        else:
            plane = choices[key].plane
            assert plane is not None, choices[key].missing
        for landmark_id, mark in case.landmarks.items():
            bench.start_placing(landmark_id)
            pane.key, pane.plane = panes.FREE, plane
            if not mark.is_placed:
                bench.set_status(mark.status)
                continue
            for point in mark.points_lps:
                click(bench, point)
            bench.end_placing()
            np.testing.assert_allclose(
                bench.case.landmarks[landmark_id].points_lps, mark.points_lps, atol=PRECISION_MM, err_msg=landmark_id
            )
        full = bench.case
        assert set(full.landmarks) == set(case.landmarks)
        while bench.session.undo_words:
            bench.undo()
            bench.end_placing()
        assert bench.case is empty
        while bench.session.redo_words:
            bench.redo()
        assert bench.case is full


def test_two_readers_side_by_side_in_mm_and_what_they_change(right_ear) -> None:
    case, volume = right_ear
    named = replace(
        case,
        landmarks=LandmarkSet(
            replace(m, placements=tuple(replace(p, observer="a") for p in m.placements))
            for m in case.landmarks.values()
        ),
    )
    x, y, z = case.landmarks.point_lps("drum_centre")
    other = PlaceAgain("drum_centre", 0, (x - 0.8, y, z), "b").apply(named)
    fx, fy, fz = case.landmarks.point_lps("footplate_centre")
    other = PlaceAgain("footplate_centre", 0, (fx, fy, fz), "b").apply(other)
    assert readers(other) == ("a", "b")
    found = compare(other, "a", "b", geometry=volume.geometry)
    assert {d.label: round(d.distance_mm, 6) for d in found.differences} == {
        "drum centre": 0.8,
        "footplate centre": 0.0,
    }
    change = next(c for c in found.consequences if c.name.startswith("drum to footplate"))
    drum, plate = np.array([x, y, z]), np.array([fx, fy, fz])
    truth = np.linalg.norm(np.add(drum, (-0.8, 0.0, 0.0)) - plate) - np.linalg.norm(drum - plate)
    assert change.difference_mm == pytest.approx(truth, abs=1e-9)


def test_key_views_are_stepped_through_and_come_back_from_plain_data(right_ear) -> None:
    from ctmeasure_napari.conference import KeyView

    bench = bench_of(*right_ear)
    stepper = Stepper()
    for key in ("canal_across", "axial"):
        bench.choose_plane(0, key)
        stepper = stepper.with_view(KeyView(f"see {key}", bench.look()))
    stepper = Stepper.from_plain([*stepper.plain(), "no view"])
    assert stepper.words == "1 of 2: see canal_across"
    assert stepper.step(5).words == "2 of 2: see axial"
    bench.look_like(stepper.views[0].look)
    assert bench.panes[0].key == "canal_across"
    assert stepper.step(1).without_view().words == "1 of 1: see canal_across"
    third = stepper.with_view(KeyView("third", bench.look()))
    assert [view.caption for view in third.moved(-1).views] == ["see canal_across", "third", "see axial"]
    assert third.moved(-1).words == "2 of 3: third"
    assert third.moved(1).words == "3 of 3: third"
    assert third.moved(-9).named("first of all").words == "1 of 3: first of all"
    assert Stepper().moved(1).without_view().words == ""


def test_a_window_that_may_only_read_says_who_holds_the_case_and_changes_nothing(
    right_ear, tmp_path, monkeypatch
) -> None:
    monkeypatch.setenv("CTMEASURE_STATE_DIR", str(tmp_path / "state"))
    case, volume = right_ear
    first, second = Keeper(case, volume), Keeper(case, volume)
    bench = bench_of(case, volume)
    bench.session = second.session
    second.attach(bench)
    assert f"process {os.getpid()}" in bench.message
    bench.move(("drum_centre", 0), window_phantom.place((0.0, 0.0, 0.0), "right"))
    assert "is open elsewhere" in bench.message
    assert bench.case is case
    second.close()
    first.close()
    third = Keeper(case, volume)
    assert third.session.read_only == ""
    third.close()


KILLED = """
import os, signal, sys
sys.path.insert(0, sys.argv[1])
import window_phantom as phantom
from ctmeasure_napari import adapter
from ctmeasure_napari.keeper import Keeper
from ctmeasure_napari.workbench import Workbench
volume = phantom.phantom_volume("right")
keeper = Keeper(phantom.phantom_case(volume, "right"), volume)
models = tuple(adapter.new_model() for _ in range(3))
bench = Workbench(keeper.session, models)
keeper.attach(bench)
bench.move(("drum_centre", 0), phantom.place((1.0, 0.0, 0.0), "right"))
bench.move(("drum_centre", 0), phantom.place((2.0, 0.0, 0.0), "right"))
bench.undo()
bench.choose_plane(0, "canal_across")
bench.start_placing("superior_semicircular_canal")
bench.clicked(bench.panes[0], bench.focus_lps)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal on this system")
def test_a_killed_process_loses_nothing(right_ear, tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("CTMEASURE_STATE_DIR", str(tmp_path / "state"))
    shared = str(Path(window_phantom.__file__).parent)
    ended = subprocess.run([sys.executable, "-c", KILLED, shared], capture_output=True, text=True, timeout=300)
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    case, volume = right_ear
    keeper = Keeper(case, volume)
    bench = Workbench(keeper.session, tuple(adapter.new_model() for _ in range(3)))
    keeper.attach(bench)
    assert "did not end in order; 1 step came back" in bench.message
    np.testing.assert_allclose(
        bench.case.landmarks.point_lps("drum_centre"), window_phantom.place((1.0, 0.0, 0.0), "right")
    )
    assert bench.session.redo_words == "move drum_centre 0"
    assert bench.placing is not None
    assert bench.placing.item.id == "superior_semicircular_canal"
    assert len(bench.placing.draft) == 1
    bench.placing = None
    bench.undo()
    assert bench.case.landmarks == case.landmarks
    keeper.close()


def test_a_plain_error_of_a_command_is_said_and_nothing_changes(right_ear) -> None:
    bench = bench_of(*right_ear)
    before = bench.case
    bench.do(MoveLandmark("drum_centre", 0, (float("nan"), 0.0, 0.0)))
    assert "not a number" in bench.message
    assert bench.case is before
    with pytest.raises(CtmeasureError):
        acts.move_command(bench, ("keep/facial_nerve", 99), (0.0, 0.0, 0.0)).apply(bench.case)


def test_a_suggestion_is_hollow_and_in_no_computation_until_it_is_accepted(right_ear) -> None:
    from ctmeasure.anatomy.suggestions import Suggestion
    from ctmeasure.app.commands import Suggest

    bench = bench_of(*right_ear)
    at = window_phantom.place((-3.0, 0.5, 0.5), "right")
    bench.do(Suggest((Suggestion("scutum", (at,), (0.3,), "mean ear", False),)))
    assert "scutum" not in bench.case.landmarks
    mark = bench.scene.point(("suggested/scutum", 0))
    assert mark.kind == "suggested"
    assert {r.item.id: r.state for r in rows_of(bench.case, bench.scene, 1)}["scutum"] == "suggested"
    bench.select(mark.ref, go=True)
    before = bench.case
    bench.move(mark.ref, window_phantom.place((0.0, 0.0, 0.0), "right"))
    assert bench.case is before
    assert "accept it first" in bench.message
    bench.end_placing()
    np.testing.assert_allclose(bench.case.landmarks.point_lps("scutum"), at)
    assert bench.selected == ("scutum", 0)
    bench.undo()
    assert "scutum" not in bench.case.landmarks
    assert bench.scene.point(("suggested/scutum", 0)) is not None
