"""Observer statistics: properties, simulated readers and bad input."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

from ctmeasure.uncertainty.estimate import EstimateError
from ctmeasure.uncertainty.observer.agreement import agreement
from ctmeasure.uncertainty.observer.cusum import CusumDesign, cusum_path
from ctmeasure.uncertainty.observer.differences import limits_of_agreement
from ctmeasure.uncertainty.observer.learning import LearningDesign, called_competent, learning_path
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


def test_false_competence_of_the_learning_cusum_is_the_enumerated_one() -> None:
    """Every sequence of ten outcomes, weighed by its probability, against the distribution of the counts."""
    design = LearningDesign(0.2, 0.45, attempts=10, false_competence=0.12)
    for rate in (0.45, 0.2, 0.0, 1.0):
        found = 0.0
        for outcomes in product((False, True), repeat=10):
            total, crossed = 0.0, False
            for failed in outcomes:
                total = max(0.0, total + (math.log(0.2 / 0.45) if failed else math.log(0.8 / 0.55)))
                crossed = crossed or total >= design.limit - 1e-9
            if crossed:
                found += rate ** sum(outcomes) * (1.0 - rate) ** (10 - sum(outcomes))
        assert called_competent(design, rate) == pytest.approx(found, abs=1e-12)
    assert called_competent(design, 0.45) <= 0.12


def test_a_beginner_who_improves_is_called_competent_and_one_who_does_not_is_not() -> None:
    rng = np.random.default_rng(107)
    design = LearningDesign(attempts=60)
    called = 0
    for _ in range(300):
        failures = rng.random(60) < np.where(np.arange(60) < 20, 0.4, 0.02)
        reached = learning_path(failures.tolist(), design).competent_at
        called += bool(reached) and reached[0] >= 20
    assert called / 300 > 0.8
    stays = sum(bool(learning_path((rng.random(60) < 0.15).tolist(), design).competent_at) for _ in range(600))
    assert stays / 600 < 0.1 + 4 * math.sqrt(0.1 * 0.9 / 600)


def test_learning_designs_that_cannot_be_are_refused() -> None:
    for words in ({"acceptable_rate": 0.3}, {"attempts": 0}, {"false_competence": 1.0}):
        with pytest.raises(EstimateError):
            LearningDesign(**words)  # type: ignore[arg-type]
    with pytest.raises(EstimateError):
        called_competent(LearningDesign(), 1.5)
    # where even passing every attempt proves too little, nobody is called competent
    assert called_competent(LearningDesign(attempts=3), 0.0) == 0.0
