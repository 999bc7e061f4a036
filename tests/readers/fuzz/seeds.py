"""Write the seeds anew: small whole files of each kind. Run: ``python tests/readers/fuzz/seeds.py``."""

from __future__ import annotations

import shutil
import sys
import tempfile
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))  # the corpus is a package of its own

import numpy as np
from corpus.archives import directory
from corpus.edits import compress
from corpus.good import Series, write_good
from pydicom import dcmread, dcmwrite
from pydicom.dataset import Dataset, FileDataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

SEEDS = Path(__file__).parent / "seeds"


def slices(series: Series, folder: Path) -> None:
    """Slice 2 in every encoding."""
    target = folder / "one"
    for name, syntax in (
        ("explicit", None),
        ("implicit", ImplicitVRLittleEndian),
        ("big", ExplicitVRBigEndian),
        ("deflated", DeflatedExplicitVRLittleEndian),
    ):
        data = dcmread(series.path(2))
        if syntax is not None:
            data.file_meta.TransferSyntaxUID = syntax
        if syntax == ExplicitVRBigEndian:
            big = np.frombuffer(data.PixelData, "<i2").astype(">i2").tobytes()
            fresh = FileDataset("", {}, file_meta=data.file_meta, preamble=bytes(128))
            fresh.update(data)
            fresh.PixelData = big
            dcmwrite(target, fresh, implicit_vr=False, little_endian=False)
        else:
            data.save_as(target, implicit_vr=syntax == ImplicitVRLittleEndian, little_endian=True)
        keep(f"slice_{name}", 0, target.read_bytes())
    for name, syntax in (("rle", RLELossless), ("jpegls", JPEGLSLossless), ("jpeg2000", JPEG2000Lossless)):
        shutil.copy(series.path(2), target)
        compress(target, syntax)
        keep(f"slice_{name}", 0, target.read_bytes())


def enhanced(series: Series, folder: Path) -> None:
    """The series as one Enhanced CT object of its own series UID (PS3.3 A.38)."""
    data = dcmread(series.path(0))
    data.SOPClassUID = data.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    data.SeriesInstanceUID = "2.25.77.8"
    measures, orientation, rescale = Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, orientation.ImageOrientationPatient = data.PixelSpacing, data.ImageOrientationPatient
    rescale.RescaleSlope, rescale.RescaleIntercept, rescale.RescaleType = 1, -24, "HU"
    shared = Dataset()
    shared.PixelMeasuresSequence, shared.PlaneOrientationSequence = Sequence([measures]), Sequence([orientation])
    shared.PixelValueTransformationSequence = Sequence([rescale])
    frames, pixels = [], b""
    for k in range(len(series.hu)):
        one = dcmread(series.path(k))
        frame, position = Dataset(), Dataset()
        position.ImagePositionPatient = one.ImagePositionPatient
        frame.PlanePositionSequence = Sequence([position])
        frames.append(frame)
        pixels += one.PixelData
    data.SharedFunctionalGroupsSequence = Sequence([shared])
    data.PerFrameFunctionalGroupsSequence = Sequence(frames)
    data.NumberOfFrames, data.PixelData = len(frames), pixels
    data.save_as(folder / "one")
    keep("slice_enhanced", 0, (folder / "one").read_bytes())


def containers(series: Series, folder: Path) -> None:
    """A ZIP of the series, a DICOMDIR that names its files."""
    with zipfile.ZipFile(folder / "zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for k in range(len(series.hu)):
            archive.write(series.path(k), f"a{k}")
    keep("zip", 1, (folder / "zip").read_bytes())
    keep("dicomdir", 2, directory(series, [[f"IM{k:03d}"] for k in range(len(series.hu))]).read_bytes())


def research(series: Series, folder: Path) -> None:
    """NIfTI, NRRD and MetaImage by libraries that are not ours."""
    import nibabel
    import SimpleITK as sitk

    nibabel.save(nibabel.Nifti1Image(series.hu.T.copy(), np.diag([0.4, 0.5, 0.3, 1.0])), folder / "a.nii")
    keep("nifti", 3, (folder / "a.nii").read_bytes())
    image = sitk.GetImageFromArray(series.hu)
    image.SetSpacing((0.4, 0.5, 0.3))
    for number, suffix in ((4, "nrrd"), (5, "mha")):
        sitk.WriteImage(image, str(folder / f"a.{suffix}"))
        keep(suffix, number, (folder / f"a.{suffix}").read_bytes())


def keep(name: str, way: int, data: bytes) -> None:
    """Store one seed: the way, then the bytes."""
    SEEDS.mkdir(exist_ok=True)
    (SEEDS / name).write_bytes(bytes([way]) + data)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        good = write_good(Path(name) / "series", 4, 8, 8)
        for make in (slices, enhanced, containers, research):
            make(good, Path(name))
    print(len(list(SEEDS.iterdir())), "seeds,", sum(path.stat().st_size for path in SEEDS.iterdir()), "bytes")
