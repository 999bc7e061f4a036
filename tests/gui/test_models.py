"""The workbench and the adapter on bare models of the toolkit: no Qt, no display."""

from __future__ import annotations

import ast
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

pytest.importorskip("napari", reason="the window toolkit napari is not installed")

import ctmeasure_napari
from ctmeasure_napari import adapter, looks
from ctmeasure_napari.convert import flat_from_lps, through
from ctmeasure_napari.greys import grey_windows
from ctmeasure_napari.hands import SHORTCUTS
from ctmeasure_napari.plain import volume_layer
from ctmeasure_napari.strokes import bar_mm, screen_spot
from ctmeasure_napari.workbench import Workbench
from napari.utils._proxies import ReadOnlyWrapper
from napari.utils.interactions import mouse_move_callbacks, mouse_press_callbacks, mouse_release_callbacks

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.session import Session
from ctmeasure.volume.volume import Volume

DRUM = ("drum_centre", 0)
PRECISION_MM = 0.05
"""A click at a known place must give its position this well."""


def bench(ear) -> Workbench:
    case, volume = ear
    models = tuple(adapter.new_model() for _ in range(3))
    for model in models:
        model.canvas.size = (500, 600)
    return Workbench(Session(case, volume), models)


@pytest.fixture
def workbench(right_ear) -> Workbench:
    return bench(right_ear)


def mouse(kind: str, flat, pos=(0, 0), modifiers=()):
    event = SimpleNamespace(
        type=kind, position=tuple(flat), pos=np.array(pos, float), button=1, modifiers=list(modifiers), handled=False,
        is_dragging=kind == "mouse_move", delta=(0.0, 1.0), dims_displayed=[0, 1],
    )  # fmt: skip
    return ReadOnlyWrapper(event, exceptions=("handled",))  # as the toolkit's canvas hands events on


def drag(model, start, end) -> None:
    mouse_press_callbacks(model, mouse("mouse_press", start))
    mouse_move_callbacks(model, mouse("mouse_move", np.add(start, end) / 2.0, (20, 20)))
    mouse_move_callbacks(model, mouse("mouse_move", end, (40, 40)))
    mouse_release_callbacks(model, mouse("mouse_release", end, (40, 40)))


def click(model, at) -> None:
    mouse_press_callbacks(model, mouse("mouse_press", at))
    mouse_release_callbacks(model, mouse("mouse_release", at))


def test_only_the_adapter_knows_the_toolkit() -> None:
    for file in Path(ctmeasure_napari.__file__).parent.glob("*.py"):
        imported = {
            name.split(".")[0]
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
            for name in (
                [a.name for a in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom) and not node.level
                else []
            )
        }
        assert file.name == "adapter.py" or "napari" not in imported, file.name


def test_the_layer_is_in_millimetres_and_lies_where_the_plane_lies(workbench) -> None:
    for pane in workbench.panes:
        assert [layer.name for layer in pane.model.layers] == [adapter.PICTURE]
        assert [str(unit) for unit in pane.model.layers[0].units] == ["millimeter", "millimeter"]
        picture = pane.model.layers[adapter.PICTURE]
        assert tuple(picture.scale) == pytest.approx((pane.plane.pixel_mm,) * 2)
        corner = flat_from_lps(pane.plane, pane.plane.pixel_to_lps((0.0, 0.0)))
        assert tuple(picture.translate) == pytest.approx(tuple(corner))


def test_the_camera_never_mirrors_the_patient(workbench) -> None:
    for pane in workbench.panes:
        assert tuple(str(axis) for axis in pane.model.scene.camera.orientation) == ("away", "down", "right")


def test_a_layer_deleted_by_hand_comes_back(workbench) -> None:
    model = workbench.panes[0].model
    model.layers.remove(adapter.PICTURE)
    workbench.refresh()
    np.testing.assert_array_equal(model.layers[adapter.PICTURE].data, workbench.panes[0].shown.picture.values)


def test_the_picture_is_written_into_the_layer_that_is_there_and_never_into_the_scan(workbench) -> None:
    pane = workbench.panes[2]
    layer, cut = pane.model.layers[adapter.PICTURE], pane.values.image
    before = cut.copy()
    workbench.step(pane, 1.0)
    assert pane.model.layers[adapter.PICTURE] is layer
    np.testing.assert_array_equal(layer.data, pane.shown.picture.values)
    assert not np.array_equal(layer.data, before, equal_nan=True)
    np.testing.assert_array_equal(cut, before)


