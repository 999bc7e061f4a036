"""The interval of a short distance covers as often as it says; the naive one does not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import ncx2

from ctmeasure.uncertainty.distance import distance_interval
from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.intervals import wilson
from ctmeasure.uncertainty.quadratic_forms import ball_probability


@pytest.fixture(scope="module")
def table() -> tuple[np.ndarray, np.ndarray]:
    """Interval ends for isotropic noise of 1 on a fine grid of measured distances (they depend on that ratio only)."""
    r = np.linspace(0.0, 14.0, 561)
    return r, np.array([distance_interval([0.0, 0.0, x], np.eye(3)) for x in r])


@pytest.mark.parametrize("d", [0.02, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0])
def test_isotropic_coverage(table: tuple[np.ndarray, np.ndarray], d: float) -> None:
    rng = np.random.default_rng(int(100 * d))
    measured = np.linalg.norm(rng.standard_normal((60_000, 3)) + np.array([0.0, 0.0, d]), axis=1)
    low, high = (np.interp(measured, table[0], table[1][:, side]) for side in (0, 1))
    covered = int(np.sum((low <= d) & (d <= high)))
    lower, upper = wilson(covered, 60_000, confidence=0.999)
    if d >= 3.2:
        assert lower <= 0.95 <= upper
    else:  # the lower end stops at 0 and the upper end is held wide: never under, at most 97.5 %
        assert upper >= 0.95
        assert lower <= 0.977


def test_naive_interval_covers_too_little() -> None:
    rng = np.random.default_rng(7)
    d, s = 0.5, 1.0
    measured = np.linalg.norm(rng.standard_normal((50_000, 3)) + np.array([0.0, 0.0, d]), axis=1)
    assert np.mean(np.abs(measured - d) <= 1.96 * s) < 0.90


@pytest.mark.parametrize("ratio", [2.0, 3.0, 5.0])
def test_ends_invert_the_distribution_of_scipy(ratio: float) -> None:
    s = 0.4
    low, high = distance_interval([0.0, ratio * s, 0.0], np.eye(3) * s**2)
    if low > 0.0:
        assert ncx2.sf(ratio**2, 3, (low / s) ** 2) == pytest.approx(0.025, abs=1e-5)
    assert ncx2.cdf(ratio**2, 3, (high / s) ** 2) == pytest.approx(0.025, abs=1e-5)
    assert low <= ratio * s <= high


def test_anisotropic_coverage() -> None:
    rng = np.random.default_rng(31)
    axes = Rotation.from_rotvec([0.4, -0.9, 0.3]).as_matrix()
    root = axes @ np.diag([0.15, 0.25, 0.5])
    trials, covered = 240, 0
    for d in np.tile([0.0, 0.25, 0.6, 1.5], trials // 4):
        e = rng.standard_normal(3)
        measured = d * e / np.linalg.norm(e) + root @ rng.standard_normal(3)
        low, high = distance_interval(measured, root @ root.T)
        covered += low <= d <= high
    assert wilson(covered, trials, confidence=0.99)[1] >= 0.95
    assert covered < trials  # an interval that always covers would say nothing


def test_anisotropic_meets_isotropic() -> None:
    nearly = np.diag([0.09, 0.09, 0.09 * (1 + 1e-6)])
    for r in (0.0, 0.3, 0.9, 3.0):
        assert distance_interval([r, 0, 0], nearly) == pytest.approx(
            distance_interval([r, 0, 0], np.eye(3) * 0.09), abs=1e-4
        )


def test_far_apart_only_the_noise_along_the_line_counts() -> None:
    low, high = distance_interval([0, 0, 20.0], np.diag([0.04, 0.01, 0.09]))
    assert (low, high) == pytest.approx((20 - 1.96 * 0.3, 20 + 1.96 * 0.3), abs=0.005)


@pytest.mark.parametrize("ratio", [0.0, 0.5, 2.0, 8.0, 20.0])
def test_ball_probability_is_the_non_central_chi_of_scipy(ratio: float) -> None:
    for direction in (np.array([0.6, 0.0, 0.8]), np.array([1.0, 0.0, 0.0])):
        for r in ratio + np.array([-2.0, 0.3, 1.0, 3.0]):
            if r > 0.0:
                expected = ncx2.cdf(r**2, 3, max(ratio**2, 1e-12))
                assert ball_probability(r, ratio * direction, np.ones(3)) == pytest.approx(expected, abs=2e-7)


def test_ball_probability_by_simulation() -> None:
    rng = np.random.default_rng(2)
    sds, centre = np.array([0.01, 0.3, 0.8]), np.array([0.5, 0.2, -0.7])
    x = np.linalg.norm(centre + sds * rng.standard_normal((400_000, 3)), axis=1)
    for r in (0.4, 0.8, 1.2, 2.0):
        assert ball_probability(r, centre, sds) == pytest.approx(float(np.mean(x <= r)), abs=3e-3)


def test_no_noise_and_wrong_input() -> None:
    assert distance_interval([3.0, 4.0, 0.0], np.zeros((3, 3))) == (5.0, 5.0)
    with pytest.raises(EstimateError, match="not symmetric and positive"):
        distance_interval([1.0, 0, 0], np.diag([1.0, 1.0, -0.5]))
    with pytest.raises(EstimateError, match="shape"):
        distance_interval([1.0, 0], np.eye(3))
