"""Against programs that are not ours: pydicom's test pictures as stacks, gdcm and dcmtk as writers, a validator."""

from __future__ import annotations

import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pytest
from ctmeasure_samples import sample_path, samples
from pydicom import dcmread
from pydicom.data import get_testdata_files
from pydicom.uid import CTImageStorage, ExplicitVRBigEndian

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom import load_series

PICTURES = sorted(Path(name) for name in get_testdata_files() if "dicomdirtests" not in name)
"""Files inside the installed package only; nothing is downloaded."""


def stacked(path: Path, folder: Path) -> tuple[np.ndarray, bool] | None:
    """Make a stack of three CT slices of one picture, its coded pixels untouched.

    Returns
    -------
    tuple or None
        The stored values of the first frame by pydicom and whether they are one grey value a pixel; None when pydicom
        itself finds no picture.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = dcmread(path, force=True)
        if "PixelData" not in data or "TransferSyntaxUID" not in data.get("file_meta", {}):
            return None
        try:
            picture = data.pixel_array
        except Exception:
            return None
        grey = data.SamplesPerPixel == 1 and int(data.get("NumberOfFrames") or 1) == 1
        grey = grey and data.PhotometricInterpretation in ("MONOCHROME1", "MONOCHROME2")
        data.SOPClassUID = data.file_meta.MediaStorageSOPClassUID = CTImageStorage
        data.Modality, data.ImageType = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"]
        data.SeriesInstanceUID, data.StudyInstanceUID, data.FrameOfReferenceUID = "2.25.5", "2.25.6", "2.25.7"
        data.ImageOrientationPatient, data.PixelSpacing = [1, 0, 0, 0, 1, 0], [0.5, 0.25]
        data.RescaleSlope, data.RescaleIntercept, data.RescaleType = 1, 0, "US"
        for name in ("ModalityLUTSequence", "PixelPaddingValue", "PixelPaddingRangeLimit", "NumberOfFrames"):
            if name in data and (name != "NumberOfFrames" or grey):
                del data[name]
        for k in range(3):
            data.SOPInstanceUID = data.file_meta.MediaStorageSOPInstanceUID = f"2.25.8.{k}"
            data.ImagePositionPatient, data.InstanceNumber = [-7.5, 3.25, 0.75 * k], k + 1
            try:
                data.save_as(folder / f"{k}", enforce_file_format=True)
            except Exception:  # pydicom cannot write it again
                return None
    return picture, bool(grey)


@pytest.mark.parametrize("path", PICTURES, ids=lambda path: path.name)
def test_pydicom_pictures_as_a_stack(path: Path, tmp_path: Path) -> None:
    """Every coding of pydicom's test set: the values pydicom and SimpleITK read, or one line."""
    made = stacked(path, tmp_path)
    if made is None:
        pytest.skip("pydicom reads no picture here, or cannot write it again")
    picture, grey = made
    refusal = ""
    try:
        volume = load_series(tmp_path, hash_content=False).volume
    except ScanError as error:
        refusal = str(error)
    if refusal:
        assert "\n" not in refusal
        # A grey picture may only be refused for what it is, and by name.
        words = ("bits", "decoded", "short", "pixel data", "frames")
        assert not grey or any(word in refusal for word in words), refusal
        return
    assert grey, "a picture that is no single grey value a pixel was loaded"
    assert volume.values.shape == (3, *picture.shape)
    expected = np.broadcast_to(picture.astype(np.float64), volume.values.shape)
    np.testing.assert_array_equal(volume.values, expected.astype(volume.values.dtype))
    step, down, across, origin = volume.geometry.affine_lps[:3].T
    np.testing.assert_allclose([step, down, across], [[0, 0, 0.75], [0, 0.5, 0], [0.25, 0, 0]], atol=1e-9)
    np.testing.assert_allclose(origin, [-7.5, 3.25, 0], atol=1e-9)
    second = by_simpleitk(tmp_path / "1")
    # SimpleITK swaps only the halves of 32-bit big endian words; there pydicom stands alone.
    wide = picture.dtype.itemsize == 4 and dcmread(tmp_path / "1").file_meta.TransferSyntaxUID == ExplicitVRBigEndian
    if second is not None and not wide:
        theirs, place = second
        np.testing.assert_array_equal(volume.values[1], theirs)
        np.testing.assert_allclose(volume.geometry.to_lps((1, 0, 0)), place, atol=1e-6)


