"""Compressed folders decoded in threads outside pydicom: the same voxels as it gives, or its own way."""

from __future__ import annotations

import shutil
import subprocess
import time

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.encaps import encapsulate, get_frame
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, JPEGLSLossless, RLELossless

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import load_series, pixels, unlocked


@pytest.fixture(autouse=True)
def already_worth_it(monkeypatch):
    monkeypatch.setattr(unlocked, "WORTH_SLICES", 4)


@pytest.fixture
def by_threads(monkeypatch):
    """Slices that were decoded in threads, by their numbers."""
    done = []
    real = pixels.stored_unlocked

    def counted(header):
        values = real(header)
        done.append(header.instance)
        return values

    monkeypatch.setattr(pixels, "stored_unlocked", counted)
    return done


def compress(series, syntax):
    for k in range(12):
        data = dcmread(series.path(k))
        data.compress(syntax)
        data.save_as(series.path(k))


def as_unsigned_12_bit(series):
    """As most scanners write: 12 of 16 bits, unsigned, intercept -1024."""

    def change(data):
        stored = np.clip(series.hu[data.InstanceNumber - 1].astype(int) + 1024, 0, 4095)
        data.PixelData = stored.astype("<u2").tobytes()
        data.BitsStored, data.HighBit, data.PixelRepresentation, data.RescaleIntercept = 12, 11, 0, -1024

    series.edit_all(change)
    return np.clip(series.hu, -1024, 3071)


@pytest.mark.parametrize("syntax", [JPEGLSLossless, JPEG2000Lossless])
@pytest.mark.parametrize("unsigned", [False, True])
def test_same_voxels_and_hash(series, by_threads, syntax, unsigned):
    hu = as_unsigned_12_bit(series) if unsigned else series.hu
    before = load_series(series.folder).volume
    assert not by_threads
    compress(series, syntax)
    after = load_series(series.folder).volume
    assert sorted(by_threads) == list(range(1, 13))
    np.testing.assert_array_equal(after.values, hu)
    assert after.values.dtype == np.int16
    assert after.source.content_hash == before.source.content_hash


@pytest.mark.skipif(shutil.which("dcmcjpeg") is None, reason="dcmtk is not installed")
@pytest.mark.parametrize("option", ["+e1", "+el"])
@pytest.mark.parametrize("unsigned", [False, True])
def test_jpeg_lossless_by_dcmtk(series, by_threads, option, unsigned):
    hu = as_unsigned_12_bit(series) if unsigned else series.hu
    for k in range(12):
        subprocess.run(["dcmcjpeg", option, series.path(k), series.path(k)], check=True)
    assert dcmread(series.path(0)).file_meta.TransferSyntaxUID != ExplicitVRLittleEndian
    np.testing.assert_array_equal(load_series(series.folder).volume.values, hu)
    assert sorted(by_threads) == list(range(1, 13))


def test_a_cut_slice_is_named(series):
    compress(series, JPEGLSLossless)
    data = series.path(4).read_bytes()
    series.path(4).write_bytes(data[: len(data) - 300])
    with pytest.raises(ScanError, match=r"slice 5 .*decoded") as refused:
        load_series(series.folder)
    assert str(series.folder) not in str(refused.value)


@pytest.mark.parametrize("share", [0.25, 0.6, 0.93])
@pytest.mark.parametrize("marker", [b"", b"\xff\xd9"])
def test_a_cut_picture_in_a_whole_file_is_named_at_once(series, share, marker):
    """A frame cut before it was wrapped up; with a marker pasted on its end the decoder has to notice."""
    compress(series, JPEGLSLossless)
    data = dcmread(series.path(4))
    picture = get_frame(data.PixelData, 0, number_of_frames=1)
    data.PixelData = encapsulate([picture[: int(share * len(picture))] + marker])
    data["PixelData"].VR = "OB"
    data.save_as(series.path(4))
    start = time.monotonic()
    with pytest.raises(ScanError, match=r"slice 5 .*decoded"):
        load_series(series.folder)
    assert time.monotonic() - start < 10.0


def test_rle_and_rescale_by_halves_go_the_other_way(series, by_threads):
    compress(series, RLELossless)
    np.testing.assert_array_equal(load_series(series.folder).volume.values, series.hu)
    compress_again = [dcmread(series.path(k)) for k in range(12)]
    for k, data in enumerate(compress_again):
        data.decompress()
        data.RescaleSlope = 0.5
        data.compress(JPEGLSLossless)
        data.save_as(series.path(k))
    np.testing.assert_allclose(load_series(series.folder).volume.values, (series.hu + 24) * 0.5 - 24)
    assert not by_threads


def test_when_the_two_disagree_pydicom_is_believed(series, by_threads, monkeypatch):
    compress(series, JPEGLSLossless)
    real = unlocked.stored_unlocked
    monkeypatch.setattr(unlocked, "stored_unlocked", lambda header: real(header) + np.int16(1))
    np.testing.assert_array_equal(load_series(series.folder).volume.values, series.hu)
    assert not by_threads


def test_each_format_of_a_series_is_compared(series, monkeypatch):
    """Slices with their own intercepts are formats of their own: five of them are too many to compare."""
    compress(series, JPEGLSLossless)
    compared = []
    real = unlocked.stored_unlocked
    monkeypatch.setattr(unlocked, "stored_unlocked", lambda header: compared.append(header.instance) or real(header))
    series.edit(2, lambda data: setattr(data, "RescaleIntercept", -30))
    hu = series.hu.copy()
    hu[2] -= 6
    np.testing.assert_array_equal(load_series(series.folder).volume.values, hu)
    assert len(compared) == 2
    assert 3 in compared
    series.edit_all(lambda data: setattr(data, "RescaleIntercept", -24 - int(data.InstanceNumber)))
    compared.clear()
    np.testing.assert_array_equal(
        load_series(series.folder).volume.values, series.hu - np.arange(1, 13, dtype=np.int16)[:, None, None]
    )
    assert not compared
