"""Estimates, distributions, the adaptive procedure, budgets and repeats: what must hold and what must be refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from ctmeasure.errors import Cancelled, CtmeasureError
from ctmeasure.uncertainty import distributions as dist
from ctmeasure.uncertainty.estimate import Contribution, Estimate, EstimateError
from ctmeasure.uncertainty.intervals import clopper_pearson, coverage_interval
from ctmeasure.uncertainty.monte_carlo import adaptive_monte_carlo, block_size, numerical_tolerance
from ctmeasure.uncertainty.propagation import one_at_a_time_budget
from ctmeasure.uncertainty.type_a import summarise_repeats


def _estimate(**change: object) -> Estimate:
    fields = {"value": 4.5, "standard_uncertainty": 0.4, "low_95": 3.7, "high_95": 5.3, "unit": "mm", "method": "test"}
    return Estimate(**{**fields, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"low_95": 6.0}, "low end first"),
        ({"value": math.nan}, "value = nan"),
        ({"high_95": math.inf}, "high_95 = inf"),
        ({"standard_uncertainty": -0.1}, "standard uncertainty = -0.1"),
        ({"unit": ""}, "without a unit"),
        ({"draws": -1}, "-1 draws"),
    ],
)
def test_impossible_estimates(change: dict, message: str) -> None:
    with pytest.raises(EstimateError, match=message) as caught:
        _estimate(**change)
    assert isinstance(caught.value, CtmeasureError)


def test_estimate_survives_json_and_keeps_plain_numbers() -> None:
    e = _estimate(value=np.float64(4.5), budget=[Contribution("umbo", np.float64(0.3))], seed=3, draws=10)
    again = Estimate.from_json(json.loads(json.dumps(e.to_json())))
    assert again == e
    assert type(e.value) is float
    with pytest.raises(EstimateError, match="damaged"):
        Estimate.from_json({"value": 1.0, "colour": "red"})


def test_flags_are_added_once() -> None:
    assert _estimate(flags=("a",)).with_flags("b", "a").flags == ("a", "b")


DISTRIBUTIONS = [
    (dist.Normal(1.0, 0.3), 0.3),
    (dist.Rectangular(-1.0, 3.0), 2 / math.sqrt(3)),
    (dist.Triangular(-1.0, 3.0), 2 / math.sqrt(6)),
    (dist.Trapezoidal(-1.0, 3.0, 0.5), 2 * math.sqrt(1.25 / 6)),
    (dist.Arcsine(-1.0, 3.0), 2 / math.sqrt(2)),
    (dist.CurvilinearTrapezoid(-1.0, 3.0, 0.6), math.sqrt(16 / 12 + 0.04)),
    (dist.ScaledT(1.0, 0.5, 9.0), 0.5 * math.sqrt(9 / 7)),
]


@pytest.mark.parametrize(("distribution", "sd"), DISTRIBUTIONS, ids=lambda x: type(x).__name__)
def test_samplers_have_the_moments_of_jcgm_101_table_1(distribution: dist.Distribution, sd: float) -> None:
    x = distribution.sample(dist.generator(12), 200_000)
    assert distribution.mean == 1.0
    assert distribution.sd == pytest.approx(sd, rel=1e-12)
    assert x.mean() == pytest.approx(1.0, abs=4.5 * sd / math.sqrt(len(x)))
    assert x.std() == pytest.approx(sd, rel=0.015)


def test_shapes_of_the_bounded_distributions() -> None:
    rng = dist.generator(1)
    bounded = (dist.Rectangular(-1, 3), dist.Triangular(-1, 3), dist.Trapezoidal(-1, 3, 0.5), dist.Arcsine(-1, 3))
    for distribution in bounded:
        x = distribution.sample(rng, 50_000)
        assert x.min() >= -1.0
        assert x.max() <= 3.0
    outer = np.mean(np.abs(dist.Arcsine(-1, 1).sample(rng, 50_000)) > 0.9)
    assert outer == pytest.approx(1 - 2 / math.pi * math.asin(0.9), abs=0.01)


def test_bad_distributions() -> None:
    for make in (
        lambda: dist.Rectangular(1.0, 1.0),
        lambda: dist.Normal(0.0, -1.0),
        lambda: dist.Trapezoidal(0.0, 1.0, 1.5),
        lambda: dist.CurvilinearTrapezoid(0.0, 1.0, 0.5),
        lambda: dist.ScaledT(0.0, 1.0, 0.0),
    ):
        with pytest.raises(EstimateError):
            make()


def test_correlated_draws() -> None:
    cov = np.array([[0.04, 0.03, 0.0], [0.03, 0.09, 0.0], [0.0, 0.0, 0.0]])
    x = dist.multivariate_normal(dist.generator(2), 100_000, mean=np.array([1.0, 2.0, 3.0]), covariance=cov)
    assert np.cov(x.T) == pytest.approx(cov, abs=2e-3)
    assert np.all(x[:, 2] == 3.0)
    with pytest.raises(EstimateError, match="negative variance"):
        dist.multivariate_normal(dist.generator(2), 2, mean=np.zeros(2), covariance=np.array([[1.0, 2.0], [2.0, 1.0]]))


@pytest.mark.parametrize(
    # JCGM 101:2008, clause 7.9.2, examples 1 and 2, and the same rule on rounding up to the next power
    ("u", "digits", "delta"),
    [(0.00035, 2, 0.000005), (2.0, 1, 0.5), (0.0996, 2, 0.005), (34.0, 2, 0.5), (0.0, 2, 0.0)],
)
def test_numerical_tolerance(u: float, digits: int, delta: float) -> None:
    assert numerical_tolerance(u, digits) == pytest.approx(delta, rel=1e-12)


def test_block_size_follows_the_coverage_probability() -> None:
    assert [block_size(p) for p in (0.95, 0.99, 0.999)] == [10_000, 10_000, 100_000]


def test_joint_outputs_share_their_draws() -> None:
    def model(x: np.ndarray) -> np.ndarray:
        return np.column_stack([x[:, 0], x[:, 0] + 1.0, x[:, 0] * 0.0, 50.0 * x[:, 1]])

    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        return rng.standard_normal((n, 2))

    a = adaptive_monte_carlo(model, draw, seed=5)
    b = adaptive_monte_carlo(model, draw, seed=5)
    assert np.array_equal(a.draws, b.draws)
    assert np.all(a.converged)
    assert np.array_equal(a.draws[:, 1], a.draws[:, 0] + 1.0)
    assert a.tolerance == pytest.approx([0.05, 0.05, 0.0, 0.5])
    assert a.u[0] == pytest.approx(1.0, abs=0.05)
    assert a.count == len(a.draws)
    assert a.count % 10_000 == 0


def test_heavy_tails_are_said_not_to_converge() -> None:
    result = adaptive_monte_carlo(
        lambda x: x, lambda rng, n: rng.standard_t(1.5, n), seed=1, digits=2, most_draws=50_000
    )
    assert not bool(result.converged)
    assert result.count == 50_000


def test_more_digits_take_more_draws() -> None:
    def count(digits: int, divisor: float = 1.0) -> int:
        return adaptive_monte_carlo(
            lambda x: x, lambda rng, n: rng.normal(0, 1, n), seed=3, digits=digits, tolerance_divisor=divisor
        ).count

    assert count(1) == 20_000
    assert count(2) < count(2, 5.0)


def test_monte_carlo_can_be_stopped_and_refuses_nonsense() -> None:
    def stop(text: str, fraction: float) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        adaptive_monte_carlo(lambda x: x, lambda rng, n: rng.random(n), seed=1, progress=stop)
    with pytest.raises(EstimateError, match="not finite"):
        adaptive_monte_carlo(lambda x: x * np.nan, lambda rng, n: rng.random(n), seed=1)
    with pytest.raises(EstimateError, match="shape"):
        adaptive_monte_carlo(lambda x: x[:5], lambda rng, n: rng.random(n), seed=1)


def test_coverage_interval_counts() -> None:
    # JCGM 101:2008, 7.7.2: M = 200, p = 0.95: q = 190, r = 5, so y(5) to y(195)
    low, high = coverage_interval(np.arange(1.0, 201.0)[::-1], 0.95)
    assert (float(low), float(high)) == (5.0, 195.0)


def test_shortest_interval_of_a_skew_quantity() -> None:
    x = dist.generator(4).exponential(1.0, 200_000)
    low, high = coverage_interval(x, 0.95, kind="shortest")
    assert float(low) == pytest.approx(0.0, abs=0.02)
    assert float(high) == pytest.approx(-math.log(0.05), abs=0.04)
    both = coverage_interval(np.column_stack([x, -x]), 0.95, kind="shortest")
    assert both[0][1] == pytest.approx(-both[1][0])
    with pytest.raises(EstimateError, match="more draws"):
        coverage_interval([1.0, 2.0, 3.0], 0.95)


def test_proportion_limits_at_the_ends() -> None:
    assert clopper_pearson(10, 10)[1] == 1.0
    with pytest.raises(EstimateError, match="11 events in 10 trials"):
        clopper_pearson(11, 10)


def test_one_at_a_time_budget_names_the_larger_source_first() -> None:
    rng = dist.generator(6)
    draws = {"umbo": rng.normal(0, 0.3, (20_000, 3)), "footplate": rng.normal(0, 0.1, (20_000, 3))}
    means = {"umbo": np.zeros(3), "footplate": np.zeros(3)}

    def model(x: dict) -> np.ndarray:
        return x["umbo"][:, 2] - x["footplate"][:, 2]

    budget = one_at_a_time_budget(model, draws, means=means)
    assert [line.source for line in budget] == ["umbo", "footplate"]
    assert [line.standard_uncertainty for line in budget] == pytest.approx([0.3, 0.1], rel=0.03)
    with pytest.raises(EstimateError, match="the same inputs"):
        one_at_a_time_budget(model, draws, means={"umbo": np.zeros(3)})


def test_repeats() -> None:
    readings = dist.generator(8).normal([1.0, 2.0, 3.0], 0.2, (5, 3))
    r = summarise_repeats(readings)
    assert r.standard_error == pytest.approx(readings.std(axis=0, ddof=1) / math.sqrt(5))
    # JCGM 101:2008, 6.4.9.4: the t distribution with 4 degrees of freedom is wider by sqrt(4/2)
    assert r.standard_uncertainty == pytest.approx(r.standard_error * math.sqrt(2))
    drawn = r.draw(dist.generator(1), 200_000)
    inner = np.mean(np.abs(drawn - r.mean) <= 2.776 * r.standard_error, axis=0)  # t table: 95 %, 4 d.f.
    assert inner == pytest.approx([0.95] * 3, abs=0.003)
    assert summarise_repeats(readings[:3]).standard_uncertainty[0] == math.inf
    assert summarise_repeats(readings, pooled=True).dof == 12
    with pytest.raises(EstimateError, match="at least two"):
        summarise_repeats(readings[:1])


def test_averaged_points_are_less_biased_than_averaged_distances() -> None:
    # Two points 0.5 mm apart with 0.3 mm noise: averaging distances keeps the bias, averaging points removes most.
    noise = dist.generator(3).normal(0.0, 0.3, (4000, 9, 2, 3))
    difference = np.array([0.5, 0, 0]) + noise[:, :, 1] - noise[:, :, 0]
    of_distances = np.linalg.norm(difference, axis=2).mean()
    of_points = np.linalg.norm(difference.mean(axis=1), axis=1).mean()
    assert of_distances > 0.75
    assert of_points < 0.56
