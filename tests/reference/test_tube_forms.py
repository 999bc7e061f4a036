"""Tracing against closed forms, published data and reference libraries.

Blurred discs: the non-central chi-square distribution with two degrees of freedom (Johnson, Kotz, Balakrishnan 1995,
Continuous Univariate Distributions 2, chapter 29; from memory). Eikonal in a constant gradient of speed: seismology's
closed form (Cerveny 2001, Seismic Ray Theory, DOI 10.1017/CBO9780511529399; from memory). Helix and torus: differential
geometry, any textbook.
"""

from __future__ import annotations

import numpy as np
import pytest
import tube_phantoms
from scipy.ndimage import gaussian_filter
from scipy.special import i0e
from scipy.stats import ncx2

from ctmeasure.geometry.polylines import arc_lengths_mm
from ctmeasure.imaging.levels import point_spread
from ctmeasure.imaging.tubes.disc import blurred_disc, table
from ctmeasure.imaging.tubes.kinds import tube_kind
from ctmeasure.imaging.tubes.refine import refine
from ctmeasure.imaging.tubes.route import ridge_speed, route, snap, travel_time
from ctmeasure.imaging.tubes.tissue import tube_levels
from ctmeasure.imaging.tubes.trace import trace_tube
from ctmeasure.kernels import tube_route
from ctmeasure.kernels import tubes as kernel


@pytest.fixture(scope="module")
def tubes():
    return tube_phantoms


@pytest.mark.parametrize(("radius", "sigma"), [(0.6, 0.25), (0.6, 0.2), (0.27, 0.2), (1.9, 0.12)])
def test_table_of_discs_against_scipy(radius, sigma):
    places = np.linspace(0.01, 2.2, 23)
    found = [kernel.disc_level(table(), radius / sigma, r / sigma) for r in places]
    np.testing.assert_allclose(found, ncx2.cdf((radius / sigma) ** 2, 2, (places / sigma) ** 2), atol=2.5e-4)


@pytest.mark.parametrize(("radius", "sigma"), [(0.6, 0.25), (0.5, 0.2)])
def test_centre_of_a_disc(radius, sigma):
    # 1 - exp(-R^2 / 2 sigma^2): 0.9439 for R = 0.6, sigma = 0.25.
    expected = 1.0 - np.exp(-(radius**2) / (2.0 * sigma**2))
    assert float(blurred_disc(0.0, radius_mm=radius, sigma_mm=sigma)) == pytest.approx(expected, abs=1e-9)
    assert kernel.disc_level(table(), radius / sigma, 0.0) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("radius", "sigma", "shift"), [(3.5, 0.25, -0.00895), (0.6, 0.2, -0.0351), (0.6, 0.25, -0.0567)]
)
def test_half_level_of_a_disc_lies_inside_its_edge(radius, sigma, shift):
    # Shift of the half level, computed from the closed form by root finding; to first order -sigma^2 / 2R.
    from scipy.optimize import brentq

    table_level = lambda r: kernel.disc_level(table(), radius / sigma, r / sigma) - 0.5  # noqa: E731
    if radius / sigma < 15.0:
        assert brentq(table_level, 0.5 * radius, 1.5 * radius) - radius == pytest.approx(shift, abs=2e-4)
    closed = brentq(
        lambda r: float(blurred_disc(r, radius_mm=radius, sigma_mm=sigma)) - 0.5, 0.5 * radius, 1.5 * radius
    )
    assert closed - radius == pytest.approx(shift, abs=6e-5)


def test_bessel_function_against_scipy():
    x = np.linspace(0.0, 60.0, 241)
    np.testing.assert_allclose([kernel._bessel_i0e(v) for v in x], i0e(x), atol=3e-7)


@pytest.mark.parametrize(
    ("blur", "scale", "response"), [(0.0, 0.4243, 0.3679), (0.2, 0.4341, 0.2956), (0.25, 0.4467, 0.2632)]
)
def test_ridge_measure_of_a_cylinder(blur, scale, response):
    # Solid cylinder of R = 0.6: s^2 times the eigenvalue on the axis is u exp(-u) s^2 / (s^2 + blur^2), with
    # u = R^2 / 2 (s^2 + blur^2); without blur largest at s = R / sqrt 2, 1/e of the contrast.
    step = 0.04
    y, x = np.meshgrid(*[np.arange(-60, 61) * step] * 2, indexing="ij")
    disc = 1.0 - np.clip(0.5 - (np.hypot(x, y) - 0.6) / step, 0.0, 1.0)
    found = []
    for s in (0.9 * scale, scale, 1.1 * scale):
        smooth = gaussian_filter(disc, np.hypot(s, blur) / step, mode="nearest")
        block = np.repeat(smooth[None], 3, axis=0).astype(np.float64)
        out = np.zeros(block.shape)
        tube_route.ridge(block, step, s, 0.5, out, 0, 3)
        found.append(out[1, 60, 60])
    assert found[1] == pytest.approx(response, abs=0.003)
    assert found[1] >= max(found) - 1e-6


