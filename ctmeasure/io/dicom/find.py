"""What a folder, ZIP or DICOMDIR holds: one row a series, usable or exactly why not. Headers only."""

from __future__ import annotations

import re
from collections import defaultdict, deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.uid import UID

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.headers import HEAD_BYTES, Damaged, HeaderReader, NotDicom, SliceHeader
from ctmeasure.io.dicom.order import Arrangement, arrange
from ctmeasure.io.dicom.pixels import check_format
from ctmeasure.io.dicom.sources import Source, find_sources
from ctmeasure.progress import Progress, no_progress

CT_LIKE = {
    "1.2.840.10008.5.1.4.1.1.2": "CT image",
    "1.2.840.10008.5.1.4.1.1.2.1": "enhanced CT",
    "1.2.840.10008.5.1.4.1.1.2.2": "legacy converted enhanced CT",
    "1.2.840.10008.5.1.4.1.1.13.1.2": "craniofacial cone beam",
}
"""SOP classes that can be a volume (PS3.4 B.5)."""

FILES_AT_ONCE = 32
"""Files a thread takes at a time."""

READ_AHEAD = 4
"""Threads that wait for slow disks, and pieces that are read before they are needed (4 MiB)."""


@dataclass(frozen=True)
class SeriesRow:
    """One series, without any identity.

    Parameters
    ----------
    series_uid, study_uid, description, modality, kernel, acquisition_date
        As stored; empty when missing.
    rows, columns, slices
        Size.
    spacing_mm
        Row and column spacing, or None.
    slice_spacing_mm
        Distance between slices from their positions, or None when they are no even stack.
    coverage_mm
        From the first to the last slice, with their thickness; None likewise.
    side_hint
        ``"left"``, ``"right"``, ``"both"`` or empty, from laterality and description (a hint, never proof).
    kind
        What it is: ``"CT image"``, ``"localiser"``, ``"secondary capture"``, ``"report"`` and so on.
    usable
        Whether it can be loaded as a volume.
    reason
        Why not, in one line.
    tilt_deg
        Gantry tilt found from positions.
    warnings
        Oddities of a usable series.
    """

    series_uid: str
    study_uid: str
    description: str
    modality: str
    kernel: str
    acquisition_date: str
    rows: int
    columns: int
    slices: int
    spacing_mm: tuple[float, float] | None
    slice_spacing_mm: float | None
    coverage_mm: float | None
    side_hint: str
    kind: str
    usable: bool
    reason: str
    tilt_deg: float = 0.0
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Give a JSON-ready record."""
        return asdict(self)


@dataclass(frozen=True)
class Found:
    """A series with its slices; `arrangement` is None when it is not usable."""

    row: SeriesRow
    headers: tuple[SliceHeader, ...]
    arrangement: Arrangement | None
    error: ScanError | None


@dataclass(frozen=True)
class Survey:
    """Everything found at a path, and sentences about what was skipped."""

    series: tuple[Found, ...]
    notes: tuple[str, ...]


def list_series(path: str | Path, *, progress: Progress = no_progress) -> list[SeriesRow]:
    """List the series at a path.

    Parameters
    ----------
    path
        A folder (searched in full), a ZIP (read in place), a DICOMDIR, or one file.
    progress
        Told as files are read.

    Returns
    -------
    list of SeriesRow
        Usable ones first, then by description and UID.

    Raises
    ------
    ScanError
        When there is nothing, or nothing that is DICOM.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    No patient name, identifier or birth date is kept; patients are told apart by a salted digest.

    Example
    -------
    >>> list_series("no such folder")
    Traceback (most recent call last):
        ...
    ctmeasure.errors.ScanError: nothing at the path given; expected a DICOM folder, file, ZIP or DICOMDIR
    """
    return [found.row for found in survey(path, progress=progress).series]


def survey(path: str | Path, *, progress: Progress = no_progress) -> Survey:
    """Search a path and order every series in it.

    Parameters
    ----------
    path, progress
        As for `list_series`.

    Returns
    -------
    Survey
        The series with their slices.

    Raises
    ------
    ScanError
        When there is nothing, or nothing that is DICOM.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    notes: list[str] = []
    sources = find_sources(Path(path), notes)
    headers, other = _read_headers(sources, notes, progress)
    if not headers:
        raise ScanError(
            f"no DICOM slice among {len(sources)} file(s)" + (f" ({'; '.join(notes)})" if notes else ""),
            expected="a DICOM series",
        )
    groups: dict[tuple[str, str], list[SliceHeader]] = defaultdict(list)
    for header in headers:
        groups[header.common.series_uid, kind_of(header)].append(header)
    if other:
        notes.append(f"{other} file(s) that are not DICOM were skipped")
    series = [_found(kind, members) for (_, kind), members in groups.items()]
    series.sort(key=lambda found: (not found.row.usable, found.row.description, found.row.series_uid, found.row.kind))
    return Survey(tuple(series), tuple(notes))


