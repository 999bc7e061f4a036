"""`series`: what a folder, ZIP, DICOMDIR or research file holds, one row a series, and which one `plan` would take."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ctmeasure.progress import Progress, no_progress

if TYPE_CHECKING:
    from ctmeasure.io.dicom.find import SeriesRow
    from ctmeasure.io.dicom.identity import Identity


@dataclass(frozen=True)
class Listing:
    """The rows of a path, what was skipped, what `plan` would take and why; identities only when asked for."""

    rows: tuple[SeriesRow, ...]
    notes: tuple[str, ...]
    taken: str
    because: str
    identities: dict[str, Identity]


def list_scan(
    path: Path, *, side: str | None = None, identity: bool = False, progress: Progress = no_progress
) -> Listing:
    """Look at a path, headers only.

    Parameters
    ----------
    path
        Folder, ZIP, DICOMDIR or file.
    side
        The ear it is for; may change which series would be taken.
    identity
        Whether to read the patient's data too, for showing them now and nowhere else.
    progress
        Listener; may cancel.

    Returns
    -------
    Listing

    Raises
    ------
    ctmeasure.errors.ScanError
        When there is nothing to read.
    """
    from ctmeasure.errors import ScanError
    from ctmeasure.io.dicom.choose import choose
    from ctmeasure.io.dicom.find import survey
    from ctmeasure.io.dicom.identity import identity_of
    from ctmeasure.io.research import is_research_file, list_research

    if is_research_file(path):
        rows = tuple(list_research(path))
        return Listing(rows, (), "", "one volume; give its side with --side", {})
    everything = survey(path, progress=progress)
    try:
        found, because = choose(everything, side=side)
        taken = found.row.selector
    except ScanError as error:
        taken, because = "", str(error)
    identities: dict[str, Identity] = {}
    for found in everything.series if identity else ():
        identities[found.row.selector] = identity_of(found.headers[0].source)
    return Listing(tuple(found.row for found in everything.series), everything.notes, taken, because, identities)


def listing_as_json(listing: Listing) -> str:
    """The listing as one JSON object.

    Raises
    ------
    Nothing.
    """
    from ctmeasure.io.dicom.choose import RULES

    rows = []
    for row in listing.rows:
        record = row.to_dict()
        if row.selector in listing.identities:
            record["identity"] = listing.identities[row.selector].to_dict()
        rows.append(record)
    content = {
        "series": rows,
        "notes": list(listing.notes),
        "would_take": listing.taken,
        "because": listing.because,
        "rules": list(RULES),
    }
    return json.dumps(content, ensure_ascii=False, allow_nan=False)


def listing_as_text(listing: Listing) -> str:
    """The listing as a table for people.

    Raises
    ------
    Nothing.
    """
    from ctmeasure.io.dicom.choose import RULES

    lines = []
    for row in listing.rows:
        lines += _row_lines(row)
        if row.selector in listing.identities:
            lines.append(f"    patient: {listing.identities[row.selector].words}")
    lines += [f"skipped: {note}" for note in listing.notes]
    lines.append(f"plan takes {listing.taken}: {listing.because}" if listing.taken else f"plan: {listing.because}")
    if sum(row.usable for row in listing.rows) > 1:
        lines.append(f"    rules, in this order: {'; '.join(RULES)}. Take another with --series.")
    return "\n".join(lines)


def _row_lines(row: SeriesRow) -> list[str]:
    state = "usable" if row.usable else f"not usable: {row.reason}"
    if row.usable and row.reason:
        state = f"usable: {row.reason}"
    kernel = f"kernel {row.kernel}" if row.kernel else "kernel not stated"
    covered = f"{row.coverage_mm:.1f} mm covered" if row.coverage_mm is not None else "coverage not known"
    side = f"side {row.side_hint}" if row.side_hint else "side not stated"
    head = (row.description or "(no description)", row.kind, _grid_words(row), covered, side, kernel, state)
    lines = ["   ".join(head)]
    if row.selector:
        lines.append(f"    {row.selector}")
    return lines + [f"    {warning}" for warning in row.warnings]


def _grid_words(row: SeriesRow) -> str:
    """Matrix and spacing, as far as they are known."""
    words = f"{row.columns} x {row.rows} x {row.slices}"
    if row.spacing_mm is None or row.slice_spacing_mm is None:
        return words
    down, right = row.spacing_mm
    return f"{words}, {right:.2f} x {down:.2f} x {row.slice_spacing_mm:.2f} mm"
