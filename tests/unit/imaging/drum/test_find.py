"""Drums of known shape: faces where they are; what hides them is named, what is not there is refused."""

from __future__ import annotations

import drum_phantoms as phantoms
import numpy as np
import pytest

from ctmeasure.errors import Cancelled, LandmarkError, ScanError
from ctmeasure.imaging.drum.find import find_drum
from ctmeasure.imaging.drum.surface import share_of_way

CLICK = (-1.3, -0.1, -0.3)


def found(scene, click=CLICK, **more):
    return find_drum(scene.volume, scene.rim_lps, canal=scene.canal, click_lps=click, fitness=scene.fitness, **more)


@pytest.mark.parametrize(("apex", "thick"), [(-1.6, 0.14), (-1.9, 0.10), (-1.5, 0.45)])
def test_cone(apex, thick):
    drum = found(phantoms.drum(apex_mm=apex, thick_mm=thick))
    assert drum.form == "cone"
    assert drum.medial_mm == pytest.approx(apex, abs=0.10)
    assert drum.lateral_mm == pytest.approx(apex + thick, abs=0.12)
    assert drum.centre_lps[1:] == pytest.approx((-0.3, -0.5), abs=0.25)
    assert drum.cone_depth_mm == pytest.approx(-apex, abs=0.35)
    assert abs(drum.medial_mm - apex) < 3.0 * drum.height_u_mm


@pytest.mark.parametrize(("height", "thick"), [(0.0, 0.14), (2.2, 0.30), (3.0, 0.9)])
def test_flat_sheet(height, thick):
    drum = found(phantoms.drum(apex_mm=height, rim_mm=height, thick_mm=thick), click=(height, -0.1, -0.3))
    assert drum.form == "shallow"
    assert drum.medial_mm == pytest.approx(height, abs=0.06)
    assert drum.lateral_mm == pytest.approx(height + thick, abs=0.10)
    # The click's own place is kept where nothing marks a middle.
    assert drum.centre_lps[1:] == pytest.approx((-0.1, -0.3), abs=1e-6)


def test_classes_of_thickness():
    thin = found(phantoms.drum(thick_mm=0.12)).thickness
    assert thin.state == "below resolution"
    assert thin.value_mm is None
    assert thin.at_most_mm > 0.12
    thick = found(phantoms.drum(apex_mm=2.0, rim_mm=2.0, thick_mm=0.9)).thickness
    assert thick.value_mm == pytest.approx(0.9, abs=0.1)
    assert thick.state == "resolved"


def test_filled_middle_ear_shows_the_outer_face_only():
    drum = found(phantoms.drum(apex_mm=-1.6, filled=True))
    assert not drum.medial_seen
    assert drum.lateral_mm == pytest.approx(-1.6 + 0.14, abs=0.15)
    assert any("middle ear filled" in flag for flag in drum.flags)
    assert drum.height_u_mm > found(phantoms.drum(apex_mm=-1.6)).height_u_mm


def test_opening_is_flagged_with_its_area():
    drum = found(phantoms.drum(opening_mm=1.4))
    assert any("no sheet over" in flag for flag in drum.flags)
    assert drum.open_mm2 == pytest.approx(np.pi * 1.4**2, rel=0.6)
    assert found(phantoms.drum()).open_mm2 < 1.0


def test_no_drum_is_refused():
    with pytest.raises(LandmarkError, match="no drum is seen"):
        found(phantoms.drum(present=False))


def test_filled_canal_is_refused():
    with pytest.raises(ScanError, match="not filled with air"):
        found(phantoms.drum(canal_filled=True))


def test_ring_outside_the_scan():
    scene = phantoms.drum()
    with pytest.raises(ScanError, match="outside the scan"):
        find_drum(scene.volume, scene.rim_lps + 30.0, canal=scene.canal, fitness=scene.fitness)


def test_another_axis_layout_gives_the_same():
    scene = phantoms.drum()
    turned = scene.volume.permuted((1, 2, 0), (False, True, True))
    second = find_drum(turned, scene.rim_lps, canal=scene.canal, click_lps=CLICK, fitness=scene.fitness)
    assert second.medial_mm == pytest.approx(found(scene).medial_mm, abs=0.01)


def test_cancelled():
    def stop(text, fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        found(phantoms.drum(), progress=stop)


def test_share_of_way_is_zero_at_the_apex_and_one_at_the_rim():
    apex = np.array([-0.4, 0.6])
    turn = np.linspace(0.0, 6.0, 9)
    rim = np.stack([4.2 * np.cos(turn), 4.6 * np.sin(turn)], axis=1)
    np.testing.assert_allclose(share_of_way(rim, apex, (4.2, 4.6)), 1.0, atol=1e-9)
    half_way = apex + 0.5 * (rim - apex)
    np.testing.assert_allclose(share_of_way(half_way, apex, (4.2, 4.6)), 0.5, atol=1e-9)


def test_uncalibrated_grey_values():
    from dataclasses import replace

    from ctmeasure.volume.volume import Volume

    scene = phantoms.drum()
    values = np.round(0.8 * scene.volume.values.astype(np.float64) + 900.0).astype(np.int16)
    volume = Volume(scene.volume.geometry, values, replace(scene.volume.source, intensity_unit="grey"))
    drum = find_drum(volume, scene.rim_lps, canal=scene.canal, click_lps=CLICK, fitness=scene.fitness)
    assert drum.medial_mm == pytest.approx(-1.6, abs=0.15)
    assert "soft-tissue level assumed" in drum.flags
