"""Sampling and reformats against scipy, SimpleITK and pictures known by formula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from ctmeasure.errors import GeometryError
from ctmeasure.volume import Geometry, PlaneSpec, Volume, reformat, sample
from ctmeasure.volume.reformat import direction_letters

AXES = Rotation.from_euler("xyz", [20, 30, 15], degrees=True).as_matrix()


def volume(dtype=np.int16, shape=(15, 17, 19), seed=0) -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = AXES * (0.5, 0.3, 0.4)
    affine[:3, 3] = (-5.0, 3.0, 40.0)
    values = np.random.default_rng(seed).integers(-1000, 3000, shape).astype(dtype)
    return Volume(Geometry(shape, affine, ""), values)


@pytest.mark.parametrize("dtype", [np.int16, np.float32])
def test_linear_against_scipy(dtype):
    scan = volume(dtype)
    index = np.random.default_rng(1).uniform(-2, 20, (5000, 3))
    points = scan.geometry.to_lps(index)
    values, inside = sample(scan, points)
    index = scan.geometry.to_kji(points)
    expected = map_coordinates(scan.values.astype(float), index.T, order=1, cval=np.nan)
    truly = np.all((index >= 0) & (index <= np.array(scan.values.shape) - 1), axis=1)
    np.testing.assert_array_equal(inside, truly)
    np.testing.assert_allclose(values[inside], expected[inside], atol=1e-8)
    assert np.all(np.isnan(values[~inside]))


@pytest.mark.parametrize("order", ["linear", "cubic"])
def test_voxel_centres_are_kept_to_the_last(order):
    scan = volume()
    index = np.stack(np.mgrid[0:15, 0:17, 0:19], axis=-1)
    values, inside = sample(scan, scan.geometry.to_lps(index), order=order)
    assert inside.all()
    np.testing.assert_allclose(values, scan.values, atol=1e-5)


def test_cubic_is_exact_for_quadratics():
    """Keys 1981: the a = -1/2 kernel reproduces polynomials of degree 2."""
    k, j, i = np.mgrid[0:12, 0:12, 0:12].astype(np.float32)
    values = 3 + 2 * k - j + 0.5 * k * k + 0.25 * i * i - 0.5 * j * i
    scan = Volume(Geometry((12, 12, 12), np.eye(4), ""), values)
    k, j, i = points = np.random.default_rng(2).uniform(1, 10, (3, 200))
    expected = 3 + 2 * k - j + 0.5 * k * k + 0.25 * i * i - 0.5 * j * i
    np.testing.assert_allclose(sample(scan, points.T, order="cubic").values, expected, atol=1e-4)


@pytest.mark.parametrize(("sigma", "limit"), [(1.0, 0.008), (1.5, 0.0025), (2.0, 0.001)])
def test_cubic_on_a_blurred_edge_against_scipy_and_truth(sigma, limit):
    """An oblique step blurred to sigma voxels, known by formula: Catmull-Rom, scipy's B-spline and the truth."""
    normal = AXES[0]
    index = np.stack(np.mgrid[0:32, 0:32, 0:32], axis=-1).astype(float) - 15.5
    step = 1000 * ndtr((index @ normal) / sigma)
    scan = Volume(Geometry((32, 32, 32), np.eye(4), ""), step.astype(np.float32))
    points = np.random.default_rng(3).uniform(8, 23, (4000, 3))
    truth = 1000 * ndtr(((points - 15.5) @ normal) / sigma)
    cubic = sample(scan, points, order="cubic").values
    linear = sample(scan, points).values
    spline = map_coordinates(step, points.T, order=3, mode="mirror")
    assert np.abs(cubic - spline).max() < 1000 * limit
    assert np.abs(cubic - truth).max() < 1000 * limit
    assert np.abs(cubic - truth).max() < 0.5 * np.abs(linear - truth).max()


def test_outside_value_and_points_that_are_not_finite():
    scan = volume()
    values, inside = sample(scan, [[np.nan, 0, 0], [1e9, 0, 0], [np.inf, 0, 0]], outside=-1000.0)
    assert not inside.any()
    assert values.tolist() == [-1000.0] * 3


def test_shapes_follow_the_points():
    scan = volume()
    assert sample(scan, scan.geometry.centre_lps).values.shape == ()
    assert sample(scan, np.zeros((2, 3, 4, 3))).values.shape == (2, 3, 4)
    assert sample(scan, np.zeros((0, 3))).values.shape == (0,)
    with pytest.raises(GeometryError, match="shape"):
        sample(scan, np.zeros((3, 2)))
    with pytest.raises(GeometryError, match="order"):
        sample(scan, np.zeros(3), order="nearest")


