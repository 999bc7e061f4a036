"""NIfTI, NRRD and MetaImage files as volumes: the one place that turns RAS worlds into LPS.

References: NIfTI-1.1 (nifti1.h, "3D image (volume) orientation and location in space": +x right, +y anterior, +z
superior; qform and sform codes; xyzt_units); NRRD format, section "orientation information" (space, space directions,
space origin); MetaIO (TransformMatrix, Offset, ElementSpacing, in LPS).
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import CtmeasureError, GeometryError, ScanError
from ctmeasure.progress import Progress, no_progress

if TYPE_CHECKING:
    from ctmeasure.io.dicom.find import SeriesRow
    from ctmeasure.io.dicom.load import LoadedSeries

SUFFIXES = {
    ".nii": "NIfTI",
    ".nii.gz": "NIfTI",
    ".nrrd": "NRRD",
    ".nhdr": "NRRD",
    ".mha": "MetaImage",
    ".mhd": "MetaImage",
}
"""File name endings, and what such a file is called."""

LPS_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
"""Transform from a world with +x right, +y anterior to LPS, and back (it is its own inverse)."""

MOST_VOXELS = 2**31
"""More voxels than this are a damaged header, not an ear (four gigabytes of 16-bit voxels)."""

SAME_PLACE_MM = 0.01
"""Two transforms in one file that put a corner further apart than this contradict each other."""

UNEQUAL_STEP = 1.02
"""Grid steps whose ratio is below this are alike: pixels are square, so the step that differs lies between slices."""

UNITS_MM = {"mm": 1.0, "meter": 1000.0, "micron": 0.001, "unknown": 1.0}
"""Millimetres in each unit of length NIfTI knows."""

FILE_KEYS = ("elementdatafile", "data file", "datafile")
"""Header keys of NRRD and MetaImage that name another file."""


def research_format(path: Path) -> str:
    """Name the research format of a file by its ending; empty for anything else.

    Example
    -------
    >>> research_format(Path("scan.nii.gz")), research_format(Path("scan.dcm"))
    ('NIfTI', '')
    """
    name = path.name.lower()
    return next((kind for suffix, kind in SUFFIXES.items() if name.endswith(suffix)), "")


def is_research_file(path: Path) -> bool:
    """Whether a path is a NIfTI, NRRD or MetaImage file that is there.

    Example
    -------
    >>> is_research_file(Path("nowhere.nii"))
    False
    """
    return bool(research_format(path)) and path.is_file()


def load_research(path: Path, *, side: str | None, progress: Progress = no_progress) -> LoadedSeries:
    """Load a research file as a volume in LPS.

    Parameters
    ----------
    path
        A NIfTI, NRRD or MetaImage file.
    side
        ``"left"`` or ``"right"``; must be given, since such a file carries neither laterality nor a check on it.
    progress
        Told as it goes; may stop it.

    Returns
    -------
    LoadedSeries
        The volume, without identifiers, kernel, date or any free text of the file.

    Raises
    ------
    ScanError
        When the side is missing, or the file is damaged, not three-dimensional, without a stated orientation, or
        contradicts itself.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    HU is not stated in these files: the unit is HU when air reads like air, else the values count as uncalibrated. The
    first array axis is made the one between slices: the header's slice axis, else the one step that differs from two
    equal ones, else the last axis stored.
    """
    from ctmeasure.io.dicom.load import LoadedSeries
    from ctmeasure.volume.calibration import scale_of
    from ctmeasure.volume.geometry import Geometry
    from ctmeasure.volume.volume import ScanSource, Volume

    kind = research_format(path)
    if side is None:
        raise ScanError(
            f"a {kind} file does not say which ear", expected="the side", action="give --side left or right"
        )
    progress(f"reading {kind}", 0.0)
    values, affine_lps, warnings = _opened(path, kind)
    progress(f"reading {kind}", 0.8)
    scale = scale_of(values, unit="HU")
    unit_said = (
        f"a {kind} file states no unit: taken as HU, since air reads {scale.air:.0f}"
        if scale.unit == "HU" and scale.air is not None
        else "values are not calibrated"
    )
    geometry = Geometry(values.shape, affine_lps)
    source = ScanSource(
        content_hash=_hash(values, affine_lps),
        spacing_mm=geometry.spacing_mm,
        description=f"{kind} file",
        intensity_unit=scale.unit,
    )
    said = (
        *warnings,
        unit_said,
        *scale.warnings,
        f"the side ({side}) was given by hand: a {kind} file holds nothing that could confirm it",
    )
    progress(f"reading {kind}", 1.0)
    row = _row(kind, values.shape, affine_lps, tuple(said))
    return LoadedSeries(Volume(geometry, values, source), row, tuple(said), f"the only volume of a {kind} file")


def list_research(path: Path) -> list[SeriesRow]:
    """Describe a research file as one row, as `list_series` does for DICOM.

    Parameters
    ----------
    path
        A NIfTI, NRRD or MetaImage file.

    Returns
    -------
    list of SeriesRow
        One row, usable or exactly why not.

    Raises
    ------
    OSError
        Never.
    """
    kind = research_format(path)
    try:
        values, affine_lps, warnings = _opened(path, kind)
    except CtmeasureError as error:
        return [_row(kind, (0, 0, 0), None, (), reason=str(error))]
    return [_row(kind, values.shape, affine_lps, (*warnings, "the side must be given with --side"))]


def _row(
    kind: str,
    shape: tuple[int, ...],
    affine_lps: NDArray[np.float64] | None,
    warnings: tuple[str, ...],
    *,
    reason: str = "",
) -> SeriesRow:
    from ctmeasure.io.dicom.find import SeriesRow

    k, j, i = (0.0, 0.0, 0.0) if affine_lps is None else np.linalg.norm(affine_lps[:3, :3], axis=0).tolist()
    return SeriesRow(
        series_uid="",
        study_uid="",
        description=f"{kind} file",
        modality="",
        kernel="",
        acquisition_date="",
        rows=shape[1],
        columns=shape[2],
        slices=shape[0],
        spacing_mm=None if affine_lps is None else (j, i),
        slice_spacing_mm=None if affine_lps is None else k,
        coverage_mm=None if affine_lps is None else k * shape[0],
        side_hint="",
        kind=kind,
        usable=not reason,
        reason=reason,
        warnings=warnings,
    )


Opened = tuple[NDArray[np.int16] | NDArray[np.float32], NDArray[np.float64], list[str]]


def _opened(path: Path, kind: str) -> Opened:
    warnings: list[str] = []
    try:
        stored, affine, slice_axis = (_nifti if kind == "NIfTI" else _itk)(path, kind, warnings)
    except CtmeasureError:
        raise
    except Exception as error:  # both libraries raise many kinds on damaged bytes, some with the path in their text
        raise ScanError(
            f"a {kind} file that cannot be read ({type(error).__name__})",
            expected="a whole file",
            action="copy it again",
        ) from error
    if not np.all(np.isfinite(affine)) or abs(np.linalg.det(affine[:3, :3])) < 1e-12:
        raise ScanError(f"a {kind} file whose axes span no volume", expected="three independent axes")
    order = _slices_first(affine, slice_axis)
    affine = affine[:, [*order, 3]]
    values = _compact(np.transpose(stored, order), warnings)
    from ctmeasure.volume.geometry import check_affine

    try:
        check_affine(affine)
    except GeometryError as error:
        raise ScanError(error.found, expected=error.expected, action=error.action) from error
    if min(values.shape) < 2:
        raise ScanError(
            f"a {kind} volume of {' x '.join(map(str, values.shape))}", expected="at least 2 along each axis"
        )
    return values, affine, warnings


def _slices_first(affine: NDArray[np.float64], slice_axis: int | None) -> tuple[int, int, int]:
    """Order the stored axes so that the one between slices comes first and the fastest one last."""
    steps = np.linalg.norm(affine[:3, :3], axis=0)
    if slice_axis is None:
        slice_axis = 2
        for axis in range(3):
            one, other = np.delete(steps, axis)
            if _alike(one, other) and not _alike(steps[axis], one):
                slice_axis = axis
    in_plane = [axis for axis in (2, 1, 0) if axis != slice_axis]
    return (slice_axis, in_plane[0], in_plane[1])


def _alike(one: float, other: float) -> bool:
    return max(one, other) <= UNEQUAL_STEP * min(one, other)


def _nifti(path: Path, kind: str, warnings: list[str]) -> tuple[NDArray[Any], NDArray[np.float64], int | None]:
    import nibabel

    image = nibabel.load(path)
    header = image.header
    shape = tuple(int(n) for n in image.shape)
    _check_shape(shape, kind)
    sform, sform_code = header.get_sform(coded=True)
    qform, qform_code = header.get_qform(coded=True)
    if not sform_code and not qform_code:
        raise ScanError(
            "a NIfTI file without an orientation (sform and qform codes 0)",
            expected="an affine that says where left is",
            action="convert the DICOM series again, or give the series itself",
        )
    if sform_code and qform_code:
        ends = np.array([[i, j, k, 1.0] for i in (0, shape[0]) for j in (0, shape[1]) for k in (0, shape[2])])
        apart = float(np.abs(ends @ (sform - qform).T).max())
        if not apart <= SAME_PLACE_MM:
            raise ScanError(
                f"a NIfTI file whose sform and qform put a corner {apart:.2f} mm apart",
                expected="one place",
                action="convert the DICOM series again",
            )
    unit = header.get_xyzt_units()[0]
    if unit != "mm":
        warnings.append(f"the NIfTI file's unit of length is {unit}: taken as {UNITS_MM[unit]:g} mm")
    affine_ras = np.asarray(sform if sform_code else qform, dtype=np.float64)
    scale = np.diag([UNITS_MM[unit]] * 3 + [1.0])
    stored = np.asanyarray(image.dataobj).reshape(shape[:3])
    return stored, LPS_RAS @ scale @ affine_ras, header.get_dim_info()[2]


def _itk(path: Path, kind: str, warnings: list[str]) -> tuple[NDArray[Any], NDArray[np.float64], int | None]:
    import SimpleITK as sitk

    head = _text_header(path)
    _check_named_file(head, kind)
    if kind == "NRRD" and not any(line.startswith("space:") for line in head):
        raise ScanError(
            "a NRRD file that does not name its space",
            expected="'space: left-posterior-superior' or another that says where left is",
            action="export it with its orientation",
        )
    if kind == "MetaImage" and not any(
        line.startswith(("transformmatrix", "orientation", "rotation")) for line in head
    ):
        warnings.append("the MetaImage file names no orientation: taken as axial, LPS")
    sitk.ProcessObject.SetGlobalWarningDisplay(False)
    reader = sitk.ImageFileReader()
    reader.SetFileName(str(path))
    reader.ReadImageInformation()
    _check_shape(tuple(reader.GetSize()), kind)
    if reader.GetNumberOfComponents() != 1:
        raise ScanError(f"a {kind} file of {reader.GetNumberOfComponents()} values a voxel", expected="one grey value")
    image = reader.Execute()
    if image.GetDimension() == 4:
        image = image[:, :, :, 0]
    affine = np.eye(4)
    affine[:3, :3] = np.array(image.GetDirection()).reshape(3, 3) * np.array(image.GetSpacing())
    affine[:3, 3] = image.GetOrigin()
    # SimpleITK gives arrays slowest axis first; here they are kept in the file's own order, x first.
    return sitk.GetArrayFromImage(image).transpose(2, 1, 0), affine, None


def _text_header(path: Path) -> list[str]:
    with path.open("rb") as stream:
        head = stream.read(64 * 1024)
    text = head.split(b"\n\n")[0].decode("latin-1").lower()
    return [line.strip() for line in text.splitlines()]


def _check_named_file(head: list[str], kind: str) -> None:
    """Refuse a header that names voxels in another folder: it must not open files of its choice."""
    for line in head:
        for key in FILE_KEYS:
            if line.startswith(key):
                name = line.removeprefix(key).lstrip(" :=").strip()
                if "/" in name or "\\" in name or ".." in name:
                    raise ScanError(
                        f"a {kind} header that names a file in another folder", expected="voxels beside the header"
                    )


def _check_shape(shape: tuple[int, ...], kind: str) -> None:
    if len(shape) not in (3, 4) or (len(shape) == 4 and shape[3] != 1):
        raise ScanError(f"a {kind} file of {' x '.join(map(str, shape))}", expected="one three-dimensional volume")
    count = 1
    for size in shape:
        count *= size
    if not 0 < count <= MOST_VOXELS:
        raise ScanError(f"a {kind} file of {count} voxels", expected=f"1 to {MOST_VOXELS}")


def _compact(stored: NDArray[Any], warnings: list[str]) -> NDArray[np.int16] | NDArray[np.float32]:
    """Keep whole numbers that fit as int16, everything else as float32; put air where there is no number."""
    if stored.dtype.kind not in "iuf":
        raise ScanError(f"voxels of type {stored.dtype}", expected="whole or floating-point grey values")
    if stored.dtype.kind == "f" and not np.all(finite := np.isfinite(stored)):
        lowest = float(stored[finite].min()) if finite.any() else 0.0
        warnings.append(f"{int((~finite).sum())} voxels without a number were set to the lowest value")
        stored = np.where(finite, stored, lowest)
    limits = np.iinfo(np.int16)
    whole = stored.dtype.kind in "iu" or bool(np.all(stored == np.rint(stored)))
    if whole and stored.min() >= limits.min and stored.max() <= limits.max:
        return np.ascontiguousarray(stored, dtype=np.int16)
    return np.ascontiguousarray(stored, dtype=np.float32)


def _hash(values: NDArray[Any], affine_lps: NDArray[np.float64]) -> str:
    """SHA-256 over shape, affine and values: a recompressed or renamed copy has the same hash."""
    total = hashlib.sha256(repr((values.shape, values.dtype.str)).encode())
    total.update((np.round(affine_lps, 6) + 0.0).astype("<f8").tobytes())
    total.update(values.astype(values.dtype.newbyteorder("<"), copy=False).data.cast("B"))
    return total.hexdigest()
