"""Write a person's progress and the supervisor's page as folders of words, CSV and plots."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.practice.feedback import check_folder, write_file
from ctmeasure.app.practice.progress import DESIGN, LEARNING, PARTS, WINDOW, ReaderProgress, progress_lines
from ctmeasure.app.practice.supervise import supervision_lines
from ctmeasure.planning.cautions import CAUTIONS


def progress_csv(found: ReaderProgress) -> str:
    """One row an attempt, then nothing else: what a spreadsheet wants."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(
        ["task", "number", "handed_in_at", "active_s", "level", "composite", "mean_error_mm", "failed", "dangers",
         "counts", "flags"]
    )  # fmt: skip
    for row in found.attempts:
        numbers = ["" if v is None else f"{v:.4f}" for v in (row.composite, row.mean_error_mm)]
        words = [str(row.failed).lower(), str(len(row.dangers)), str(row.counts).lower(), ";".join(row.flags)]
        writer.writerow([row.task, row.number, row.handed_in_at, f"{row.active_s:.1f}", row.level, *numbers, *words])
    return stream.getvalue()


def landmarks_csv(found: ReaderProgress) -> str:
    """One row a landmark: placements, failures, bias and SD by direction (empty: too few)."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    parts = [name.removesuffix("_mm") for name in PARTS]
    columns = [f"{what}_{part}_mm" for what in ("bias", "sd") for part in parts]
    writer.writerow(["id", "placed", "outside", "wrong_status", "mean_error_mm", *columns])
    for item in found.landmarks:
        mean = f"{sum(item.errors_mm) / len(item.errors_mm):.4f}" if item.errors_mm else ""
        numbers = [f"{v:.4f}" for v in (*(item.bias_mm or ()), *(item.sd_mm or ()))] or [""] * 6
        writer.writerow([item.id, len(item.errors_mm), item.outside, item.wrong_status, mean, *numbers])
    return stream.getvalue()


def write_supervision(found: dict[str, Any], out: Path) -> tuple[str, ...]:
    """Write the supervisor's page: words, a table of people, one of pairs of people, and a picture of each pair.

    Raises
    ------
    OutputError
        When the folder holds anything or cannot be written.
    """
    from ctmeasure.report.practice import agreement_plot

    check_folder(out)
    pairs = found["between"].get("pairs", ())
    plain = [{key: value for key, value in pair.items() if key != "readings_mm"} for pair in pairs]
    files = {
        "supervision.txt": ("\n".join((*supervision_lines(found), *CAUTIONS)) + "\n").encode(),
        "people.csv": _table(found["people"]).encode(),
        "pairs.csv": _table(plain).encode(),
    }
    for pair in pairs:
        files[f"{pair['first']}-{pair['second']}.svg"] = agreement_plot(
            pair["readings_mm"], bias_mm=pair["bias_mm"], limits_mm=(pair["low_mm"], pair["high_mm"]),
            title=f"needed lengths, {pair['first']} less {pair['second']}",
        )  # fmt: skip
    for name, data in files.items():
        write_file(out, name, data)
    return tuple(files)


def _table(rows: Sequence[dict[str, Any]]) -> str:
    """Rows of plain values as CSV; an interval becomes two columns, a missing number an empty cell."""
    flat = [
        {
            name: part
            for key, value in row.items()
            for name, part in (
                ((f"{key}_low", value[0]), (f"{key}_high", value[1])) if isinstance(value, list) else ((key, value),)
            )
        }
        for row in rows
    ]
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(flat[0]) if flat else [], lineterminator="\n")
    writer.writeheader()
    for row in flat:
        writer.writerow({k: "" if v is None else f"{v:.4f}" if isinstance(v, float) else v for k, v in row.items()})
    return stream.getvalue()


def over_time_csv(found: ReaderProgress) -> str:
    """One row a landmark and run of placements: the last of them, bias and SD by direction."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    parts = [name.removesuffix("_mm") for name in PARTS]
    writer.writerow(["id", "last", *(f"{what}_{part}_mm" for what in ("bias", "sd") for part in parts)])
    for item in found.landmarks:
        for spell in item.over_time:
            writer.writerow([item.id, spell.last, *(f"{v:.4f}" for v in (*spell.bias_mm, *spell.sd_mm))])
    return stream.getvalue()


def write_progress(found: ReaderProgress, out: Path) -> tuple[str, ...]:
    """Write the progress of a person: words, two tables, a curve overall and for each landmark, agreement of lengths.

    Raises
    ------
    OutputError
        When the folder holds anything or cannot be written.
    """
    from ctmeasure.report.practice import agreement_plot, bias_and_scatter, learning_curve

    check_folder(out)
    curve = partial(learning_curve, learning_limit=LEARNING.limit, limits=(DESIGN.lower_limit, DESIGN.upper_limit))
    counting = [row for row in found.attempts if row.counts]
    overall = [row.mean_error_mm for row in counting if row.mean_error_mm is not None]
    files = {
        "progress.txt": ("\n".join(progress_lines(found)) + "\n").encode(),
        "progress.csv": progress_csv(found).encode(),
        "landmarks.csv": landmarks_csv(found).encode(),
        "over_time.csv": over_time_csv(found).encode(),
        "overall.svg": curve(
            overall, found.learning.values, found.cusum.values, title=f"{found.reader}: mean error of an ear"
        ),
    }
    for item in found.landmarks:
        if item.errors_mm:
            title = f"{found.reader}: {landmark_terms()[item.id].label}"
            files[f"{item.id}.svg"] = curve(item.errors_mm, item.learning.values, item.cusum.values, title=title)
        if spells := item.over_time:
            rows = [s.bias_mm for s in spells], [s.sd_mm for s in spells]
            title = f"{found.reader}: {landmark_terms()[item.id].label}, runs of {WINDOW} placements"
            files[f"{item.id}-bias.svg"] = bias_and_scatter([s.last for s in spells], *rows, title=title)
    if found.lengths and found.length_pairs:
        files["lengths.svg"] = agreement_plot(
            found.length_pairs, bias_mm=found.lengths.bias_mm, limits_mm=found.lengths.limits_mm,
            title=f"{found.reader}: needed lengths against the reference",
        )  # fmt: skip
    for name, data in files.items():
        write_file(out, name, data)
    return tuple(files)
