import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image as Raster

from ctmeasure.report.figures.canal_view import down_the_canal, seen
from ctmeasure.report.figures.lengths import length_chart, likely_rows
from ctmeasure.report.figures.looks import VERDICT_LOOKS, patch_style
from ctmeasure.report.figures.map_layers import LAYER_TITLES, far_sides
from ctmeasure.report.figures.marks import (
    HoleMark,
    Mark,
    PatchMark,
    SlicePlane,
    TubeMark,
    cut_lines,
    cut_outline,
    ellipse_95,
)
from ctmeasure.report.figures.outlines import merged_outlines
from ctmeasure.report.figures.slices import mark_numbers, slice_picture
from ctmeasure.report.figures.small import chain_picture, drum_picture, holes_picture, length_picture, moved_picture
from ctmeasure.report.figures.unrolled import unrolled_map
from ctmeasure.report.figures.wall import dial, split_runs
from ctmeasure.report.scene import wall_scene


def plane(values=None, right=(1.0, 0, 0), down=(0, 1.0, 0), first=(0.0, 0, 0)):
    values = np.zeros((80, 100)) if values is None else values
    return SlicePlane(values, np.array(first), np.array(right), np.array(down), 0.1, "test plane")


@pytest.fixture(scope="module")
def scene(case):
    return wall_scene(case)


@pytest.fixture(scope="module")
def layers(scene):
    """Every layer of the map, drawn once."""
    return {layer: unrolled_map(scene, layer=layer) for layer in LAYER_TITLES}


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


def test_pictures_are_the_same_bytes_whatever_the_users_own_style(scene, case, layers):
    import matplotlib as mpl

    rows = case.results.lengths
    canal, chart = down_the_canal(scene), length_chart(rows, side="right", title="t")
    picture = slice_picture(plane(), side="left")
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "red", "hatch.linewidth": 5, "savefig.dpi": 33}):
        assert unrolled_map(scene) == layers["verdict"]
        assert down_the_canal(scene) == canal
        assert length_chart(rows, side="right", title="t") == chart
        assert slice_picture(plane(), side="left") == picture


def test_no_picture_holds_a_date_or_a_program_name(layers):
    for data in layers.values():
        text = data.decode()
        assert "dc:date" not in text
        assert "matplotlib" not in text.lower()


def test_drawings_are_well_formed_and_small(layers):
    from xml.etree import ElementTree

    for data in layers.values():
        assert ElementTree.fromstring(data).tag.endswith("svg")
        assert len(data) < 250_000


def test_every_verdict_has_its_own_pattern_and_not_assessed_no_colour():
    assert len({look.pattern for look in VERDICT_LOOKS.values()}) == 4
    assert VERDICT_LOOKS["not assessed"].fill is None
    assert VERDICT_LOOKS["clear"].words == "margin kept"
    assert all(patch_style(v)["hatch"] for v in VERDICT_LOOKS)


def test_every_layer_differs_and_a_change_of_verdict_shows(scene, layers):
    assert len(set(layers.values())) == 6
    changed = tuple(replace(c, verdict="not assessed") for c in scene.cells)
    assert unrolled_map(replace(scene, cells=changed)) != layers["verdict"]


def test_every_space_behind_the_wall_has_its_own_letter(scene):
    names = far_sides(scene)
    behind = {cell.far_side for cell in scene.cells if cell.entry_lps is not None and cell.far_side}
    assert set(names) == behind
    assert len(set(names.values())) == len(names)


def test_a_map_of_nothing_but_unassessed_cells_can_be_drawn(scene):
    cells = tuple(replace(c, verdict="not assessed", thickness_mm=None, clearance_mm=None) for c in scene.cells)
    empty = replace(scene, cells=cells, holes=(), shadows=())
    for layer in ("verdict", "thickness", "clearance"):
        assert unrolled_map(empty, layer=layer).startswith(b"<?xml")


