"""One ear cut out on the way in: every voxel where it was, fewer slices read."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom import dcmread

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import Crop, load_series


def place_of(series, index_kji):
    return series.affine_lps[:3, :3] @ np.asarray(index_kji, float) + series.affine_lps[:3, 3]


def test_each_voxel_is_where_it_was(series):
    centre = (6.0, 20.0, 10.0)
    loaded = load_series(series.folder, crop=Crop([place_of(series, centre)], margin_mm=1.1))
    volume = loaded.volume
    # 1.1 mm is 3.67 slices of 0.3 mm, 2.2 rows of 0.5 mm and 2.75 columns of 0.4 mm; whole voxels around that
    assert volume.geometry.shape_kji == (9, 7, 7)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in volume.geometry.shape_kji), indexing="ij"), axis=-1)
    whole = np.rint(
        (volume.geometry.to_lps(index.astype(float)) - series.affine_lps[:3, 3])
        @ np.linalg.inv(series.affine_lps[:3, :3]).T
    ).astype(int)
    np.testing.assert_array_equal(volume.values, series.hu[tuple(np.moveaxis(whole, -1, 0))])
    assert any("12 x 40 x 32" in warning for warning in loaded.warnings)
    assert volume.source.content_hash == ""


def test_slices_outside_are_not_read(series):
    """A slice far from the ear whose pixels cannot be decoded does not matter to it."""
    for k in range(12):
        data = dcmread(series.path(k))
        data.compress("1.2.840.10008.1.2.4.80")
        if k == 11:
            data.PixelData = data.PixelData[:12] + bytes(len(data.PixelData) - 12)
        data.save_as(series.path(k))
    with pytest.raises(ScanError, match="decoded"):
        load_series(series.folder)
    block = load_series(series.folder, crop=Crop([place_of(series, (1, 20, 10))], margin_mm=0.5)).volume
    assert block.geometry.shape_kji[0] <= 5


def test_a_margin_beyond_the_scan_gives_all_of_it(series):
    block = load_series(series.folder, crop=Crop([place_of(series, (6, 20, 10))], margin_mm=500.0)).volume
    np.testing.assert_array_equal(block.values, series.hu)


def test_a_tilted_scan(series):
    """Each slice shifted by 0.15 mm along its columns' direction: half as much as the step, so 26.57 degrees."""
    down = series.affine_lps[:3, 1] / 0.5

    def tilt(data):
        shift = 0.15 * (data.InstanceNumber - 1) * down
        data.ImagePositionPatient = [
            round(float(x) + s, 6) for x, s in zip(data.ImagePositionPatient, shift, strict=True)
        ]

    series.edit_all(tilt)
    whole = load_series(series.folder, untilt=True).volume
    centre = place_of(series, (6, 20, 10))
    block = load_series(series.folder, untilt=True, crop=Crop([centre], margin_mm=1.5)).volume
    index = np.stack(np.meshgrid(*(np.arange(n) for n in block.geometry.shape_kji), indexing="ij"), axis=-1)
    places = block.geometry.to_lps(index.astype(float))
    inside = whole.geometry.to_kji(places)
    assert block.values.size > 100
    np.testing.assert_allclose(inside[..., 0], np.rint(inside[..., 0]), atol=1e-4)
    # Rows of both grids may start a part of a row apart, so values are compared where they are linear along rows.
    k, j, i = np.rint(inside[..., 0]).astype(int), inside[..., 1], np.rint(inside[..., 2]).astype(int)
    low = np.floor(j).astype(int)
    share = j - low
    expected = whole.values[k, low, i] * (1 - share) + whole.values[k, low + 1, i] * share
    assert np.abs(block.values[:, 1:-1] - expected[:, 1:-1]).max() <= 6


@pytest.mark.parametrize("points", [[], [[1.0, 2.0]], [[np.nan, 0, 0]]])
def test_points_that_are_none(points):
    with pytest.raises(ScanError, match="crop"):
        Crop(points)


def test_points_outside_the_scan(series):
    with pytest.raises(ScanError, match="outside"):
        load_series(series.folder, crop=Crop([[500.0, 0.0, 0.0]], margin_mm=5))
