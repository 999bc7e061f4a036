"""Frames, fits, curves, patches and mirrors: what must hold and what must be refused."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.capsules import ball_clearance, require_tube
from ctmeasure.geometry.ellipses import direct_ellipse, fit_ellipse_2d
from ctmeasure.geometry.fits import arc_covered_deg, fit_circle_3d, fit_plane, fit_plane_robust
from ctmeasure.geometry.frames import Frame, Plane
from ctmeasure.geometry.lines import fit_line
from ctmeasure.geometry.mirrors import mirrored_directions, mirrored_frame, mirrored_plane, mirrored_points
from ctmeasure.geometry.patches import patch_distance, triangulate_patch
from ctmeasure.geometry.polylines import (
    arc_lengths_mm,
    points_at,
    resample_polyline,
    smooth_polyline,
    tangent_at,
    vertex_tangents,
)
from ctmeasure.geometry.rigid import fit_rigid
from ctmeasure.geometry.vectors import angle_deg, as_points, orthonormal_basis, unit


def test_frames_refuse_what_is_not_a_frame() -> None:
    with pytest.raises(GeometryError, match="left-handed"):
        Frame(np.zeros(3), np.diag([1.0, 1.0, -1.0]))
    with pytest.raises(GeometryError, match="not orthonormal"):
        Frame(np.zeros(3), np.diag([1.0, 1.0, 1.1]))
    with pytest.raises(GeometryError, match=r"shape \(2, 3\)|shape"):
        Frame(np.zeros(3), np.eye(3)[:2])


def test_frame_is_a_value() -> None:
    axes = np.eye(3)
    f = Frame([1, 2, 3], axes, "a")
    axes[0, 0] = 9.0
    assert f == Frame([1, 2, 3], np.eye(3), "a")
    assert f != Frame([1, 2, 3], np.eye(3), "b")
    assert len({f, Frame([1, 2, 3], np.eye(3), "a")}) == 1
    with pytest.raises(ValueError, match="read-only"):
        f.origin_lps[0] = 5.0
    assert f.tf_lps_frame @ [1, 1, 1, 1] == pytest.approx([2, 3, 4, 1])
    assert f != "a"


def test_plane_sides() -> None:
    p = Plane([0, 0, 2], [0, 0, 5])
    assert p.signed_distance_mm([[1, 1, 5], [1, 1, 0]]) == pytest.approx([3, -2])
    assert p.flipped().signed_distance_mm([1, 1, 5]) == pytest.approx(-3)
    assert p == Plane([0, 0, 2], [0, 0, 1])
    with pytest.raises(GeometryError, match="length zero"):
        Plane([0, 0, 0], [0, 0, 0])


def test_vectors_refuse_nonsense() -> None:
    for bad in ([1, 2], [[1, 2, np.nan]], 3.0):
        with pytest.raises(GeometryError):
            as_points(bad)
    with pytest.raises(GeometryError, match="parallel"):
        orthonormal_basis([0, 0, 1], [0, 0, -2])
    with pytest.raises(GeometryError, match="length zero"):
        unit([0, 0, 0])


def test_small_angles_keep_their_digits() -> None:
    # the arc cosine of 1 - 5e-19 would be 0
    assert float(angle_deg([1, 0, 0], [1, 1e-9, 0])) == pytest.approx(np.degrees(1e-9), rel=1e-9)
    assert float(angle_deg([1, 0, 0], [-1, 1e-9, 0])) == pytest.approx(180.0 - np.degrees(1e-9), abs=1e-12)


def test_plane_fits() -> None:
    with pytest.raises(GeometryError, match="one line"):
        fit_plane([[0, 0, 0], [1, 1, 1], [2, 2, 2]])
    with pytest.raises(GeometryError, match="at least three"):
        fit_plane([[0, 0, 0], [1, 1, 1]])
    rng = np.random.default_rng(1)
    ring = np.array([[4 * np.cos(a), 4 * np.sin(a), 0] for a in np.arange(16) * np.pi / 8]) + rng.normal(
        0, 0.05, (16, 3)
    )
    wrong = ring.copy()
    wrong[3, 2] += 4.0
    good = fit_plane(ring, towards_lps=[0, 0, 1]).plane.normal_lps
    plain, robust = (f(wrong, towards_lps=[0, 0, 1]).plane.normal_lps for f in (fit_plane, fit_plane_robust))
    assert float(angle_deg(good, robust)) < 1.0 < 5.0 < float(angle_deg(good, plain))


def test_out_of_plane_is_kept_apart() -> None:
    # a saddle of amplitude 0.5: rms 0.5 / sqrt 2 out of the plane, nothing in it
    a = np.arange(24) * np.pi / 12
    fit = fit_circle_3d(np.column_stack([4.5 * np.cos(a), 4.5 * np.sin(a), 0.5 * np.cos(2 * a)]))
    assert fit.radius_mm == pytest.approx(4.5, abs=1e-9)
    assert fit.rms_mm < 1e-9
    assert fit.out_of_plane_rms_mm == pytest.approx(0.5 / np.sqrt(2), abs=1e-9)
    assert fit.arc_deg == pytest.approx(345.0)


def test_ellipse_fits() -> None:
    rng = np.random.default_rng(2)
    a = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    exact = np.column_stack([4.6 * np.cos(a), 4.1 * np.sin(a)])
    fits = [fit_ellipse_2d(exact + rng.normal(0, 0.1, exact.shape)) for _ in range(40)]
    assert np.mean([f.diameter_max_mm for f in fits]) == pytest.approx(9.2, abs=0.05)
    assert np.mean([f.diameter_min_mm for f in fits]) == pytest.approx(8.2, abs=0.05)
    # orthogonal distances: the polish never leaves more than the algebraic start
    noisy = exact + rng.normal(0, 0.2, exact.shape)
    start = direct_ellipse(noisy)
    t = np.linspace(0, 2 * np.pi, 4001)
    turn = np.array([[np.cos(start[4]), -np.sin(start[4])], [np.sin(start[4]), np.cos(start[4])]])
    outline = start[:2] + np.column_stack([start[2] * np.cos(t), start[3] * np.sin(t)]) @ turn.T
    left = np.sqrt(np.mean(np.min(np.linalg.norm(noisy[:, None] - outline, axis=2), axis=1) ** 2))
    assert fit_ellipse_2d(noisy).rms_mm <= left + 1e-6
    with pytest.raises(GeometryError, match="180 degrees"):
        fit_ellipse_2d(exact[:15])
    with pytest.raises(GeometryError, match="at least five"):
        fit_ellipse_2d(exact[:4])
    circle = fit_ellipse_2d(np.column_stack([3 * np.cos(a), 3 * np.sin(a)]))
    assert (circle.diameter_max_mm, circle.diameter_min_mm) == pytest.approx((6.0, 6.0), abs=1e-6)


def test_arc_covered() -> None:
    assert arc_covered_deg([0, 90, 180, 270]) == 270.0
    assert arc_covered_deg([5.0]) == 0.0


def test_polyline_places() -> None:
    path = [[0, 0, 0], [3, 0, 0], [3, 4, 0]]
    assert points_at(path, [0.0, 5.0, 7.0]) == pytest.approx(np.array([[0, 0, 0], [3, 2, 0], [3, 4, 0]]))
    assert np.diff(arc_lengths_mm(resample_polyline(path, 0.7))).max() <= 0.7 + 1e-9
    with pytest.raises(GeometryError, match="outside the polyline"):
        points_at(path, 7.5)
    with pytest.raises(GeometryError, match="one place"):
        vertex_tangents([[0, 0, 0], [0, 0, 0], [1, 0, 0]])
    with pytest.raises(GeometryError, match="window"):
        tangent_at(path, 1.0, half_window_mm=0.0)
    with pytest.raises(GeometryError, match="curve"):
        smooth_polyline([[1, 1, 1], [1, 1, 1]], click_noise_mm=0.2, spacing_mm=0.1)


@pytest.mark.parametrize(("clicks", "raw_at_least"), [(11, 10.5), (21, 12.0), (41, 18.0)])
def test_smoothing_takes_out_the_length_that_noise_adds(clicks: int, raw_at_least: float) -> None:
    rng = np.random.default_rng(clicks)
    straight = np.linspace([0, 0, 0], [10.0, 0, 0], clicks)
    noisy = straight + rng.normal(0, 0.2, (40, clicks, 3))
    raw = np.mean([arc_lengths_mm(x)[-1] for x in noisy])
    smooth = np.mean([arc_lengths_mm(smooth_polyline(x, click_noise_mm=0.2, spacing_mm=0.2))[-1] for x in noisy])
    assert raw > raw_at_least
    assert smooth == pytest.approx(10.0, abs=0.35)


def test_smoothing_keeps_a_bend() -> None:
    a = np.linspace(0, np.pi, 25)
    rng = np.random.default_rng(3)
    clicks = np.column_stack([5 * np.cos(a), 5 * np.sin(a), 0 * a]) + rng.normal(0, 0.1, (25, 3))
    curve = smooth_polyline(clicks, click_noise_mm=0.1, spacing_mm=0.1)
    inner = curve[10:-10]
    assert np.max(np.abs(np.linalg.norm(inner[:, :2], axis=1) - 5.0)) < 0.2


def test_patch_knows_its_rim() -> None:
    x, y = np.meshgrid(np.arange(5.0), np.arange(5.0))
    mesh = triangulate_patch(np.column_stack([x.ravel(), y.ravel(), np.abs(x - 2.0).ravel()]))  # a roof upside down
    d, rim = patch_distance([[2.0, 2.0, 5.0], [8.0, 2.0, 2.0]], [[2.0, 2.0, 3.0], [9.0, 2.0, 2.0]], mesh=mesh)
    assert rim.tolist() == [False, True]
    assert d == pytest.approx([3.0 / np.sqrt(2), 4.0])
    near, at_rim = patch_distance([[2.0, 2.2, 1.0]], [[2.0, 2.2, 0.5]], mesh=mesh)
    assert (near[0], at_rim[0]) == (pytest.approx(0.5 / np.sqrt(2)), False)
    pierced, _ = patch_distance([[2.1, 2.2, 5.0]], [[2.1, 2.2, -5.0]], mesh=mesh)
    assert pierced[0] == 0.0
    corners = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [20.0, 20, 0]]
    assert len(triangulate_patch(corners, longest_edge_mm=2.0).faces) == 1
    with pytest.raises(GeometryError, match="no triangle"):
        triangulate_patch(corners, longest_edge_mm=0.5)
    with pytest.raises(GeometryError, match="line"):
        triangulate_patch([[0, 0, 0], [1, 0, 0], [2, 0, 0]])


def test_tubes_and_balls() -> None:
    with pytest.raises(GeometryError, match="negative"):
        require_tube([[0, 0, 0], [1, 0, 0]], [0.5, -0.5])
    with pytest.raises(GeometryError, match="radii"):
        require_tube([[0, 0, 0], [1, 0, 0]], [0.5])
    gap = ball_clearance(
        [0, 0, 0], [0, 0, 4], bur_radius_mm=0.3, centre_lps=[[0, 3, 2], [0, 0, 6]], radius_mm=[1.0, 2.5]
    )
    assert gap == pytest.approx([1.7, -0.8])


def test_mirrors_are_right_handed_again() -> None:
    frame = Frame.from_directions([40, 2, 3], [1, 0.2, 0.1], first_hint_lps=[0, 0, 1], name="canal")
    rng = np.random.default_rng(4)
    points = rng.normal(0, 5, (20, 3)) + np.array([40.0, 0, 0])
    for axis in (0, 1, 2):
        image = mirrored_frame(frame, reversed_axis=axis, mid_x_mm=1.5)
        signs = np.where(np.arange(3) == axis, -1.0, 1.0)
        assert np.linalg.det(image.axes_lps) == pytest.approx(1.0)
        assert image.from_lps(mirrored_points(points, mid_x_mm=1.5)) == pytest.approx(frame.from_lps(points) * signs)
    plane = Plane([40, 1, 2], [1, 2, 3])
    assert mirrored_plane(plane).signed_distance_mm(mirrored_points(points)) == pytest.approx(
        plane.signed_distance_mm(points)
    )
    assert mirrored_directions([1.0, 2, 3]).tolist() == [-1.0, 2.0, 3.0]
    with pytest.raises(GeometryError, match="reversed axis 3"):
        mirrored_frame(frame, reversed_axis=3)


def test_rigid_fits_refuse_lines_and_bad_weights() -> None:
    with pytest.raises(GeometryError, match="one line"):
        fit_rigid([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 0, 0], [0, 1, 0], [0, 2, 0]])
    with pytest.raises(GeometryError, match="weights"):
        fit_rigid(np.eye(3), np.eye(3), weights=[1, 1, 0])
    with pytest.raises(GeometryError, match="shape"):
        fit_rigid(np.eye(3), np.eye(3)[:2])


def test_weights_pull_the_fit() -> None:
    p = np.array([[0, 0, 0], [8, 0, 0], [0, 10, 0], [0, 0, 12.0]])
    q = p.copy()
    q[3] += [0.5, 0, 0]
    plain, weighted = fit_rigid(p, q), fit_rigid(p, q, weights=[1, 1, 1, 1e-4])
    assert weighted.residuals_mm[:3].max() < 0.01 < plain.residuals_mm[:3].max()


def test_line_fit_points_outwards() -> None:
    rng = np.random.default_rng(5)
    points = np.linspace([0, 0, 0], [0, 0, -7.0], 8) + rng.normal(0, 0.01, (8, 3))
    assert fit_line(points).direction_lps[2] < -0.99
    assert fit_line(points, towards_lps=[0, 0, 1]).direction_lps[2] > 0.99
    with pytest.raises(GeometryError, match="one place"):
        fit_line([[1, 1, 1], [1, 1, 1]])


def test_a_hole_in_a_patch_is_not_bridged() -> None:
    """Clicks every millimetre on a plane, a disc of 3 mm radius left out: over its middle the rim is nearest."""
    grid = np.stack(np.meshgrid(np.arange(-8.0, 9.0), np.arange(-8.0, 9.0), indexing="ij"), axis=-1).reshape(-1, 2)
    flat = np.column_stack([grid, np.zeros(len(grid))])
    whole, holed = triangulate_patch(flat), triangulate_patch(flat[np.linalg.norm(grid, axis=1) > 3.0])
    over = np.array([[0.0, 0.0, 1.0]])
    distance, rim = patch_distance(over, over, mesh=whole)
    assert distance[0] == pytest.approx(1.0)
    assert not rim[0]
    distance, rim = patch_distance(over, over, mesh=holed)
    assert rim[0]
    assert distance[0] > 2.5
    beside = np.array([[6.5, 0.5, 1.0]])
    assert not patch_distance(beside, beside, mesh=holed)[1][0]
