"""Prostheses on painted phantoms: length, head, tilt; refusals; the halo."""

from __future__ import annotations

import numpy as np
import pytest
from metal_phantoms import FWHM_MM, metal_phantom
from numpy.testing import assert_allclose

from ctmeasure.errors import ScanError
from ctmeasure.imaging.metal.fit import fit_strut
from ctmeasure.imaging.metal.halo import Halo, find_halo
from ctmeasure.imaging.metal.pieces import Blur, blurred, head, rod
from ctmeasure.imaging.metal.prosthesis import measure_prosthesis, metal_block, metal_on_ct_words
from ctmeasure.volume.sampling import sample

FOOT, TOP = np.array([-0.4, 0.3, -2.0]), np.array([0.6, -0.5, 2.1])
LENGTH = float(np.linalg.norm(TOP - FOOT))
OFF = np.array([0.25, -0.2, 0.3])


def test_blurred_pieces_equal_a_painted_rod_with_its_head() -> None:
    volume, _ = metal_phantom(FOOT, TOP, radius_mm=0.25, head_mm=1.1, noise_hu=0.0, highest=30000.0)
    axis = (TOP - FOOT) / LENGTH
    pieces = rod(FOOT, TOP - 0.25 * axis, radius_mm=0.25) + head(TOP, axis, radius_mm=1.1, thickness_mm=0.25)
    points = volume.geometry.to_lps(np.argwhere(np.ones(volume.geometry.shape_kji)).astype(np.float64))
    blur = Blur(FWHM_MM[1] / 2.35482, FWHM_MM[0] / 2.35482, (0.0, 0.0, 1.0))
    painted = (volume.values.astype(np.float64).ravel() + 1000.0) / 10000.0
    # painting on steps of 0.06 to 0.08 mm is itself right to a few percent of full metal
    assert_allclose(blurred(points, pieces, blur=blur), painted, atol=0.06)


@pytest.mark.parametrize("highest", [3071.0, 30000.0])
def test_length_and_head_with_and_without_cut_off_values(highest: float) -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.25, head_mm=1.1, highest=highest)
    found = measure_prosthesis(volume, [FOOT + OFF, TOP - OFF], fitness=fitness)
    assert found.length.value == pytest.approx(LENGTH, abs=0.08)
    assert found.length.low_95 < LENGTH < found.length.high_95
    assert found.head_diameter is not None
    assert found.head_diameter.value == pytest.approx(2.2, abs=0.15)
    assert np.linalg.norm(found.top_lps - TOP) < 0.1
    axis = (TOP - FOOT) / LENGTH
    assert found.tilt(axis, normal_u_deg=1.0, against="normal").value < 2.0
    assert ("metal cut off at the top of the scale" in found.flags) is (highest < 4000.0)
    assert any("0.125 mm" in flag for flag in found.length.flags)


def test_a_threshold_would_read_the_same_rod_too_long() -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.25)
    steps = np.arange(-1.0, LENGTH + 1.0, 0.02)
    axis = (TOP - FOOT) / LENGTH
    bright = steps[sample(volume, FOOT + steps[:, None] * axis).values > 600.0]
    assert np.ptp(bright) > LENGTH + 0.1
    assert measure_prosthesis(volume, [FOOT, TOP], fitness=fitness).length.value == pytest.approx(LENGTH, abs=0.08)


def test_bare_rod_standing_on_bone_has_no_head() -> None:
    foot = np.array([0.0, 0.0, -1.5])
    top = np.array([0.2, 0.1, 2.0])
    volume, fitness = metal_phantom(foot, top, radius_mm=0.25, floor_z=-1.5)
    found = measure_prosthesis(volume, [foot + OFF, top - OFF], fitness=fitness)
    assert found.head_diameter is None
    assert found.length.value == pytest.approx(float(np.linalg.norm(top - foot)), abs=0.15)


@pytest.mark.parametrize("clicks", [[TOP], [TOP, TOP + 0.3]])
def test_one_place_asks_for_the_other_end(clicks: list[np.ndarray]) -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.25, head_mm=1.1)
    with pytest.raises(ScanError, match=r"does not tell its two ends.*click its other end too"):
        measure_prosthesis(volume, clicks, fitness=fitness)


def test_an_end_far_from_every_click_is_flagged() -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.25, head_mm=1.1)
    axis = (TOP - FOOT) / LENGTH
    near = measure_prosthesis(volume, [FOOT, TOP], fitness=fitness)
    far = measure_prosthesis(volume, [FOOT + 1.4 * axis, TOP], fitness=fitness)
    assert not any("nearest click" in flag for flag in near.flags)
    assert any("from the nearest click" in flag for flag in far.length.flags)


def test_refused_without_metal_or_outside() -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.25)
    with pytest.raises(ScanError, match="metal"):
        measure_prosthesis(volume, [[3.5, 3.5, -4.0], [3.5, 3.5, -1.0]], fitness=fitness)
    with pytest.raises(ScanError, match="outside the scan"):
        measure_prosthesis(volume, [[300.0, 0.0, 0.0]], fitness=fitness)
    block, blur = metal_block(volume, np.array([FOOT, TOP]), fitness=fitness)
    with pytest.raises(ScanError, match=r"less than 0\.5 mm"):
        fit_strut(block, FOOT, FOOT + 0.1, blur=blur)


def test_halo_of_a_scan_holds_the_rod_and_paths_through_it() -> None:
    volume, fitness = metal_phantom(FOOT, TOP, radius_mm=0.3, head_mm=1.1)
    halo = find_halo(volume, fitness)
    assert halo.inside([TOP]).all()
    assert halo.touches([[-4.0, 0.0, 2.0], [4.0, 0.0, 2.0]])
    far = Halo(np.array([[0.0, 0.0, 0.0]]))
    assert not far.inside([[0.0, 3.1, 0.0], [np.nan, 0.0, 0.0]]).any()
    assert not find_halo(metal_phantom(FOOT, TOP, radius_mm=0.02)[0], fitness).touches([TOP])


def test_published_bias_has_its_source() -> None:
    assert "HRCT" in metal_on_ct_words("width")
