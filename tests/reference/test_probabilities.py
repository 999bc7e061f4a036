"""Proportions, margins and fit windows against published tables and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.uncertainty import intervals
from ctmeasure.uncertainty.distributions import generator
from ctmeasure.uncertainty.fit_window import (
    expected_loss,
    fit_probabilities,
    fit_probabilities_from_draws,
    least_loss_length_mm,
    sizes_on_grid_mm,
)
from ctmeasure.uncertainty.probability import any_bounds, needed_distance_mm, violation_probability


def test_proportion(row_proportions: dict) -> None:
    row = row_proportions
    found = getattr(intervals, str(row["method"]))(int(row["events"]), int(row["trials"]))
    assert found == pytest.approx((row["low"], row["high"]), abs=row["tolerance"])


def test_draws_needed_to_show_less_than_one_in_a_thousand() -> None:
    # Clopper and Pearson (1934): 1 - alpha^(1/n) < 0.001 first at n = 2995 (one-sided 95 %) and 3688 (97.5 %).
    assert intervals.clopper_pearson_upper(0, 2995) < 0.001 < intervals.clopper_pearson_upper(0, 2994)
    assert intervals.clopper_pearson(0, 3688)[1] < 0.001 < intervals.clopper_pearson(0, 3687)[1]


def test_violation(row_violation: dict) -> None:
    row = row_violation
    found = float(violation_probability(row["distance"], row["threshold"], sigma_mm=row["sigma"], shape=row["shape"]))
    assert found == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize(("risk", "distance"), [(0.05, 2.1923), (0.01, 2.4585), (0.001, 2.7568)])
def test_needed_distance(risk: float, distance: float) -> None:
    # Standard normal table (JCGM 100:2008 table G.1): threshold + z sigma.
    assert needed_distance_mm(risk, 1.55, sigma_mm=0.390512) == pytest.approx(distance, abs=1e-4)


def _shared(seed: int, draws: int, registration: float, local: list[float]) -> np.ndarray:
    """Two lateral errors with one registration error in common, shape (draws, 2)."""
    rng = generator(seed)
    common = rng.normal(0.0, registration, draws)[:, None]
    return common + rng.standard_normal((draws, 2)) * np.array(local)


def test_structures_on_opposite_sides_exclude_each_other() -> None:
    # Normal table for each; joint probability between the Frechet bounds (doi:10.4064/fm-25-1-379-387).
    error = _shared(11, 1_000_000, 0.3, [0.15, 0.20])
    hit = np.column_stack([error[:, 0] < -0.95, error[:, 1] > 0.60])
    single, joint = hit.mean(axis=0), float(hit.any(axis=1).mean())
    assert single == pytest.approx([0.00231, 0.04805], abs=8e-4)
    assert joint == pytest.approx(0.0504, abs=8e-4)
    low, high = any_bounds(single)
    assert low <= joint <= high
    assert joint == pytest.approx(high, abs=1e-4)
    same_side = np.column_stack([error[:, 0] > 0.95, error[:, 1] > 0.60]).any(axis=1).mean()
    assert float(same_side) == pytest.approx(0.0484, abs=8e-4)


@pytest.mark.parametrize(("local", "expected"), [(0.1, 0.00209), (0.15, 0.00233), (0.2, 0.00248)])
def test_two_holes_share_their_registration(local: float, expected: float) -> None:
    # Bivariate normal with r = s_reg^2 / (s_reg^2 + s_loc^2), each 0.00135 (3 sigma): less than the sum 0.0027.
    error = _shared(13, 2_000_000, 0.3, [local, local])
    joint = float((error > 3.0 * np.hypot(0.3, local)).any(axis=1).mean())
    assert joint == pytest.approx(expected, abs=1.1e-4)


def test_fit_window(row_fit_window: dict) -> None:
    row = row_fit_window
    narrow = fit_probabilities(row["size"], 4.60, sigma_mm=0.25, low_mm=-0.25, high_mm=0.25)
    wide = fit_probabilities(row["size"], 4.60, sigma_mm=0.25, low_mm=-0.5, high_mm=0.25)
    loss = float(expected_loss(row["size"], 4.60, sigma_mm=0.25, cost_long=3.0, cost_short=1.0))
    found = [loss, narrow.fits, wide.fits, narrow.long, narrow.short]
    assert found == pytest.approx([row[k] for k in ("loss", "fits_narrow", "fits_wide", "long", "short")], abs=6e-5)
    draws = 4.60 + 0.25 * generator(1).standard_normal(200_000)
    sampled = fit_probabilities_from_draws(row["size"], draws, low_mm=-0.25, high_mm=0.25)
    assert [sampled.short, sampled.fits, sampled.long] == pytest.approx(
        [narrow.short, narrow.fits, narrow.long], abs=5e-3
    )


def test_length_of_least_loss() -> None:
    # Quantile 0.25 of N(4.60, 0.25): Arrow, Harris, Marschak (1951), doi:10.2307/1906813.
    best = least_loss_length_mm(4.60, 0.25, cost_long=3.0, cost_short=1.0)
    assert best == pytest.approx(4.43138, abs=1e-5)
    below, above = sizes_on_grid_mm(best, 0.25)
    losses = expected_loss([below, above], 4.60, sigma_mm=0.25, cost_long=3.0, cost_short=1.0)
    assert (below, above) == (4.25, 4.5)
    assert losses[1] < losses[0]


def test_fit_ceiling(row_fit_ceiling: dict) -> None:
    row = row_fit_ceiling
    found = fit_probabilities(4.5 + row["offset"], 4.5, sigma_mm=row["sigma"], low_mm=-0.25, high_mm=0.25)
    assert found.fits == pytest.approx(row["expected"], abs=row["tolerance"])
