"""The plate's model against closed forms.

A flat sheet between two half spaces: sums of normal distribution functions (thin-wall model of Prevrhal et al. 2003,
DOI 10.1118/1.1521940, Treece et al. 2010, PMC2868358; the figures of a worked profile come from the closed form). A
round window: the non-central chi-square distribution with two degrees of freedom (Johnson, Kotz, Balakrishnan 1995,
Continuous Univariate Distributions 2, chapter 29; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ncx2, norm

from ctmeasure.imaging.footplate.find import sheet_thickness
from ctmeasure.imaging.footplate.model import Start, axes_of, columns
from ctmeasure.imaging.levels import FWHM_PER_SIGMA, PointSpread

FAR = [9.0, 9.0]
"""How far the bone reaches above and below: out of sight."""


def round_spread(sigma):
    return PointSpread(FWHM_PER_SIGMA * sigma, FWHM_PER_SIGMA * sigma, (0.0, 0.0, 1.0))


def shape_of(half, thick, reach=FAR, wider=0.0):
    return np.array([0, 0, 0, 0, 0, 0, *half, wider, thick, *reach, 0.0, 0.0], dtype=np.float64)


def test_middle_of_a_wide_plate_is_a_blurred_sheet():
    sigma, thick = 0.22, 0.3
    w = np.linspace(-1.0, 0.8, 19)
    points = np.stack([0 * w, 0 * w, w], axis=1)
    found = columns(points, Start(np.zeros(3), np.eye(3)), shape_of((6.0, 6.0), thick), round_spread(sigma),
                    sheet_of_bone=1.0)  # fmt: skip
    level = found[:, :3] @ np.array([-1000.0, 10.0, 1800.0])
    closed = 10.0 + (1800.0 - 10.0) * norm.cdf((w + thick) / sigma) + (-1000.0 - 1800.0) * norm.cdf(w / sigma)
    np.testing.assert_allclose(level, closed, atol=1e-6)


def test_worked_profile_of_a_thin_wall():
    # y0 = -1000, y1 = 1800, y2 = -300, edges at -0.3 and 0.3 mm, sigma 0.25: y(0) = 1236.16, y(0.3) = 727.05.
    points = np.array([[0.0, 0.0, -0.3], [0.0, 0.0, 0.0]])
    found = columns(points, Start(np.zeros(3), np.eye(3)), shape_of((6.0, 6.0), 0.6), round_spread(0.25),
                    sheet_of_bone=1.0)  # fmt: skip
    level = found[:, :3] @ np.array([-1000.0, -300.0, 1800.0])
    np.testing.assert_allclose(level, [1236.16, 382.79], atol=0.02)


@pytest.mark.parametrize(("radius", "sigma", "within"), [(0.7, 0.2, 0.02), (0.6, 0.25, 0.06), (1.4, 0.2, 0.01)])
def test_round_window_is_a_blurred_disc(radius, sigma, within):
    r = np.linspace(0.0, 2.0 * radius, 15)
    points = np.stack([r, 0 * r, np.full_like(r, -4.0)], axis=1)
    found = columns(points, Start(np.zeros(3), np.eye(3)), shape_of((radius, radius), 0.2), round_spread(sigma))[:, 1]
    # The curved edge is right to first order in the curvature; a hole of under 2.5 sigma feels its far edge too.
    np.testing.assert_allclose(found, ncx2.cdf((radius / sigma) ** 2, 2, (r / sigma) ** 2), atol=within)


def test_directional_spread_of_a_turned_plate():
    # A plate whose normal lies 30 degrees out of the slice plane: sigma^2 = sigma_xy^2 cos^2 + sigma_z^2 sin^2.
    turn = np.radians(30.0)
    axes = np.array([[0.0, 1.0, 0.0], [-np.sin(turn), 0.0, np.cos(turn)], [np.cos(turn), 0.0, np.sin(turn)]])
    spread = PointSpread(FWHM_PER_SIGMA * 0.20, FWHM_PER_SIGMA * 0.35, (0.0, 0.0, 1.0))
    sigma = np.hypot(0.20 * np.cos(turn), 0.35 * np.sin(turn))
    assert sigma == pytest.approx(0.2462, abs=1e-4)
    w = np.linspace(-0.5, 0.5, 11)
    found = columns(w[:, None] * axes[2], Start(np.zeros(3), axes), shape_of((6.0, 6.0), 0.2), spread)[:, 0]
    np.testing.assert_allclose(found, norm.cdf(w / sigma), atol=1e-6)


def test_turns_are_rotations():
    from scipy.spatial.transform import Rotation

    start = Start(np.zeros(3), np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]]))
    turn = np.array([0.2, -0.1, 0.3])
    expected = Rotation.from_rotvec(turn @ start.axes_lps).apply(start.axes_lps)
    np.testing.assert_allclose(axes_of(start, np.concatenate([np.zeros(3), turn, np.zeros(8)])), expected, atol=1e-12)


@pytest.mark.parametrize(("thickness", "state"), [(0.12, "below resolution"), (0.30, "below resolution"),
                                                  (0.55, "model dependent"), (0.9, "resolved")])  # fmt: skip
def test_state_of_a_thickness(thickness, state):
    # Published plates: 0.118 mm in histology (PMC13004908) to 0.30 in micro-CT (PMID 37622391): below a 0.5 mm spread.
    assert sheet_thickness(thickness, 0.05, fwhm_mm=0.5).state == state
