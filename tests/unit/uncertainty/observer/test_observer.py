"""Observer statistics: properties, simulated readers and bad input."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.observer.agreement import agreement
from ctmeasure.uncertainty.observer.cusum import CusumDesign, cusum_path
from ctmeasure.uncertainty.observer.differences import limits_of_agreement
from ctmeasure.uncertainty.observer.radial import mean_radial_error, radial_errors
from ctmeasure.uncertainty.observer.reader import predictive_half_width, reader_spread

BIAS = np.array([0.25, -0.1, 0.05])
COVARIANCE = np.array([[0.09, 0.02, 0.0], [0.02, 0.04, -0.01], [0.0, -0.01, 0.16]])


def test_a_simulated_reader_is_recovered_within_sampling_error() -> None:
    rng = np.random.default_rng(101)
    n, found_bias, found_variance = 24, [], []
    for _ in range(400):
        spread = reader_spread(rng.multivariate_normal(BIAS, COVARIANCE, n))
        found_bias.append(spread.bias_mm)
        found_variance.append(spread.covariance_mm2)
    # four standard errors of the mean over 400 readers; variance of a sample covariance: (s_ii s_jj + s_ij^2)/(n - 1)
    tolerance = 4.0 * np.sqrt(np.diag(COVARIANCE) / n / 400)
    assert (np.abs(np.mean(found_bias, axis=0) - BIAS) < tolerance).all()
    sd = np.sqrt((np.outer(np.diag(COVARIANCE), np.diag(COVARIANCE)) + COVARIANCE**2) / (n - 1) / 400)
    assert (np.abs(np.mean(found_variance, axis=0) - COVARIANCE) < 4.0 * sd).all()


def test_the_next_reading_lies_within_the_predictive_interval_as_often_as_it_says() -> None:
    rng = np.random.default_rng(102)
    readings = rng.normal(0.3, 0.2, (20_000, 6))
    before, after = readings[:, :5], readings[:, 5]
    half = before.std(axis=1, ddof=1) * predictive_half_width(1.0, 5)
    inside = (np.abs(after - before.mean(axis=1)) <= half).mean()
    assert inside == pytest.approx(0.95, abs=4 * (0.95 * 0.05 / 20_000) ** 0.5)


def test_mean_radial_error_agrees_with_draws() -> None:
    rng = np.random.default_rng(103)
    drawn = np.linalg.norm(rng.multivariate_normal(BIAS, COVARIANCE, 200_000), axis=1)
    assert mean_radial_error(COVARIANCE, bias_mm=BIAS) == pytest.approx(
        drawn.mean(), abs=4 * drawn.std() / len(drawn) ** 0.5
    )


def test_a_constant_offset_of_one_rater_is_no_inconsistency_but_a_disagreement() -> None:
    targets = np.random.default_rng(104).normal(5, 1, 30)
    found = agreement(np.stack([targets, targets + 2.0], axis=1))
    assert found.consistent.value == pytest.approx(1.0)
    assert found.absolute.value < 0.5
    assert found.sem_consistency == pytest.approx(0.0, abs=1e-6)


def test_raters_that_agree_exactly() -> None:
    found = agreement([[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]])
    assert (found.absolute.value, found.absolute.low_95) == pytest.approx((1.0, 1.0))


def test_intervals_of_the_absolute_form_cover() -> None:
    # Truth: targets of variance 1, raters 0.1, error 0.4: ICC(2,1) = 1 / 1.5.
    rng, covered, runs = np.random.default_rng(105), 0, 600
    for _ in range(runs):
        table = rng.normal(0, 1, (15, 1)) + rng.normal(0, 0.1**0.5, (1, 4)) + rng.normal(0, 0.4**0.5, (15, 4))
        found = agreement(table).absolute
        covered += found.low_95 <= 1 / 1.5 <= found.high_95
    assert 0.925 <= covered / runs <= 0.985


def test_the_sum_starts_again_after_a_crossing() -> None:
    design = CusumDesign()
    path = cusum_path([True] * 3 + [False] * 20, design)
    assert path.unacceptable_at == (2,)
    assert path.acceptable_at == (22,)
    assert path.values[3] == pytest.approx(-design.success_step)


@pytest.mark.parametrize(
    "bad",
    [
        lambda: agreement([[1.0, np.nan], [2.0, 3.0]]),
        lambda: agreement([[1.0, 2.0]]),
        lambda: agreement([[1.0, 1.0], [1.0, 1.0]]),
        lambda: limits_of_agreement([1.0, 2.0], [1.0, 2.0]),
        lambda: limits_of_agreement([1.0, 2.0, 3.0], [1.0, 2.0]),
        lambda: CusumDesign(0.2, 0.1),
        lambda: radial_errors([]),
        lambda: radial_errors([-0.1]),
        lambda: mean_radial_error(np.diag([1.0, 1.0, -1.0])),
        lambda: reader_spread(np.zeros((3, 3))),
        lambda: predictive_half_width(1.0, 1),
    ],
)
def test_bad_input_is_refused(bad) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(EstimateError):
        bad()
