"""Several acquisitions under one series, and patients who do not lie on their back with the head first."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom import dcmread

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import list_series, load_series

SERIES = "2.25.77.2"


def add_second(series, another_series, change, *, hu=None, affine=None):
    """A second stack under the same series UID, its objects and slice numbers its own."""
    hu = series.hu[:, ::-1].copy() if hu is None else hu
    second = another_series(series.folder / "second", hu=hu, affine=series.affine_lps if affine is None else affine)
    for k in range(len(hu)):
        path = second.folder / f"IM{k:03d}"
        data = dcmread(path)
        data.SOPInstanceUID = data.file_meta.MediaStorageSOPInstanceUID = f"2.25.77.2.9.{k + 1}"
        data.InstanceNumber = 101 + k
        change(data)
        data.save_as(path)
    return second


def kernel(data):
    data.ConvolutionKernel = "soft"


def acquisition(data):
    data.AcquisitionNumber = 2


@pytest.mark.parametrize("change", [kernel, acquisition, lambda data: None], ids=["kernel", "acquisition", "numbers"])
def test_two_acquisitions_come_apart(series, another_series, change):
    second = add_second(series, another_series, change)
    rows = list_series(series.folder)
    assert [(row.selector, row.usable, row.slices) for row in rows] == [
        (f"{SERIES}:1", True, 12),
        (f"{SERIES}:2", True, 12),
    ]
    assert all("part" in row.warnings[0] and "no single stack" in row.warnings[0] for row in rows)
    for selector, truth in ((f"{SERIES}:1", series), (f"{SERIES}:2", second)):
        loaded = load_series(series.folder, series_uid=selector)
        np.testing.assert_array_equal(loaded.volume.values, truth.hu)
        np.testing.assert_allclose(loaded.volume.geometry.affine_lps, truth.affine_lps, atol=2e-8)
        assert loaded.volume.source.series_uid == SERIES
        assert any("part" in text for text in loaded.warnings)
    assert "best of its 2 usable parts" in load_series(series.folder, series_uid=SERIES).chosen_because


def test_mixed_spacing_and_orientation_come_apart(series, another_series):
    coronal = series.affine_lps[:, [1, 0, 2, 3]] * [1.0, -1.0, 1.0, 1.0]
    second = add_second(series, another_series, lambda data: None, affine=coronal)
    rows = list_series(series.folder)
    assert [row.usable for row in rows] == [True, True]
    np.testing.assert_allclose(
        load_series(series.folder, series_uid=f"{SERIES}:2").volume.geometry.affine_lps, second.affine_lps, atol=2e-8
    )


def test_one_part_damaged(series, another_series):
    second = add_second(series, another_series, acquisition)
    (second.folder / "IM005").unlink()
    rows = {row.selector: row for row in list_series(series.folder)}
    assert rows[f"{SERIES}:1"].usable
    assert not rows[f"{SERIES}:2"].usable
    # The missing slice is named with its neighbours and both distances.
    assert "a gap between slice 105" in rows[f"{SERIES}:2"].reason
    assert "0.600 mm where the others are 0.300 mm" in rows[f"{SERIES}:2"].reason
    with pytest.raises(ScanError, match="a gap"):
        load_series(series.folder, series_uid=f"{SERIES}:2")


def test_a_gap_is_no_second_acquisition(series, another_series):
    """Two stacks with a step between them and nothing else that differs: refused, not guessed."""
    for k in range(4, 7):
        series.path(k).unlink()
    rows = list_series(series.folder)
    assert [row.usable for row in rows] == [False]
    assert "1.200 mm where the others are 0.300 mm" in rows[0].reason


@pytest.mark.parametrize("strays", [1, 2])
def test_strays_are_a_fault(series, another_series, strays):
    add_second(series, another_series, kernel, hu=series.hu[:strays])
    rows = list_series(series.folder)
    assert [row.usable for row in rows] == [False]
    assert "mixed kernels" in rows[0].reason


def test_two_patients_are_never_split(series, another_series):
    def other(data):
        data.PatientID, data.ConvolutionKernel = "SAMPLE-8", "soft"

    add_second(series, another_series, other)
    rows = list_series(series.folder)
    assert [row.usable for row in rows] == [False]
    assert "more than one patient" in rows[0].reason


@pytest.mark.parametrize("uid", ["0", "0.0", "1.2.x", ""])
def test_frame_of_reference_of_nothing(series, uid):
    def change(data):
        data.FrameOfReferenceUID = uid

    series.edit_all(change)
    loaded = load_series(series.folder)
    assert loaded.volume.geometry.frame_of_reference_uid == ""
    assert any("no frame of reference" in text for text in loaded.warnings)


POSES = {
    "HFS": ((1, 0, 0), (0, 1, 0)),
    "HFP": ((-1, 0, 0), (0, -1, 0)),
    "HFDR": ((0, -1, 0), (1, 0, 0)),
    "HFDL": ((0, 1, 0), (-1, 0, 0)),
    "FFS": ((-1, 0, 0), (0, 1, 0)),
    "FFP": ((1, 0, 0), (0, -1, 0)),
    "FFDR": ((0, 1, 0), (1, 0, 0)),
    "FFDL": ((0, -1, 0), (-1, 0, 0)),
}
"""Row and column directions in the patient of a picture taken in the gantry's own frame (PS3.3 C.7.3.1.1.2)."""


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize("upwards", [True, False])
def test_poses(tmp_path, good_once, another_series, pose, upwards):
    """A voxel lies where position and orientation put it (PS3.3 C.7.6.2.1.1), whatever the pose and the table's way."""
    across, down = (np.array(axis, dtype=float) for axis in POSES[pose])
    normal = np.cross(across, down)
    affine = np.eye(4)
    affine[:3, 0] = normal * 0.3 * (1 if upwards else -1)
    affine[:3, 1], affine[:3, 2], affine[:3, 3] = down * 0.5, across * 0.4, (7.0, -31.0, 55.0)
    written = another_series(tmp_path / "pose", hu=good_once.hu, affine=affine)
    volume = load_series(written.folder).volume
    assert np.linalg.det(volume.geometry.affine_lps[:3, [2, 1, 0]]) > 0
    for k, j, i in ((0, 0, 0), (11, 39, 31), (3, 20, 7)):
        place = (7.0, -31.0, 55.0) + k * affine[:3, 0] + j * affine[:3, 1] + i * affine[:3, 2]
        at = np.rint(volume.geometry.to_kji(place)).astype(int)
        np.testing.assert_allclose(volume.geometry.to_lps(at), place, atol=1e-6)
        assert volume.values[tuple(at)] == written.hu[k, j, i]
