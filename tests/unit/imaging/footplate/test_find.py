"""Footplates of known shape: found where they are, refused where there is none, never more certain than the scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import plate_phantoms as phantoms
import pytest

from ctmeasure.errors import Cancelled, LandmarkError, ScanError
from ctmeasure.geometry.vectors import angle_deg
from ctmeasure.imaging.footplate.find import find_footplate
from ctmeasure.imaging.footplate.niche import find_niche

CLICK_OFF = np.array([0.25, -0.35, 0.2])


def found(scene, click=None, side="left", **more):
    click = scene.centre_lps + CLICK_OFF if click is None else click
    return find_footplate(scene.volume, click, side=side, fitness=scene.fitness, **more)


@pytest.mark.parametrize(
    ("side", "turn"), [("left", (0, 0, 0)), ("left", (14, -18, 10)), ("right", (-10, 12, -20)), ("right", (5, 25, 0))]
)
def test_centre_normal_and_axes(side, turn):
    scene = phantoms.plate(side=side, turn_deg=turn)
    plate = found(scene, side=side)
    off = (plate.centre_lps - scene.centre_lps) @ scene.axes_lps.T
    assert np.hypot(off[0], off[1]) < 0.08
    assert abs(off[2]) < 0.06
    assert float(angle_deg(plate.normal_lps, scene.axes_lps[2])) < 3.0
    assert abs(float(plate.axes_lps[0] @ scene.axes_lps[0])) > 0.98
    # The outline lies between the window (1.4 x 0.68) and the floor of the niche (1.7 x 0.98).
    assert 1.4 <= plate.half_axes_mm[0] <= 1.7
    assert 0.64 <= plate.half_axes_mm[1] <= 0.98


def test_thin_plate_is_below_resolution_and_never_absent():
    plate = found(phantoms.plate(thick_mm=0.2))
    assert plate.thickness.state == "below resolution"
    assert plate.thickness.value_mm is None
    assert "present" in plate.thickness.words
    assert 0.2 < plate.thickness.at_most_mm < 0.6


def test_thick_plate_has_a_value_and_is_flagged():
    plate = found(phantoms.plate(thick_mm=0.9))
    assert plate.thickness.value_mm == pytest.approx(0.9, abs=0.25)
    assert plate.thickness.state != "below resolution"
    assert any("thicker" in flag for flag in plate.flags)


def test_filled_niche_is_found_and_flagged():
    scene = phantoms.plate(niche_level=phantoms.SOFT)
    plate = found(scene)
    off = (plate.centre_lps - scene.centre_lps) @ scene.axes_lps.T
    assert np.abs(off).max() < 0.12
    assert plate.niche == "soft tissue or fluid"
    assert any("niche filled" in flag for flag in plate.flags)


def test_rim_points_are_the_ends_of_the_axes():
    plate = found(phantoms.plate())
    rim = plate.rim_points_lps()
    length = np.linalg.norm(np.subtract(rim["footplate_anterior"], rim["footplate_posterior"]))
    assert length == pytest.approx(2.0 * plate.half_axes_mm[0])
    # Posterior is +y in LPS, superior +z.
    assert rim["footplate_posterior"][1] > rim["footplate_anterior"][1]
    assert rim["footplate_superior"][2] > rim["footplate_inferior"][2]
    assert np.abs((plate.outline_lps() - plate.centre_lps) @ plate.normal_lps).max() < 1e-9


def test_open_window_is_no_plate():
    with pytest.raises(LandmarkError, match="no footplate is seen"):
        found(phantoms.plate(thick_mm=None))


def test_solid_bone_is_no_plate():
    scene = phantoms.plate()
    with pytest.raises(LandmarkError, match="no footplate is seen"):
        found(scene, scene.centre_lps + 1.75 * scene.axes_lps[1])


def test_wrong_side_is_refused():
    with pytest.raises(LandmarkError, match="no footplate is seen"):
        found(phantoms.plate(side="left"), side="right")


def test_click_far_from_the_canal_is_in_the_other_ear():
    from ctmeasure.anatomy.frames import CanalFrame
    from ctmeasure.geometry.frames import Frame

    scene = phantoms.plate()
    frame = Frame(np.array([85.0, 0.0, 0.0]), np.array([[0.0, 0, 1], [0, 1, 0], [-1, 0, 0]]), "canal")
    with pytest.raises(LandmarkError, match="other ear"):
        found(scene, canal=CanalFrame(frame, "left", "scanner"))


def test_edge_of_the_scan_and_no_bone_are_named():
    scene = phantoms.plate()
    with pytest.raises(ScanError, match="edge of the scan"):
        found(scene, np.array([4.2, 0.0, 0.0]))
    from ctmeasure.volume.volume import Volume

    air = Volume(scene.volume.geometry, np.full(scene.volume.values.shape, -1000, np.int16))
    with pytest.raises(ScanError, match="no bone"):
        find_footplate(air, scene.centre_lps, side="left")


def test_metal_on_the_plate_is_flagged_and_widens_its_doubt():
    scene = phantoms.plate(shoe=True)
    plate = found(scene)
    assert "metal near the plate" in plate.flags
    clean = found(phantoms.plate())
    assert np.trace(plate.covariance) > 4.0 * np.trace(clean.covariance)


def test_unknown_point_spread_is_flagged():
    scene = phantoms.plate()
    unknown = replace(scene.fitness, point_spread_in_plane_mm=None, point_spread_through_plane_mm=None)
    plate = find_footplate(scene.volume, scene.centre_lps, side="left", fitness=unknown)
    assert any("point spread assumed" in flag for flag in plate.flags)


def test_same_plate_in_another_axis_layout():
    scene = phantoms.plate(turn_deg=(8, -9, 6))
    first = found(scene)
    turned = scene.volume.permuted((2, 0, 1), (True, False, True))
    second = find_footplate(turned, scene.centre_lps + CLICK_OFF, side="left", fitness=scene.fitness)
    np.testing.assert_allclose(first.centre_lps, second.centre_lps, atol=0.02)
    np.testing.assert_allclose(first.normal_lps, second.normal_lps, atol=0.02)


def test_cancelled():
    def stop(text, fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        found(phantoms.plate(), progress=stop)


def test_niche_height_of_known_shape():
    # Niche half as high as 1.1 mm around the axis; a facial canal of radius 0.6 whose wall touches its roof.
    scene = phantoms.plate(roof_mm=1.1)
    plate = found(scene)
    up, along, normal = scene.axes_lps[1], scene.axes_lps[0], scene.axes_lps[2]
    middle = scene.centre_lps + 0.6 * normal + (1.1 + 0.6) * up
    facial = middle + np.linspace(-4.0, 4.0, 9)[:, None] * along
    niche = find_niche(scene.volume, plate, facial_lps=facial, radius_mm=np.full(9, 0.6), fitness=scene.fitness)
    assert niche is not None
    assert niche.height_mm == pytest.approx(2.2, abs=0.12)
    assert find_niche(scene.volume, plate, facial_lps=facial + 30.0, radius_mm=np.full(9, 0.6)) is None
