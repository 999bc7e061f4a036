"""NIfTI, NRRD and MetaImage: the same voxels in the same place as the array they were written from.

The truth is the array and affine of tests/readers/conftest.py; the writers are nibabel and SimpleITK.
"""

from __future__ import annotations

import gzip

import nibabel
import numpy as np
import pytest
import SimpleITK as sitk

from ctmeasure.errors import CtmeasureError, ScanError
from ctmeasure.io.dicom import list_series, load_series

FLIP = np.diag([-1.0, -1.0, 1.0, 1.0])
"""RAS to LPS (NIfTI-1.1, nifti1.h: +x right, +y anterior, +z superior)."""


def affine_ijk(affine_kji):
    """Columns for a file whose first stored axis runs along the row."""
    return affine_kji[:, [2, 1, 0, 3]]


def write_nifti(path, hu, affine_kji, *, name_axis=True, unit="mm", other=None):
    image = nibabel.Nifti1Image(np.ascontiguousarray(hu.transpose(2, 1, 0)), FLIP @ affine_ijk(affine_kji))
    image.header.set_sform(FLIP @ affine_ijk(affine_kji), 1)
    image.header.set_qform(FLIP @ affine_ijk(affine_kji) if other is None else other, 1)
    image.header.set_xyzt_units(unit)
    if name_axis:
        image.header.set_dim_info(slice=2)
    image.header["descrip"] = b"A^Name"
    nibabel.save(image, path)
    return path


def write_itk(path, hu, affine_kji, compressed=True):
    image = sitk.GetImageFromArray(hu)
    spacing = np.linalg.norm(affine_kji[:3, :3], axis=0)
    image.SetSpacing(spacing[::-1].tolist())
    image.SetOrigin(affine_kji[:3, 3].tolist())
    image.SetDirection((affine_ijk(affine_kji)[:3, :3] / spacing[::-1]).reshape(-1).tolist())
    sitk.WriteImage(image, str(path), useCompression=compressed)
    return path


def same(path, series, side="left"):
    loaded = load_series(path, side=side)
    np.testing.assert_array_equal(loaded.volume.values, series.hu)
    # NIfTI stores single precision.
    np.testing.assert_allclose(loaded.volume.geometry.affine_lps, series.affine_lps, atol=2e-5)
    assert loaded.volume.values.dtype == np.int16
    return loaded


@pytest.mark.parametrize("ending", ["nii", "nii.gz", "NII.GZ"])
def test_nifti(good_once, tmp_path, ending):
    path = write_nifti(tmp_path / "Name.nii", good_once.hu, good_once.affine_lps)
    if ending.lower().endswith("gz"):
        target = tmp_path / f"Name.{ending}"
        target.write_bytes(gzip.compress(path.read_bytes()))
        path = target
    loaded = same(path, good_once)
    assert loaded.volume.source.intensity_unit == "HU"
    assert any("given by hand" in text for text in loaded.warnings)
    assert "Name" not in repr((loaded.volume.source, loaded.row, loaded.warnings, loaded.chosen_because))


@pytest.mark.parametrize("ending", ["nrrd", "nhdr", "mha", "mhd"])
def test_itk_formats(good_once, tmp_path, ending):
    path = write_itk(tmp_path / f"scan.{ending}", good_once.hu, good_once.affine_lps)
    same(path, good_once)


def test_left_is_left(tmp_path):
    """One bright voxel at a known place on the patient's left, written by nibabel in RAS: x is +30 in LPS."""
    hu = np.full((4, 5, 6), -1000, np.int16)
    hu[2, 1, 5] = 1000
    affine_ras = np.array([[-2.0, 0, 0, -20], [0, 3.0, 0, 7], [0, 0, 4.0, -11], [0, 0, 0, 1]])
    image = nibabel.Nifti1Image(hu.transpose(2, 1, 0), affine_ras)
    nibabel.save(image, tmp_path / "a.nii")
    volume = load_series(tmp_path / "a.nii", side="left").volume
    bright = np.argwhere(volume.values == 1000)[0]
    # i, j, k = 5, 1, 2: RAS (-20 - 10, 7 + 3, -11 + 8) = (-30, 10, -3), so LPS (30, -10, -3).
    np.testing.assert_allclose(volume.geometry.to_lps(bright), (30.0, -10.0, -3.0), atol=1e-5)


def test_same_place_as_the_dicom_series(good_once, tmp_path):
    ours = load_series(good_once.folder).volume
    path = write_nifti(tmp_path / "a.nii", good_once.hu, good_once.affine_lps)
    theirs = load_series(path, side="left").volume
    np.testing.assert_allclose(theirs.geometry.corners_lps, ours.geometry.corners_lps, atol=2e-5)


def test_odd_axis_is_the_slice_axis(good_once, tmp_path):
    """Sagittal storage: two equal steps and one that differs; the axis that differs comes first."""
    affine = np.diag([-0.5, 0.5, 0.9, 1.0])[:, [2, 1, 0, 3]]  # k upwards in steps of 0.9 mm
    turned = good_once.hu.transpose(1, 2, 0), affine[:, [1, 2, 0, 3]]
    path = write_nifti(tmp_path / "a.nii", *turned, name_axis=False)
    volume = load_series(path, side="right").volume
    assert volume.geometry.spacing_mm == pytest.approx((0.9, 0.5, 0.5), abs=1e-5)
    bright = np.unravel_index(np.argmax(volume.values), volume.values.shape)
    there = np.unravel_index(np.argmax(good_once.hu), good_once.hu.shape)
    np.testing.assert_allclose(volume.geometry.to_lps(bright), (affine @ [*there, 1.0])[:3], atol=1e-4)