def test_many_points_in_threads_equal_few():
    scan = volume()
    points = scan.geometry.to_lps(np.random.default_rng(4).uniform(0, 14, (50_000, 3)))
    together = sample(scan, points, order="cubic").values
    alone = np.concatenate([sample(scan, part, order="cubic").values for part in np.array_split(points, 9)])
    np.testing.assert_array_equal(together, alone)


@pytest.mark.parametrize("shape", [(1, 17, 19), (15, 1, 19), (15, 17, 1)])
def test_single_layers(shape):
    scan = volume(shape=shape)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in shape], indexing="ij"), axis=-1)
    for order in ("linear", "cubic"):
        values, inside = sample(scan, scan.geometry.to_lps(index), order=order)
        assert inside.all()
        np.testing.assert_allclose(values, scan.values, atol=1e-5)


def plane(scan: Volume, **more) -> PlaneSpec:
    turn = Rotation.from_euler("xyz", [35, -20, 70], degrees=True).as_matrix()
    return PlaneSpec("test", "any", scan.geometry.centre_lps, turn[0], turn[1], 9.0, 8.0, 0.11, **more)


@pytest.mark.parametrize("dtype", [np.int16, np.float32])
@pytest.mark.parametrize("order", ["linear", "cubic"])
def test_reformat_equals_sampling_its_pixels(dtype, order):
    scan = volume(dtype)
    picture = reformat(scan, plane(scan, order=order))
    rows, columns = picture.image.shape
    pixels = np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1)
    values, inside = sample(scan, picture.pixel_to_lps(pixels), order=order)
    assert 0.2 < inside.mean() < 1.0
    np.testing.assert_array_equal(np.isfinite(picture.image), inside)
    np.testing.assert_allclose(picture.image[inside], values[inside], atol=2e-3)
    assert picture.image.dtype == np.float32
    assert not picture.image.flags.writeable


def test_reformat_against_simpleitk():
    import SimpleITK as sitk

    scan = volume()
    spec = plane(scan)
    image = sitk.GetImageFromArray(scan.values)
    image.SetSpacing(scan.geometry.spacing_mm[::-1])
    image.SetOrigin(scan.geometry.affine_lps[:3, 3].tolist())
    image.SetDirection(scan.geometry.directions_lps[::-1].T.ravel().tolist())
    rows, columns = spec.shape
    grid = sitk.Image(columns, rows, 1, sitk.sitkFloat32)
    grid.SetSpacing((spec.pixel_mm, spec.pixel_mm, 1.0))
    grid.SetOrigin(spec.pixel_to_lps((0, 0)).tolist())
    grid.SetDirection(np.stack([spec.right_lps, spec.down_lps, spec.normal_lps], axis=1).ravel().tolist())
    theirs = sitk.GetArrayFromImage(
        sitk.Resample(image, grid, sitk.Transform(), sitk.sitkLinear, -9999.0, sitk.sitkFloat32)
    )[0]
    ours = reformat(scan, spec).image
    inside = np.isfinite(ours)
    # SimpleITK also fills the outer half voxel; where both are inside they must agree.
    assert np.all(theirs[inside] != -9999.0)
    np.testing.assert_allclose(ours[inside], theirs[inside], atol=5e-3)


@pytest.mark.parametrize(("mode", "reduce"), [("mean", np.mean), ("maximum", np.max), ("minimum", np.min)])
def test_slab_against_its_layers(mode, reduce):
    scan = volume()
    spec = plane(scan, slab_mm=1.0, slab_mode=mode)
    picture = reformat(scan, spec).image
    layers = 7  # ceil(1.0 / 0.15): half the finest voxel edge of 0.3 mm
    stack = []
    for depth in ((np.arange(layers) + 0.5) / layers - 0.5) * 1.0:
        record = spec.to_dict() | {"slab_mm": 0.0, "origin_lps": spec.origin_lps + depth * spec.normal_lps}
        stack.append(reformat(scan, PlaneSpec.from_dict(record)).image)
    whole = np.all(np.isfinite(stack), axis=0)
    assert whole.mean() > 0.15
    np.testing.assert_allclose(picture[whole], reduce(stack, axis=0)[whole], atol=1e-2)
    np.testing.assert_array_equal(np.isfinite(picture), np.any(np.isfinite(stack), axis=0))