@pytest.mark.parametrize("side", ["right_ear", "left_ear"])
def test_a_click_at_a_known_place_puts_the_crosshair_there_in_every_plane(side, request) -> None:
    workbench = bench(request.getfixturevalue(side))
    target = workbench.case.landmarks.point_lps("footplate_centre")
    offered = [key for key, choice in workbench.choices.items() if choice.plane is not None]
    assert len(offered) >= 9
    # Every second one: each is a plane of another obliquity, and drawing them all takes long.
    for key in offered[::2] if side == "right_ear" else ("canal_upright", "canal_across", "stenvers"):
        workbench.choose_plane(0, key)
        workbench.look_at(target)
        pane = workbench.panes[0]
        plane = through(pane.plane, workbench.focus_lps)
        beside = target + 3.0 * plane.right_lps - 2.0 * plane.down_lps
        click(pane.model, flat_from_lps(plane, beside))
        np.testing.assert_allclose(workbench.focus_lps, beside, atol=PRECISION_MM)


def test_all_panes_follow_the_crosshair_and_scrolling(workbench) -> None:
    workbench.step(workbench.panes[2], 1.0)
    for pane in workbench.panes:
        assert abs(float(pane.values.spec.offset_mm(workbench.focus_lps))) < 1e-9
    assert workbench.position_words(2) == "moved +1.0 mm"
    assert workbench.position_words(0) == "at its place"


def test_the_wheel_moves_the_plane_and_with_control_zooms(workbench) -> None:
    pane = workbench.panes[0]
    (wheel,) = pane.model.mouse_wheel_callbacks
    before, zoom = workbench.focus_lps.copy(), adapter.zoom_of(pane.model)
    wheel(pane.model, mouse("mouse_wheel", (0.0, 0.0)))
    moved = workbench.focus_lps - before
    assert np.linalg.norm(moved) == pytest.approx(looks.STEP_MM)
    np.testing.assert_allclose(np.abs(moved @ pane.plane.normal_lps), looks.STEP_MM)
    wheel(pane.model, mouse("mouse_wheel", (0.0, 0.0), modifiers=["Control"]))
    assert adapter.zoom_of(pane.model) > zoom


def test_marks_follow_zoom_and_pan_and_the_bar_is_true(workbench) -> None:
    """Where the toolkit's canvas shows a place is worked out here by hand: middle of the canvas, zoom, centre."""
    pane = workbench.panes[0]
    adapter.zoom_by(pane.model, 4.0, (3.0, -2.0))
    sight = adapter.sight_of(pane.model)
    camera = pane.model.scene.camera
    assert sight.px_per_mm == camera.zoom
    down, right = 1.5, -2.5
    x = 600 / 2 + (right - camera.center[-1]) * camera.zoom
    y = 500 / 2 + (down - camera.center[-2]) * camera.zoom
    assert screen_spot((down, right), sight, 600, 500) == pytest.approx((x, y))
    assert bar_mm(sight.px_per_mm, 600) * sight.px_per_mm <= 0.3 * 600


@pytest.mark.parametrize("side", ["right_ear", "left_ear"])
def test_dragging_a_cross_moves_the_landmark_once_and_undo_restores_the_case_exactly(side, request) -> None:
    workbench = bench(request.getfixturevalue(side))
    before = workbench.case
    pane = workbench.panes[0]
    start = pane.shown.held[DRUM]
    plane = pane.values.spec
    origin = before.landmarks.point_lps("drum_centre")
    drag(pane.model, start, (start[0] - 1.0, start[1] + 0.5))
    moved = workbench.case.landmarks.point_lps("drum_centre")
    np.testing.assert_allclose(moved, origin - plane.down_lps + 0.5 * plane.right_lps, atol=PRECISION_MM)
    assert float(plane.offset_mm(moved)) == pytest.approx(float(plane.offset_mm(origin)))
    assert workbench.changed
    assert len(workbench.case.history) == len(before.history) + 1
    workbench.undo()
    assert workbench.case is before
    assert not workbench.changed
    workbench.redo()
    np.testing.assert_array_equal(workbench.case.landmarks.point_lps("drum_centre"), moved)


def test_other_landmarks_stay_where_they_are(workbench) -> None:
    before = workbench.case
    start = workbench.panes[0].shown.held[DRUM]
    drag(workbench.panes[0].model, start, (start[0] + 2.0, start[1]))
    for name in before.landmarks:
        if name != "drum_centre":
            assert workbench.case.landmarks[name] == before.landmarks[name]


def test_arrow_keys_nudge_by_a_tenth_and_with_shift_by_half_a_millimetre(workbench) -> None:
    pane = workbench.panes[0]
    keys = {str(key): action for key, action in pane.model.keymap.items()}
    workbench.select(DRUM)
    at = workbench.case.landmarks.point_lps("drum_centre")
    keys["Left"](pane.model)
    np.testing.assert_allclose(workbench.case.landmarks.point_lps("drum_centre"), at - 0.1 * pane.plane.right_lps)
    keys["Shift+Up"](pane.model)
    expected = at - 0.1 * pane.plane.right_lps - 0.5 * pane.plane.down_lps
    np.testing.assert_allclose(workbench.case.landmarks.point_lps("drum_centre"), expected)
    workbench.undo()
    workbench.undo()
    np.testing.assert_array_equal(workbench.case.landmarks.point_lps("drum_centre"), at)


