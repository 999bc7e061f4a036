"""One intensity at one point of the patient, whatever the array's axis order: all 48 layouts and an oblique pose."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.volume import Geometry, PlaneSpec, Volume, reformat, sample

LAYOUTS = [(order, flips) for order in permutations(range(3)) for flips in product((False, True), repeat=3)]
POSES = {"upright": np.eye(3), "oblique": Rotation.from_euler("xyz", [20, 30, 15], degrees=True).as_matrix()}


def scan(pose: str) -> Volume:
    """No symmetry in it: smooth noise of its own in every direction."""
    affine = np.eye(4)
    affine[:3, :3] = POSES[pose][:, [2, 1, 0]] * (0.6, 0.45, 0.3)
    affine[:3, 3] = (-8.0, 12.0, 77.0)
    values = np.random.default_rng(12).integers(-1000, 2000, (7, 8, 9)).astype(np.int16)
    return Volume(Geometry((7, 8, 9), affine, "1.2.3"), values)


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize(("order", "flips"), LAYOUTS)
def test_layout(pose, order, flips):
    first = scan(pose)
    other = first.permuted(order, flips)
    # Every voxel is where it was.
    index = np.stack(np.meshgrid(*[np.arange(n) for n in first.values.shape], indexing="ij"), axis=-1).reshape(-1, 3)
    there = other.geometry.to_kji(first.geometry.to_lps(index))
    np.testing.assert_allclose(there, np.rint(there), atol=1e-9)
    np.testing.assert_array_equal(other.values[tuple(np.rint(there).astype(int).T)], first.values[tuple(index.T)])
    # Sampling, pictures and the box agree.
    points = first.geometry.to_lps(np.random.default_rng(1).uniform(-1, 9, (200, 3)))
    np.testing.assert_array_equal(other.geometry.contains_lps(points), first.geometry.contains_lps(points))
    for interpolation in ("linear", "cubic"):
        ours, theirs = sample(first, points, order=interpolation), sample(other, points, order=interpolation)
        np.testing.assert_array_equal(ours.inside, theirs.inside)
        np.testing.assert_allclose(ours.values, theirs.values, atol=1e-6)
    turn = Rotation.from_euler("xyz", [40, 10, -25], degrees=True).as_matrix()
    spec = PlaneSpec("p", "", first.geometry.centre_lps, turn[0], turn[1], 3.0, 2.4, 0.1, slab_mm=0.7)
    np.testing.assert_allclose(reformat(first, spec).image, reformat(other, spec).image, atol=2e-3)


def test_layouts_are_all_different():
    assert (
        len({str(scan("oblique").permuted(*layout).geometry.affine_lps.round(9).tolist()) for layout in LAYOUTS}) == 48
    )


@pytest.mark.parametrize("pose", POSES)
def test_mirrored_patient(pose):
    """Mirroring the whole patient left to right mirrors points, intensities and edge letters, and nothing else."""
    first = scan(pose)
    mirror = np.diag([-1.0, 1.0, 1.0])
    affine = first.geometry.affine_lps.copy()
    affine[:3] = mirror @ affine[:3]
    other = Volume(Geometry(first.geometry.shape_kji, affine, "1.2.3"), first.values)
    points = first.geometry.to_lps(np.random.default_rng(2).uniform(0, 6, (100, 3)))
    np.testing.assert_allclose(sample(other, points @ mirror).values, sample(first, points).values, atol=1e-9)
    turn = POSES["oblique"]
    spec = PlaneSpec("p", "", first.geometry.centre_lps, turn[0], turn[1], 3.0, 2.4, 0.1)
    mirrored = PlaneSpec("p", "", mirror @ spec.origin_lps, mirror @ turn[0], mirror @ turn[1], 3.0, 2.4, 0.1)
    np.testing.assert_allclose(reformat(other, mirrored).image, reformat(first, spec).image, atol=2e-3)
    swap = str.maketrans("LR", "RL")
    for side in ("left", "right", "top", "bottom"):
        assert mirrored.edge_letters(side) == spec.edge_letters(side).translate(swap)
    np.testing.assert_allclose(mirrored.normal_lps, -mirror @ spec.normal_lps, atol=1e-12)


coordinate = st.floats(-200, 200, allow_nan=False)


@given(
    st.tuples(coordinate, coordinate, coordinate),
    st.integers(0, 2**32 - 1),
    st.tuples(coordinate, coordinate, coordinate),
)
@settings(max_examples=60, deadline=None)
def test_round_trip_in_any_pose(origin, seed, point):
    rng = np.random.default_rng(seed)
    affine = np.eye(4)
    affine[:3, :3] = Rotation.random(rng=rng).as_matrix() * rng.uniform(0.1, 1.0, 3)
    affine[:3, 3] = origin
    geometry = Geometry((40, 50, 60), affine, "")
    np.testing.assert_allclose(geometry.to_lps(geometry.to_kji(point)), point, atol=1e-9)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_rigid_motion_of_scan_and_points_together(seed):
    rng = np.random.default_rng(seed)
    first = scan("oblique")
    motion = np.eye(4)
    motion[:3, :3] = Rotation.random(rng=rng).as_matrix()
    motion[:3, 3] = rng.uniform(-100, 100, 3)
    moved = Volume(Geometry(first.geometry.shape_kji, motion @ first.geometry.affine_lps, "1.2.3"), first.values)
    points = first.geometry.to_lps(rng.uniform(0.1, 5.9, (50, 3)))
    there = points @ motion[:3, :3].T + motion[:3, 3]
    np.testing.assert_allclose(sample(moved, there).values, sample(first, points).values, atol=1e-6)
