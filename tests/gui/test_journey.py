"""One long journey through a real window: what a person drags, drops, deletes, enlarges and leaves."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import window_phantom

pytest.importorskip("napari", reason="the window toolkit napari is not installed")
pytest.importorskip("qtpy.QtWidgets", reason="no Qt binding is installed")

from ctmeasure_napari import adapter, frame, menus
from ctmeasure_napari.keeper import Keeper
from ctmeasure_napari.menus import Menus
from ctmeasure_napari.opening import SeriesPicker, Wish
from ctmeasure_napari.start import StartDialog, offers
from ctmeasure_napari.window import HEIGHT_PX, WIDTH_PX, build_window

from ctmeasure.app.series import Listing, list_scan
from ctmeasure.case.store import save_case
from ctmeasure.planning.results import CanalWallMap, ZoneCell

ANGLES, RIMS = np.arange(0.0, 360.0, 4.0), np.arange(0.0, 8.1, 0.5)


def with_map(case, results):
    """The made-up canal as a map: its wall is a cylinder of 4 mm around the axis, so every place on it is known."""
    angle, rim = np.meshgrid(np.radians(ANGLES), RIMS, indexing="ij")
    offset = np.stack([rim, 4.0 * np.sin(angle), 4.0 * np.cos(angle)], axis=-1)
    points = np.array([[window_phantom.place(p, case.side) for p in row] for row in offset])
    wall = CanalWallMap(ANGLES, RIMS, points, np.zeros_like(points), np.full(angle.shape, "measured"), points[:, 0])
    verdicts = ("clear", "caution", "keep out", "not assessed")
    cells = tuple(
        ZoneCell(
            float(a), float((12.0 - a / 30.0) % 12.0 or 12.0), float(r), float(r), tuple(points[i, j]), (0.0, 0.0, 1.0),
            0.0, 1.0, "resolved", 1.0, "attic", True, "chorda_tympani", 2.0, 0.001, 0.001,
            verdicts[i * 4 // len(ANGLES)],
        )
        for i, a in enumerate(ANGLES)
        for j, r in enumerate(RIMS)
    )  # fmt: skip
    return replace(case, results=replace(results, zone=cells, wall_map=wall))


@pytest.fixture
def opened(display, make_napari_viewer, right_ear, results, qtbot, tmp_path, monkeypatch):
    monkeypatch.setenv("CTMEASURE_STATE_DIR", str(tmp_path / "state"))
    case, volume = right_ear
    viewer = make_napari_viewer(show=True)
    keeper = Keeper(with_map(case, results), volume)
    window = build_window(viewer, keeper.session, keeper=keeper, compute=lambda c, v, progress: c)
    window.menus = Menus(window)
    window.main.resize(WIDTH_PX, HEIGHT_PX)
    qtbot.wait(600)
    yield window
    window.close()


def test_a_journey(opened, qtbot, tmp_path, right_ear, monkeypatch) -> None:
    check_the_map_and_the_planes_are_linked_both_ways(opened, qtbot)
    check_a_small_picture_takes_the_mouse_and_the_keys_like_the_large_one(opened, qtbot)
    check_the_3d_picture_shows_the_wall_and_becomes_large_without_growing_the_window(opened, qtbot)
    check_what_is_deleted_or_replaced_by_hand_comes_back(opened)
    check_what_does_not_belong_here_is_refused_in_a_sentence(opened, tmp_path, right_ear)
    check_the_report_is_written_in_a_thread_that_ends(opened, qtbot, tmp_path, monkeypatch)
    check_nothing_is_edited_by_accident_in_a_conference(opened, qtbot)
    check_key_views_are_named_reordered_and_removed(opened)
    check_along_the_nerve_a_click_is_a_place_in_the_patient(opened, qtbot)
    check_every_command_of_the_palette_is_one_of_the_menu(opened)
    check_large_type_fits_a_projector(opened, qtbot)


def check_the_map_and_the_planes_are_linked_both_ways(window, qtbot) -> None:
    from qtpy.QtCore import Qt

    bench, wall = window.workbench, window.wall.map
    where = (window_phantom.place((3.0, 0.0, 4.0), "right"), window_phantom.place((2.0, 4.0, 0.0), "right"))
    for point, (hours, rim) in zip(where, ((6.0, 3.0), (3.0, 2.0)), strict=True):  # 12 and 9 o'clock of a right ear
        qtbot.mousePress(wall, Qt.MouseButton.LeftButton, pos=wall.spot(hours, rim).toPoint())
        qtbot.mouseRelease(wall, Qt.MouseButton.LeftButton, pos=wall.spot(hours, rim).toPoint())
        np.testing.assert_allclose(bench.focus_lps, point, atol=0.5)  # the nearest cell of the map
        assert bench.chart.place_of(point) == pytest.approx((hours, rim), abs=0.05)
    assert bench.wall_cell is not None
    qtbot.waitUntil(lambda: "9:00 o'clock, 2.0 mm from the rim" in window.wall.words.toolTip(), timeout=20000)
    picture = wall.grab().toImage()
    colours = {picture.pixelColor(x, y).name() for x in range(40, picture.width(), 3) for y in range(8, 100, 3)}
    assert {"#cfe3f4", "#d6a23f", "#38424f"} <= colours, "the looks of the verdicts"
    bench.move_hole("1a", 6.0, 3.0)
    site = bench.case.sites[0]
    np.testing.assert_allclose(site.entry_lps, where[0], atol=0.3)
    assert site.direction_lps is None
    bench.undo()
    assert bench.case.sites == ()


def check_a_small_picture_takes_the_mouse_and_the_keys_like_the_large_one(window, qtbot) -> None:
    from qtpy.QtCore import QPoint, Qt

    bench = window.workbench
    pane = bench.panes[2]
    view = window.marks[2].parentWidget()
    zoom = adapter.zoom_of(pane.model)

    def at(down_mm: float, right_mm: float) -> QPoint:
        return QPoint(round(view.width() / 2 + right_mm * zoom), round(view.height() / 2 + down_mm * zoom))

    plane = pane.values.spec
    beside = plane.origin_lps + 2.0 * plane.right_lps - 6.0 * plane.down_lps
    qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=at(-6.0, 2.0))
    np.testing.assert_allclose(bench.focus_lps, beside, atol=1.0 / zoom)  # half a pixel of the screen each way
    before = bench.focus_lps.copy()
    qtbot.keyClick(view, Qt.Key.Key_PageDown)
    np.testing.assert_allclose(bench.focus_lps - before, 0.2 * plane.normal_lps, atol=1e-9)
    centre = np.array(pane.model.scene.camera.center)
    qtbot.mousePress(view, Qt.MouseButton.LeftButton, pos=at(-6.0, -4.0))
    qtbot.mouseMove(view, pos=at(-5.0, -4.0))
    qtbot.mouseMove(view, pos=at(-4.0, -4.0))
    qtbot.mouseRelease(view, Qt.MouseButton.LeftButton, pos=at(-4.0, -4.0))
    np.testing.assert_allclose(np.array(pane.model.scene.camera.center) - centre, (0.0, -2.0, 0.0), atol=1.5 / zoom)
    bench.look_at(bench.case.landmarks.point_lps("drum_centre"))
    grey = frame.picture_of(view)
    assert (grey.std(axis=(0, 1)) > 20).all()
    amber = (grey[..., 0] > grey[..., 2].astype(int) + 60) & (grey[..., 0] > 120)
    assert amber.sum() > 20
    bench.fit(pane)
    bench.in_use = bench.panes[0]


def check_the_3d_picture_shows_the_wall_and_becomes_large_without_growing_the_window(window, qtbot) -> None:
    qtbot.waitUntil(lambda: "canal wall" in window.solid.model.layers, timeout=20000)
    names = {layer.name for layer in window.solid.model.layers}
    assert {"bone", "canal wall", "facial canal", "facial canal, 95 %", "drum"} <= names
    shell, canal = (window.solid.model.layers[n] for n in ("facial canal, 95 %", "facial canal"))
    assert np.ptp(shell.data[0], axis=0).min() > np.ptp(canal.data[0], axis=0).min()
    assert "down the speculum" in window.solid.eyes
    window.strip.enlarge_solid()
    qtbot.wait(200)
    assert window.strip.solid_is_large
    assert window.main.width() <= WIDTH_PX
    window.strip.enlarge_solid()
    qtbot.wait(200)
    assert not window.strip.solid_is_large
    assert window.main.width() <= WIDTH_PX


def check_what_is_deleted_or_replaced_by_hand_comes_back(window) -> None:
    bench = window.workbench
    model = bench.panes[0].model
    before = bench.case
    model.layers.remove(adapter.PICTURE)
    bench.refresh()
    assert adapter.PICTURE in model.layers
    model.layers[adapter.PICTURE].data = np.zeros((5, 5))
    bench.refresh()
    np.testing.assert_array_equal(model.layers[adapter.PICTURE].data, bench.panes[0].shown.picture.values)
    assert bench.case is before


def check_what_does_not_belong_here_is_refused_in_a_sentence(window, tmp_path, right_ear) -> None:
    bench, before = window.workbench, window.workbench.case
    case, _ = right_ear
    other = replace(case, scan=replace(case.scan, content_hash="b" * 64, series_uid="9.9.9"), results=None)
    save_case(other, tmp_path / "other.json")
    damaged = tmp_path / "damaged.json"
    damaged.write_text("{", encoding="utf-8")
    for path, words in ((tmp_path / "other.json", "another series"), (damaged, "not JSON"), (tmp_path / "no", "no")):
        window.menus.dropped([path])
        assert words in bench.message
        assert "nothing was changed here" in bench.message
    window.menus.dropped([tmp_path, tmp_path])
    assert "at a time" in bench.message
    assert bench.case is before
    assert window.menus.others == []


def check_the_report_is_written_in_a_thread_that_ends(window, qtbot, tmp_path, monkeypatch) -> None:
    from types import SimpleNamespace

    threads: list[str] = []

    def written(case, volume, *, out, force, progress):
        threads.append(threading.current_thread().name)
        progress("writing", 0.5)
        (out / "report.html").write_text("here", encoding="utf-8")
        return SimpleNamespace(out=out, attention=())

    monkeypatch.setattr(menus, "report_now", written)
    window.menus.write_report(tmp_path)
    qtbot.waitUntil(lambda: "report written" in window.workbench.message, timeout=20000)
    assert threads == ["ctmeasure opening"]
    own = ("ctmeasure opening", "ctmeasure computing")  # the library's sampling pool is shared and stays
    assert not [t for t in threading.enumerate() if t.name in own]

    def full(case, volume, *, out, force, progress):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(menus, "report_now", full)
    window.menus.write_report(tmp_path)
    qtbot.waitUntil(lambda: "No space left" in window.workbench.message, timeout=20000)


def check_nothing_is_edited_by_accident_in_a_conference(window, qtbot) -> None:
    bench = window.workbench
    bench.choose_plane(0, "axial")
    window.menus.conference.keep_view("as it lies")
    bench.choose_plane(0, "canal_across")
    window.menus.conference.keep_view("down the canal")
    before = bench.case
    window.menus.conference.toggle()
    bench.move(("drum_centre", 0), window_phantom.place((0.0, 0.0, 0.0), "right"))
    assert bench.case is before
    assert "nothing can be changed" in bench.message
    window.menus.conference.step(-1)
    assert bench.panes[0].key == "axial"
    assert bench.message == "1 of 2: as it lies"
    window.menus.conference.toggle()
    assert bench.session.read_only == ""
    qtbot.wait(100)


def check_key_views_are_named_reordered_and_removed(window) -> None:
    conference = window.menus.conference
    window.menus.acts["Key views..."]()
    views = window.menus.dialogs[-1]
    assert [views.list.item(n).text() for n in range(2)] == ["1  as it lies", "2  down the canal"]
    views.list.setCurrentRow(1)
    assert window.workbench.panes[0].key == "canal_across"
    views.change(conference.stepper.moved(-1))
    assert [view["caption"] for view in window.keeper.kept_views] == ["down the canal", "as it lies"]
    views.change(conference.stepper.without_view())
    assert [view["caption"] for view in window.keeper.kept_views] == ["as it lies"]
    views.dialog.close()


def check_along_the_nerve_a_click_is_a_place_in_the_patient(window, qtbot) -> None:
    from ctmeasure_napari.along import flat_at
    from qtpy.QtCore import Qt

    bench = window.workbench
    window.menus.along_the_nerve()
    along = window.menus.along
    qtbot.wait(50)
    points = next(s for s in bench.case.structures if s.id == "facial_nerve").points_lps
    target = 0.5 * (points[0] + points[1])  # in the middle of a straight piece
    for view in along.pictures:
        at, off = flat_at(view.picture, target)
        assert abs(off) < 0.05
        bench.look_at(bench.case.landmarks.point_lps("drum_centre"))
        qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=view.spot(at).toPoint())
        np.testing.assert_allclose(bench.focus_lps, target, atol=0.8 / view.sight.px_per_mm)
        grey = frame.picture_of(view)
        blue = (grey[..., 2] > grey[..., 0].astype(int) + 60) & (grey[..., 2] > 120)
        assert blue.sum() > 50, "the wall of the tube"
    chooser = window.top.planes
    before = chooser.currentIndex()
    chooser._chosen(chooser.findData("curved"))
    assert chooser.currentIndex() == before
    along.dialog.close()


def check_every_command_of_the_palette_is_one_of_the_menu(window) -> None:
    from ctmeasure_napari import palette

    assert window.menus in palette.OPEN
    before = window.workbench.snap
    palette.snap_clicks()
    assert window.workbench.snap is not before
    from ctmeasure.app.places import read_settings

    assert read_settings()["snap"] is not before
    palette.snap_clicks()
    assert set(palette.ENTRIES) <= window.menus.acts.keys()
    assert len(palette.ENTRIES) >= 12


def check_large_type_fits_a_projector(window, qtbot) -> None:
    window.menus.toggle_type()
    qtbot.wait(200)
    assert window.panel.side.fontInfo().pointSizeF() >= 39.0
    assert window.main.minimumSizeHint().width() <= 1920
    assert window.main.minimumSizeHint().height() <= 1080
    for button in window.panel.hand._buttons:
        assert button.fontMetrics().horizontalAdvance(button.text()) <= button.width() - 4, button.text()
    window.menus.toggle_type()
    qtbot.waitUntil(lambda: window.main.minimumSizeHint().width() <= WIDTH_PX, timeout=20000)


def test_what_is_offered_when_nothing_was_named(display, qtbot, tmp_path, monkeypatch) -> None:
    from ctmeasure.app.places import note_recent

    monkeypatch.setenv("CTMEASURE_STATE_DIR", str(tmp_path / "state"))
    (tmp_path / "scan").mkdir()
    note_recent(tmp_path / "scan", side="left")
    found = offers()
    assert found[0] == ("Sample: an ear operated on before (synthetic)", Wish(sample="revision_ear"))
    assert found[-1] == ("Scan: scan (left ear)", Wish(scan=(tmp_path / "scan").resolve(), side="left"))
    dialog = StartDialog()
    qtbot.addWidget(dialog.dialog)
    dialog._take()
    assert dialog.wish == found[0][1]


def test_the_picker_asks_for_series_and_ear_and_refuses_what_cannot_be_used(display, qtbot) -> None:
    import ctmeasure_samples

    folder = Path(ctmeasure_samples.__file__).parent / "series" / "revision_ear" / "dicom"
    listing = list_scan(folder)
    picker = SeriesPicker(listing)
    qtbot.addWidget(picker.dialog)
    assert picker.tree.currentItem() is not None
    assert not picker.open.isEnabled(), "the ear is never guessed"
    picker.side.setCurrentIndex(1)
    assert picker.open.isEnabled()
    unusable = Listing(tuple(replace(row, usable=False, reason="gaps") for row in listing.rows), (), "", "none", {})
    refused = SeriesPicker(unusable)
    qtbot.addWidget(refused.dialog)
    refused.side.setCurrentIndex(1)
    assert not refused.open.isEnabled()
    assert "gaps" in refused.tree.topLevelItem(0).text(4)


def test_a_long_session_does_not_use_up_none(display, qtbot) -> None:
    """A binding that gives None back once too often ended the process after some ten thousand calls."""
    import subprocess
    import sys

    code = (
        "import ctmeasure_napari\n"
        "from qtpy.QtWidgets import QApplication\n"
        "app = QApplication([])\n"
        "for _ in range(60_000): app.processEvents()\n"
        "print('alive')\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300)
    assert ended.stdout.strip() == "alive", ended.stderr[:300]
