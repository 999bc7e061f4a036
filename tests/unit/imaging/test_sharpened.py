"""The sharper copy of a block, and the rays beside a ray, against blurred slabs in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from ctmeasure.imaging.levels import FWHM_PER_SIGMA, PointSpread, TissueLevels
from ctmeasure.imaging.sharpened import sharpened
from ctmeasure.imaging.wall_path import AMBIGUOUS_FLAG, measure_wall_paths
from ctmeasure.kernels import rays
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

LEVELS = TissueLevels(-1000.0, 40.0, 1700.0, 130.0, 60.0)
SIGMA, STEP = 0.19, 0.3
SPREAD = PointSpread(SIGMA * FWHM_PER_SIGMA, SIGMA * FWHM_PER_SIGMA, (1.0, 0.0, 0.0))


def slab(gap_mm: float, level: float = -1000.0, shape=(24, 24, 61)) -> Volume:
    """Bone with a flat gap across the last axis, centred at x = 9 mm, blurred in closed form."""
    x = STEP * np.arange(shape[2]) - 9.0
    inside = norm.cdf((x + gap_mm / 2) / SIGMA) - norm.cdf((x - gap_mm / 2) / SIGMA)
    affine = np.array([[0, 0, STEP, 0], [0, STEP, 0, 0], [STEP, 0, 0, 0], [0, 0, 0, 1.0]])
    values = np.broadcast_to(1700.0 + (level - 1700.0) * inside, shape).astype(np.float32)
    return Volume(Geometry(shape, affine), values)


@pytest.mark.parametrize("gap_mm", [0.3, 0.45, 0.6])
def test_a_gap_stands_out_more_and_never_more_than_it_is(gap_mm):
    scan = slab(gap_mm)
    middle = np.array([[9.0, 3.5, 3.5]])
    raw_dip = 2700.0 * (2.0 * norm.cdf(gap_mm / (2.0 * SIGMA)) - 1.0)
    assert 1700.0 - sample(scan, middle, order="cubic").values[0] == pytest.approx(raw_dip, rel=0.03)
    dip = 1700.0 - sample(sharpened(scan, middle, spread=SPREAD, levels=LEVELS), middle, order="cubic").values[0]
    assert dip > 1.15 * raw_dip
    # Ringing is allowed 15 percent of the step.
    assert dip < 1.15 * 2700.0


def test_a_voxel_depends_on_its_surroundings_only():
    scan = slab(0.5)
    one = sharpened(scan, np.array([[9.0, 3.5, 3.5]]), spread=SPREAD, levels=LEVELS)
    two = sharpened(scan, np.array([[9.0, 3.5, 3.5], [2.0, 5.0, 1.0]]), spread=SPREAD, levels=LEVELS)
    at = np.array([[9.0, 3.5, 3.5], [8.7, 3.3, 3.6]])
    assert sample(one, at).values == pytest.approx(sample(two, at).values, abs=0.5)


def test_noisier_scans_are_sharpened_less():
    scan, at = slab(0.4), np.array([[9.0, 3.5, 3.5]])
    dips = [
        sample(sharpened(scan, at, spread=SPREAD, levels=TissueLevels(-1000.0, 40.0, 1700.0, 130.0, n)), at).values[0]
        for n in (30.0, 60.0, 150.0)
    ]
    assert dips[0] < dips[1] < dips[2]


def test_noise_in_a_space_does_not_close_it():
    """Air that rises and falls by more than an edge's least step, but never to bone, is one gap."""
    x = np.arange(-1.0, 6.0, 0.1)
    y = np.where((x > 0) & (x < 1.0), 1700.0, -1000.0)
    y[(x > 1.6) & (x < 1.9)] = -400.0
    y[x > 3.0] = 1700.0
    result = np.empty((1, rays.WALK_COLUMNS))
    one = np.ones(1)
    rays.walk_profiles(y[None], x, -0.6, 0.9, 240.0 * one, 415.0 * one, 1036.0 * one, 1.0, result, 0, 1)
    assert result[0, rays.FALL_X] == pytest.approx(1.0, abs=0.06)
    assert result[0, rays.GAP_WIDTH] == pytest.approx(2.0, abs=0.11)
    assert result[0, rays.CODE] == rays.EXIT_FOUND


def test_a_step_in_thickness_is_a_two_sided_interval(phantoms):
    """Within 0.1 mm of where a wall of 1.0 mm becomes one of 2.0 mm, nobody can say which the ray meets."""
    ear = phantoms.make_ear(
        plates=((0.0, 180.0, 1.0, phantoms.AIR), (180.0, 360.0, 2.0, phantoms.AIR)), noise=60.0, sigma_mm=0.2
    )
    depth = np.linspace(1.0, 7.0, 12)
    near = np.full(12, 180.0 + np.degrees(0.04 / 4.9))
    angle = np.concatenate([near, np.full(12, 90.0), np.full(12, 270.0)])
    normal = ear.canal.direction_lps(angle)
    entry = ear.canal.point_lps(angle, np.full(36, ear.radius_mm), np.tile(depth, 3))
    spread = PointSpread(0.47, 0.47, (0.0, 0.0, 1.0))
    paths = measure_wall_paths(
        ear.volume, entry, direction_lps=normal, spread=spread, levels=LEVELS, exit_gap_mm=1.0, arm_length_mm=8.0
    )
    at_step, thin, thick = slice(0, 12), slice(12, 24), slice(24, 36)
    assert paths.ambiguous[at_step].mean() > 0.7
    both = (paths.to_first_gap_low_mm[at_step] < 1.05) & (paths.to_first_gap_high_mm[at_step] > 1.95)
    assert both.mean() > 0.7
    assert AMBIGUOUS_FLAG in paths.flags(int(np.flatnonzero(paths.ambiguous)[0]))
    assert not paths.ambiguous[thin].any()
    assert not paths.ambiguous[thick].any()
    for part, true in ((thin, 1.0), (thick, 2.0)):
        inside = (paths.to_first_gap_low_mm[part] < true) & (true < paths.to_first_gap_high_mm[part])
        assert inside.all()
        assert (paths.to_first_gap_high_mm[part] - paths.to_first_gap_low_mm[part]).max() < 0.6


def test_the_interval_reaches_as_far_as_the_uncertainty_says(phantoms):
    ear = phantoms.make_ear(noise=60.0)
    angle = np.linspace(0.0, 350.0, 36)
    entry = ear.canal.point_lps(angle, np.full(36, ear.radius_mm), np.full(36, 4.0))
    paths = measure_wall_paths(
        ear.volume, entry, direction_lps=ear.canal.direction_lps(angle), spread=PointSpread(0.47, 0.47, (0, 0, 1.0)),
        levels=LEVELS, exit_gap_mm=1.0, arm_length_mm=6.0,
    )  # fmt: skip
    # Nothing but flat plates: one end each, and the interval is symmetric about it.
    half = 0.5 * (paths.to_first_gap_high_mm - paths.to_first_gap_low_mm)
    assert not paths.ambiguous.any()
    assert 1.96 * paths.to_first_gap_u_mm == pytest.approx(half, rel=0.02)
