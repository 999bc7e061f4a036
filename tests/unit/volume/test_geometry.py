"""Index-to-patient maps against hand values, the DICOM standard's formula, SimpleITK and highdicom."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import GeometryError
from ctmeasure.volume.geometry import Geometry, shear_deg
from ctmeasure.volume.volume import Volume

TILT = np.deg2rad(15.0)


def tilted_affine() -> np.ndarray:
    """Columns (k, j, i, origin) of the tilted stack: row direction (1, 0, 0), column direction (0, cos, -sin) of 15
    degrees, spacing 0.15 mm, slice step (0, 0, 0.3) mm, first position (-40, -60, 100)."""
    affine = np.eye(4)
    affine[:3, 0] = (0.0, 0.0, 0.3)
    affine[:3, 1] = 0.15 * np.array([0.0, np.cos(TILT), -np.sin(TILT)])
    affine[:3, 2] = (0.15, 0.0, 0.0)
    affine[:3, 3] = (-40.0, -60.0, 100.0)
    return affine


def oblique(seed: int = 1, frame: str = "1.2.3") -> Geometry:
    from scipy.spatial.transform import Rotation

    axes = Rotation.random(rng=seed).as_matrix()
    affine = np.eye(4)
    affine[:3, :3] = axes * (0.6, 0.35, 0.2)
    affine[:3, 3] = (-31.25, 12.5, 1204.75)
    return Geometry((11, 13, 17), affine, frame)


def test_dicom_tilt_worked_example():
    """PS3.3 C.7.6.2.1.1, P = S + X delta_c i + Y delta_r j plus k slice steps; the numbers worked out by hand for
    column 100, row 200, slice 50."""
    affine = tilted_affine()
    point = affine @ (50, 200, 100, 1)
    np.testing.assert_allclose(point[:3], (-25.0, -31.02222521, 107.23542865), atol=5e-9)
    assert shear_deg(affine) == pytest.approx(15.0, abs=1e-9)
    with pytest.raises(GeometryError, match=r"15\.000 degrees"):
        Geometry((51, 201, 101), affine, "")


def test_treating_a_tilt_as_upright_misplaces_by_the_known_distance():
    """The same stack with its step laid along the normal: 3.9158 mm off at slice 50, 15.663 mm at slice 200."""
    affine = tilted_affine()
    normal = np.cross(affine[:3, 2], affine[:3, 1])
    wrong = affine.copy()
    wrong[:3, 0] = 0.3 * normal / np.linalg.norm(normal)
    upright = Geometry((201, 201, 101), wrong, "")
    assert np.linalg.norm(upright.to_lps((50, 200, 100)) - (affine @ (50, 200, 100, 1))[:3]) == pytest.approx(
        3.9158, abs=5e-5
    )
    assert np.linalg.norm(upright.to_lps((200, 0, 0)) - (affine @ (200, 0, 0, 1))[:3]) == pytest.approx(
        15.663, abs=5e-4
    )


@pytest.mark.parametrize("seed", range(4))
def test_against_simpleitk(seed):
    """SimpleITK maps (i, j, k) with its own origin, spacing and direction."""
    import SimpleITK as sitk

    geometry = oblique(seed)
    image = sitk.Image(17, 13, 11, sitk.sitkInt16)
    image.SetSpacing(geometry.spacing_mm[::-1])
    image.SetOrigin(geometry.affine_lps[:3, 3].tolist())
    image.SetDirection(geometry.directions_lps[::-1].T.ravel().tolist())
    rng = np.random.default_rng(seed)
    for k, j, i in rng.uniform(-3, 20, (30, 3)):
        np.testing.assert_allclose(
            geometry.to_lps((k, j, i)), image.TransformContinuousIndexToPhysicalPoint((i, j, k)), atol=1e-6
        )


@pytest.mark.parametrize("seed", range(4))
def test_against_highdicom(seed):
    """highdicom's affine runs (slice, row, column) to LPS, as ours."""
    from highdicom import VolumeGeometry
    from highdicom.enum import CoordinateSystemNames

    geometry = oblique(seed)
    theirs = VolumeGeometry(
        geometry.affine_lps, geometry.shape_kji, CoordinateSystemNames.PATIENT, geometry.frame_of_reference_uid
    )
    index = np.random.default_rng(seed).uniform(-3, 20, (30, 3))
    np.testing.assert_allclose(geometry.to_lps(index), theirs.map_indices_to_reference(index), atol=1e-9)
    np.testing.assert_allclose(geometry.spacing_mm, theirs.spacing, atol=1e-12)
    np.testing.assert_allclose(geometry.centre_lps, theirs.center_position, atol=1e-9)


