"""`series`: what a folder, ZIP or DICOMDIR holds, one row a series."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from ctmeasure.progress import Progress, no_progress


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

    rows = list_series(path, progress=progress)
    lines = []
    for row in rows:
        state = "usable" if row.usable else f"not usable: {row.reason}"
        words = (row.description or "(no description)", row.grid_words, row.kernel or "kernel not stated", state)
        lines.append("   ".join(words))
        lines.append(f"    {row.series_uid}")
    return "\n".join(lines)
