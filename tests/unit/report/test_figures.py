import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image as Raster

from ctmeasure.report.figures.canal_view import down_the_canal, seen
from ctmeasure.report.figures.lengths import length_chart, likely_rows
from ctmeasure.report.figures.looks import VERDICT_LOOKS, patch_style
from ctmeasure.report.figures.marks import HoleMark, Mark, SlicePlane, TubeMark, cut_outline, ellipse_95
from ctmeasure.report.figures.slices import mark_numbers, slice_picture
from ctmeasure.report.figures.small import chain_picture, drum_picture, holes_picture, length_picture, moved_picture
from ctmeasure.report.figures.unrolled import unrolled_map
from ctmeasure.report.figures.wall import columns_of, dial, split_runs
from ctmeasure.report.scene import wall_scene


def plane(values=None, right=(1.0, 0, 0), down=(0, 1.0, 0), first=(0.0, 0, 0)):
    values = np.zeros((80, 100)) if values is None else values
    return SlicePlane(values, np.array(first), np.array(right), np.array(down), 0.1, "test plane")


@pytest.fixture(scope="module")
def scene(case):
    return wall_scene(case)


def test_the_dial_puts_posterior_left_in_a_right_ear_and_right_in_a_left_ear():
    assert dial([0, 90, 270], "right").tolist() == [6.0, 3.0, 9.0]
    assert dial([0, 90, 270], "left").tolist() == [6.0, 9.0, 3.0]


@pytest.mark.parametrize(("side", "sign"), [("right", -1.0), ("left", 1.0)])
def test_down_the_canal_posterior_is_where_the_surgeon_sees_it(case, fabricated, side, sign):
    scene = wall_scene(fabricated.fabricated_case(side))
    x, y = seen([0.0, 90.0, 180.0], 5.0, scene)
    assert x.tolist() == pytest.approx([0.0, sign * 5.0, 0.0], abs=1e-9)
    assert y.tolist() == pytest.approx([5.0, 0.0, -5.0], abs=1e-9)


def test_the_ellipse_is_two_and_a_half_sigma_and_turns_with_the_covariance():
    major, minor, tilt = ellipse_95(np.diag([0.09, 0.01, 1.0]), np.eye(3)[0], np.eye(3)[1])
    assert (major, minor, tilt) == pytest.approx((0.3 * 2.4477, 0.1 * 2.4477, 0.0), abs=1e-4)
    turn = np.array([[np.cos(0.5), -np.sin(0.5), 0], [np.sin(0.5), np.cos(0.5), 0], [0, 0, 1]])
    *_, tilt = ellipse_95(turn @ np.diag([0.09, 0.01, 1.0]) @ turn.T, np.eye(3)[0], np.eye(3)[1])
    assert tilt == pytest.approx(np.degrees(0.5))


def test_a_tube_across_the_plane_is_cut_as_a_circle_of_its_radius():
    tube = np.array([[5.0, 4.0, -6.0], [5.0, 4.0, 6.0]])
    (outline,) = cut_outline(plane(), tube, np.full(2, 0.8))
    radius = np.hypot(*(outline - (5.0, 4.0)).T)
    assert radius.mean() == pytest.approx(0.8, abs=0.01)
    assert radius.std() < 0.01


def test_a_tube_beside_the_plane_is_cut_narrower_and_one_far_off_not_at_all():
    beside = np.array([[2.0, 4.0, 0.6], [8.0, 4.0, 0.6]])
    (outline,) = cut_outline(plane(), beside, np.full(2, 1.0))
    assert np.ptp(outline[:, 1]) == pytest.approx(2 * 0.8, abs=0.03)
    assert cut_outline(plane(), beside + np.array([0, 0, 0.5]), np.full(2, 1.0)) == []


def test_numbers_on_a_picture_are_shared_by_the_points_of_a_ring():
    marks = [Mark(i, i, np.zeros(3), np.eye(3)) for i in ("rim", "rim", "umbo")]
    assert mark_numbers(marks) == {"rim": 1, "umbo": 2}


def pixels(data):
    return np.asarray(Raster.open(io.BytesIO(data)).convert("RGB"), dtype=int)


def test_a_landmark_is_drawn_where_it_lies_and_only_near_its_plane():
    at = Mark("umbo", "umbo", np.array([5.0, 4.0, 0.0]), np.diag([0.01] * 3))
    bare, near = pixels(slice_picture(plane(), side="left")), pixels(slice_picture(plane(), side="left", marks=(at,)))
    far = slice_picture(plane(), side="left", marks=(replace(at, point_lps=np.array([5.0, 4.0, 1.5])),))
    assert np.array_equal(pixels(far), bare)
    rows, columns = np.nonzero(np.abs(near - bare).sum(axis=-1))
    picture_rows = near.shape[1] * 80 / 100
    top = near.shape[0] - picture_rows
    assert columns.min() < near.shape[1] * 0.505 < columns.max()
    assert rows.min() < top + picture_rows * 0.506 < rows.max()


