"""Two noisy points: closed forms, and published landmark triangles and segment sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from ctmeasure.uncertainty.angles import vertex_angle_sd_deg
from ctmeasure.uncertainty.distance import (
    distance_cdf,
    distance_interval,
    distance_moments,
    distance_pdf,
    distance_quantile,
    first_order,
)
from ctmeasure.uncertainty.distributions import generator
from ctmeasure.uncertainty.quadratic_forms import ball_probability


def test_moments_and_quantiles(row_distance_moments: dict) -> None:
    row = row_distance_moments
    s = row["point_sigma"] * 2**0.5
    mean, sd = distance_moments(row["d"], s)
    found = [float(mean), float(sd), float(np.hypot(mean, sd))]
    found += [distance_quantile(p, row["d"], sigma_mm=s) for p in (0.025, 0.5, 0.975)]
    expected = [row[k] for k in ("mean", "sd", "rms", "q025", "q500", "q975")]
    assert found == pytest.approx(expected, abs=row["tolerance"])


def test_constants(row_distance_constants: dict) -> None:
    row = row_distance_constants
    k, d, s, x = int(row["dimensions"]), row["d"], row["sigma"], row["argument"]
    mean, sd = distance_moments(d, s, dimensions=k)
    found = {
        "mean": lambda: float(mean),
        "sd": lambda: float(sd),
        "quantile": lambda: distance_quantile(x, d, sigma_mm=s, dimensions=k),
        "cdf": lambda: float(distance_cdf(x, d, sigma_mm=s, dimensions=k)),
        "pdf": lambda: float(distance_pdf(x, d, sigma_mm=s)),
    }[row["quantity"]]()
    assert found == pytest.approx(row["expected"], abs=row["tolerance"])


@pytest.mark.parametrize("dimensions", [1, 2, 3])
@pytest.mark.parametrize("ratio", [1e-9, 1e-5, 1.1e-5, 1e-3, 0.1, 1.0, 7.0, 300.0])
def test_cdf_is_the_non_central_chi_of_scipy(ratio: float, dimensions: int) -> None:
    r = ratio + np.linspace(-3.0, 4.0, 15)
    r = r[r > 0]
    expected = stats.ncx2.cdf(r**2, dimensions, max(ratio**2, 1e-14))
    assert distance_cdf(r, ratio, sigma_mm=1.0, dimensions=dimensions) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("d", [0.0, 0.02, 0.5, 4.5])
def test_density_integrates_to_the_distribution(d: float) -> None:
    area, _ = integrate.quad(lambda r: float(distance_pdf(r, d, sigma_mm=0.3)), 0.0, d + 0.2)
    assert area == pytest.approx(float(distance_cdf(d + 0.2, d, sigma_mm=0.3)), abs=1e-8)


def test_anisotropic_pair() -> None:
    # First order and bias: JCGM 100:2008 equation 13 and note to 5.1.2; rms exact: sqrt(d^2 + trace).
    cov = np.diag([0.1**2 + 0.15**2, 0.1**2 + 0.1**2, 0.25**2 + 0.3**2])
    difference = np.array([3.0, 2.0, 1.0])
    u, bias = first_order(difference, cov)
    assert u == pytest.approx(0.19365, abs=1e-5)
    assert bias == pytest.approx(0.02238, abs=1e-5)
    rng = generator(5)
    r = np.linalg.norm(difference + rng.standard_normal((400_000, 3)) * np.sqrt(np.diag(cov)), axis=1)
    assert np.mean(r) == pytest.approx(3.76400, abs=1.5e-3)
    assert np.sqrt(np.mean(r**2)) == pytest.approx(3.76895, abs=1.5e-3)
    for limit in (3.3932, 4.1548):
        assert ball_probability(limit, difference[[1, 0, 2]], np.sqrt(np.diag(cov))[[1, 0, 2]]) == pytest.approx(
            float(np.mean(r <= limit)), abs=2e-3
        )
    # the non-central distribution gives the printed 95 % ends of the measured distance
    below = [ball_probability(x, difference[[1, 0, 2]], np.sqrt(np.diag(cov))[[1, 0, 2]]) for x in (3.3932, 4.1548)]
    assert below == pytest.approx([0.025, 0.975], abs=1.5e-3)


@pytest.mark.parametrize("d", [4.5, 2.0])
def test_landmark_noise_of_three_tenths(d: float) -> None:
    # Non-central chi (Johnson, Kotz, Balakrishnan 1995, ch. 29): sd 0.42, bias +0.04 at 4.5 mm and +0.09 at 2.0 mm.
    mean, sd = distance_moments(d, 0.3 * 2**0.5)
    assert float(mean) - d == pytest.approx({4.5: 0.04, 2.0: 0.09}[d], abs=0.006)
    assert float(sd) == pytest.approx(0.42, abs=0.02)
    if d == 4.5:
        low, high = distance_interval([0, 0, d], np.eye(3) * 0.18)
        assert (high - low) / 2 == pytest.approx(1.959964 * 0.3 * 2**0.5, rel=0.03)


def test_voxel_snap() -> None:
    # Each end uniform within a voxel (JCGM 100:2008, 4.3.7): sd sqrt(2/12) v = 0.408 v.
    rng = generator(9)
    for v, expected in ((0.2, 0.082), (0.4, 0.161), (0.6, 0.246)):
        direction = rng.standard_normal((60_000, 3))
        a = rng.uniform(0, 50, (60_000, 3))
        b = a + 4.5 * direction / np.linalg.norm(direction, axis=1, keepdims=True)
        length = np.linalg.norm(np.round(a / v) * v - np.round(b / v) * v, axis=1)
        assert float(length.std()) == pytest.approx(expected, rel=0.03)
        assert abs(float(length.mean()) - 4.5) < 0.02


@pytest.mark.parametrize(("angle", "expected"), [(90.0, 4.5837), (60.0, 3.9696)])
def test_vertex_angle_noise(angle: float, expected: float) -> None:
    # Law of propagation (JCGM 100:2008 equation 13), arms 5 mm, 0.2 mm per point; checked by simulation.
    from ctmeasure.geometry.vectors import angle_at_deg

    assert vertex_angle_sd_deg(angle, 0.2, first_arm_mm=5.0, second_arm_mm=5.0) == pytest.approx(expected, abs=1e-4)
    rng = generator(3)
    noise = rng.normal(0.0, 0.2, (3, 40_000, 3))
    turned = 5.0 * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle)), 0.0])
    simulated = angle_at_deg(noise[0], np.array([5.0, 0, 0]) + noise[1], turned + noise[2])
    assert float(np.std(simulated)) == pytest.approx(expected, abs=0.06)