def test_ridge_measure_against_scikit_image():
    from skimage.feature import hessian_matrix_eigvals

    smooth = gaussian_filter(np.random.default_rng(2).standard_normal((20, 22, 24)), 1.5)
    out = np.zeros(smooth.shape)
    tube_route.ridge(smooth, 1.0, 1.0, 0.6, out, 0, len(smooth))
    # Second derivatives by three points, mixed ones by four; eigenvalues by scikit-image.
    second = np.empty((3, 3, *smooth.shape))
    for a in range(3):
        for b in range(3):
            second[a, b] = np.gradient(np.gradient(smooth, axis=a), axis=b)
        second[a, a] = np.roll(smooth, 1, a) + np.roll(smooth, -1, a) - 2.0 * smooth
    listed = [second[a, b] for a, b in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))]
    l1, l2, l3 = hessian_matrix_eigvals(listed)
    tube_like = (l2 > 0) & (l1 + l2 + l3 > 0)
    expected = np.where(tube_like, np.sqrt(np.maximum(l1 * l2, 0)) * np.exp(-0.5 * (l3 / (0.6 * l2)) ** 2), 0.0)
    inner = (slice(2, -2),) * 3
    np.testing.assert_allclose(out[inner], expected[inner], atol=1e-10)


def test_arrival_times_in_a_gradient_of_speed():
    # v = 1 + 0.5 z: T = (1/g) arccosh(1 + g^2 d^2 / (2 va vb)); (4,0,0) 3.525494, (0,0,4) 2.197225, (3,0,2) 2.402442.
    step = 0.1
    z = np.arange(-10, 51) * step
    speed = np.broadcast_to((1.0 + 0.5 * z)[:, None, None], (61, 21, 56)).astype(np.float32)
    time = travel_time(speed, np.array([10, 10, 5]), step_mm=step)
    for x, zz, expected in ((4.0, 0.0, 3.525494), (0.0, 4.0, 2.197225), (3.0, 2.0, 2.402442)):
        found = time[10 + round(zz / step), 10, 5 + round(x / step)] + 0.5 * step
        assert found == pytest.approx(expected, abs=0.04)


def test_arrival_times_against_simpleitk():
    import SimpleITK as sitk

    rng = np.random.default_rng(8)
    speed = np.exp(gaussian_filter(rng.standard_normal((24, 26, 28)), 3.0) * 4.0).astype(np.float32)
    marching = sitk.FastMarchingImageFilter()
    marching.AddTrialPoint((5, 6, 7))
    marching.SetStoppingValue(1e3)
    other = sitk.GetArrayFromImage(marching.Execute(sitk.GetImageFromArray(speed)))
    ours = travel_time(speed, np.array([7, 6, 5]), step_mm=1.0) + 0.5 / speed[7, 6, 5]
    far = other > 6.0
    # First order there, second order here: they agree to the first-order scheme's own error of some percent.
    assert np.median(ours[far] / other[far]) == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(ours[far], other[far])[0, 1] > 0.999


def test_steepest_descent_follows_the_ray():
    # In the gradient of speed the ray is a circular arc: from (0, 0) to (4, 0) it turns at z = 0.828427.
    step = 0.1
    z = np.arange(-10, 31) * step
    speed = np.broadcast_to((1.0 + 0.5 * z)[:, None, None], (41, 11, 61)).astype(np.float32)
    time = travel_time(speed, np.array([10, 5, 10]), step_mm=step)
    path = tube_route.descend(time, np.array([10, 5, 50]), 500)
    assert path[-1].tolist() == [10, 5, 10]
    assert (path[:, 0].max() - 10) * step == pytest.approx(0.828427, abs=0.15)


