"""Compiled distances against trimesh, brute force and the numpy reference."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.capsules import point_segment, segment_segment, tube_clearance
from ctmeasure.kernels import distances, triangles


def _tube(rng: np.random.Generator, vertices: int = 40) -> tuple[np.ndarray, np.ndarray]:
    s = np.linspace(0.0, 1.0, vertices)
    phase = rng.uniform(0, 6, 3)
    centre = np.column_stack([8 * s, 3 * np.sin(5 * s + phase[0]), 4 * np.cos(4 * s + phase[1])])
    return centre, 0.7 + 0.4 * np.sin(9 * s + phase[2])


def _paths(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    start = rng.uniform([-2, -6, -6], [10, 6, 6], (n, 3))
    return start, start + rng.normal(0, 2, (n, 3))


def _sampled_clearance(p: np.ndarray, q: np.ndarray, tube: np.ndarray, radius: np.ndarray) -> float:
    """Brute force: the gap to every one of many balls along the tube."""
    t = np.linspace(0.0, 1.0, 1001)[:, None, None]
    centres = (tube[:-1] + t * (tube[1:] - tube[:-1])).reshape(-1, 3)
    radii = (radius[:-1] + t[..., 0] * (radius[1:] - radius[:-1])).ravel()
    return float(np.min(point_segment(centres, p, q_lps=q)[0] - radii))


def test_tube_against_brute_force() -> None:
    rng = np.random.default_rng(1)
    tube, radius = _tube(rng, 12)
    p, q = _paths(rng, 60)
    gap, nearest = distances.capsule_to_tube_clearance(p, q, bur_radius_mm=0.3, tube_lps=tube, tube_radius_mm=radius)
    brute = [_sampled_clearance(a, b, tube, radius) - 0.3 for a, b in zip(p, q, strict=True)]
    assert np.max(np.abs(gap - brute)) < 1e-3  # the brute force samples; promised are 0.01 mm
    assert np.all(gap <= np.array(brute) + 1e-12)  # exact is never above sampled
    assert np.min(gap) < 0.0 < np.max(gap)
    reference, reference_nearest = tube_clearance(p, q, bur_radius_mm=0.3, tube_lps=tube, tube_radius_mm=radius)
    assert gap == pytest.approx(reference, abs=1e-12)
    assert np.array_equal(nearest, reference_nearest)


def test_constant_tube_is_axis_distance_less_radii() -> None:
    rng = np.random.default_rng(2)
    tube, _ = _tube(rng)
    p, q = _paths(rng, 200)
    gap, _ = distances.capsule_to_tube_clearance(
        p, q, bur_radius_mm=0.3, tube_lps=tube, tube_radius_mm=np.full(40, 0.75)
    )
    axis = segment_segment(p[:, None], q[:, None], p2_lps=tube[:-1], q2_lps=tube[1:])[0].min(axis=1)
    assert gap == pytest.approx(axis - 1.05, abs=1e-12)


def test_tapering_tube_is_nearer_than_the_axis_rule_says() -> None:
    # Cone from radius 0 to 3 over 4 mm; a point on the axis line's side: the tangent ball wins, closed form.
    gap, _ = distances.capsule_to_tube_clearance(
        [[2.0, 5.0, 0.0]],
        [[2.0, 5.0, 0.0]],
        bur_radius_mm=0.0,
        tube_lps=[[0, 0, 0], [4.0, 0, 0]],
        tube_radius_mm=[0, 3],
    )
    # min over t of sqrt((2-4t)^2+25) - 3t has its optimum past t = 1: the end ball
    assert gap[0] == pytest.approx(np.hypot(2.0, 5.0) - 3.0, abs=1e-12)
    assert gap[0] < 5.0 - 1.5 - 0.1


def test_ball_inside_a_swollen_vertex() -> None:
    # One end ball swallows the other: the solid is that ball.
    gap, _ = distances.capsule_to_tube_clearance(
        [[0, 4.0, 0]], [[1, 4.0, 0]], bur_radius_mm=0.5, tube_lps=[[0, 0, 0], [0.2, 0, 0]], tube_radius_mm=[2.0, 0.1]
    )
    assert gap[0] == pytest.approx(1.5, abs=1e-12)


def test_single_vertex_tube_is_a_ball() -> None:
    gap, nearest = distances.capsule_to_tube_clearance(
        [[0, 0, 0]], [[4.0, 0, 0]], bur_radius_mm=0.3, tube_lps=[[2.0, 3.0, 0]], tube_radius_mm=[1.0]
    )
    assert (gap[0], nearest[0]) == (pytest.approx(1.7), 0)


def test_draws_with_pruning_equal_moved_tubes() -> None:
    rng = np.random.default_rng(3)
    tube, radius = _tube(rng)
    n = 120
    p, q = _paths(rng, n)
    shift, turn = rng.normal(0, 0.3, (n, 3)), rng.normal(0, 0.05, (n, 3))
    s = np.linspace(0, 1, 40)
    modes, amplitude = np.column_stack([1 - s, s, np.sin(6 * s)]), rng.normal(0, 0.25, (n, 3, 3))
    swell = rng.normal(0, 0.4, n)
    gap, nearest = distances.tube_clearance_draws(
        p, q, bur_radius_mm=0.3, tube_lps=tube, tube_radius_mm=radius, shift_mm=shift, rotation_rad=turn,
        modes=modes, mode_amplitude_mm=amplitude, radius_shift_mm=swell,
    )  # fmt: skip
    pivot = tube.mean(axis=0)
    for i in range(n):
        moved = Rotation.from_rotvec(turn[i]).apply(tube + modes @ amplitude[i] - pivot) + pivot + shift[i]
        wide = np.maximum(radius + swell[i], 0.0)
        one, _ = tube_clearance(p[i], q[i], bur_radius_mm=0.3, tube_lps=moved, tube_radius_mm=wide)
        assert gap[i] == pytest.approx(float(one), abs=1e-9)
        k = slice(nearest[i], nearest[i] + 2)  # at a shared vertex either neighbour may be named
        alone, _ = tube_clearance(p[i], q[i], bur_radius_mm=0.3, tube_lps=moved[k], tube_radius_mm=wide[k])
        assert gap[i] == pytest.approx(float(alone), abs=1e-9)


def test_one_thread_gives_the_same_numbers() -> None:
    import numba

    rng = np.random.default_rng(4)
    tube, radius = _tube(rng)
    p, q = _paths(rng, 3000)
    arguments = {"bur_radius_mm": 0.3, "tube_lps": tube, "tube_radius_mm": radius}
    many, _ = distances.capsule_to_tube_clearance(p, q, **arguments)
    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        one, _ = distances.capsule_to_tube_clearance(p, q, **arguments)
    finally:
        numba.set_num_threads(threads)
    assert np.array_equal(many, one)


def test_points_to_triangles_against_trimesh() -> None:
    rng = np.random.default_rng(5)
    mesh = trimesh.creation.icosphere(subdivisions=2, radius=3.0)
    points = rng.uniform(-5, 5, (300, 3))
    d, _, foot = triangles.segment_to_triangles_distance(points, points, triangles_lps=mesh.triangles)
    closest, expected, _ = trimesh.proximity.closest_point_naive(mesh, points)
    assert d == pytest.approx(expected, abs=1e-9)
    assert foot == pytest.approx(closest, abs=1e-6)


def test_segments_to_triangles_against_dense_points_and_trimesh_rays() -> None:
    rng = np.random.default_rng(6)
    mesh = trimesh.creation.icosphere(subdivisions=1, radius=3.0)
    p = rng.uniform(-4, 4, (60, 3))
    q = p + rng.normal(0, 2.5, (60, 3))
    d, _, _ = triangles.segment_to_triangles_distance(p, q, triangles_lps=mesh.triangles)
    t = np.linspace(0, 1, 201)[:, None, None]
    dense = (p + t * (q - p)).reshape(-1, 3)
    sampled = trimesh.proximity.closest_point_naive(mesh, dense)[1].reshape(201, 60).min(axis=0)
    step = np.linalg.norm(q - p, axis=1) / 200
    assert np.all(d <= sampled + 1e-9)
    assert np.all(sampled - d <= step)

    def inside(x: np.ndarray) -> np.ndarray:  # the body is convex
        heights = np.einsum("nki,ki->nk", x[:, None] - mesh.triangles_center, mesh.face_normals)
        return np.all(heights < 0.0, axis=1)

    inside_out = inside(p) != inside(q)
    assert inside_out.sum() > 5
    assert np.all(d[inside_out] == 0.0)


def test_point_segment_against_trimesh() -> None:
    rng = np.random.default_rng(7)
    p, q, x = rng.normal(0, 3, (3, 500, 3))
    expected = trimesh.triangles.closest_point(np.stack([p, q, q], axis=1), x)  # a flat triangle is a segment
    assert point_segment(x, p, q_lps=q)[0] == pytest.approx(np.linalg.norm(expected - x, axis=1), abs=1e-9)


def test_segments_compiled_equal_reference() -> None:
    rng = np.random.default_rng(8)
    p1, q1, p2, q2 = rng.normal(0, 3, (4, 4000, 3))
    q1[:300] = p1[:300]
    q2[200:500] = p2[200:500]
    q2[500:900] = p2[500:900] + (q1 - p1)[500:900] * rng.normal(0, 1, (400, 1))  # parallel
    q2[900:1000] = p2[900:1000] + (q1 - p1)[900:1000] + rng.normal(0, 1e-8, (100, 3))  # nearly
    compiled, s, t = distances.segment_segment_distance(p1, q1, p2=p2, q2=q2)
    reference, _, _ = segment_segment(p1, q1, p2_lps=p2, q2_lps=q2)
    assert compiled == pytest.approx(reference, abs=1e-7)
    reached = np.linalg.norm(p1 + s[:, None] * (q1 - p1) - p2 - t[:, None] * (q2 - p2), axis=1)
    assert reached == pytest.approx(compiled, abs=1e-12)


def test_rigid_draws_are_undone() -> None:
    rng = np.random.default_rng(9)
    x, shift, turn = rng.normal(0, 5, (3, 50, 3))
    pivot = np.array([1.0, -2.0, 3.0])
    moved = Rotation.from_rotvec(turn).apply(x - pivot) + pivot + shift
    back = distances.undo_rigid_draws(moved, shift_mm=shift, rotation_rad=turn, pivot_lps=pivot)
    assert back == pytest.approx(x, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"tube_radius_mm": [0.5]}, "2 vertices and 1 radii"),
        ({"tube_radius_mm": [0.5, -0.1]}, "least radius -0.1"),
        ({"tube_lps": [[0, 0, 0], [np.nan, 0, 0]]}, "not finite"),
        ({"modes": [[1.0], [1.0]]}, "amplitudes"),
        ({"shift_mm": [[0, 0, 0], [0, 0, 0], [0, 0, 0]]}, "3 draws of shift"),
    ],
)
def test_wrong_input_is_named(change: dict, message: str) -> None:
    arguments = {"bur_radius_mm": 0.3, "tube_lps": [[0, 0, 0], [1, 0, 0]], "tube_radius_mm": [0.5, 0.5], **change}
    with pytest.raises(GeometryError, match=message):
        distances.tube_clearance_draws([[0, 2, 0]], [[0, 3, 0]], **arguments)


def test_wrong_paths_and_triangles_are_named() -> None:
    with pytest.raises(GeometryError, match="1 starts and 2 ends"):
        distances.segment_segment_distance([[0, 0, 0]], [[1, 0, 0]] * 2, p2=[[0, 0, 0]], q2=[[0, 0, 0]])
    with pytest.raises(GeometryError, match="no triangle"):
        triangles.segment_to_triangles_distance([[0, 0, 0]], [[1, 0, 0]], triangles_lps=np.zeros((0, 3, 3)))