def test_units_of_length(good_once, tmp_path):
    metres = good_once.affine_lps.copy()
    metres[:3] *= 0.001
    path = write_nifti(tmp_path / "a.nii", good_once.hu, metres, unit="meter")
    np.testing.assert_allclose(
        load_series(path, side="left").volume.geometry.affine_lps, good_once.affine_lps, atol=1e-4
    )


@pytest.mark.parametrize("ending", ["nii", "nrrd", "mha"])
def test_side_must_be_given(good_once, tmp_path, ending):
    writer = write_nifti if ending == "nii" else write_itk
    path = writer(tmp_path / f"a.{ending}", good_once.hu, good_once.affine_lps)
    with pytest.raises(ScanError, match="which ear"):
        load_series(path)
    rows = list_series(path)
    assert [row.usable for row in rows] == [True]
    assert any("--side" in text for text in rows[0].warnings)


def refused(path, words):
    with pytest.raises(CtmeasureError, match=words) as caught:
        load_series(path, side="left")
    assert "\n" not in str(caught.value)
    assert str(path.parent) not in str(caught.value)
    row = list_series(path)[0]
    assert not row.usable
    assert row.reason


def test_no_orientation(good_once, tmp_path):
    path = write_nifti(tmp_path / "a.nii", good_once.hu, good_once.affine_lps)
    data = bytearray(path.read_bytes())
    data[252:256] = bytes(4)  # qform_code and sform_code (nifti1.h)
    path.write_bytes(bytes(data))
    refused(path, "without an orientation")


def test_two_orientations(good_once, tmp_path):
    mirrored = np.diag([-1.0, 1.0, 1.0, 1.0]) @ FLIP @ affine_ijk(good_once.affine_lps)
    path = write_nifti(tmp_path / "a.nii", good_once.hu, good_once.affine_lps, other=mirrored)
    refused(path, "sform and qform put a corner")


def test_sheared(good_once, tmp_path):
    sheared = good_once.affine_lps.copy()
    sheared[:3, 0] += 0.05 * sheared[:3, 1]
    image = nibabel.Nifti1Image(good_once.hu.transpose(2, 1, 0), None)
    image.header.set_sform(FLIP @ affine_ijk(sheared), 1)
    image.header.set_qform(None, 0)
    nibabel.save(image, tmp_path / "a.nii")
    refused(tmp_path / "a.nii", "sheared grid")


@pytest.mark.parametrize("keep", [40, 360, 5000])
def test_cut_short(good_once, tmp_path, keep):
    path = write_nifti(tmp_path / "a.nii", good_once.hu, good_once.affine_lps)
    path.write_bytes(path.read_bytes()[:keep])
    refused(path, "NIfTI")


def test_two_volumes(good_once, tmp_path):
    hu = np.stack([good_once.hu.transpose(2, 1, 0)] * 2, axis=-1)
    nibabel.save(nibabel.Nifti1Image(hu, FLIP @ affine_ijk(good_once.affine_lps)), tmp_path / "a.nii")
    refused(tmp_path / "a.nii", "expected one three-dimensional volume")


def test_space_not_named(good_once, tmp_path):
    path = write_itk(tmp_path / "a.nrrd", good_once.hu, good_once.affine_lps, compressed=False)
    data = path.read_bytes().replace(b"space: left-posterior-superior\n", b"")
    path.write_bytes(data)
    refused(path, "does not name its space")


def test_header_that_names_a_file_elsewhere(good_once, tmp_path):
    path = write_itk(tmp_path / "a.mhd", good_once.hu, good_once.affine_lps)
    text = path.read_text(encoding="latin-1")
    path.write_text(text.replace("ElementDataFile = ", "ElementDataFile = ../"), encoding="latin-1")
    refused(path, "names a file in another folder")


def test_grey_values_and_numbers_that_are_none(good_once, tmp_path):
    hu = good_once.hu.astype(np.float32) + 1000.5
    hu[0, 0, 0] = np.nan
    path = write_nifti(tmp_path / "a.nii", hu, good_once.affine_lps)
    loaded = load_series(path, side="left")
    assert loaded.volume.source.intensity_unit == "grey"
    assert loaded.volume.values.dtype == np.float32
    assert np.isfinite(loaded.volume.values).all()
    assert any("1 voxels without a number" in text for text in loaded.warnings)


def test_hash_follows_content(good_once, tmp_path):
    one = load_series(write_nifti(tmp_path / "a.nii", good_once.hu, good_once.affine_lps), side="left")
    packed = load_series(write_nifti(tmp_path / "b.nii.gz", good_once.hu, good_once.affine_lps), side="right")
    other = load_series(write_nifti(tmp_path / "c.nii", good_once.hu + 1, good_once.affine_lps), side="left")
    assert one.volume.source.content_hash == packed.volume.source.content_hash
    assert one.volume.source.content_hash != other.volume.source.content_hash
