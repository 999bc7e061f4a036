"""Scale, motion, coverage and what a scan supports: truth from what was put into the array."""

from __future__ import annotations

import math
from importlib import resources

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from ctmeasure.volume import Geometry, ScanSource, Volume
from ctmeasure.volume.calibration import levels_of, scale_of
from ctmeasure.volume.coverage import coverage_doubts
from ctmeasure.volume.motion import jumps_between_slices
from ctmeasure.volume.quality import assess_fitness
from ctmeasure.volume.support import KINDS, supports_of


def tissues(air=-1000.0, soft=40.0, bone=1500.0, noise=50.0) -> np.ndarray:
    """A third of each tissue, with noise."""
    rng = np.random.default_rng(4)
    values = np.repeat([air, soft, bone], 9000).reshape(3, 90, 100) + rng.normal(0, noise, (3, 90, 100))
    return np.rint(values).astype(np.int16)


@pytest.mark.parametrize("noise", [0.0, 50.0, 120.0])
def test_levels_are_found(noise):
    air, soft, bone = levels_of(tissues(noise=noise).astype(float))
    assert air == pytest.approx(-1000, abs=20 + noise / 4)
    assert soft == pytest.approx(40, abs=50)
    assert bone == pytest.approx(1500, abs=20 + noise / 4)


def test_water_in_hu_is_zero_and_air_minus_a_thousand():
    """The definition of the scale (PS3.3 C.11.1.1.2): the check passes, and nothing is said."""
    scale = scale_of(tissues(soft=0.0), unit="HU")
    assert (scale.unit, scale.warnings) == ("HU", ())


@pytest.mark.parametrize(("offset", "factor"), [(1000, 1.0), (-1000, 1.0), (0, 0.5), (500, 1.0)])
def test_a_scale_that_is_not_hu(offset, factor):
    scale = scale_of(np.rint(tissues() * factor + offset).astype(np.int16), unit="HU")
    assert scale.unit == "grey"
    assert "may not be HU" in scale.warnings[0]


def test_a_water_peak_elsewhere_is_doubted():
    scale = scale_of(tissues(soft=330.0), unit="HU")
    assert scale.unit == "HU"
    assert "soft tissue reads about 3" in scale.warnings[0]


def test_padding_is_no_air():
    """A grey scale with air at 0 whose corners were set to -1000 on the way in."""
    values = tissues(air=0.0, soft=500.0, bone=1500.0)
    values[:, :20] = -1000
    assert scale_of(values, unit="HU", padded=True).unit == "grey"


def test_noise_is_no_fault_of_the_scale():
    assert scale_of(tissues(noise=150.0), unit="HU").unit == "HU"


def test_grey_scale_says_its_levels():
    values = np.repeat(np.array([100, 900, 2000], np.int16), 40_000).reshape(30, 50, 80)
    fitness = assess_fitness(Volume(Geometry((30, 50, 80), np.eye(4)), values, ScanSource(intensity_unit="grey")))
    assert (fitness.air_level, fitness.bone_level) == (100.0, 2000.0)
    assert fitness.soft_level == pytest.approx(900, abs=25)
    assert any("thresholds are estimated from this scan (air 100" in text for text in fitness.warnings)


def blobs(slices: int = 40) -> np.ndarray:
    """Smooth structure that changes steadily from slice to slice."""
    rng = np.random.default_rng(7)
    field = gaussian_filter(rng.normal(0, 1, (slices, 96, 96)), (3, 4, 4))
    return field / field.std() * 400.0


def scan_of(values: np.ndarray) -> Volume:
    return Volume(Geometry(values.shape, np.diag([0.3, 0.3, 0.3, 1.0])), np.rint(values).astype(np.int16))


@pytest.mark.parametrize("noise", [0.0, 60.0])
def test_a_jump_between_slices_is_named(noise):
    still = blobs()
    moved = still.copy()
    for k in range(17, 40):
        moved[k] = shift(still[k], (3.0, 2.0), order=1, mode="nearest")
    dust = np.random.default_rng(8).normal(0, noise, still.shape)
    assert jumps_between_slices(scan_of(still + dust), noise=noise) == ()
    assert jumps_between_slices(scan_of(moved + dust), noise=noise) == (16,)


def test_short_stacks_are_not_judged():
    assert jumps_between_slices(scan_of(blobs(8)), noise=0.0) == ()


def test_coverage_says_where_the_scan_ends():
    """Axes by hand: k downwards, j forwards, i to the patient's left."""
    affine = np.array([[0, 0, 0.5, -20.0], [0, -0.5, 0, 30.0], [-1.0, 0, 0, 90.0], [0, 0, 0, 1]])
    geometry = Geometry((41, 81, 81), affine)  # x -20 to 20, y -10 to 30, z 50 to 90
    assert coverage_doubts(geometry, np.array([[0.0, 10.0, 70.0]])) == ()
    for point, words in (
        ((18.0, 10.0, 70.0), "2.0 mm left of"),
        ((-17.0, 10.0, 70.0), "3.0 mm right of"),
        ((0.0, 26.0, 70.0), "4.0 mm behind"),
        ((0.0, -9.0, 70.0), "1.0 mm in front of"),
        ((0.0, 10.0, 87.5), "2.5 mm above"),
        ((0.0, 10.0, 50.0), "0.0 mm below"),
    ):
        said = coverage_doubts(geometry, np.array([point, (0.0, 10.0, 70.0)]))
        assert len(said) == 1
        assert words in said[0]
    assert coverage_doubts(geometry, None) == ()


def test_every_measurand_is_in_one_kind():
    table = resources.files("ctmeasure.anatomy").joinpath("tables", "measurands.csv").read_text("utf-8")
    known = {line.split(",")[0] for line in table.splitlines()[1:] if line}
    listed = [name for names in KINDS.values() for name in names]
    assert sorted(listed) == sorted(known)


def test_expected_uncertainty_by_hand():
    """Two points of 0.3 mm and a voxel of 0.4 mm each: sqrt(2 (0.09 + 0.16 / 12)) = 0.4546 mm."""
    kinds = {s.kind: s for s in supports_of((0.4, 0.2, 0.2), point_spread_mm=(0.5, 0.5), thickest_slice_mm=0.7,
                                            calibrated=True)}  # fmt: skip
    assert kinds["lengths between two points"].expected_u == pytest.approx(0.4546, abs=1e-4)
    # A wall fitted with a cortical value 10 percent off, point spread 0.5 mm: 0.0755 mm; two edges of 0.05 mm: 0.0707.
    assert kinds["bone and sheet thickness"].expected_u == pytest.approx(math.hypot(0.0755, 0.0707), abs=2e-4)
    assert all(support.supported for support in kinds.values())


@pytest.mark.parametrize(
    ("spacing", "spread", "lost"),
    [
        ((0.8, 0.2, 0.2), (0.5, 0.9), {"bone and sheet thickness", "drill plan"}),
        ((0.3, 0.2, 0.2), None, {"bone and sheet thickness", "widths of the air-filled canal"}),
    ],
)
def test_gates(spacing, spread, lost):
    said = supports_of(spacing, point_spread_mm=spread, thickest_slice_mm=0.7, calibrated=True)
    assert {support.kind for support in said if not support.supported} == lost
    for support in said:
        assert ("not supported" in support.words) == (support.kind in lost)
        assert support.supported or support.expected_u is None


def test_grey_values_rule_out_the_drum():
    said = supports_of((0.3, 0.2, 0.2), point_spread_mm=(0.5, 0.6), thickest_slice_mm=0.7, calibrated=False)
    assert any("drum thickness not" in support.words for support in said)
