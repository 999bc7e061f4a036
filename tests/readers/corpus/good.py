"""A small good CT series of invented content whose every voxel and place is known before it is written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom import dcmread
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

ROOT = "2.25.77"
SERIES_UID = f"{ROOT}.2"
SECRET = "Zzyxq"
"""Part of the invented patient's name: it must never be seen in a message."""


@dataclass
class Series:
    """Where a series lies, and what must be read from it."""

    folder: Path
    hu: np.ndarray
    affine_lps: np.ndarray

    def path(self, k: int) -> Path:
        """File of slice k, counted along the normal."""
        return self.folder / f"IM{k:03d}"

    def edit(self, k: int, change: Callable[[Dataset], Any]) -> None:
        """Change the header of slice k."""
        data = dcmread(self.path(k))
        change(data)
        data.save_as(self.path(k))

    def edit_all(self, change: Callable[[Dataset], Any]) -> None:
        """Change the header of every slice."""
        for k in range(len(self.hu)):
            self.edit(k, change)

    def place(self, k: float) -> np.ndarray:
        """Where the first voxel of slice k lies, LPS mm."""
        return self.affine_lps[:3, 3] + k * self.affine_lps[:3, 0]


def true_hu(slices: int = 12, rows: int = 40, columns: int = 32) -> np.ndarray:
    """An asymmetric pattern in which no two axes and no two directions look alike."""
    k, j, i = np.mgrid[0:slices, 0:rows, 0:columns]
    return (-1000 + 7 * i + 31 * j + 101 * k + (i * j) % 5).astype(np.int16)


def true_affine(step_mm: float = 0.3) -> np.ndarray:
    """An oblique head pose: cosines of a 20 degree turn about z, then 10 degrees about x, by hand."""
    a, b = np.deg2rad(20.0), np.deg2rad(10.0)
    across = np.array([np.cos(a), np.sin(a) * np.cos(b), np.sin(a) * np.sin(b)])
    down = np.array([-np.sin(a), np.cos(a) * np.cos(b), np.cos(a) * np.sin(b)])
    normal = np.cross(across, down)
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1], affine[:3, 2] = normal * step_mm, down * 0.5, across * 0.4
    affine[:3, 3] = (-12.5, 33.25, 101.0)
    return affine


def write(
    folder: Path,
    hu: np.ndarray,
    affine: np.ndarray,
    *,
    series: str = "2",
    patient: str = "SAMPLE-7",
    name: str | None = None,
) -> Series:
    """Write one uncompressed slice a file."""
    folder.mkdir(parents=True, exist_ok=True)
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    for k in range(len(hu)):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = f"{ROOT}.{series}.3.{k + 1}"
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        data.SOPClassUID, data.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        data.StudyInstanceUID, data.SeriesInstanceUID = f"{ROOT}.1", f"{ROOT}.{series}"
        data.FrameOfReferenceUID = f"{ROOT}.4"
        data.Modality, data.ImageType = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"]
        data.PatientID, data.PatientName = patient, patient if name is None else name
        data.PatientBirthDate = data.PatientSex = data.StudyTime = data.AccessionNumber = ""
        data.StudyDate, data.StudyID, data.SeriesNumber = "20300102", "1", 1
        data.SeriesDescription, data.ConvolutionKernel = "ear", "sharp"
        data.AcquisitionNumber, data.InstanceNumber, data.SliceThickness = 1, k + 1, float(spacing[0])
        data.PatientPosition = "FFP"  # a lie: never to be believed
        data.ImagePositionPatient = [f"{value:.9f}"[:16] for value in affine[:3, 3] + k * affine[:3, 0]]
        cosines = np.concatenate([affine[:3, 2] / spacing[2], affine[:3, 1] / spacing[1]])
        data.ImageOrientationPatient = [f"{value:.12f}"[:16] for value in cosines]
        data.PixelSpacing = [float(spacing[1]), float(spacing[2])]
        data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
        data.Rows, data.Columns = hu.shape[1:]
        data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 1
        data.RescaleIntercept, data.RescaleSlope, data.RescaleType = -24, 1, "HU"
        data.PixelData = (hu[k] + 24).astype("<i2").tobytes()
        data.save_as(folder / f"IM{k:03d}", enforce_file_format=True)
    return Series(folder, hu, affine)


def write_good(folder: Path, slices: int = 24, rows: int = 20, columns: int = 16) -> Series:
    """The series that is damaged: 24 x 20 x 16 voxels, of a patient whose name must stay unseen."""
    return write(folder, true_hu(slices, rows, columns), true_affine(), name=f"{SECRET}^Invented")