def out_of_reach_at(scene, places):
    """The scene with the cells at these wall angles and rim distances out of reach, every other one within."""
    cells = tuple(replace(c, reachable=(c.wall_angle_deg, c.rim_distance_mm) not in places) for c in scene.cells)
    return replace(scene, cells=cells)


def drawn_strokes(draw):
    """Middles of the strokes a drawing puts on its axes, from the line's own points."""
    from matplotlib.figure import Figure

    axes = Figure().add_subplot()
    draw(axes)
    points = axes.lines[-1].get_xydata()
    return points.reshape(-1, 3, 2)[:, :2].mean(axis=1)


@pytest.mark.parametrize(("side", "hours"), [("right", [6.0, 3.0]), ("left", [6.0, 9.0])])
def test_every_cell_out_of_reach_has_a_stroke_at_its_place_and_no_other(scene, side, hours):
    from ctmeasure.report.figures import canal_view, unrolled

    struck = replace(out_of_reach_at(scene, {(0.0, 2.0), (88.0, 3.0)}), side=side)
    assert len(struck.out_of_reach) == 2
    flat = drawn_strokes(lambda axes: unrolled._reach_strokes(axes, struck))
    assert flat[:, 1].tolist() == pytest.approx([2.0, 3.0])
    # the dial: superior in the middle, posterior left of it in a right ear and right of it in a left one
    assert np.abs(flat[:, 0] - hours).max() < 0.1
    x, y = drawn_strokes(lambda axes: canal_view._reach_strokes(axes, struck)).T
    radius = scene.rim_radius_mm
    assert (x[0], y[0]) == pytest.approx((0.0, radius + 2.0), abs=0.1)
    assert x[1] == pytest.approx((radius + 3.0) * (-1.0 if side == "right" else 1.0), abs=0.1)


def test_what_is_out_of_reach_is_counted_in_words(case):
    from ctmeasure.report.assemble import reach_words

    scene = wall_scene(case)
    assert reach_words(scene) == ""
    places = {(0.0, 2.0), (0.0, 3.0), (120.0, 2.0)}
    assert [c.verdict for c in out_of_reach_at(scene, places).out_of_reach] == ["clear", "clear", "keep out"]
    words = reach_words(out_of_reach_at(scene, places))
    assert f"cannot reach it (3 of {90 * 17} cells, 2 of them with margin kept); no hole is offered there" in words
    unknown = replace(scene, cells=(replace(scene.cells[4], reachable=None), *scene.cells[:4]))
    assert reach_words(unknown) == "Reach not assessed in 1 cells with margin kept or caution."


def test_the_map_differs_where_the_instrument_cannot_reach(scene, layers):
    assert unrolled_map(out_of_reach_at(scene, {(0.0, 2.0)})) != layers["verdict"]


def filled_cells(outlines, shape):
    """Cells whose middle the outlines wind round, by the signed crossings of a ray to the right."""
    found = np.zeros(shape, dtype=int)
    for outline in outlines:
        for (c0, r0), (c1, r1) in zip(outline, [*outline[1:], outline[0]], strict=True):
            assert (c0 == c1) != (r0 == r1)
            if c0 == c1:
                found[min(r0, r1) : max(r0, r1), :c0] += 1 if r1 > r0 else -1
    return found


@pytest.mark.parametrize("seed", range(6))
def test_joined_outlines_fill_just_the_marked_cells(seed):
    mask = np.random.default_rng(seed).random((9, 14)) < (0.2 + 0.12 * seed)
    assert np.array_equal(filled_cells(merged_outlines(mask), mask.shape), mask.astype(int))


def test_a_ring_of_cells_is_one_outline_and_its_hole():
    mask = np.ones((3, 3), dtype=bool)
    mask[1, 1] = False
    assert sorted(len(outline) for outline in merged_outlines(mask)) == [4, 4]
    assert merged_outlines(np.zeros((2, 2), dtype=bool)) == []