def test_a_drill_path_is_drawn_to_scale():
    hole = HoleMark("hole", np.array([5.0, 2.0, 0.0]), np.array([0.0, 1.0, 0.0]), 3.0, 0.3)
    ends = np.stack([hole.entry_lps, hole.entry_lps + 3.0 * hole.direction_lps])
    (outline,) = cut_outline(plane(), ends, np.full(2, hole.radius_mm))
    assert np.ptp(outline[:, 0]) == pytest.approx(0.6, abs=0.02)
    assert np.ptp(outline[:, 1]) == pytest.approx(3.6, abs=0.02)
    assert slice_picture(plane(), side="left", holes=(hole,)) != slice_picture(plane(), side="left")


def test_what_was_not_scanned_is_hatched_not_dark():
    values = np.zeros((80, 100))
    values[:, 60:] = np.nan
    right = pixels(slice_picture(plane(values), side="right"))[60:-60, -150:-30]
    assert right.mean() > 150
    assert right.std() > 30


def test_outlines_off_the_picture_do_not_change_its_scale():
    tube = TubeMark("facial canal", np.array([[9.8, 4.0, -3.0], [9.8, 4.0, 3.0]]), np.full(2, 1.5))
    data = pixels(slice_picture(plane(np.full((80, 100), 2400.0)), side="right", tubes=(tube,)))
    assert (data[40:, :60] > 200).mean() > 0.9


def test_pictures_are_the_same_bytes_twice(scene, case):
    assert unrolled_map(scene) == unrolled_map(scene)
    assert down_the_canal(scene) == down_the_canal(scene)
    assert slice_picture(plane(), side="left") == slice_picture(plane(), side="left")
    rows = case.results.lengths
    assert length_chart(rows, side="right", title="t") == length_chart(rows, side="right", title="t")


def test_the_users_own_style_changes_nothing(scene):
    import matplotlib as mpl

    plain_map = unrolled_map(scene)
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "red", "hatch.linewidth": 5}):
        assert unrolled_map(scene) == plain_map


def test_no_picture_holds_a_date_or_a_program_name(scene):
    text = unrolled_map(scene).decode()
    assert "dc:date" not in text
    assert "Matplotlib" not in text.replace("Created with matplotlib", "")


def test_every_verdict_has_its_own_pattern_and_not_assessed_no_colour():
    assert len({look.pattern for look in VERDICT_LOOKS.values()}) == 4
    assert VERDICT_LOOKS["not assessed"].fill is None
    assert VERDICT_LOOKS["clear"].words == "margin kept"
    assert all(patch_style(v)["hatch"] for v in VERDICT_LOOKS)


def test_every_layer_differs_and_a_change_of_verdict_shows(scene):
    layers = {layer: unrolled_map(scene, layer=layer) for layer in ("verdict", "thickness", "clearance")}
    assert len(set(layers.values())) == 3
    changed = tuple(replace(c, verdict="not assessed") for c in scene.cells)
    assert unrolled_map(replace(scene, cells=changed)) != layers["verdict"]


def test_a_map_of_nothing_but_unassessed_cells_can_be_drawn(scene):
    cells = tuple(replace(c, verdict="not assessed", thickness_mm=None, clearance_mm=None) for c in scene.cells)
    empty = replace(scene, cells=cells, holes=(), shadows=())
    for layer in ("verdict", "thickness", "clearance"):
        assert unrolled_map(empty, layer=layer).startswith(b"<?xml")


def test_cells_join_along_the_wall_only_without_a_gap(scene):
    cells = [replace(scene.cells[0], rim_distance_mm=r) for r in (0.0, 0.5, 1.0, 2.0)]
    assert columns_of(cells, 0.5) == [(0.0, 0.0, 1.0), (0.0, 2.0, 2.0)]


def test_a_shadow_is_not_drawn_across_the_seam():
    x = np.array([0.4, 0.1, 11.9, 11.5])
    assert split_runs(x, np.ones(4, bool), jump=3.0) == [slice(0, 2), slice(2, 4)]


def test_likely_sizes_come_in_order_of_length(case):
    sizes = [r.size_mm for r in likely_rows(case.results.lengths, count=3)]
    assert sizes == [4.25, 4.5, 4.75]


def test_small_pictures_can_be_drawn_without_any_result():
    for data in (chain_picture({}), drum_picture(None), holes_picture(None), length_picture((), ()), moved_picture("")):
        assert data.startswith(b"<?xml")


def test_scene_is_none_without_rim_or_results(case):
    from ctmeasure.anatomy.landmarks import LandmarkSet

    assert wall_scene(replace(case, results=None)) is None
    assert wall_scene(replace(case, landmarks=LandmarkSet())) is None