def test_circle_through_published_points():
    # Gander, Golub, Strebel 1994, Least-squares fitting of circles and ellipses, DOI 10.1007/BF01934268: geometric fit
    # of six points, centre (4.73978, 2.98353), radius 4.71423. A tenth of the size here.
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]) / 10.0
    origin = np.array([0.5, 0.5])
    away = points - origin
    far = np.linalg.norm(away, axis=1)
    rays = np.zeros((1, 6, kernel.RAY_COLUMNS))
    rays[0, :, kernel.EDGE], rays[0, :, kernel.CODE] = far, kernel.FITTED
    out, covariance = np.empty((1, 6)), np.empty((1, 3, 3))
    for _ in range(30):
        # Equal weights and hardly any prior; the kernel makes a dozen steps, each call goes on from the last radius.
        radius = np.array([0.47]) if not np.isfinite(out[0, 2]) or out[0, 2] <= 0.0 else out[:, 2].copy()
        kernel.fit_circles(rays, away / far[:, None], 10.0, 1e4, radius, 1e4, out, covariance, 0, 1)
    assert out[0, :2] + origin == pytest.approx([0.473978, 0.298353], abs=2e-4)
    assert out[0, 2] == pytest.approx(0.471423, abs=2e-4)


def test_helix(tubes):
    # R = 3, pitch 2, two turns: length 37.910725, evenly over 4 pi; the ends are where snapping put them.
    turn = np.linspace(0.0, 4.0 * np.pi, 4001)
    line = np.stack([3.0 * np.cos(turn), 3.0 * np.sin(turn), -2.0 * turn / (2.0 * np.pi)], axis=1)
    canal = tubes.paint(line, radius_mm=0.5, noise=20.0, sigma_mm=0.15, margin_mm=2.5)
    # A canal that winds twice is no nerve: its clicks are not in an order that a nerve's would be, so step by step.
    clicks, kind = line[np.linspace(60, 3940, 6).astype(int)], tube_kind("facial_nerve")
    levels, spread = tube_levels(canal.volume, canal.fitness), point_spread(canal.volume, canal.fitness)
    ridge = ridge_speed(canal.volume, clicks, kind=kind, levels=levels, spread=spread)
    way = route(ridge, snap(ridge, clicks, reach_mm=kind.snap_mm)[0])
    found = refine(canal.volume, way, kind=kind, levels=levels, spread=spread)
    assert canal.distance_mm(found.path_lps).max() < 0.12
    winding = np.unwrap(np.arctan2(found.path_lps[:, 1], found.path_lps[:, 0]))
    wanted = 37.910725 * (winding[-1] - winding[0]) / (4.0 * np.pi)
    assert arc_lengths_mm(found.path_lps)[-1] == pytest.approx(wanted, rel=0.005)
    assert np.mean(found.radius_mm) == pytest.approx(0.5, abs=0.03)


def test_torus(tubes):
    # R = 4, r = 0.7: its whole centre line is 25.13274 long, 4 mm per radian.
    turn = np.linspace(0.0, 1.6 * np.pi, 3001)
    line = np.stack([4.0 * np.cos(turn), np.zeros_like(turn), -4.0 * np.sin(turn)], axis=1)
    canal = tubes.paint(line, radius_mm=0.7, noise=20.0, margin_mm=2.5)
    tube = trace_tube(canal.volume, line[[20, 1000, 2000, 2895]], fitness=canal.fitness)
    assert canal.distance_mm(tube.points_lps[2:-2]).mean() < 0.03
    winding = np.unwrap(np.arctan2(-tube.points_lps[:, 2], tube.points_lps[:, 0]))
    assert tube.length_mm == pytest.approx(4.0 * abs(winding[-1] - winding[0]), rel=0.005)
    assert np.mean(tube.radius_mm) == pytest.approx(0.7, abs=0.02)
    # No bias towards the inside of the bend, where blur pulls a curved tube by sigma^2 / 2R = 0.005 mm.
    assert abs(np.mean(np.linalg.norm(tube.points_lps[:, [0, 2]], axis=1)) - 4.0) < 0.02


def test_canal_between_two_cavities(tubes):
    # A straight canal of radius 0.65 between two balls: the path is its axis, to a quarter of the voxel.
    line = np.stack([np.zeros(401), np.zeros(401), -np.linspace(0.0, 8.0, 401)], axis=1)

    def balls(points, values):
        ends = np.minimum(
            np.linalg.norm(points - [0, 0, 2.0], axis=-1), np.linalg.norm(points - [0, 0, -10.0], axis=-1)
        )
        return np.where(ends < 2.2, tubes.SOFT, values)

    canal = tubes.paint(line, also=balls, noise=10.0, margin_mm=5.0)
    tube = trace_tube(canal.volume, line[[40, 360]], fitness=canal.fitness)
    assert canal.distance_mm(tube.points_lps).max() < 0.3 / 4.0