def test_a_click_on_a_cross_selects_it_and_changes_nothing(workbench) -> None:
    before = workbench.case
    click(workbench.panes[0].model, workbench.panes[0].shown.held[DRUM])
    assert workbench.selected is not None
    assert workbench.case is before


def test_outside_the_scan_is_refused_with_a_sentence_and_nothing_is_lost(workbench) -> None:
    before, focus = workbench.case, workbench.focus_lps.copy()
    workbench.look_at(np.add(focus, (500.0, 0.0, 0.0)))
    assert workbench.message == "the scan ends here"
    np.testing.assert_array_equal(workbench.focus_lps, focus)
    workbench.move(DRUM, np.add(focus, (500.0, 0.0, 0.0)))
    assert "was not moved" in workbench.message
    assert workbench.case is before


def test_a_plane_that_something_is_missing_for_says_what(workbench) -> None:
    workbench.choose_plane(0, "stapes_axial")
    assert workbench.panes[0].key == "canal_upright"
    assert "stapes_head" in workbench.message or landmark_terms()["stapes_head"].label in workbench.message


def test_swapping_panes_exchanges_their_planes(workbench) -> None:
    workbench.swap(2)
    assert [pane.key for pane in workbench.panes] == ["canal_across", "canal_level", "canal_upright"]
    rows, columns = workbench.panes[0].values.image.shape
    assert rows == columns


def test_moving_the_selected_point_far_never_leaves_the_drawing_behind(workbench) -> None:
    workbench.select(DRUM)
    workbench.move(DRUM, np.add(workbench.case.landmarks.point_lps("drum_centre"), (0.0, 3.0, 0.0)))
    mark = workbench.scene.point(DRUM)
    np.testing.assert_array_equal(mark.point_lps, workbench.case.landmarks.point_lps("drum_centre"))
    assert "mm behind" in workbench.selected_words() or "mm in front of" in workbench.selected_words()


def test_grey_values_get_a_window_of_their_own(right_ear) -> None:
    from dataclasses import replace

    _, volume = right_ear
    assert list(grey_windows(volume)) == ["bone", "middle ear", "soft tissue"]
    grey = Volume(volume.geometry, volume.values, replace(volume.source, intensity_unit="grey"))
    low, high = next(iter(grey_windows(grey).values()))
    assert low < high <= volume.values.max()


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
@pytest.mark.parametrize("flips", [(False,) * 3, (True, False, True), (True,) * 3])
def test_a_scan_of_any_axis_order_stands_where_it_is_as_a_plain_layer(right_ear, order, flips) -> None:
    _, volume = right_ear
    values = np.flip(volume.values.transpose(order), [a for a in range(3) if flips[a]])
    grid = volume.geometry.permuted(order, flips)
    turned = Volume(grid, values, volume.source)
    shown, keywords, kind = volume_layer(turned, name="scan", window=(0.0, 1.0))
    assert kind == "image"
    assert keywords["units"] == ("mm", "mm", "mm")
    np.testing.assert_array_equal(shown, volume.values)
    np.testing.assert_allclose(keywords["translate"], volume.geometry.to_lps((0, 0, 0))[::-1], atol=1e-9)


def test_the_shipped_sample_opens_as_a_plain_layer_in_millimetres() -> None:
    from ctmeasure_napari.samples import revision_ear

    ((values, keywords, kind),) = revision_ear()
    assert kind == "image"
    assert keywords["units"] == ("mm", "mm", "mm")
    assert values.ndim == 3
    assert "SAMPLE" in keywords["name"]
    assert np.all(np.array(keywords["scale"]) < 1.0)


def test_our_keys_replace_none_of_the_toolkits_that_a_picture_has_a_use_for(workbench) -> None:
    """Those of both move sliders and turn axes, of which our pictures have none, or belong to tools of other layers."""
    from napari.utils.shortcuts import default_shortcuts

    theirs = {
        str(key).replace("Ctrl", "Control").replace("+", "-"): name
        for name, keys in default_shortcuts.items()
        for key in keys
    }
    other_layers = {"A", "T", "F", "S", "Backspace", "Escape", "Enter"}
    assert set(workbench.panes[0].keys) & theirs.keys() == other_layers | {"Left", "Right", "Alt-Up", "Alt-Down"}
    taught = {key for line, _ in SHORTCUTS for key in line.replace(",", "").split()}
    assert {"N", "A", "U", "S", "W", "T", "F", "Backspace", "Enter", "Escape"} <= taught
