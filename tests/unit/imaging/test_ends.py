"""Where bone may end: probabilities, expectation and interval of mixtures by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from ctmeasure.imaging.ends import OWN_WEIGHT, estimate, likeliest, spread_about_chosen, weigh_ends


def ends_of(places, probabilities, **more):
    """One ray with given gaps (and the rays beside it alike when there are several rows)."""
    fall = np.array(places, float).reshape(len(places), 1, -1)
    p = np.array(probabilities, float).reshape(fall.shape)
    return weigh_ends(fall, fall + 0.5, probability=p, farthest_mm=more.get("farthest_mm", 12.0))


def test_a_gap_is_the_first_when_none_before_it_is():
    ends = ends_of([[1.0, 2.0, 4.0]], [[0.2, 0.5, 1.0]])
    assert ends.weights[0] == pytest.approx([0.2, 0.4, 0.4, 0.0])
    assert ends_of([[1.0]], [[0.3]]).chosen.tolist() == [-1], "likelier no end than this one"


def test_what_rays_beside_show_counts_for_the_rest():
    ends = ends_of([[1.0], [3.0], [3.0], [1.1], [np.nan]], [[1.0], [1.0], [1.0], [1.0], [0.0]])
    each = (1.0 - OWN_WEIGHT) / 4
    assert ends.weights.sum() == pytest.approx(1.0)
    assert ends.p_chosen[0] == pytest.approx(OWN_WEIGHT + each), "itself, and the ray whose end agrees"
    assert ends.weights[0, -1] == pytest.approx(each), "no end on the last ray"
    assert 0.0 < ends.uneven_mm[0] < 0.1


def test_one_end_is_a_normal_interval():
    value, u, low, high = estimate(ends_of([[1.0]], [[1.0]]), np.array([1.02]), np.array([0.1]), sure=0.95)
    assert (value[0], u[0]) == (1.02, 0.1)
    assert (low[0], high[0]) == pytest.approx((1.02 - 0.196, 1.02 + 0.196), abs=1e-3)


def test_two_ends_give_median_spread_and_quantiles_of_the_mixture():
    """0.4 at 1, 0.6 at 2, each 0.1: median 2, mean square 0.01 + 0.4; 2.5 % lies where Phi = 0.0625 of the first."""
    value, u, low, high = estimate(ends_of([[1.0, 2.0]], [[0.4, 1.0]]), np.array([2.0]), np.array([0.1]), sure=0.95)
    assert value[0] == pytest.approx(2.0)
    assert u[0] == pytest.approx(np.sqrt(0.01 + 0.4))
    assert low[0] == pytest.approx(1.0 + 0.1 * norm.ppf(0.0625), abs=1e-6)
    assert high[0] == pytest.approx(2.0 + 0.1 * norm.ppf(1.0 - 0.025 / 0.6), abs=1e-6)


def test_an_unlikely_end_widens_the_interval_but_does_not_move_the_value():
    ends = ends_of([[1.0, 2.0]], [[0.04, 1.0]])
    value, u, low, _ = estimate(ends, np.array([2.0]), np.array([0.1]), sure=0.95)
    assert (value[0], u[0]) == (2.0, 0.1)
    assert low[0] < 1.1


def test_never_below_zero():
    _, _, low, _ = estimate(ends_of([[0.05]], [[1.0]]), np.array([0.05]), np.array([0.2]), sure=0.95)
    assert low[0] == 0.0


def test_places_are_listed_apart_the_chosen_first():
    ends = ends_of([[1.0, 2.0, 2.1, 4.0]], [[0.3, 0.4, 0.5, 1.0]])
    columns, carried = likeliest(ends, most=3, least=0.01)
    assert ends.places_mm[0, columns[0]].tolist() == [2.0, 1.0, 4.0]
    assert carried[0] == pytest.approx([0.7 * (0.4 + 0.6 * 0.5), 0.3, 0.7 * 0.6 * 0.5])
    assert likeliest(ends, most=3, least=0.25)[0][0].tolist()[2] == -1


def test_spread_leaves_no_end_out():
    ends = ends_of([[1.0, 3.0]], [[0.5, 0.5]])
    # Weights 0.5 at 1, 0.25 at 3, 0.25 nowhere.
    assert spread_about_chosen(ends)[0] == pytest.approx(np.sqrt(4.0 * 0.25 / 0.75))
