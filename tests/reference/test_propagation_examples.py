"""The law of propagation against the worked examples of JCGM 100 (GUM), annexes G and H."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ctmeasure.uncertainty.estimate import combined_budget
from ctmeasure.uncertainty.propagation import (
    combined_uncertainty,
    effective_dof,
    linear_budget,
    propagate_covariance,
    second_order_variance,
    sensitivities,
    t_factor,
)
from ctmeasure.uncertainty.type_a import mean_correlation, summarise_repeats


def test_g41_product_of_three() -> None:
    # JCGM 100:2008, G.4.1, example: u_c = 1.03 %, 19 degrees of freedom, t95 = 2.09, U = 2.2 %.
    relative = [0.25, 0.57, 0.82]
    u = combined_uncertainty([1, 1, 1], relative)
    dof = effective_dof(relative, [9, 4, 14])
    assert u == pytest.approx(1.03, abs=0.005)
    assert dof == pytest.approx(19.0, abs=0.01)
    assert t_factor(0.95, dof) == pytest.approx(2.09, abs=0.005)
    assert u * t_factor(0.95, dof) == pytest.approx(2.2, abs=0.05)


def test_h1_end_gauge() -> None:
    # JCGM 100:2008, H.1, table H.1 and H.1.6.
    length, mean_temperature, alpha = 50_000_623.0, -0.1, 11.5e-6

    def model(x: np.ndarray) -> float:
        standard, difference, d_alpha, d_theta, expansion, temperature = x
        return standard + difference - standard * (d_alpha * temperature + expansion * d_theta)

    best = np.array([length, 215.0, 0.0, 0.0, alpha, mean_temperature])
    u = np.array([25.0, 9.7, 0.58e-6, 0.029, 1.2e-6, 0.41])
    c = sensitivities(model, best, uncertainties=u)
    budget = {line.source: line.standard_uncertainty for line in linear_budget(list("sdabet"), c, uncertainties=u)}
    assert model(best) - 50_000_000.0 == pytest.approx(838.0, abs=1e-6)
    assert [budget[k] for k in "sdab"] == pytest.approx([25.0, 9.7, 2.9, 16.6], abs=0.1)
    assert budget["e"] == pytest.approx(0.0, abs=1e-3)
    assert budget["t"] == pytest.approx(0.0, abs=1e-3)
    combined = combined_uncertainty(c, u)
    assert combined == pytest.approx(31.7, abs=0.1)
    assert round(combined) == 32
    parts = np.abs(c * u)[:4]
    dof = effective_dof(parts, [18, 25.6, 50, 2])
    assert math.floor(dof) == 16
    assert dof == pytest.approx(16.7, abs=0.1)
    assert t_factor(0.99, 16) * combined == pytest.approx(93, abs=0.7)
    # H.1.7: the second-order terms bring u_c from 32 to 34 nm
    assert math.sqrt(combined**2 + second_order_variance(model, best, uncertainties=u)) == pytest.approx(34, abs=0.5)


VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def test_h2_resistance_and_reactance() -> None:
    # JCGM 100:2008, H.2, tables H.2 to H.4.
    repeats = summarise_repeats(np.column_stack([VOLTAGE, CURRENT, PHASE]))
    assert mean_correlation(VOLTAGE, CURRENT) == pytest.approx(-0.36, abs=0.005)
    assert mean_correlation(VOLTAGE, PHASE) == pytest.approx(0.86, abs=0.005)
    assert mean_correlation(CURRENT, PHASE) == pytest.approx(-0.65, abs=0.005)
    series = [VOLTAGE, CURRENT, PHASE]
    correlation = np.array([[mean_correlation(a, b) for b in series] for a in series])
    u = repeats.standard_error
    models = [
        lambda x: x[0] / x[1] * math.cos(x[2]),
        lambda x: x[0] / x[1] * math.sin(x[2]),
        lambda x: x[0] / x[1],
    ]
    jacobian = np.array([sensitivities(model, repeats.mean, uncertainties=u) for model in models])
    covariance = propagate_covariance(jacobian, correlation * np.outer(u, u))
    results = [model(repeats.mean) for model in models]
    deviations = np.sqrt(np.diag(covariance))
    assert results == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert deviations == pytest.approx([0.071, 0.295, 0.236], abs=0.0008)
    r = covariance / np.outer(deviations, deviations)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.001)
    # the matrix form and the scalar law must agree
    assert combined_uncertainty(jacobian[0], u, correlation=correlation) == pytest.approx(deviations[0], rel=1e-12)


def test_h3_thermometer_calibration() -> None:
    # JCGM 100:2008, H.3, table H.6 and H.3.3, H.3.4.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    design = np.column_stack([np.ones_like(t), t - 20.0])
    solve = np.linalg.solve(design.T @ design, design.T)
    y = solve @ b
    s = math.sqrt(float(np.sum((b - design @ y) ** 2)) / (len(t) - 2))
    covariance = propagate_covariance(solve, s**2 * np.eye(len(t)))
    u = np.sqrt(np.diag(covariance))
    assert y == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=6e-5)
    r = covariance[0, 1] / (u[0] * u[1])
    assert r == pytest.approx(-0.930, abs=6e-4)
    assert s == pytest.approx(0.0035, abs=5e-5)
    assert y[0] + 10.0 * y[1] == pytest.approx(-0.1494, abs=6e-5)
    assert combined_uncertainty([1.0, 10.0], u, correlation=[[1, r], [r, 1]]) == pytest.approx(0.0041, abs=6e-5)


def test_type_a_and_b_of_one_landmark() -> None:
    # Law of propagation and equation G.2b of JCGM 100:2008 on five clicks with s = 0.18 mm in voxels of 0.15 mm.
    repeated, voxel = 0.18 / math.sqrt(5), 0.15 / math.sqrt(12)
    assert repeated == pytest.approx(0.0805, abs=5e-5)
    assert voxel == pytest.approx(0.0433, abs=5e-5)
    u = combined_uncertainty([1, 1], [repeated, voxel])
    dof = effective_dof([repeated, voxel], [4, math.inf])
    assert u == pytest.approx(0.0914, abs=5e-5)
    assert dof == pytest.approx(6.65, abs=0.01)
    assert t_factor(0.95, math.floor(dof)) == pytest.approx(2.447, abs=5e-4)
    assert t_factor(0.95, math.floor(dof)) * u == pytest.approx(0.224, abs=5e-4)
    assert combined_budget(linear_budget(["clicks", "voxel"], [1, 1], uncertainties=[repeated, voxel])) == (
        pytest.approx(u)
    )
