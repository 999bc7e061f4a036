"""The good series in every encoding a hospital may hand over: same voxels, same place, same content hash.

Independent writers where they are at hand: dcmtk's dcmcjpeg, dcmcjpls, dcmcrle, dcmconv and dcmmkdir.
"""

from __future__ import annotations

import shutil
import subprocess
import zipfile

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import load_series


def same(series, path=None):
    loaded = load_series(path or series.folder)
    np.testing.assert_array_equal(loaded.volume.values, series.hu)
    np.testing.assert_allclose(loaded.volume.geometry.affine_lps, series.affine_lps, atol=2e-8)
    return loaded


@pytest.fixture(scope="module")
def true_hash(good_once):
    return load_series(good_once.folder).volume.source.content_hash


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, DeflatedExplicitVRLittleEndian])
def test_uncompressed_syntaxes(series, true_hash, syntax):
    for k in range(12):
        data = dcmread(series.path(k))
        data.file_meta.TransferSyntaxUID = syntax
        data.save_as(series.path(k), implicit_vr=syntax == ImplicitVRLittleEndian, little_endian=True)
    assert same(series).volume.source.content_hash == true_hash


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless, JPEG2000Lossless])
def test_compressed_by_pydicom(series, true_hash, syntax):
    for k in range(12):
        data = dcmread(series.path(k))
        data.compress(syntax)
        data.save_as(series.path(k))
    loaded = same(series)
    assert loaded.volume.values.dtype == np.int16
    assert loaded.volume.source.content_hash == true_hash


@pytest.mark.parametrize(
    ("tool", "options"),
    [
        ("dcmcjpeg", ["+e1"]),
        ("dcmcjpeg", ["+el"]),
        ("dcmcjpls", []),
        ("dcmcrle", []),
        ("dcmconv", ["+tb"]),
        ("dcmconv", ["+ti"]),
        ("dcmconv", ["+td"]),
    ],
)
def test_written_by_dcmtk(series, true_hash, tool, options):
    program = shutil.which(tool)
    if program is None:
        pytest.skip(f"{tool} is not installed")
    for k in range(12):
        subprocess.run([program, *options, series.path(k), series.folder / "t"], check=True, capture_output=True)
        (series.folder / "t").replace(series.path(k))
    assert same(series).volume.source.content_hash == true_hash


def test_dicomdir(series, tmp_path):
    program = shutil.which("dcmmkdir")
    if program is None:
        pytest.skip("dcmmkdir is not installed")
    subprocess.run([program, "+r", "-Pgp", "-W", "+I", "+id", "."], check=True, capture_output=True, cwd=series.folder)
    same(series, series.folder / "DICOMDIR")
    same(series)
    for path in series.folder.glob("IM00[0-9]"):
        path.rename(path.with_name(path.name.lower()))
    same(series, series.folder / "DICOMDIR")
    (series.folder / "IM011").unlink()
    loaded = load_series(series.folder / "DICOMDIR")
    assert any("1 of 12 files the DICOMDIR names are missing" in text for text in loaded.warnings)


@pytest.mark.parametrize(
    ("allocated", "stored", "high", "signed"),
    [(16, 12, 11, False), (16, 12, 11, True), (16, 12, 13, True), (16, 13, 14, False), (16, 14, 15, True)],
)
def test_bits(series, allocated, stored, high, signed):
    """Values sit between two bit positions; what is written in the spare bits must not matter (PS3.5 8.1.1)."""
    rng = np.random.default_rng(3)
    shift = high - stored + 1
    values = rng.integers(0, 2**stored, series.hu.shape)
    truth = np.where(values >= 2 ** (stored - 1), values - 2**stored, values) if signed else values

    for k in range(12):

        def change(data, k=k):
            noise = rng.integers(0, 2**16, values[k].shape)
            mask = ((2**stored) - 1) << shift
            word = (noise & ~mask & 0xFFFF) | (values[k] << shift)
            data.BitsAllocated, data.BitsStored, data.HighBit = allocated, stored, high
            data.PixelRepresentation, data.RescaleIntercept = int(signed), -1024
            data.PixelData = word.astype("<u2").tobytes()

        series.edit(k, change)
    loaded = load_series(series.folder)
    assert loaded.volume.values.dtype == np.int16
    np.testing.assert_array_equal(loaded.volume.values, truth - 1024)


@pytest.mark.parametrize("signed", [False, True])
def test_eight_bits(series, signed):
    raw = np.random.default_rng(4).integers(0, 256, series.hu.shape).astype(np.uint8)

    for k in range(12):

        def change(data, k=k):
            data.BitsAllocated, data.BitsStored, data.HighBit = 8, 8, 7
            data.PixelRepresentation, data.RescaleIntercept = int(signed), -100
            data.PixelData = raw[k].tobytes()
            data["PixelData"].VR = "OB"

        series.edit(k, change)
    truth = raw.view(np.int8).astype(int) if signed else raw.astype(int)
    np.testing.assert_array_equal(load_series(series.folder).volume.values, truth - 100)


