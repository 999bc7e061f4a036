"""`series`: what a folder, ZIP or DICOMDIR holds, one row a series."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from ctmeasure.progress import Progress, no_progress

if TYPE_CHECKING:
    from ctmeasure.io.dicom.find import SeriesRow


def series_as_json(path: Path, *, progress: Progress = no_progress) -> str:
    """The rows as one JSON object.

    Parameters
    ----------
    path
        Folder, ZIP, DICOMDIR or file.
    progress
        Listener; may cancel.

    Returns
    -------
    str

    Raises
    ------
    ctmeasure.errors.ScanError
        When there is nothing to read.
    """
    from ctmeasure.io.dicom.find import list_series

    rows = list_series(path, progress=progress)
    return json.dumps({"series": [asdict(row) for row in rows]}, ensure_ascii=False, allow_nan=False)


def series_as_text(path: Path, *, progress: Progress = no_progress) -> str:
    """The rows as a table for people.

    Parameters
    ----------
    path
        Folder, ZIP, DICOMDIR or file.
    progress
        Listener; may cancel.

    Returns
    -------
    str

    Raises
    ------
    ctmeasure.errors.ScanError
        When there is nothing to read.
    """
    from ctmeasure.io.dicom.find import list_series

    lines = []
    for row in list_series(path, progress=progress):
        state = "usable" if row.usable else f"not usable: {row.reason}"
        kernel = f"kernel {row.kernel}" if row.kernel else "kernel not stated"
        lines.append("   ".join((row.description or "(no description)", row.kind, _grid_words(row), kernel, state)))
        lines.append(f"    {row.series_uid}")
        lines.extend(f"    {warning}" for warning in row.warnings)
    return "\n".join(lines)


def _grid_words(row: SeriesRow) -> str:
    """Matrix and spacing, as far as they are known."""
    words = f"{row.columns} x {row.rows} x {row.slices}"
    if row.spacing_mm is None or row.slice_spacing_mm is None:
        return words
    down, right = row.spacing_mm
    return f"{words}, {right:.2f} x {down:.2f} x {row.slice_spacing_mm:.2f} mm"