def test_slab_mean_of_a_ramp_is_its_middle():
    k = np.mgrid[0:20, 0:6, 0:6][0]
    scan = Volume(Geometry((20, 6, 6), np.eye(4)[[2, 1, 0, 3]], ""), (100 * k).astype(np.int16))
    spec = PlaneSpec("axial", "", (2.5, 2.5, 9.3), (1, 0, 0), (0, 1, 0), 3, 3, 1, slab_mm=4.0)
    np.testing.assert_allclose(reformat(scan, spec).image, 930.0, atol=1e-3)


def test_plane_maps_are_inverse():
    spec = plane(volume())
    pixels = np.random.default_rng(5).uniform(-10, 60, (40, 2))
    points = spec.pixel_to_lps(pixels)
    np.testing.assert_allclose(spec.lps_to_pixel(points), pixels, atol=1e-9)
    np.testing.assert_allclose(spec.offset_mm(points + 1.5 * spec.normal_lps), 1.5, atol=1e-9)
    middle = (np.array(spec.shape) - 1) / 2
    np.testing.assert_allclose(spec.pixel_to_lps(middle), spec.origin_lps, atol=1e-12)


def test_recipe_round_trip():
    import json

    spec = plane(volume(), slab_mm=2.0, slab_mode="maximum", order="cubic")
    again = PlaneSpec.from_dict(json.loads(json.dumps(spec.to_dict())))
    assert again == spec
    assert hash(again) == hash(spec)
    with pytest.raises(GeometryError, match="recipe"):
        PlaneSpec.from_dict({"name": "x"})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"right_lps": (1.0, 0.1, 0.0)}, "slanted"),
        ({"down_lps": (1.0, 0.0, 0.0)}, "slanted"),
        ({"pixel_mm": 0.0}, "pixel_mm"),
        ({"width_mm": -3.0}, "width_mm"),
        ({"slab_mm": -1.0}, "slab_mm"),
        ({"origin_lps": (np.nan, 0, 0)}, "three numbers"),
        ({"slab_mode": "median"}, "slab mode"),
        ({"order": "nearest"}, "order"),
        ({"pixel_mm": 1e-5}, "pixels a side"),
    ],
)
def test_impossible_planes(change, words):
    record = PlaneSpec("a", "", (0, 0, 0), (1, 0, 0), (0, 1, 0), 10, 10, 1).to_dict() | change
    with pytest.raises(GeometryError, match=words):
        PlaneSpec.from_dict(record)


def test_edges_of_a_radiological_axial_picture():
    """Seen from the feet, patient left is on the right of the picture and anterior on top (common practice)."""
    spec = PlaneSpec("axial", "", (0, 0, 0), (1, 0, 0), (0, 1, 0), 10, 10, 1)
    assert [spec.edge_letters(side) for side in ("left", "right", "top", "bottom")] == ["R", "L", "A", "P"]
    assert spec.edge_words("right") == "left"
    coronal = PlaneSpec("coronal", "", (0, 0, 0), (1, 0, 0), (0, 0, -1), 10, 10, 1)
    assert [coronal.edge_words(side) for side in ("left", "right", "top", "bottom")] == [
        "right", "left", "superior", "inferior",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("direction", "letters"),
    [((1, 0, 0), "L"), ((0, -1, 0.1), "A"), ((0.6, 0.1, -0.8), "IL"), ((-1, -1, 1), "RAS"), ((0, 0.3, 0.954), "SP")],
)
def test_direction_letters(direction, letters):
    assert direction_letters(direction) == letters


def test_int16_is_never_copied():
    values = np.zeros((4, 5, 6), np.int16)
    scan = Volume(Geometry((4, 5, 6), np.eye(4), ""), values)
    assert np.shares_memory(scan.values, values)
    assert scan.values.dtype == np.int16
    with pytest.raises(ValueError, match="read-only"):
        scan.values[0, 0, 0] = 1


def test_volume_of_another_shape():
    with pytest.raises(GeometryError, match="shape"):
        Volume(Geometry((4, 5, 6), np.eye(4), ""), np.zeros((4, 6, 5), np.int16))


def test_crop_around_keeps_values():
    scan = volume()
    part = scan.crop_around(scan.geometry.centre_lps[None], margin_mm=1.0)
    assert part.values.size < scan.values.size
    centre = scan.geometry.centre_lps
    np.testing.assert_allclose(sample(part, centre).values, sample(scan, centre).values, atol=1e-9)