def test_thirty_two_bits(series):
    truth = np.random.default_rng(5).integers(-100000, 100000, series.hu.shape)

    for k in range(12):

        def change(data, k=k):
            data.BitsAllocated, data.BitsStored, data.HighBit, data.RescaleIntercept = 32, 32, 31, 0
            data.PixelData = truth[k].astype("<i4").tobytes()

        series.edit(k, change)
    values = load_series(series.folder).volume.values
    assert values.dtype == np.float32
    np.testing.assert_array_equal(values, truth)


@pytest.mark.parametrize("syntax", [JPEGLSLossless, RLELossless, JPEG2000Lossless])
def test_compressed_and_cut(series, syntax):
    data = dcmread(series.path(4))
    data.compress(syntax)
    data.save_as(series.path(4))
    whole = series.path(4).read_bytes()
    series.path(4).write_bytes(whole[: len(whole) - 300])
    with pytest.raises(ScanError, match="slice 5 cannot be decoded") as caught:
        load_series(series.folder)
    assert "\n" not in str(caught.value)


def test_wrong_syntax_claimed(series):
    data = dcmread(series.path(4))
    data.file_meta.TransferSyntaxUID = JPEGLSLossless
    raw = series.path(4).read_bytes().replace(ExplicitVRLittleEndian.encode(), b"1.2.840.10008.1.2.4.80"[:19])
    series.path(4).write_bytes(raw)
    with pytest.raises(ScanError):
        load_series(series.folder)


def enhanced(series, folder):
    """The same voxels as one Enhanced CT object, frames in scrambled order (PS3.3 A.38, C.7.6.16)."""
    data = dcmread(series.path(0))
    for name in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness",
                 "RescaleSlope", "RescaleIntercept", "RescaleType", "InstanceNumber"):  # fmt: skip
        delattr(data, name)
    one = dcmread(series.path(0))
    data.SOPClassUID = data.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    shared, measures, orientation, rescale = Dataset(), Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, measures.SliceThickness = one.PixelSpacing, one.SliceThickness
    orientation.ImageOrientationPatient = one.ImageOrientationPatient
    rescale.RescaleSlope, rescale.RescaleIntercept, rescale.RescaleType = 1, -24, "HU"
    shared.PixelMeasuresSequence = Sequence([measures])
    shared.PlaneOrientationSequence = Sequence([orientation])
    data.SharedFunctionalGroupsSequence = Sequence([shared])
    frames, pixels = [], []
    for k in np.random.default_rng(2).permutation(12):
        frame, position = Dataset(), Dataset()
        position.ImagePositionPatient = dcmread(series.path(k)).ImagePositionPatient
        frame.PlanePositionSequence = Sequence([position])
        frame.PixelValueTransformationSequence = Sequence([rescale])
        frames.append(frame)
        pixels.append((series.hu[k] + 24).astype("<i2").tobytes())
    data.PerFrameFunctionalGroupsSequence = Sequence(frames)
    data.NumberOfFrames, data.PixelData = 12, b"".join(pixels)
    folder.mkdir()
    data.save_as(folder / "one.dcm")
    return folder / "one.dcm"


@pytest.mark.parametrize("syntax", [None, RLELossless, JPEGLSLossless])
def test_enhanced_multi_frame(series, true_hash, tmp_path, syntax):
    path = enhanced(series, tmp_path / "enhanced")
    if syntax:
        data = dcmread(path)
        data.compress(syntax)
        data.save_as(path)
    loaded = same(series, path)
    assert loaded.row.kind == "enhanced CT"
    assert loaded.volume.source.content_hash == true_hash


@pytest.mark.parametrize("syntax", [None, JPEGLSLossless])
def test_enhanced_in_a_zip_is_unpacked_once(series, true_hash, tmp_path, syntax, monkeypatch):
    """However many frames a member holds: it is opened for its header, and unpacked for all its frames together."""
    path = enhanced(series, tmp_path / "enhanced")
    if syntax:
        data = dcmread(path)
        data.compress(syntax)
        data.save_as(path)
    with zipfile.ZipFile(tmp_path / "one.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(path, "one")
    monkeypatch.setattr("ctmeasure.io.dicom.sources.RATIO_MATTERS_BYTES", 1000)
    unpacked = []
    real = zipfile.ZipFile.read
    monkeypatch.setattr(zipfile.ZipFile, "read", lambda self, name: unpacked.append(name) or real(self, name))
    assert same(series, tmp_path / "one.zip").volume.source.content_hash == true_hash
    assert len(unpacked) == 1


def test_enhanced_frame_missing(series, tmp_path):
    path = enhanced(series, tmp_path / "enhanced")
    data = dcmread(path)
    data.NumberOfFrames = 13
    data.save_as(path)
    with pytest.raises(ScanError):
        load_series(path)
