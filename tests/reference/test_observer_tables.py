"""Observer statistics against the published worked tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ctmeasure.uncertainty.observer.agreement import agreement
from ctmeasure.uncertainty.observer.cusum import CusumDesign, cusum_path
from ctmeasure.uncertainty.observer.differences import limits_of_agreement, method_error, repeatability_coefficient
from ctmeasure.uncertainty.observer.learning import LearningDesign, called_competent, learning_path
from ctmeasure.uncertainty.observer.radial import mean_radial_error, radial_errors

# Shrout PE, Fleiss JL (1979) Psychol Bull 86:420, table 2: six targets, four judges.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
# Bland JM, Altman DG (1986) Lancet 327:307, table 1: peak flow of 17 subjects, two meters, each read twice.
LARGE_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
SMALL_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
SMALL_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]


def test_intraclass_correlation(row_observer_agreement: dict) -> None:
    row = row_observer_agreement
    found = getattr(agreement(JUDGES), row["form"])
    assert found.value == pytest.approx(row["value"], abs=5e-5)
    assert (found.low_95, found.high_95) == pytest.approx((row["low"], row["high"]), abs=0.006)


def test_mean_squares_and_standard_errors_of_measurement() -> None:
    # The paper's analysis of variance, table 3: BMS 11.24, WMS 6.26, JMS 32.49, EMS 1.02.
    found = agreement(JUDGES)
    squares = (found.between_mean_square, found.within_mean_square, found.rater_mean_square, found.error_mean_square)
    assert squares == pytest.approx((11.24, 6.26, 32.49, 1.02), abs=0.005)
    # By hand: (32.486 - 1.0194) / 6 + 1.0194 = 6.264; roots.
    assert found.sem_agreement == pytest.approx(2.503, abs=5e-4)
    assert found.sem_consistency == pytest.approx(1.010, abs=5e-4)


def test_limits_of_agreement_as_printed_in_1986() -> None:
    found = limits_of_agreement(LARGE_1, SMALL_1, multiplier=2.0)
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.standard_deviation == pytest.approx(38.8, abs=0.05)
    # The paper prints -79.7 and 75.5 from the rounded -2.1 and 38.8; the data give -79.65 and 75.41.
    assert (found.low, found.high) == pytest.approx((-79.65, 75.41), abs=0.005)
    assert found.bias_95 == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.low_95 == pytest.approx((-114.3, -45.1), abs=0.15)
    assert found.high_95 == pytest.approx((40.9, 110.1), abs=0.25)


def test_repeatability_as_printed_in_1986() -> None:
    assert repeatability_coefficient(LARGE_1, LARGE_2, multiplier=2.0) == pytest.approx(43.2, abs=0.15)
    assert repeatability_coefficient(SMALL_1, SMALL_2, multiplier=2.0) == pytest.approx(56.4, abs=0.15)
    # One reading's method error is the same number over 2 sqrt 2.
    assert method_error(LARGE_1, LARGE_2) == pytest.approx(43.3 / (2.0 * math.sqrt(2.0)), abs=0.02)


def test_cusum_design(row_observer_cusum: dict) -> None:
    row = row_observer_cusum
    design = CusumDesign(row["p0"], row["p1"], false_alarm=row["alpha"], missed_alarm=row["beta"])
    assert design.success_step == pytest.approx(row["step"], abs=5e-5)
    assert design.upper_limit == pytest.approx(row["limit"], abs=5e-4)
    passes = int(row["passes"])
    assert design.straight_passes == passes
    assert cusum_path([False] * passes, design).acceptable_at == (passes - 1,)


def test_mean_radial_error_of_a_round_scatter() -> None:
    # Mean of the Maxwell distribution: 2 sigma sqrt(2 / pi).
    assert mean_radial_error(0.2**2 * np.eye(3)) == pytest.approx(0.4 * math.sqrt(2.0 / math.pi), abs=1e-9)
    assert round(mean_radial_error(0.2**2 * np.eye(3)), 3) == 0.319


def test_mean_radial_error_of_flat_thin_and_biased_scatter() -> None:
    # Rayleigh mean sigma sqrt(pi / 2); half-normal mean sigma sqrt(2 / pi); no scatter: the bias itself.
    assert mean_radial_error(np.diag([0.09, 0.09, 0.0])) == pytest.approx(0.3 * math.sqrt(math.pi / 2), abs=1e-8)
    assert mean_radial_error(np.diag([0.0, 0.09, 0.0])) == pytest.approx(0.3 * math.sqrt(2 / math.pi), abs=1e-6)
    assert mean_radial_error(np.zeros((3, 3)), bias_mm=[0.3, 0.0, 0.4]) == pytest.approx(0.5, abs=1e-8)


def test_worked_radial_errors() -> None:
    # By hand: sum 4.63 / 8; squares sum 3.8603 / 8, root.
    found = radial_errors([0.12, 0.25, 0.31, 0.48, 0.55, 0.62, 0.9, 1.4], radii_mm=(0.25, 0.5, 1.0))
    assert found.mean_mm == pytest.approx(0.57875)
    assert found.root_mean_square_mm == pytest.approx(0.69465, abs=5e-6)
    assert [s.rate for s in found.success] == [0.25, 0.5, 0.875]


def test_learning_cusum_against_runs_counted_by_hand() -> None:
    # Biau and Porcher 2010 (doi:10.1002/sim.3947) give the scores, no table of this design was found. By hand: the
    # scores are ln(0.95/0.85) and ln(0.05/0.15); with this limit of 19 scores nothing but 19 straight passes within 24
    # attempts crosses, and a run of k or more of n < 2k attempts has the probability q^k (1 + (n - k) p).
    design = LearningDesign(0.05, 0.15, attempts=24, false_competence=0.1)
    assert design.success_score == pytest.approx(0.111226, abs=5e-7)
    assert design.failure_score == pytest.approx(-1.098612, abs=5e-7)
    assert design.limit == pytest.approx(19 * design.success_score)
    assert called_competent(design, 0.15) == pytest.approx(0.85**19 * (1 + 5 * 0.15), rel=1e-9)
    assert design.false_competence < 0.85**18 * (1 + 6 * 0.15)  # one pass fewer would be too few
    assert learning_path([False] * 19, design).competent_at == (18,)
    # a pass more than a failure takes off is needed before a failure does not lead back to nought
    assert learning_path([False] * 9 + [True], design).values[-1] == 0.0
    assert learning_path([False] * 10 + [True], design).values[-1] == pytest.approx(10 * 0.111226 - 1.098612, abs=1e-5)
