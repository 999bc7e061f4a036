"""Write a whole output folder from a case."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Literal

from ctmeasure.case.document import stamped
from ctmeasure.case.model import Case, Picture
from ctmeasure.case.store import save_case
from ctmeasure.errors import OutputError
from ctmeasure.planning.cautions import CAUTIONS
from ctmeasure.planning.results import Attention
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.report.assemble import build_content
from ctmeasure.report.content import Content
from ctmeasure.report.html import render_html
from ctmeasure.report.pdf import render_pdf
from ctmeasure.report.pictures import key_pictures, stored_pictures
from ctmeasure.report.plan_json import plan_json
from ctmeasure.report.tables import csv_files
from ctmeasure.volume.reformat import PlaneSpec
from ctmeasure.volume.volume import Volume

FIGURES = "figures"
"""Folder of the pictures inside an output folder."""
STALE: Literal["stale picture"] = "stale picture"


def write_outputs(
    case: Case,
    *,
    volume: Volume | None,
    out_dir: Path,
    stored_dir: Path | None = None,
    specs: Mapping[str, PlaneSpec] | None = None,
    progress: Progress = no_progress,
) -> Case:
    """Write case, plan, tables, pictures and both reports into an existing folder.

    Parameters
    ----------
    case
        With results.
    volume
        The case's scan; None takes the stored key pictures.
    out_dir
        An existing, empty folder; the caller puts it in its place when everything is written.
    stored_dir
        The output folder (or its ``figures``) that holds the stored pictures; needed without a scan.
    specs
        Planes of the key pictures by key; None takes the usual ones.
    progress
        Listener; may cancel.

    Returns
    -------
    Case
        The case as saved: with its pictures, and with an ``attention`` entry for every stale or missing one.

    Raises
    ------
    OutputError
        When the case has no results or a file cannot be written.
    ctmeasure.errors.Cancelled
        When the listener stops it.

    Notes
    -----
    See `write_pictured`.
    """
    if case.results is None:
        raise OutputError("a case without results", expected="a case that was planned", action="run the plan")
    notes: list[str] = []
    if volume is not None:
        pictures = key_pictures(case, volume, specs, progress=part_of(progress, 0.0, 0.5))
    else:
        pictures, notes = stored_pictures(case, _figures_of(stored_dir)) if stored_dir else ([], [NO_SCAN])
    return write_pictured(case, pictures, notes=notes, out_dir=out_dir, progress=part_of(progress, 0.5, 1.0))


def write_pictured(
    case: Case,
    pictures: list[tuple[Picture, bytes]],
    *,
    out_dir: Path,
    notes: Sequence[str] = (),
    progress: Progress = no_progress,
) -> Case:
    """Write a whole output folder from a case and its key pictures; the scan is no longer needed.

    Parameters
    ----------
    case
        With results.
    pictures
        Key pictures with their PNG files.
    out_dir
        As in `write_outputs`.
    notes
        What is wrong with the pictures, in words.
    progress
        Listener; may cancel.

    Returns
    -------
    Case
        The case as saved.

    Raises
    ------
    OutputError
        When a file cannot be written.
    ctmeasure.errors.Cancelled
        When the listener stops it.

    Notes
    -----
    The typesetter works beside the writing of the other files. Equal cases (and scans) give equal bytes in every
    file; times stand only in the history inside case.json.
    """
    case = _with_pictures(stamped(case), [picture for picture, _ in pictures], notes)
    progress("drawing maps", 0.0)
    content = build_content(case, pictures, list(notes))
    with ThreadPoolExecutor(1) as beside:
        pdf = beside.submit(render_pdf, content)
        progress("writing tables", 0.5)
        files = text_files(case, fingerprint=content.fingerprint)
        progress("setting the report", 0.6)
        files["report.html"] = render_html(content).encode("utf-8")
        with _writing(out_dir):
            _write(out_dir, files, content)
        save_case(case, out_dir / "case.json")
        with _writing(out_dir):
            (out_dir / "report.pdf").write_bytes(pdf.result())
    progress("written", 1.0)
    return case


@contextmanager
def _writing(out_dir: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"'{out_dir}' cannot be written ({error.strerror})", expected="a folder you may write to"
        ) from None


NO_SCAN = "no key picture: neither the scan nor stored pictures were given"


def text_files(case: Case, *, fingerprint: str = "") -> dict[str, bytes]:
    """plan.json and the CSV tables of a planned case, by file name.

    Raises
    ------
    OutputError
        When the case has no results.
    """
    if case.results is None:
        raise OutputError("a case without results", expected="a case that was planned", action="run the plan")
    files = {
        "plan.json": plan_json(case, fingerprint=fingerprint),
        "cautions.txt": "\n".join(CAUTIONS) + "\n",  # tables are read by machines: the words stand beside them
        **csv_files(case.results),
    }
    return {name: text.encode("utf-8") for name, text in files.items()}


def _figures_of(stored_dir: Path) -> Path:
    return stored_dir / FIGURES if (stored_dir / FIGURES).is_dir() else stored_dir


def _with_pictures(case: Case, pictures: list[Picture], notes: Sequence[str]) -> Case:
    assert case.results is not None
    kept = tuple(item for item in case.results.attention if item.kind != STALE)
    stale = tuple(Attention(STALE, note, "give the scan with --scan") for note in notes)
    return replace(case, pictures=tuple(pictures), results=replace(case.results, attention=(*kept, *stale)))


def _write(out_dir: Path, files: Mapping[str, bytes], content: Content) -> None:
    figures = out_dir / FIGURES
    figures.mkdir(exist_ok=True)
    for image in content.images:
        (figures / image.file).write_bytes(image.data)
    for name, data in files.items():
        (out_dir / name).write_bytes(data)
