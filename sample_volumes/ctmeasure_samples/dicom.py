"""Write a generated scan as a DICOM CT series: original identifiers of invented persons, JPEG-LS lossless."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.scanner import Grid


@dataclass(frozen=True, slots=True)
class SeriesIdentity:
    """Names and dates of an invented examination.

    Attributes
    ----------
    case
        Word all identifiers are derived from: same word, same identifiers.
    study
        Word of the examination, so that two examinations of one ear share the patient only.
    patient_id, patient_name
        Invented, recognisable as such.
    date
        YYYYMMDD.
    description
        Series description.
    """

    case: str
    study: str
    patient_id: str
    patient_name: str
    date: str
    description: str


def derived_uid(*words: str) -> str:
    """Unique identifier under the UUID root 2.25, derived from words (same words, same identifier).

    Example
    -------
    >>> derived_uid("a") == derived_uid("a"), derived_uid("a").startswith("2.25.")
    (True, True)
    """
    digest = hashlib.sha256("\x1f".join(("ctmeasure sample", *words)).encode()).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"


def _decimal(value: float) -> str:
    """Decimal string of at most 16 characters that keeps as many digits as fit."""
    for digits in range(14, 0, -1):
        text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
        if len(text) <= 16:
            return "0" if text in ("-0", "") else text
    raise ValueError(f"{value} does not fit a decimal string")


def write_series(
    values: np.ndarray,
    grid: Grid,
    folder: Path,
    *,
    identity: SeriesIdentity,
    scanner: ScannerParameters,
    compress: bool = True,
) -> list[Path]:
    """Write one file a slice.

    Parameters
    ----------
    values
        int16, shape of the grid.
    grid
        Where the voxels lie.
    folder
        Made when missing; files IM0001.dcm ...
    identity
        Names and dates.
    scanner
        Kernel name, slice step and calibration are taken from here.
    compress
        JPEG-LS lossless instead of plain little endian.

    Returns
    -------
    list of Path
        Files in slice order.

    Raises
    ------
    ValueError
        When a coordinate does not fit a DICOM decimal string.
    OSError
        When the folder cannot be written.

    Notes
    -----
    An uncalibrated scan has rescale type US (unspecified), slope 1 and intercept 0, as cone-beam devices write it.
    """
    from pydicom.uid import JPEGLSLossless

    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for k in range(grid.shape_kji[0]):
        data = _slice(values, k, grid, identity, scanner)
        if compress:
            data.compress(JPEGLSLossless, generate_instance_uid=False)
        path = folder / f"IM{k + 1:04d}.dcm"
        data.save_as(path, enforce_file_format=True)
        paths.append(path)
    return paths


def _slice(values: np.ndarray, k: int, grid: Grid, identity: SeriesIdentity, scanner: ScannerParameters):
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = CTImageStorage
    ds.file_meta.ImplementationClassUID = derived_uid("implementation")
    ds.file_meta.ImplementationVersionName = "CTMEASURE_SAMPLE"
    words = (identity.case, identity.study)
    ds.SOPClassUID = CTImageStorage
    ds.SOPInstanceUID = derived_uid(*words, "slice", str(k))
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.StudyInstanceUID = derived_uid(*words, "study")
    ds.SeriesInstanceUID = derived_uid(*words, "series")
    ds.FrameOfReferenceUID = derived_uid(*words, "frame of reference")
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["DERIVED", "PRIMARY", "AXIAL"]
    ds.DerivationDescription = "Synthetic: computed from shapes, no person"
    ds.Modality = "CT"
    ds.Manufacturer = "ctmeasure synthetic ear"
    ds.ManufacturerModelName = "synthetic"
    ds.PatientName = identity.patient_name
    ds.PatientID = identity.patient_id
    ds.PatientBirthDate = ""
    ds.PatientSex = "O"
    ds.PatientIdentityRemoved = "YES"
    ds.DeidentificationMethod = "synthetic image, no person"
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = identity.date
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = "120000"
    ds.AccessionNumber = ""
    ds.ReferringPhysicianName = ""
    ds.StudyID = "1"
    ds.StudyDescription = "Synthetic temporal bones"
    ds.SeriesDescription = identity.description
    ds.SeriesNumber = 1
    ds.AcquisitionNumber = 1
    ds.InstanceNumber = k + 1
    ds.BodyPartExamined = "HEAD"
    ds.PatientPosition = "HFS"
    ds.PositionReferenceIndicator = ""
    ds.KVP = "120" if scanner.calibrated else "90"
    ds.ConvolutionKernel = scanner.kernel
    _geometry(ds, k, grid, scanner)
    pixels = np.ascontiguousarray(values[k])
    ds.Rows, ds.Columns = pixels.shape
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.BitsAllocated = ds.BitsStored = 16
    ds.HighBit = 15
    ds.PixelRepresentation = 1
    ds.RescaleSlope = "1"
    ds.RescaleIntercept = "0"
    ds.RescaleType = "HU" if scanner.calibrated else "US"
    level, width = (700.0, 4000.0) if scanner.calibrated else (1500.0, 3200.0)
    ds.WindowCenter, ds.WindowWidth = _decimal(level), _decimal(width)
    ds.PixelData = pixels.astype("<i2").tobytes()
    return ds


def _geometry(ds, k: int, grid: Grid, scanner: ScannerParameters) -> None:
    spacing = grid.spacing_mm
    steps = grid.affine_lps[:3, :3] / spacing
    ds.ImageOrientationPatient = [_decimal(v) for v in (*steps[:, 2], *steps[:, 1])]
    ds.ImagePositionPatient = [_decimal(v) for v in grid.to_lps(np.array([k, 0, 0]))]
    ds.PixelSpacing = [_decimal(spacing[1]), _decimal(spacing[2])]
    ds.SliceThickness = _decimal(spacing[0])
    ds.SpacingBetweenSlices = _decimal(spacing[0])
    ds.SliceLocation = _decimal(float(k * spacing[0]))