def _read_headers(sources: list[Source], notes: list[str], progress: Progress) -> tuple[list[SliceHeader], int]:
    reader = HeaderReader()

    def heads(start: int) -> list[bytes | None]:
        return [_head(source) for source in sources[start : start + FILES_AT_ONCE]]

    headers: list[SliceHeader] = []
    counts = {"other": 0, "damaged": 0, "unreadable": 0}

    def parse(source: Source, head: bytes | None) -> None:
        try:
            if head is None:
                counts["unreadable"] += 1
            else:
                headers.extend(reader.read(source, head))
        except NotDicom:
            counts["other"] += 1
        except Damaged:
            counts["damaged"] += 1
        except OSError:
            counts["unreadable"] += 1

    # Parsing holds the interpreter lock, so it stays on one thread; others wait for disks and network folders, a few
    # pieces ahead.
    with ThreadPoolExecutor(max_workers=READ_AHEAD, thread_name_prefix="ctmeasure-headers") as pool:
        ahead = deque(
            pool.submit(heads, n) for n in range(0, min(READ_AHEAD * FILES_AT_ONCE, len(sources)), FILES_AT_ONCE)
        )
        try:
            for start in range(0, len(sources), FILES_AT_ONCE):
                ready = ahead.popleft().result()
                if (after := start + READ_AHEAD * FILES_AT_ONCE) < len(sources):
                    ahead.append(pool.submit(heads, after))
                for source, head in zip(sources[start : start + FILES_AT_ONCE], ready, strict=True):
                    parse(source, head)
                done = min(start + FILES_AT_ONCE, len(sources))
                progress(f"reading header {done} of {len(sources)}", done / len(sources))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    for word, text in (("damaged", "damaged DICOM file(s)"), ("unreadable", "file(s) that could not be read")):
        if counts[word]:
            notes.append(f"{counts[word]} {text} skipped")
    return headers, counts["other"]


def _head(source: Source) -> bytes | None:
    try:
        return source.head(HEAD_BYTES)
    except OSError:
        return None


def kind_of(header: SliceHeader) -> str:
    """Say what kind of object a header belongs to.

    Parameters
    ----------
    header
        Any object's header.

    Returns
    -------
    str
        A word or two; the values of `CT_LIKE` and ``"localiser"`` among them.

    Raises
    ------
    ValueError
        Never.
    """
    common = header.common
    name = UID(common.sop_class_uid).name.lower()
    if common.sop_class_uid in CT_LIKE:
        words = {word.upper() for word in common.image_type}
        if words & {"LOCALIZER", "SCOUT", "TOPOGRAM"}:
            return "localiser"
        if "SCREEN SAVE" in words or common.samples != 1:
            return "secondary capture"
        return CT_LIKE[common.sop_class_uid]
    for word, kind in (
        ("secondary capture", "secondary capture"),
        ("radiation dose", "dose report"),
        (" sr", "report"),
        ("report", "report"),
        ("presentation state", "presentation state"),
        ("key object", "key object selection"),
        ("directory", "directory"),
        ("encapsulated", "document"),
        ("segmentation", "segmentation"),
        ("registration", "registration"),
    ):
        if word in name:
            return kind
    if not header.has_pixels:
        return "object without pixels"
    return f"{common.modality or 'unknown'} image"


def _found(kind: str, headers: list[SliceHeader]) -> Found:
    common = headers[0].common
    arrangement, error = None, None
    if kind not in CT_LIKE.values():
        error = ScanError(f"{kind}, not a CT volume", expected="CT slices")
    elif common.modality not in ("CT", "", "XA", "DX", "PX", "IO"):
        error = ScanError(f"modality {common.modality}", expected="CT")
    else:
        try:
            ordered = arrange(headers)
            for header in ordered.headers:
                check_format(header)
            arrangement = ordered
        except ScanError as caught:
            error = caught
    spacing = distance = coverage = None
    if arrangement is not None:
        shape = arrangement.shape_kji
        normal = np.cross(arrangement.affine_lps[:3, 2], arrangement.affine_lps[:3, 1])
        distance = round(abs(float(arrangement.affine_lps[:3, 0] @ normal / np.linalg.norm(normal))), 6)
        coverage = round(distance * shape[0], 4)
    spacing = common.spacing_mm
    row = SeriesRow(
        series_uid=common.series_uid,
        study_uid=common.study_uid,
        description=common.description,
        modality=common.modality,
        kernel=common.kernel,
        acquisition_date=common.date,
        rows=common.rows,
        columns=common.columns,
        slices=len(arrangement.headers) if arrangement else len(headers),
        spacing_mm=spacing,
        slice_spacing_mm=distance,
        coverage_mm=coverage,
        side_hint=side_hint(common.laterality, common.description),
        kind=kind,
        usable=arrangement is not None,
        reason="" if error is None else str(error),
        tilt_deg=round(arrangement.tilt_deg, 4) if arrangement else 0.0,
        warnings=arrangement.warnings if arrangement else (),
    )
    if arrangement is not None and arrangement.tilt_deg > 0:
        reason = f"gantry tilt of {arrangement.tilt_deg:.2f} degrees; resample it with untilt"
        row = SeriesRow(**{**asdict(row), "reason": reason, "warnings": row.warnings})
    return Found(row, tuple(headers), arrangement, error)


def side_hint(laterality: str, description: str) -> str:
    """Guess the side a series is meant for, from its tags.

    Parameters
    ----------
    laterality
        DICOM (Image) Laterality.
    description
        Series description.

    Returns
    -------
    str
        ``"left"``, ``"right"``, ``"both"`` or empty.

    Raises
    ------
    ValueError
        Never.

    Example
    -------
    >>> side_hint("", "temporal bone LT 0.3"), side_hint("B", "")
    ('left', 'both')
    """
    if laterality in ("L", "R", "B"):
        return {"L": "left", "R": "right", "B": "both"}[laterality]
    words = set(re.findall(r"[a-z]+", description.lower()))
    left, right = bool(words & {"left", "lt", "l"}), bool(words & {"right", "rt", "r"})
    if (left and right) or words & {"both", "bilateral"}:
        return "both"
    return "left" if left else "right" if right else ""