def test_the_grid_holds_every_cell_at_its_place(scene):
    table = scene.table("thickness_mm")
    assert table.shape == (len(scene.rims_mm), len(scene.wall_angles_deg))
    assert scene.mask(scene.cells).sum() == len(scene.cells)
    for cell in scene.cells[:: len(scene.cells) // 40]:
        row = int(np.argmin(np.abs(scene.rims_mm - cell.rim_distance_mm)))
        column = int(np.argmin(np.abs(scene.wall_angles_deg - cell.wall_angle_deg)))
        expected = np.nan if cell.thickness_mm is None else cell.thickness_mm
        assert table[row, column] == pytest.approx(expected, nan_ok=True)


def test_a_patch_is_cut_where_the_plane_crosses_it():
    """A patch z = x - 3 meets the plane z = 0 on the line x = 3, over the whole width of the patch."""
    xs, ys = np.meshgrid([1.0, 2.5, 4.0, 6.0], [1.0, 3.0, 6.0])
    points = np.stack([xs, ys, xs - 3.0], axis=-1).reshape(-1, 3)
    patch = PatchMark.through("tegmen", points)
    lines = np.array(cut_lines(plane(), patch))
    assert lines[..., 0] == pytest.approx(3.0)
    assert np.abs(np.diff(lines[..., 1], axis=1)).sum() == pytest.approx(5.0)
    assert cut_lines(plane(), replace(patch, points_lps=np.add(points, [0.0, 0.0, 9.0]))) == []
    drawn = slice_picture(plane(), side="left", patches=(patch,))
    assert drawn != slice_picture(plane(), side="left")
    assert len(PatchMark.through("on a line", np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]])).faces) == 0


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


def drawn_boxes(monkeypatch, **picture):
    """Words of a slice picture with their boxes in dots, as the drawing library measures them."""
    from ctmeasure.report.figures import slices

    found = []

    def look(figure, _format):
        figure.canvas.draw()
        renderer = figure.canvas.get_renderer()
        found.extend((t.get_text(), t.get_window_extent(renderer)) for t in figure.axes[0].texts)
        return b""

    monkeypatch.setattr(slices, "image_bytes", look)
    slice_picture(plane(), side="left", **picture)
    return found


def test_labels_cover_neither_letters_nor_scale_nor_each_other(monkeypatch):
    # a tube by every edge letter, one in the corner of the scale, a mark beside it and a hole between two tubes
    spots = {"tegmen": (5.0, 0.4), "facial canal": (5.0, 7.5), "joint fossa": (0.5, 4.0), "sigmoid sinus": (9.4, 4.0),
             "carotid canal": (8.9, 7.4), "chorda tympani": (5.0, 3.6)}  # fmt: skip
    tubes = [TubeMark(n, np.array([[x, y, -3.0], [x, y, 3.0]]), np.full(2, 0.3)) for n, (x, y) in spots.items()]
    holes = [HoleMark("hole 1a", np.array([5.2, 3.0, 0.0]), np.array([0.0, 1.0, 0.0]), 2.0, 0.3)]
    marks = [Mark("umbo", "umbo", np.array([8.0, 7.3, 0.0]), np.diag([0.01] * 3))]
    boxes = drawn_boxes(monkeypatch, tubes=tubes, holes=holes, marks=marks)
    said = [words for words, _ in boxes]
    assert {"hole 1a", "1", *spots} <= set(said)
    assert sum("mm" in words for words in said) == 1
    for i, (words, box) in enumerate(boxes):
        for other, beside in boxes[i + 1 :]:
            assert not box.overlaps(beside), (words, other)


def test_sizes_that_round_to_nothing_are_not_the_likeliest():
    from ctmeasure.planning.results import LengthRow

    def row(size, fits, rank=1):
        return LengthRow("piston", "as planned", "a", "b", None, size, 1.0 - fits, fits, 0.0, rank)

    rows = (row(3.0, 0.0), row(3.25, 0.0), row(7.75, 0.004), row(8.0, 0.6))
    assert [r.size_mm for r in likely_rows(rows)] == [8.0]
    assert [r.size_mm for r in likely_rows(rows[:3])] == [7.75]
