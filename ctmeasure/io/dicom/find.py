"""What a folder, ZIP or DICOMDIR holds: one row a series, usable or exactly why not. Headers only."""

from __future__ import annotations

from collections import defaultdict, deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.elements import Damaged, NotDicom
from ctmeasure.io.dicom.formats import check_format
from ctmeasure.io.dicom.headers import HEAD_BYTES, HeaderReader, SliceHeader
from ctmeasure.io.dicom.kinds import CT_LIKE, kind_of, side_hint
from ctmeasure.io.dicom.order import Arrangement, arrange
from ctmeasure.io.dicom.parts import taken_apart
from ctmeasure.io.dicom.sources import Source, find_sources
from ctmeasure.progress import Progress, no_progress

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
    part, parts
        Which part of a series that holds several acquisitions, from 1; both 0 for a whole series.
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
    part: int = 0
    parts: int = 0

    @property
    def selector(self) -> str:
        """What names this row on request: the series UID, with ``:2`` behind it for its second part."""
        return f"{self.series_uid}:{self.part}" if self.part else self.series_uid

    def to_dict(self) -> dict[str, Any]:
        """Give a JSON-ready record."""
        return {**asdict(self), "selector": self.selector}


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
        A folder (searched in full), a ZIP (read in place), a DICOMDIR, or one file; or a NIfTI, NRRD or MetaImage file.
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
    ctmeasure.errors.ScanError: nothing at the path given; expected a DICOM folder, file, ZIP or DICOMDIR; check it
    """
    from ctmeasure.io.research import is_research_file, list_research

    if is_research_file(Path(path)):
        return list_research(Path(path))
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
    series = [found for (_, kind), members in groups.items() for found in _found(kind, members)]
    series.sort(key=lambda found: _listed_by(found.row))
    return Survey(tuple(series), tuple(notes))


def _listed_by(row: SeriesRow) -> tuple[Any, ...]:
    return (not row.usable, row.description, row.series_uid, row.kind, row.part)


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


def _found(kind: str, headers: list[SliceHeader]) -> list[Found]:
    """Give a series as one row, or as one row a part when it holds several acquisitions."""
    error = _not_a_volume(kind, headers)
    if error is not None:
        return [_row(kind, headers, error)]
    whole = _checked(headers)
    if isinstance(whole, Arrangement):
        return [_row(kind, headers, whole)]
    parts = taken_apart(headers)
    if not parts:
        return [_row(kind, headers, whole)]
    found = []
    for number, (members, order) in enumerate(parts, start=1):
        part = _row(kind, members, _formats(order))
        said = f"part {number} of {len(parts)} of a series that is no single stack ({whole.found})"
        row = replace(part.row, part=number, parts=len(parts), warnings=(said, *part.row.warnings))
        found.append(replace(part, row=row))
    return found


def _not_a_volume(kind: str, headers: list[SliceHeader]) -> ScanError | None:
    modality = headers[0].common.modality
    if kind not in CT_LIKE.values():
        return ScanError(f"{kind}, not a CT volume", expected="CT slices")
    if modality not in ("CT", "", "XA", "DX", "PX", "IO"):
        return ScanError(f"modality {modality}", expected="CT")
    return None


def _checked(headers: list[SliceHeader]) -> Arrangement | ScanError:
    try:
        return _formats(arrange(headers))
    except ScanError as error:
        return error


def _formats(order: Arrangement | ScanError) -> Arrangement | ScanError:
    try:
        for header in order.headers if isinstance(order, Arrangement) else ():
            check_format(header)
    except ScanError as error:
        return error
    return order


def _row(kind: str, headers: list[SliceHeader], outcome: Arrangement | ScanError) -> Found:
    common = headers[0].common
    arrangement = outcome if isinstance(outcome, Arrangement) else None
    error = outcome if isinstance(outcome, ScanError) else None
    distance = coverage = None
    reason = "" if error is None else str(error)
    if arrangement is not None:
        shape = arrangement.shape_kji
        normal = np.cross(arrangement.affine_lps[:3, 2], arrangement.affine_lps[:3, 1])
        distance = round(abs(float(arrangement.affine_lps[:3, 0] @ normal / np.linalg.norm(normal))), 6)
        coverage = round(distance * shape[0], 4)
        if arrangement.tilt_deg > 0:
            reason = f"gantry tilt of {arrangement.tilt_deg:.2f} degrees; resample it with untilt"
    row = SeriesRow(
        series_uid=common.series_uid,
        study_uid=common.study_uid,
        description=common.shown_description,
        modality=common.modality,
        kernel=common.kernel,
        acquisition_date=common.date,
        rows=common.rows,
        columns=common.columns,
        slices=len(arrangement.headers) if arrangement else len(headers),
        spacing_mm=common.spacing_mm,
        slice_spacing_mm=distance,
        coverage_mm=coverage,
        side_hint=side_hint(common.laterality, common.description),
        kind=kind,
        usable=arrangement is not None,
        reason=reason,
        tilt_deg=round(arrangement.tilt_deg, 4) if arrangement else 0.0,
        warnings=arrangement.warnings if arrangement else (),
    )
    return Found(row, tuple(headers), arrangement, error)
