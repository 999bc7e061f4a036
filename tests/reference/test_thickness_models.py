"""Thin walls against published and closed-form numbers: what thresholds over-read, and what the layer fit gives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from ctmeasure.kernels import wall_layers as model

FWHM_PER_SIGMA = 2.354820045
STEP = 0.1
X = np.arange(-40, 61) * STEP + 0.017
NOISE_HU, LEVEL_HU, FWHM_MM = 60.0, 1800.0, 0.5


def layer_profile(
    x: np.ndarray, thickness: float, sigma: float, front: float, bone: float, behind: float
) -> np.ndarray:
    """The forward model, written out here on its own."""
    rise, fall = norm.cdf(x / sigma), norm.cdf((x - thickness) / sigma)
    return front + (bone - front) * rise + (behind - bone) * fall


def fit(profile: np.ndarray, sigma: float, bone: float, *, front: float = 0.0, behind: float = 0.0, start: float = 0.6):
    """Fit front and thickness with everything else held."""
    begin = np.zeros((1, model.PARAMETERS))
    begin[0] = (0.05, 0.0, start, model.NONE_MM, front, front, bone, behind, 1.0)
    sd = np.zeros_like(begin)
    sd[0, [model.FRONT_X, model.BONE]] = np.inf
    fitted, spread, quality = np.zeros_like(begin), np.zeros((1, 5)), np.zeros((1, 3))
    model.fit_layers(
        profile[None], X, np.array([sigma]), begin, begin, sd, np.array([-3.0]), np.array([5.0]),
        np.array([1.0 / NOISE_HU**2]), fitted, spread, quality, 0, 1,
    )  # fmt: skip
    assert quality[0, 2] == 1.0
    return fitted[0], spread[0]


def test_profile_of_a_thin_wall(row_thickness_profile):
    row = row_thickness_profile
    p = np.array([-0.3, 0.0, 0.6, model.NONE_MM, -1000.0, -1000.0, 1800.0, -300.0, 1.0])
    value = model._normal(float(row["x_mm"]), 0.25, p, np.zeros(model.PARAMETERS))
    assert value == pytest.approx(row["level_hu"], abs=0.006)


def test_half_maximum_overreads_and_the_fit_does_not(row_thickness_halfmax):
    row = row_thickness_halfmax
    sigma = FWHM_MM / FWHM_PER_SIGMA
    thickness = float(row["thickness_fwhm"]) * FWHM_MM
    peak = 2.0 * norm.cdf(thickness / (2.0 * sigma)) - 1.0
    assert peak == pytest.approx(row["peak"], abs=0.0006)

    def own_half(half_width: float) -> float:
        middle = thickness / 2.0
        value = norm.cdf((middle + half_width) / sigma) - norm.cdf((half_width - middle) / sigma)
        return float(value - peak / 2.0)

    apparent = 2.0 * brentq(own_half, 1e-6, 5.0)
    assert 100.0 * (apparent / thickness - 1.0) == pytest.approx(row["overreading_percent"], rel=0.01, abs=0.06)
    fitted, _ = fit(layer_profile(X, thickness, sigma, 0.0, LEVEL_HU, 0.0), sigma, LEVEL_HU)
    assert fitted[model.BONE] == pytest.approx(thickness, abs=1e-3)


@pytest.mark.parametrize(
    ("column", "level", "blur"),
    [
        ("level_10_high", 1.1, 1.0),
        ("level_10_low", 0.9, 1.0),
        ("blur_20_high", 1.0, 1.2),
        ("blur_20_low", 1.0, 0.8),
    ],
)
def test_bias_of_a_wrong_level_or_blur(row_thickness_bias, column, level, blur):
    row = row_thickness_bias
    sigma = FWHM_MM / FWHM_PER_SIGMA
    profile = layer_profile(X, float(row["thickness_mm"]), sigma, 0.0, LEVEL_HU, 0.0)
    fitted, _ = fit(profile, sigma * blur, LEVEL_HU * level, start=float(row["thickness_mm"]) + 0.1)
    # The bound: the table's own sampling phase and window are not known to better.
    assert fitted[model.BONE] == pytest.approx(row[column], abs=0.003)


def test_cramer_rao_bound_of_the_thickness(row_thickness_bias):
    row = row_thickness_bias
    sigma = FWHM_MM / FWHM_PER_SIGMA
    _, spread = fit(layer_profile(X, float(row["thickness_mm"]), sigma, 0.0, LEVEL_HU, 0.0), sigma, LEVEL_HU)
    assert spread[1] == pytest.approx(row["u_mm"], rel=0.02)


def test_published_overreading_of_a_phantom(row_thickness_phantom):
    """A Gaussian of FWHM 1.05 mm gives the published size of the effect within 0.08 mm; the fit removes it."""
    row = row_thickness_phantom
    sigma, wall = 1.05 / FWHM_PER_SIGMA, float(row["wall_mm"])
    fine = np.linspace(-4.0, 6.0, 20001)
    profile = layer_profile(fine, wall, sigma, 0.0, LEVEL_HU, 0.0)
    above = fine[profile >= profile.max() / 2.0]
    assert above[-1] - above[0] - wall == pytest.approx(row["overestimated_mm"], abs=0.08)
    fitted, _ = fit(layer_profile(X, wall, sigma, 0.0, LEVEL_HU, 0.0), sigma, LEVEL_HU)
    assert fitted[model.BONE] == pytest.approx(wall, abs=1e-3)


def test_scatter_of_the_fit_is_the_bound():
    """Noisy thin wall: published simulation of this model gives 0.3005 +/- 0.0104 mm at 0.3 mm (level held)."""
    rng = np.random.default_rng(3)
    sigma = FWHM_MM / FWHM_PER_SIGMA
    clean = layer_profile(X, 0.3, sigma, 0.0, LEVEL_HU, 0.0)
    found = [fit(clean + NOISE_HU * rng.standard_normal(len(X)), sigma, LEVEL_HU)[0][model.BONE] for _ in range(800)]
    assert np.mean(found) == pytest.approx(0.3, abs=0.002)
    assert np.std(found) == pytest.approx(0.0104, rel=0.1)
