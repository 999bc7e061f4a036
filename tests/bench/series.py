"""Write the benchmark series: 512 x 512 x 400 signed 16-bit slices of 0.2 mm, smooth ear-like shapes and noise.

Run: ``python tests/bench/series.py FOLDER``. Everything in it is invented.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

SHAPE_KJI = (400, 512, 512)
SPACING_MM = (0.2, 0.25, 0.25)
ROOT = "2.25.1402"


def head_slice(k: int, shape_kji: tuple[int, int, int], rng: np.random.Generator) -> np.ndarray:
    """Give one slice in HU: air outside, soft tissue, a bone shell, a honeycomb of air cells, noise of 60 HU."""
    slices, rows, columns = shape_kji
    j, i = np.mgrid[0:rows, 0:columns].astype(np.float32)
    y, x = (j - rows / 2) / rows * 2, (i - columns / 2) / columns * 2
    z = (k - slices / 2) / slices * 2
    radius = np.sqrt(x * x + y * y + 0.3 * z * z)
    image = np.full((rows, columns), -1000.0, np.float32)
    image += 1040.0 / (1 + np.exp((radius - 0.9) * 80))
    image += 1400.0 / (1 + np.exp(np.minimum(np.abs(radius - 0.6) * 160 - 8, 60)))
    cells = np.sin(x * 40) * np.sin(y * 40) * np.sin(z * 40)
    image -= np.where(radius < 0.5, 1000.0 / (1 + np.exp((0.3 - cells) * 12)), 0.0).astype(np.float32)
    return np.rint(image + rng.normal(0.0, 60.0, image.shape)).clip(-1024, 3071).astype(np.int16)


def write_series(folder: Path, shape_kji: tuple[int, int, int] = SHAPE_KJI) -> list[Path]:
    """Write the series, one uncompressed slice a file, in file names that are not in slice order."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(1402)
    names = rng.permutation(shape_kji[0])
    paths = []
    for k in range(shape_kji[0]):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = f"{ROOT}.3.{k + 1}"
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        path = folder / f"{names[k]:04d}.dcm"
        slice_ = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
        slice_.SOPClassUID = CTImageStorage
        slice_.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
        slice_.StudyInstanceUID, slice_.SeriesInstanceUID = f"{ROOT}.1", f"{ROOT}.2"
        slice_.FrameOfReferenceUID = f"{ROOT}.4"
        slice_.Modality, slice_.ImageType = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"]
        slice_.PatientID = slice_.PatientName = "SAMPLE-BENCH"
        slice_.PatientBirthDate = slice_.PatientSex = slice_.StudyDate = slice_.StudyTime = ""
        slice_.SeriesDescription, slice_.ConvolutionKernel = "benchmark", "sharp"
        slice_.BodyPartExamined, slice_.KVP, slice_.AccessionNumber, slice_.StudyID = "SKULL", "120", "", ""
        slice_.SeriesNumber, slice_.AcquisitionNumber, slice_.InstanceNumber = 1, 1, k + 1
        slice_.SliceThickness = SPACING_MM[0]
        slice_.ImagePositionPatient = [-64.0, -64.0, round(-40.0 + SPACING_MM[0] * k, 4)]
        slice_.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
        slice_.PixelSpacing = list(SPACING_MM[1:])
        slice_.SamplesPerPixel, slice_.PhotometricInterpretation = 1, "MONOCHROME2"
        slice_.Rows, slice_.Columns = shape_kji[1:]
        slice_.BitsAllocated, slice_.BitsStored, slice_.HighBit, slice_.PixelRepresentation = 16, 16, 15, 1
        slice_.RescaleIntercept, slice_.RescaleSlope, slice_.RescaleType = 0, 1, "HU"
        slice_.PixelData = head_slice(k, shape_kji, rng).astype("<i2").tobytes()
        slice_.save_as(path, enforce_file_format=True)
        paths.append(path)
    return paths


if __name__ == "__main__":
    print(len(write_series(Path(sys.argv[1]))), "slices written")