def by_simpleitk(path: Path) -> tuple[np.ndarray, tuple[float, ...]] | None:
    """Values and place by SimpleITK's own decoders; None when it does not read the file."""
    import SimpleITK as sitk

    try:
        image = sitk.ReadImage(str(path), imageIO="GDCMImageIO")
    except RuntimeError:
        return None
    return sitk.GetArrayFromImage(image)[0], image.GetOrigin()


def test_enough_pictures_are_compared(tmp_path: Path) -> None:
    """The comparison above must not die out by skipping."""
    compared = 0
    for number, path in enumerate(PICTURES):
        folder = tmp_path / str(number)
        folder.mkdir()
        try:
            compared += (stacked(path, folder) is not None) and load_series(folder, hash_content=False) is not None
        except ScanError:
            continue
        finally:
            shutil.rmtree(folder)
    assert compared >= 15


GDCM = ["JPEG2000Lossless", "JPEGLosslessProcess14", "JPEGLosslessProcess14_1", "JPEGLSLossless", "RLELossless",
        "ImplicitVRLittleEndian", "ExplicitVRBigEndian"]  # fmt: skip


@pytest.mark.parametrize("syntax", GDCM)
def test_written_by_gdcm(series, syntax: str) -> None:
    gdcm = pytest.importorskip("gdcm")
    true_hash = load_series(series.folder).volume.source.content_hash
    for k in range(12):
        name = str(series.path(k))
        reader, writer = gdcm.ImageReader(), gdcm.ImageWriter()
        reader.SetFileName(name)
        assert reader.Read()
        change = gdcm.ImageChangeTransferSyntax()
        change.SetTransferSyntax(gdcm.TransferSyntax(getattr(gdcm.TransferSyntax, syntax)))
        change.SetInput(reader.GetImage())
        assert change.Change()
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        writer.SetFileName(name)
        assert writer.Write()
    loaded = load_series(series.folder)
    np.testing.assert_array_equal(loaded.volume.values, series.hu)
    np.testing.assert_allclose(loaded.volume.geometry.affine_lps, series.affine_lps, atol=1e-6)
    assert loaded.volume.source.content_hash == true_hash


@pytest.mark.parametrize(
    "options", [["+g"], ["-g", "-e"], ["+p", "512", "64"], ["+ti", "+g"], ["+t=", "-e"]], ids="".join
)
def test_conventions_of_dcmtk(series, options: list[str]) -> None:
    """Group lengths in every group, sequences of undefined length, padding after the data set: all the same scan."""
    program = shutil.which("dcmconv")
    if program is None:
        pytest.skip("dcmconv (dcmtk) is not installed")
    for k in range(12):
        target = series.folder / "t"
        subprocess.run([program, *options, series.path(k), target], check=True, capture_output=True)
        target.replace(series.path(k))
    loaded = load_series(series.folder)
    assert loaded.warnings == ()
    np.testing.assert_array_equal(loaded.volume.values, series.hu)
    np.testing.assert_allclose(loaded.volume.geometry.affine_lps, series.affine_lps, atol=2e-8)


@pytest.mark.parametrize("name", list(samples()))
def test_dciodvfy_accepts_the_shipped_series(name: str) -> None:
    """Every slice follows the CT Image definition (PS3.3 A.3) by dicom3tools' validator: no error, no warning."""
    program = shutil.which("dciodvfy")
    if program is None:
        pytest.skip("dciodvfy (dicom3tools) is not installed")
    # US, unspecified, is a defined term of Rescale Type (PS3.3 C.11.1.1.2); the validator knows HU alone for CT.
    known = "Warning - Unrecognized defined term <US> for value 1 of attribute <Rescale Type>"
    complaints: dict[str, int] = {}
    for path in sorted((sample_path(name) / "dicom").iterdir())[::10]:
        said = subprocess.run([program, path], capture_output=True, text=True, check=False)
        for line in (said.stdout + said.stderr).splitlines():
            if line.startswith(("Error", "Warning")) and line != known:
                complaints[line] = complaints.get(line, 0) + 1
    assert not complaints, complaints