def test_frame_of_reference_is_part_of_equality():
    assert oblique(1) == oblique(1)
    assert hash(oblique(1)) == hash(oblique(1))
    assert oblique(1) != oblique(1, frame="1.2.4")
    assert oblique(1) != oblique(2)


def test_contains_includes_the_voxels_themselves():
    geometry = Geometry((2, 3, 4), np.diag([0.5, 0.5, 0.5, 1.0])[[2, 1, 0, 3]], "")
    x, y, z = np.eye(3)
    far = geometry.to_lps((1, 2, 3))
    inside = geometry.contains_lps([far, far + 0.249 * x, far + 0.251 * x, far + 0.251 * y, far - 0.249 * z])
    assert inside.tolist() == [True, True, False, False, True]
    assert not geometry.contains_lps(far, margin_mm=0.3)
    assert geometry.contains_lps(far + 0.5 * x, margin_mm=-0.3)
    assert not geometry.contains_lps([np.nan, 0, 0])


def test_crop_keeps_places():
    geometry = oblique()
    part = geometry.crop((2, 3, 4), (9, 10, 17))
    assert part.shape_kji == (7, 7, 13)
    np.testing.assert_allclose(part.to_lps((1, 2, 3)), geometry.to_lps((3, 5, 7)), atol=1e-12)


@pytest.mark.parametrize(
    ("start", "stop"), [((0, 0, 0), (12, 13, 17)), ((3, 3, 3), (3, 9, 9)), ((-1, 0, 0), (2, 2, 2))]
)
def test_crop_beyond_the_grid(start, stop):
    with pytest.raises(GeometryError, match="block"):
        oblique().crop(start, stop)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda a: a.__setitem__((0, 0), np.nan), "not finite"),
        (lambda a: a.__setitem__((slice(0, 3), 1), 0.0), "zero length"),
        (lambda a: a.__setitem__((3, 3), 2.0), "last row"),
        (lambda a: a.__setitem__((1, 2), a[1, 2] + 0.01), "sheared"),
    ],
)
def test_impossible_affines(change, words):
    affine = oblique().affine_lps.copy()
    change(affine)
    with pytest.raises(GeometryError, match=words):
        Geometry((11, 13, 17), affine, "")


@pytest.mark.parametrize("angle", [0.01, 0.5, 12.0, 30.0])
def test_shear_angle_of_small_tilts(angle):
    affine = np.eye(4)
    affine[:3, 0] = (np.tan(np.deg2rad(angle)) * 0.5, 0, 0.5)
    affine[:3, 1], affine[:3, 2] = (0, 0.2, 0), (0.2, 0, 0)
    assert shear_deg(affine) == pytest.approx(angle, rel=1e-6)


def test_record_round_trip():
    import json

    geometry = oblique()
    assert Geometry.from_dict(json.loads(json.dumps(geometry.to_dict()))) == geometry
    with pytest.raises(GeometryError):
        Geometry.from_dict({"shape_kji": [1, 2, 3]})


@pytest.mark.parametrize("points", [[1.0, 2.0], 3.0, np.zeros((4, 2))])
def test_wrong_point_shape(points):
    with pytest.raises(GeometryError, match="shape"):
        oblique().to_lps(points)


@pytest.mark.parametrize("threshold", [-1.0, 2.5, 3.0, 3.9, 1e6, -1e6, float("inf")])
@pytest.mark.parametrize("dtype", [np.int16, np.float32])
def test_slices_above_are_the_voxels_above(threshold: float, dtype: type) -> None:
    values = np.arange(-12, 12).reshape(2, 3, 4).astype(dtype)
    scan = Volume(Geometry((2, 3, 4), np.eye(4)[[2, 1, 0, 3]]), values)
    np.testing.assert_array_equal(np.stack(list(scan.slices_above(threshold))), values.astype(float) > threshold)
