"""A real window under a display: what a person sees, moves, computes and saves."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("napari", reason="the window toolkit napari is not installed")
pytest.importorskip("qtpy.QtWidgets", reason="no Qt binding is installed")

from ctmeasure_napari import adapter, frame, looks
from ctmeasure_napari.texts import COMPUTED, NEVER, OUT_OF_DATE
from ctmeasure_napari.window import HEIGHT_PX, WIDTH_PX, build_window
from ctmeasure_napari.worker import Recompute

from ctmeasure.app.session import Session
from ctmeasure.case.store import load_case
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.cautions import SHORT_CAUTION

DRUM = ("drum_centre", 0)


class StandIn:
    """Computes nothing, but reports, may wait, and counts."""

    def __init__(self, results, *, wait: threading.Event | None = None, error: Exception | None = None) -> None:
        self.results, self.wait, self.error, self.calls = results, wait, error, []

    def __call__(self, case, volume, *, progress):
        self.calls.append(case)
        progress("measuring", 0.3)
        if self.error:
            raise self.error
        while self.wait is not None and not self.wait.wait(0.01):
            progress("measuring", 0.4)
        return replace(case, results=self.results)


@pytest.fixture
def window(display, make_napari_viewer, right_ear, results, qtbot, tmp_path):
    case, volume = right_ear
    viewer = make_napari_viewer(show=True)
    built = build_window(viewer, Session(case, volume), path=tmp_path / "case.json", compute=StandIn(results))
    frame.size_window(built.main, WIDTH_PX, HEIGHT_PX)
    for pane in built.workbench.panes[1:]:
        qtbot.waitUntil(lambda pane=pane: pane.model.canvas.size != (800, 600), timeout=5000)
    qtbot.wait(150)
    yield built
    built.close()


def brightness(picture, share_x: float, share_y: float) -> float:
    """Mean brightness of a small square at a share of the width and height."""
    rows, columns = picture.shape[:2]
    y, x = int(share_y * rows), int(share_x * columns)
    return float(picture[y - 4 : y + 5, x - 4 : x + 5, :3].mean())


def test_the_window_looks_right_and_a_drag_a_computation_a_save_and_an_undo_do_what_they_say(window, qtbot) -> None:
    """One window for both, because opening it is the slow part."""
    check_side_questions_cautions_and_true_planes_on_a_small_screen(window)
    check_a_real_drag_marks_results_stale_and_computing_fills_them(window, qtbot)


def check_side_questions_cautions_and_true_planes_on_a_small_screen(window) -> None:
    from qtpy.QtWidgets import QDockWidget, QLabel

    top = window.panel.window()
    assert top.minimumSizeHint().width() <= WIDTH_PX
    assert top.minimumSizeHint().height() <= HEIGHT_PX
    assert window.viewer.title.startswith("RIGHT ear")
    assert window.panel.side.text() == "RIGHT ear"
    texts = [label.text() for label in top.findChildren(QLabel)]
    assert SHORT_CAUTION in texts
    assert window.panel.state.toolTip() == NEVER
    for label in window.panel.findChildren(QLabel) + window.bottom.findChildren(QLabel):
        assert label.fontInfo().pointSizeF() >= looks.SMALLEST_TYPE_PT - 0.2, label.text()
        assert label.width() >= label.minimumSizeHint().width(), label.text()
    for button in (*window.panel.hand._buttons, window.panel.hand.next):
        assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width() - 4, button.text()
    hidden = {dock.objectName(): dock.isVisible() for dock in top.findChildren(QDockWidget)}
    assert hidden["layer list"] is hidden["layer controls"] is False

    # Left and right: the canal of a right ear opens to the left edge of an upright picture, its air is black there;
    # at the right edge, and above and below the canal, there is bone.
    picture = frame.picture_of(window.marks[0].parentWidget())
    rows, columns = picture.shape[:2]
    zoom = adapter.zoom_of(window.workbench.panes[0].model)
    left, right = 0.5 - 12.0 * zoom / columns, 0.5 + 12.0 * zoom / columns
    above = 0.5 - 8.0 * zoom / rows
    below_axis = 0.5 + 1.5 * zoom / rows
    assert brightness(picture, left, below_axis) < 15
    assert brightness(picture, right, below_axis) > 100
    assert brightness(picture, left, above) > 100
    edges = window.workbench.panes[0].shown.edges
    assert [edges[side] for side in ("left", "right", "top", "bottom")] == ["R", "L", "S", "I"]
    for y, x in ((0.5, 0.02), (0.5, 0.98), (0.03, 0.5), (0.975, 0.5)):  # white letters on every edge
        at = (max(int(y * rows) - 14, 0), max(int(x * columns) - 14, 0))
        around = picture[at[0] : at[0] + 28, at[1] : at[1] + 28]
        assert (around.min(axis=-1) > 240).sum() > 15, (y, x)
    check_marks_stand_where_the_picture_shows_their_place(window, picture)


def check_marks_stand_where_the_picture_shows_their_place(window, picture) -> None:
    """Amber crosses at their places, a bar of twenty true millimetres; the same after zooming and panning by hand."""
    pane = window.workbench.panes[0]
    zoom = adapter.zoom_of(pane.model)
    bar = (picture[-9, :].min(axis=-1) > 240).sum()
    assert bar == pytest.approx(20.0 * zoom, abs=3)
    for factor in (1.0, 2.0):
        adapter.zoom_by(pane.model, factor, pane.shown.held[DRUM])
        picture = frame.picture_of(window.marks[0].parentWidget())
        rows, columns = picture.shape[:2]
        amber = (picture[..., 0] > picture[..., 2].astype(int) + 60) & (picture[..., 0] > 120)
        down, right = pane.shown.held[DRUM]
        centre, zoom = pane.model.scene.camera.center, pane.model.scene.camera.zoom
        y, x = rows / 2 + (down - centre[-2]) * zoom, columns / 2 + (right - centre[-1]) * zoom
        for dy, dx in ((0.0, 0.35), (0.35, 0.0), (0.0, -0.35), (-0.35, 0.0)):  # on the four arms of the cross
            at = (round(y + dy * zoom), round(x + dx * zoom))
            assert amber[at[0] - 1 : at[0] + 2, at[1] - 1 : at[1] + 2].any(), (factor, dy, dx)
        assert not amber[round(y + 3.0 * zoom), round(x + 1.0 * zoom)]
    window.workbench.fit(pane)


def check_a_real_drag_marks_results_stale_and_computing_fills_them(window, qtbot) -> None:
    from qtpy.QtCore import QPoint, Qt

    workbench, pane = window.workbench, window.workbench.panes[0]
    before = workbench.case
    canvas = window.viewer.window._qt_viewer.canvas.native
    zoom = adapter.zoom_of(pane.model)

    def at(flat) -> QPoint:
        return QPoint(round(canvas.width() / 2 + flat[1] * zoom), round(canvas.height() / 2 + flat[0] * zoom))

    start = pane.shown.held[DRUM]
    end = (start[0] - 2.0, start[1])
    qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, pos=at(start))
    qtbot.mouseMove(canvas, pos=at((start[0] - 1.0, start[1])))
    qtbot.wait(20)
    qtbot.mouseMove(canvas, pos=at(end))
    qtbot.wait(20)
    qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, pos=at(end))
    qtbot.waitUntil(lambda: workbench.case is not before, timeout=20000)
    expected = before.landmarks.point_lps("drum_centre") - 2.0 * pane.plane.down_lps
    pixel_mm = 1.0 / zoom
    np.testing.assert_allclose(workbench.case.landmarks.point_lps("drum_centre"), expected, atol=1.5 * pixel_mm)
    qtbot.waitUntil(lambda: window.panel.state.toolTip() == OUT_OF_DATE, timeout=20000)
    # the number that follows the point, marked as what it is; never the one of before
    assert "preliminary" in window.panel.questions[1][1].text()
    assert window.panel.questions[2][1].text() == "not computed since the last change"
    moved = workbench.case

    window.bottom.compute.click()
    qtbot.waitUntil(lambda: workbench.case.results is not None, timeout=20000)
    qtbot.waitUntil(lambda: window.panel.state.toolTip() == COMPUTED, timeout=20000)
    assert window.recompute._compute.calls == [moved]

    window.bottom.save.click()
    assert window.bottom.save.text().startswith("Saved ")
    assert load_case(window.bottom._path).landmarks == moved.landmarks

    window.bottom.undo.click()
    assert workbench.case is before
    qtbot.waitUntil(lambda: not window.bottom.undo.isEnabled(), timeout=20000)
    assert window.bottom.redo.isEnabled()
    assert window.bottom.save.text() == "Save"


def test_in_3d_the_patients_left_is_on_the_right_of_the_screen(display, make_napari_viewer, qtbot, phantom) -> None:
    from ctmeasure.volume.geometry import Geometry
    from ctmeasure.volume.volume import Volume

    affine = np.eye(4)
    affine[:3, :3] = np.array([[0, 0, 1], [0, 1, 0], [1, 0, 0]])
    affine[:3, 3] = [-20.0, -20.0, -20.0]
    grid = Geometry((41, 41, 41), affine)
    viewer = make_napari_viewer(show=True)
    adapter.prepare(viewer)
    shares = {}
    for side in ("left", "right"):
        values = np.full(grid.shape_kji, -1000, np.int16)
        centre = np.round(grid.to_kji(np.add(12.0 * phantom.outwards(side), (0.0, 0.0, 8.0)))).astype(int)
        values[tuple(slice(c - 4, c + 5) for c in centre)] = 3000
        viewer.layers.clear()
        adapter.show_3d(viewer, Volume(grid, values), window=(-1000.0, 3000.0))
        for name in viewer.canvas.overlays:
            viewer.canvas.overlays[name].visible = False
        qtbot.wait(100)
        picture = np.asarray(viewer.screenshot(canvas_only=True, flash=False))[..., :3].mean(axis=-1)
        rows, columns = np.nonzero(picture > 150)
        assert len(rows) > 20
        assert rows.mean() / picture.shape[0] < 0.5, "superior is up"
        shares[side] = columns.mean() / picture.shape[1]
    assert shares["left"] > 0.6
    assert shares["right"] < 0.4


def test_cancel_failure_and_stale_results_leave_the_case_as_it_was(display, right_ear, results, qtbot) -> None:
    from ctmeasure.app.commands import MoveLandmark

    case, volume = right_ear
    said: list[str] = []

    never = threading.Event()
    session = Session(case, volume)
    recompute = Recompute(session, StandIn(results, wait=never))
    recompute.ended.connect(said.append)
    with qtbot.waitSignal(recompute.progressed, timeout=5000):
        recompute.start()
    recompute.cancel()
    qtbot.waitUntil(lambda: not recompute.running, timeout=20000)
    assert said == ["cancelled"]
    assert session.case is case

    error = LandmarkError("the canal axis points out of a left ear", expected="a right ear")
    recompute = Recompute(session, StandIn(results, error=error))
    with qtbot.waitSignal(recompute.ended, timeout=5000) as ended:
        recompute.start()
    assert ended.args == [str(error)]
    assert session.case is case

    go = threading.Event()
    recompute = Recompute(session, StandIn(results, wait=go))
    with qtbot.waitSignal(recompute.progressed, timeout=5000):
        recompute.start()
    moved = session.do(MoveLandmark("drum_centre", 0, (0.0, 10.0, 100.0)))
    with qtbot.waitSignal(recompute.ended, timeout=5000) as ended:
        go.set()
    assert "changed while computing" in ended.args[0]
    assert session.case is moved
    assert session.case.results is None

    recompute = Recompute(session, StandIn(results, wait=threading.Event()))
    recompute.start()
    recompute.close()
    assert not recompute.running
    assert session.case is moved


def test_the_manifest_is_valid_and_names_what_exists() -> None:
    from importlib import import_module
    from pathlib import Path

    import ctmeasure_napari
    from npe2 import PluginManifest

    manifest = PluginManifest.from_file(Path(ctmeasure_napari.__file__).with_name("napari.yaml"))
    commands = {command.id: command.python_name for command in manifest.contributions.commands}
    for name in commands.values():
        module, _, attribute = str(name).partition(":")
        assert callable(getattr(import_module(module), attribute))
    assert {item.command for item in manifest.contributions.widgets} <= commands.keys()
    assert {item.command for item in manifest.contributions.sample_data} <= commands.keys()


def test_the_palette_offers_what_the_menu_does_under_names_the_toolkit_does_not_use(display) -> None:
    from pathlib import Path

    import ctmeasure_napari
    from ctmeasure_napari import palette
    from napari._app_model import get_app_model
    from npe2 import PluginManifest

    from ctmeasure.errors import CtmeasureError

    manifest = PluginManifest.from_file(Path(ctmeasure_napari.__file__).with_name("napari.yaml"))
    ours = {c.id: c for c in manifest.contributions.commands if "palette:" in str(c.python_name)}
    assert len(ours) >= 12
    others = {command.title for name, command in get_app_model().commands if not name.startswith("ctmeasure.")}
    assert len(others) > 50
    assert not {command.title for command in ours.values()} & others
    if not [menus for menus in palette.OPEN if menus.is_open]:
        with pytest.raises(CtmeasureError, match="no ear is open"):
            palette.save_case()
