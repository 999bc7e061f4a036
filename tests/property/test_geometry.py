"""Spatial functions move with the patient: rigid motions, mirrors, exchange of arguments, order of points."""

from __future__ import annotations

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.geometry.capsules import ball_clearance, point_segment, segment_segment, tube_clearance
from ctmeasure.geometry.ellipses import fit_ellipse_3d
from ctmeasure.geometry.fits import fit_circle_3d, fit_plane
from ctmeasure.geometry.frames import Frame
from ctmeasure.geometry.mirrors import mirrored_points
from ctmeasure.geometry.polylines import arc_lengths_mm, resample_polyline, rotation_minimising_frames
from ctmeasure.geometry.rigid import expected_tre_mm, fit_rigid
from ctmeasure.geometry.vectors import angle_at_deg, orthonormal_basis
from ctmeasure.kernels.distances import capsule_to_tube_clearance, segment_segment_distance
from ctmeasure.kernels.triangles import segment_to_triangles_distance

EXACT = {"rtol": 0.0, "atol": 1e-7}
EAR = settings(max_examples=60, deadline=None)

coordinate = st.floats(-60.0, 60.0, allow_nan=False).map(lambda x: round(x, 3))
point = st.tuples(coordinate, coordinate, coordinate).map(np.array)


@st.composite
def motions(draw: st.DrawFn) -> tuple[Rotation, np.ndarray]:
    turn = draw(st.tuples(*[st.floats(-3.0, 3.0)] * 3))
    return Rotation.from_rotvec(turn), draw(point)


