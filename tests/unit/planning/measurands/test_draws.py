"""Joint draws: Type A and Type B terms, determinism, independence of what else the ear holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.measurands.draws import JointDraws, point_doubts
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry

TURNED_GRID = Geometry((9, 9, 9), np.array([[0, 0.16, -0.12, 0], [0, 0.12, 0.16, 0], [0.6, 0, 0, 0], [0, 0, 0, 1.0]]))


def _mark(landmark_id: str, *points: tuple[float, float, float]) -> Landmark:
    return Landmark(landmark_id, "placed", tuple(Placement(p, repeat=n) for n, p in enumerate(points)))


def test_default_noise_has_the_set_spread_and_no_bias() -> None:
    draws = JointDraws(LandmarkSet([_mark("umbo", (1.0, 2.0, 3.0))]), Settings(), seed=1)
    points = draws.points_lps("umbo", 0, count=100_000)[:, 0]
    assert points.std(axis=0) == pytest.approx([0.3] * 3, rel=0.01)
    assert points.mean(axis=0) == pytest.approx([1.0, 2.0, 3.0], abs=0.005)
    assert np.corrcoef(points.T)[0, 1] == pytest.approx(0.0, abs=0.015)


def test_voxel_and_edge_terms_lie_along_the_grid() -> None:
    settings = Settings(placement_noise_mm=0.0)
    marks = LandmarkSet([_mark("umbo", (0.0, 0.0, 0.0))])
    draws = JointDraws(marks, settings, seed=2, geometry=TURNED_GRID, psf_fwhm_mm=(0.4, 0.7))
    points = draws.points_lps("umbo", 0, count=200_000)[:, 0]
    along = points @ TURNED_GRID.directions_lps.T
    expected = [np.hypot(0.6 / np.sqrt(12), 0.07), np.hypot(0.2 / np.sqrt(12), 0.04), np.hypot(0.2 / np.sqrt(12), 0.04)]
    assert along.std(axis=0) == pytest.approx(expected, rel=0.01)
    covariance = point_doubts(marks["umbo"], settings, geometry=TURNED_GRID, psf_fwhm_mm=(0.4, 0.7))[0].covariance_lps
    assert np.cov(points.T) == pytest.approx(covariance, abs=3e-4)


def test_voxel_term_is_rectangular() -> None:
    settings = Settings(placement_noise_mm=0.0)
    grid = Geometry((9, 9, 9), np.diag([0.6, 0.6, 0.6, 1.0])[[2, 1, 0, 3]])
    draws = JointDraws(
        LandmarkSet([_mark("umbo", (0.0, 0.0, 0.0))]), settings, seed=3, geometry=grid, psf_fwhm_mm=(1e-9, 1e-9)
    )
    points = draws.points_lps("umbo", 0, count=20_000)[:, 0, 0]
    assert np.abs(points).max() <= 0.3 + 1e-6
    assert stats.kstest(points, stats.uniform(-0.3, 0.6).cdf).pvalue > 1e-3


def test_five_repeats_combine_as_in_the_worked_example() -> None:
    """Five clicks, s = 0.18: standard error 0.0805; voxel 0.15: 0.0433 (JCGM 100:2008, clauses 4.2.3 and 4.3.7)."""
    spread = np.array([-1.5, -0.5, 0.0, 0.5, 1.5])
    readings = spread / spread.std(ddof=1) * 0.18
    mark = _mark("umbo", *((float(r), float(r), float(r)) for r in readings))
    doubt = point_doubts(mark, Settings())[0]
    assert doubt.repeat_u_mm == pytest.approx([0.0805] * 3, abs=5e-5)
    assert doubt.degrees_of_freedom == 4
    assert np.hypot(doubt.repeat_u_mm[0], 0.15 / np.sqrt(12)) == pytest.approx(0.0914, abs=5e-5)


def test_repeats_are_drawn_from_a_scaled_t() -> None:
    mark = _mark("umbo", (0.0, 0, 0), (0.2, 0, 0), (0.1, 0, 0), (0.4, 0, 0))
    draws = JointDraws(LandmarkSet([mark]), Settings(), seed=4)
    x = draws.points_lps("umbo", 0, count=20_000)[:, 0, 0]
    readings = np.array([0.0, 0.2, 0.1, 0.4])
    t = (x - readings.mean()) / (readings.std(ddof=1) / 2.0)
    assert stats.kstest(t, stats.t(3).cdf).pvalue > 1e-3
    assert stats.kstest(t, stats.norm.cdf).pvalue < 1e-6


def test_two_or_three_repeats_are_named_few() -> None:
    two = JointDraws(LandmarkSet([_mark("umbo", (0, 0, 0), (0.1, 0, 0))]), Settings(), seed=0)
    four = JointDraws(LandmarkSet([_mark("umbo", *[(0.1 * n, 0, 0) for n in range(4)])]), Settings(), seed=0)
    assert two.few_repeats("umbo")
    assert not four.few_repeats("umbo")
    assert np.isinf(two.doubts["umbo"][0].covariance_lps[0, 0])


def test_a_ring_placed_twice_pools_its_scatter() -> None:
    rng = np.random.default_rng(5)
    placements = tuple(
        Placement(tuple(rng.normal(0, 0.2, 3)), index=index, repeat=repeat)
        for index in range(12)
        for repeat in range(2)
    )
    doubts = point_doubts(Landmark("annulus", "placed", placements), Settings())
    assert {d.degrees_of_freedom for d in doubts} == {12.0}
    assert np.mean([d.repeat_u_mm.mean() for d in doubts]) == pytest.approx(0.2 / np.sqrt(2), rel=0.25)


def test_another_landmark_changes_no_draw() -> None:
    alone = JointDraws(LandmarkSet([_mark("umbo", (1, 2, 3))]), Settings(), seed=7)
    both = JointDraws(LandmarkSet([_mark("scutum", (0, 0, 0)), _mark("umbo", (1, 2, 3))]), Settings(), seed=7)
    assert np.array_equal(alone.points_lps("umbo", 3), both.points_lps("umbo", 3))
    assert not np.array_equal(alone.points_lps("umbo", 3), alone.points_lps("umbo", 4))


def test_another_ring_point_changes_no_earlier_point() -> None:
    def ring(count: int) -> LandmarkSet:
        placements = tuple(Placement((float(n), 0.0, 0.0), index=n) for n in range(count))
        return LandmarkSet([Landmark("annulus", "placed", placements)])

    short, long = (JointDraws(ring(n), Settings(), seed=7).points_lps("annulus", 0) for n in (8, 9))
    assert np.array_equal(short, long[:, :8])


def test_seed_and_id_both_matter() -> None:
    marks = LandmarkSet([_mark("umbo", (0, 0, 0)), _mark("scutum", (0, 0, 0))])
    first, second = JointDraws(marks, Settings(), seed=1), JointDraws(marks, Settings(), seed=2)
    assert not np.array_equal(first.points_lps("umbo", 0), second.points_lps("umbo", 0))
    assert not np.array_equal(first.points_lps("umbo", 0), first.points_lps("scutum", 0))


def test_asking_for_a_landmark_that_is_not_there_says_so() -> None:
    draws = JointDraws(LandmarkSet([Landmark("umbo", "absent")]), Settings(), seed=1)
    with pytest.raises(LandmarkError, match="umbo"):
        draws.points_lps("umbo", 0)


def test_a_point_found_in_the_image_brings_its_own_covariance():
    from ctmeasure.planning.results import RefinedRecord

    covariance = np.array([[0.04, 0.01, 0.0], [0.01, 0.02, 0.0], [0.0, 0.0, 0.0025]])
    marks = LandmarkSet([_mark("footplate_centre", (1.0, 2.0, 3.0))])
    record = RefinedRecord(
        "footplate_centre", True, "", (1.0, 2.0, 3.0), (1.1, 2.2, 3.1), tuple(map(tuple, covariance.tolist()))
    )
    draws = JointDraws(marks, Settings(), seed=5, geometry=TURNED_GRID, refined=(record,))
    points = draws.points_lps("footplate_centre", 0, count=40_000)[:, 0]
    np.testing.assert_allclose(points.mean(axis=0), record.found_lps, atol=0.005)
    np.testing.assert_allclose(np.cov(points, rowvar=False), covariance, atol=0.001)
    unused = JointDraws(marks, Settings(), seed=5, refined=(replace(record, used=False),))
    np.testing.assert_allclose(unused.means_lps("footplate_centre")[0, 0], (1.0, 2.0, 3.0))
