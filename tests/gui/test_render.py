"""What is drawn of a case in a plane: plain data, no toolkit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ctmeasure_napari import looks
from ctmeasure_napari.planes import plane_choices
from ctmeasure_napari.render import PaneView, render
from ctmeasure_napari.scene import case_scene

from ctmeasure.planning.results import ANY, Clearance, SiteResult, WallPath
from ctmeasure.volume.reformat import PlaneSpec, reformat

PLACEMENT_MM, VOXEL_MM = 0.3, 0.4
CHI_95 = 2.447747
"""Square root of the 95 % point of chi-square with two degrees of freedom, 5.991465 (table value)."""


def view_of(ear, key: str, **options) -> PaneView:
    case, volume = ear
    plane = options.pop("plane", None) or plane_choices(case, volume.geometry)[key].plane
    picture = reformat(volume, plane)
    return PaneView(plane, picture.image, np.array(plane.origin_lps), (-1000.0, 2400.0), **options)


def coloured(layers, colour):
    """Line pieces of one colour, whatever their strength."""
    return layers.lines.pieces_flat[(np.abs(layers.lines.colours[:, :3] - colour[:3]) < 1e-6).all(axis=1)]


@pytest.mark.parametrize(("ear", "letters"), [("right_ear", ("R", "L")), ("left_ear", ("R", "L"))])
def test_patient_left_is_right_on_every_upright_picture(ear, letters, request) -> None:
    ear = request.getfixturevalue(ear)
    for key in ("canal_upright", "coronal", "axial"):
        edges = render(case_scene(ear[0]), view_of(ear, key)).edges
        assert (edges["left"][0], edges["right"][0]) == letters
    assert render(case_scene(ear[0]), view_of(ear, "coronal")).edges["top"] == "S"
    assert render(case_scene(ear[0]), view_of(ear, "axial")).edges["top"] == "A"


def test_the_canal_opens_to_the_ears_own_side(right_ear, left_ear) -> None:
    for ear, sign in ((right_ear, -1.0), (left_ear, 1.0)):
        held = render(case_scene(ear[0]), view_of(ear, "coronal")).held
        assert "canal_lateral" not in dict(held)  # 2 mm behind the footplate's coronal plane: hidden
        held = render(case_scene(ear[0]), view_of(ear, "canal_upright")).held
        lateral, medial = held["canal_lateral", 0], held["canal_medial", 0]
        assert np.sign(lateral[1] - medial[1]) == sign
        assert abs(lateral[1] - medial[1]) == pytest.approx(7.0)


def test_a_mirrored_ear_gives_the_mirrored_picture(right_ear, left_ear) -> None:
    right = render(case_scene(right_ear[0]), view_of(right_ear, "canal_upright"))
    left = render(case_scene(left_ear[0]), view_of(left_ear, "canal_upright"))
    assert right.held.keys() == left.held.keys()
    for ref, (down, across) in right.held.items():
        assert left.held[ref] == pytest.approx((down, -across), abs=1e-9)
    np.testing.assert_array_equal(right.picture.values, left.picture.values[:, ::-1])


def test_the_side_stands_on_every_picture(right_ear) -> None:
    scene = case_scene(right_ear[0])
    assert render(scene, view_of(right_ear, "axial")).title.startswith("RIGHT ear\n")
    assert render(scene, view_of(right_ear, "axial", brief=True)).title == "RIGHT"


@pytest.mark.parametrize(("offset_mm", "drawn"), [(0.0, True), (1.4, True), (-1.4, True), (1.6, False)])
def test_a_cross_fades_with_distance_and_is_hidden_beyond(right_ear, offset_mm: float, drawn: bool) -> None:
    case, _ = right_ear
    at = case.landmarks.point_lps("promontory")
    plane = PlaneSpec("axial", "test", np.add(at, (0.0, 0.0, offset_mm)), (1, 0, 0), (0, 1, 0), 30.0, 30.0, 0.2)
    layers = render(case_scene(case), view_of(right_ear, "", plane=plane))
    assert (("promontory", 0) in layers.held) is drawn
    if drawn:
        near = np.abs(layers.lines.pieces_flat).max(axis=(1, 2)) < 1.0
        amber = (np.abs(layers.lines.colours[:, :3] - looks.LANDMARK[:3]) < 1e-6).all(axis=1)
        strengths = layers.lines.colours[near & amber, 3]
        assert strengths.max() == pytest.approx(1.0 if offset_mm == 0.0 else looks.strength(1.4))
        assert looks.strength(1.4) < 0.4


def test_the_ellipse_is_the_95_percent_region_of_the_placement(right_ear) -> None:
    case, _ = right_ear
    at = case.landmarks.point_lps("promontory")
    plane = PlaneSpec("axial", "test", at, (1, 0, 0), (0, 1, 0), 30.0, 30.0, 0.2)
    layers = render(case_scene(case), view_of(right_ear, "", plane=plane))
    amber = coloured(layers, looks.LANDMARK)
    reach = np.hypot(amber[..., 0], amber[..., 1]).reshape(-1)
    # Placement noise, voxel (rectangular) and edge term of a 0.5 mm point spread, one tenth of it.
    sigma = np.sqrt(PLACEMENT_MM**2 + VOXEL_MM**2 / 12.0 + 0.05**2)
    ellipse = reach[np.abs(reach - CHI_95 * sigma) < 0.02]
    assert len(ellipse) >= 48
    assert CHI_95 * sigma > looks.CROSS_MM, "the cross would hide its ellipse"


def test_the_selected_point_is_larger_and_named_and_follows_the_drag(right_ear) -> None:
    case, _ = right_ear
    at = case.landmarks.point_lps("drum_centre")
    ref = ("drum_centre", 0)
    plain = render(case_scene(case), view_of(right_ear, "canal_upright"))
    taken = render(case_scene(case), view_of(right_ear, "canal_upright", selected=ref))
    assert "drum centre" not in [word.text for word in plain.words]
    assert taken.words[0].text == "drum centre"

    def longest(layers):
        pieces = coloured(layers, looks.LANDMARK)
        return np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1).max()

    assert longest(taken) == pytest.approx(2 * looks.SELECTED_CROSS_MM)
    assert longest(plain) == pytest.approx(2 * looks.CROSS_MM)
    view = view_of(right_ear, "canal_upright", selected=ref, held_at_lps=np.add(at, (0.0, 0.0, 1.0)))
    dragged = render(case_scene(case), view)
    np.testing.assert_allclose(np.subtract(dragged.held[ref], taken.held[ref]), [-1.0, 0.0], atol=1e-9)


def test_structures_are_cut_named_and_drawn_in_their_own_colour(right_ear) -> None:
    case, _ = right_ear
    at = np.add(case.landmarks.point_lps("drum_centre"), (5.5, 0.0, 0.0))
    plane = PlaneSpec("sagittal", "test", at, (0, 1, 0), (0, 0, -1), 40, 32, 0.2)
    layers = render(case_scene(case), view_of(right_ear, "", plane=plane))
    assert {"facial canal", "tegmen", "jugular bulb"} <= {word.text for word in layers.words}
    assert len(coloured(layers, looks.STRUCTURE)) > 40


def test_a_tube_without_radii_has_no_wall_and_says_so(right_ear) -> None:
    case, _ = right_ear
    nerve = case.structures[0]
    bare = replace(case, structures=(replace(nerve, radii_mm=(None,) * len(nerve.points)),))
    mark = case_scene(bare).bodies[0]
    assert mark.solid is None
    assert mark.label == "facial canal (radius not measured)"


def test_holes_are_drawn_to_scale(right_ear, results) -> None:
    case, _ = right_ear
    entry = case.landmarks.point_lps("canal_medial")
    path = WallPath(None, "not assessed", 2.0, "attic")
    overall = Clearance(ANY, None, None, None, None, None, "not assessed")
    site = SiteResult(
        "a", tuple(entry), (0.0, 0.0, 1.0), 0.0, 0.0, 12.0, 2.0, 0.0, 0.0, path, 2.5, True, (), overall
    )  # fmt: skip
    drilled = replace(case, structures=(), results=replace(results, sites=(site,)))
    plane = PlaneSpec("coronal", "test", entry, (1, 0, 0), (0, 0, -1), 20, 20, 0.2)
    layers = render(case_scene(drilled), view_of(right_ear, "", plane=plane))
    white = coloured(layers, looks.HOLE)
    assert np.ptp(white[..., 1]) == pytest.approx(case.settings.bur_diameter_mm, rel=0.01)
    assert np.ptp(white[..., 0]) == pytest.approx(2.5 + case.settings.bur_diameter_mm, rel=0.01)
    assert "hole a" in {word.text for word in layers.words}


def test_outside_the_scan_is_shown_as_the_darkest_value(right_ear) -> None:
    plane = PlaneSpec("axial", "test", (400.0, 0.0, 0.0), (1, 0, 0), (0, 1, 0), 20, 20, 0.5)
    layers = render(case_scene(right_ear[0]), view_of(right_ear, "", plane=plane))
    assert (layers.picture.values == -1000.0).all()


def test_names_never_cover_each_other(right_ear) -> None:
    layers = render(case_scene(right_ear[0]), view_of(right_ear, "canal_upright", names=True, px_per_mm=7.0))
    boxes = [(w.at_flat[0] * 7.0 - w.lift_px, w.at_flat[1] * 7.0, 4.0 * len(w.text)) for w in layers.words]
    assert len(boxes) >= 3
    for i, (y, x, half) in enumerate(boxes):
        assert all(abs(y - v) >= 19.0 or abs(x - u) >= half + other for v, u, other in boxes[i + 1 :])