@st.composite
def tubes(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    m = draw(st.integers(1, 24))
    return np.cumsum(rng.normal(0, 1, (m, 3)), axis=0), rng.uniform(0.0, 1.2, m)


def _ring(seed: int, count: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    a = np.sort(rng.uniform(0, 2 * np.pi, count)) * 0.3 + np.linspace(0, 2 * np.pi, count, endpoint=False) * 0.7
    return np.column_stack([4.7 * np.cos(a), 4.0 * np.sin(a), 0.3 * np.cos(2 * a)]) + rng.normal(0, 0.05, (count, 3))


@EAR
@given(point, point, point, point, motions())
def test_segment_distance(p1, q1, p2, q2, motion):
    turn, shift = motion
    d, s, t = segment_segment(p1, q1, p2_lps=p2, q2_lps=q2)
    swapped, _, _ = segment_segment(q2, p2, p2_lps=p1, q2_lps=q1)
    moved = [turn.apply(x) + shift for x in (p1, q1, p2, q2)]
    again, _, _ = segment_segment(moved[0], moved[1], p2_lps=moved[2], q2_lps=moved[3])
    mirrored = [mirrored_points(x) for x in (p1, q1, p2, q2)]
    image, _, _ = segment_segment(mirrored[0], mirrored[1], p2_lps=mirrored[2], q2_lps=mirrored[3])
    compiled, _, _ = segment_segment_distance(p1[None], q1[None], p2=p2[None], q2=q2[None])
    np.testing.assert_allclose([swapped, again, image, compiled[0]], d, rtol=0.0, atol=1e-6)
    assert 0.0 <= s <= 1.0
    assert 0.0 <= t <= 1.0
    # never more than between any two points of the segments, never less than the triangle inequality allows
    ends = min(np.linalg.norm(a - b) for a in (p1, q1) for b in (p2, q2))
    assert d <= ends + 1e-9
    assert d >= ends - np.linalg.norm(q1 - p1) - np.linalg.norm(q2 - p2) - 1e-9


@EAR
@given(point, point, tubes(), motions())
def test_tube_clearance(p, q, tube, motion):
    (centre, radius), (turn, shift) = tube, motion
    kw = {"bur_radius_mm": 0.3, "tube_radius_mm": radius}
    d, _ = tube_clearance(p, q, tube_lps=centre, **kw)
    moved, _ = tube_clearance(turn.apply(p) + shift, turn.apply(q) + shift, tube_lps=turn.apply(centre) + shift, **kw)
    image, _ = tube_clearance(mirrored_points(p), mirrored_points(q), tube_lps=mirrored_points(centre), **kw)
    backwards, _ = tube_clearance(q, p, tube_lps=centre[::-1], bur_radius_mm=0.3, tube_radius_mm=radius[::-1])
    compiled, _ = capsule_to_tube_clearance(p[None], q[None], tube_lps=centre, **kw)
    np.testing.assert_allclose([moved, image, backwards, compiled[0]], d, rtol=0.0, atol=1e-6)
    # between the gaps to the largest and to the smallest constant radius
    axis, _ = tube_clearance(p, q, tube_lps=centre, bur_radius_mm=0.3, tube_radius_mm=0 * radius)
    assert axis - radius.max() - 1e-9 <= d <= axis - radius.min() + 1e-9
    # a longer path is never clearer, a wider bur is nearer by exactly its radius
    longer, _ = tube_clearance(p, q + 0.5 * (q - p), tube_lps=centre, **kw)
    assert longer <= d + 1e-9
    wider, _ = tube_clearance(p, q, tube_lps=centre, bur_radius_mm=0.8, tube_radius_mm=radius)
    np.testing.assert_allclose(wider, d - 0.5, **EXACT)
    # every vertex ball is part of the solid
    assert d <= np.min(ball_clearance(p, q, bur_radius_mm=0.3, centre_lps=centre, radius_mm=radius)) + 1e-9


@EAR
@given(point, point, st.integers(0, 10_000), motions())
def test_triangle_distance(p, q, seed, motion):
    turn, shift = motion
    triangles = np.random.default_rng(seed).normal(0, 4, (5, 3, 3))
    d, _, foot = segment_to_triangles_distance(p[None], q[None], triangles_lps=triangles)
    moved, _, _ = segment_to_triangles_distance(
        turn.apply(p)[None] + shift, turn.apply(q)[None] + shift,
        triangles_lps=turn.apply(triangles.reshape(-1, 3)).reshape(-1, 3, 3) + shift,
    )  # fmt: skip
    np.testing.assert_allclose(moved, d, rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(point_segment(foot[0], p, q_lps=q)[0], d[0], rtol=0.0, atol=1e-6)
    corners = triangles.reshape(-1, 3)
    assert d[0] <= np.min(point_segment(corners, p, q_lps=q)[0]) + 1e-9


@EAR
@given(st.integers(0, 10_000), st.integers(8, 20), motions())
def test_fits_move_with_the_ring(seed, count, motion):
    turn, shift = motion
    ring = _ring(seed, count)
    moved = turn.apply(ring) + shift
    up = turn.apply([0, 0, 1.0])
    plane, plane_moved = fit_plane(ring, towards_lps=[0, 0, 1]), fit_plane(moved[::-1], towards_lps=up)
    np.testing.assert_allclose(plane_moved.plane.normal_lps, turn.apply(np.array(plane.plane.normal_lps)), **EXACT)
    np.testing.assert_allclose(
        plane_moved.plane.point_lps, turn.apply(np.array(plane.plane.point_lps)) + shift, **EXACT
    )
    np.testing.assert_allclose(plane_moved.out_of_plane_rms_mm, plane.out_of_plane_rms_mm, **EXACT)
    np.testing.assert_allclose(plane_moved.spread_mm2, plane.spread_mm2, rtol=1e-8)
    circle, circle_moved = fit_circle_3d(ring), fit_circle_3d(moved)
    np.testing.assert_allclose(circle_moved.radius_mm, circle.radius_mm, rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(circle_moved.centre, turn.apply(np.array(circle.centre)) + shift, rtol=0.0, atol=1e-6)
    ellipse, ellipse_moved = fit_ellipse_3d(ring), fit_ellipse_3d(moved)
    image = fit_ellipse_3d(mirrored_points(ring))
    for other in (ellipse_moved, image):
        np.testing.assert_allclose(other.diameter_max_mm, ellipse.diameter_max_mm, rtol=0.0, atol=1e-5)
        np.testing.assert_allclose(other.diameter_min_mm, ellipse.diameter_min_mm, rtol=0.0, atol=1e-5)


@EAR
@given(st.integers(0, 10_000), st.integers(8, 20))
def test_least_squares_plane_is_least(seed, count):
    ring = _ring(seed, count)
    best = fit_plane(ring)
    rng = np.random.default_rng(seed)
    for _ in range(5):
        other = best.plane.normal_lps + rng.normal(0, 0.05, 3)
        other /= np.linalg.norm(other)
        height = (ring - ring.mean(axis=0)) @ other
        assert np.sqrt(np.mean(height**2)) >= best.out_of_plane_rms_mm - 1e-12


@EAR
@given(point, point, point, motions())
def test_frames_and_angles(a, b, c, motion):
    turn, shift = motion
    assume(min(np.linalg.norm(np.cross(b - a, c - a)), np.linalg.norm(b - a), np.linalg.norm(c - a)) > 1e-2)
    frame = Frame(a, orthonormal_basis(b - a, c - a), "f")
    moved = Frame(turn.apply(a) + shift, orthonormal_basis(turn.apply(b - a), turn.apply(c - a)), "f")
    x = np.array([[1.0, 2, 3], [-20, 4, 9]])
    np.testing.assert_allclose(frame.to_lps(frame.from_lps(x)), x, **EXACT)
    np.testing.assert_allclose(moved.from_lps(turn.apply(x) + shift), frame.from_lps(x), rtol=0.0, atol=1e-5)
    np.testing.assert_allclose(
        angle_at_deg(*[turn.apply(y) + shift for y in (a, b, c)]), angle_at_deg(a, b, c), rtol=0.0, atol=1e-6
    )
    total = angle_at_deg(a, b, c) + angle_at_deg(b, c, a) + angle_at_deg(c, a, b)
    np.testing.assert_allclose(total, 180.0, rtol=0.0, atol=1e-7)


@EAR
@given(st.integers(0, 10_000), motions())
def test_rigid_fit_finds_the_motion(seed, motion):
    turn, shift = motion
    points = np.random.default_rng(seed).normal(0, 8, (5, 3))
    fit = fit_rigid(points, turn.apply(points) + shift)
    np.testing.assert_allclose(fit.rotation, turn.as_matrix(), **EXACT)
    np.testing.assert_allclose(np.linalg.det(fit.rotation), 1.0, **EXACT)
    np.testing.assert_allclose(fit.apply([[3.0, -4, 5]]), turn.apply([[3.0, -4, 5]]) + shift, rtol=0.0, atol=1e-6)
    target = np.array([10.0, -3, 6])
    np.testing.assert_allclose(
        expected_tre_mm(turn.apply(points) + shift, turn.apply(target) + shift, fle_mm=0.3),
        expected_tre_mm(points, target, fle_mm=0.3),
        rtol=1e-6,
    )


@EAR
@given(st.integers(0, 10_000), motions())
def test_curves_move_rigidly(seed, motion):
    turn, shift = motion
    path = np.cumsum(np.random.default_rng(seed).normal(1.0, 0.4, (15, 3)), axis=0)
    moved = turn.apply(path) + shift
    np.testing.assert_allclose(arc_lengths_mm(moved), arc_lengths_mm(path), **EXACT)
    np.testing.assert_allclose(
        resample_polyline(moved, 0.5), turn.apply(resample_polyline(path, 0.5)) + shift, rtol=0.0, atol=1e-6
    )
    frames = rotation_minimising_frames(path, first_hint_lps=[0.3, -1.0, 0.2])
    turned = rotation_minimising_frames(moved, first_hint_lps=turn.apply([0.3, -1.0, 0.2]))
    np.testing.assert_allclose(turned, np.einsum("ij,nkj->nki", turn.as_matrix(), frames), rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(np.linalg.det(frames), 1.0, **EXACT)
