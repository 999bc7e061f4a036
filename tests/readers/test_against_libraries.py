"""The same series through SimpleITK and highdicom, and pydicom's test files: same voxels and place, or one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom import dcmread

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import list_series, load_series


def test_simpleitk_series_reader(good_once):
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(good_once.folder)))
    image = reader.Execute()
    ours = load_series(good_once.folder).volume
    np.testing.assert_array_equal(ours.values, sitk.GetArrayFromImage(image))
    rng = np.random.default_rng(1)
    for k, j, i in rng.uniform(0, (11, 39, 31), (60, 3)):
        np.testing.assert_allclose(
            ours.geometry.to_lps((k, j, i)), image.TransformContinuousIndexToPhysicalPoint((i, j, k)), atol=1e-6
        )


def test_highdicom_volume(good_once):
    from highdicom import get_volume_from_series

    slices = [dcmread(good_once.path(k)) for k in range(12)]
    theirs = get_volume_from_series(slices)
    ours = load_series(good_once.folder).volume
    # highdicom may run its slices the other way: compare by place, not by index.
    index = np.stack(np.meshgrid(*[np.arange(n) for n in ours.values.shape], indexing="ij"), axis=-1).reshape(-1, 3)
    there = theirs.map_reference_to_indices(ours.geometry.to_lps(index))
    np.testing.assert_allclose(there, np.rint(there), atol=1e-5)
    np.testing.assert_allclose(theirs.array[tuple(np.rint(there).astype(int).T)], ours.values.reshape(-1), atol=1e-3)


FILES = Path(pydicom.__file__).parent / "data" / "test_files"


@pytest.mark.parametrize("path", sorted(path for path in FILES.iterdir() if path.is_file()), ids=lambda path: path.name)
def test_pydicom_test_files(path):
    """Each file of pydicom's test set: rows that are usable load, everything else is refused in one line."""
    try:
        rows = list_series(path)
    except ScanError as error:
        rows, refusal = [], str(error)
        assert "\n" not in refusal
    for row in rows:
        assert row.usable or (row.reason and "\n" not in row.reason)
        if row.usable:
            volume = load_series(path, series_uid=row.series_uid, untilt=True).volume
            assert np.all(np.isfinite(volume.values))
            assert volume.values.shape[0] == row.slices


def test_pydicom_dicomdir_lists_what_its_folder_holds():
    """CT, MR, CR and a localiser are told apart, the stack with slices missing is refused, the whole one is usable."""
    by_directory = {
        (row.series_uid, row.kind, row.slices, row.usable, row.reason)
        for row in list_series(FILES / "dicomdirtests" / "DICOMDIR")
    }
    by_search = {
        (row.series_uid, row.kind, row.slices, row.usable, row.reason) for row in list_series(FILES / "dicomdirtests")
    }
    assert by_directory <= by_search
    kinds = {kind for _, kind, *_ in by_directory}
    assert {"CT image", "localiser", "MR image", "CR image"} <= kinds
    assert any("202.500 mm where the others are 1.250 mm" in reason for *_, reason in by_directory)
    assert [slices for _, _, slices, usable, _ in by_directory if usable] == [5]


def test_pydicom_ct_stack_against_simpleitk():
    import SimpleITK as sitk

    folder = FILES / "dicomdirtests" / "98892001" / "CT5N"
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    image = reader.Execute()
    ours = load_series(folder).volume
    np.testing.assert_array_equal(ours.values, sitk.GetArrayFromImage(image))
    for index in ((0, 0, 0), (4, 15, 15), (2.5, 1.0, 7.5)):
        np.testing.assert_allclose(
            ours.geometry.to_lps(index), image.TransformContinuousIndexToPhysicalPoint(index[::-1]), atol=1e-6
        )
