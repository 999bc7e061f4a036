"""The commands and their options. Everything heavy is imported inside the command that needs it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ctmeasure.cli.practice import practice_app
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.cautions import SHORT_CAUTION

if TYPE_CHECKING:
    from ctmeasure.app.plan import PlanOutcome

app = typer.Typer(
    name="ctmeasure",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Temporal-bone measurement on CT for planning middle-ear reconstruction. " + SHORT_CAUTION,
)

Out = Annotated[Path, typer.Option("--out", help="Folder for the results; made whole or not at all.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout and nothing else there.")]
Force = Annotated[bool, typer.Option("--force", help="Replace an earlier output folder of ours.")]
Seed = Annotated[int, typer.Option("--seed", min=0, help="Seed of the Monte Carlo draws.")]
Table = Annotated[Path | None, typer.Option()]


def run_command(arguments: list[str]) -> int:
    """Parse and run one command.

    Parameters
    ----------
    arguments
        Words after ``ctmeasure``.

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    CtmeasureError
        For wrong words on the command line and everything the command refuses.
    """
    command = typer.main.get_command(app)
    try:
        code = command.main(arguments, prog_name="ctmeasure", standalone_mode=False)
    except Exception as error:
        # typer bundles its own copy of the parser, so its usage errors are known by what they carry, not by class
        if hasattr(error, "format_message") and hasattr(error, "exit_code"):
            raise CtmeasureError(error.format_message(), action="see ctmeasure --help") from None
        if type(error).__name__ == "Abort":
            raise KeyboardInterrupt from None
        raise
    return code if isinstance(code, int) else 0


def _version(wanted: bool) -> None:
    if wanted:
        from ctmeasure import __version__

        typer.echo(f"ctmeasure {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Common options."""


@app.command()
def demo(out: Out = Path("ctmeasure-demo"), seed: Seed = 1, json: Json = False, force: Force = False) -> int:
    """The whole job on a shipped sample scan; prints where the report is."""
    from ctmeasure.app.demo import run_demo
    from ctmeasure.cli.progress import shown_progress

    with shown_progress() as progress:
        outcome = run_demo(out, seed=seed, force=force, progress=progress)
    _finish(outcome, json=json)
    return 0  # the sample asks for a hole in an unmarked sector on purpose, to show what "not assessed" looks like


@app.command()
def series(
    path: Annotated[Path, typer.Argument(help="Folder, ZIP, DICOMDIR, or DICOM, NIfTI, NRRD or MetaImage file.")],
    side: Annotated[str | None, typer.Option("--side", help="left or right: the ear it is for.")] = None,
    identity: Annotated[bool, typer.Option("--identity", help="Show the patient's data too; kept nowhere.")] = False,
    json: Json = False,
) -> int:
    """What a folder, ZIP or DICOMDIR holds: one row a series, usable or why not."""
    from ctmeasure.anatomy.clock import checked_side
    from ctmeasure.app.series import list_scan, listing_as_json, listing_as_text
    from ctmeasure.cli.progress import shown_progress

    asked = checked_side(side) if side else None
    with shown_progress() as progress:
        listing = list_scan(path, side=asked, identity=identity, progress=progress)
    typer.echo((listing_as_json if json else listing_as_text)(listing))
    return 0


@app.command()
def cache(
    action: Annotated[
        str, typer.Argument(help="show; on: keep scans from now on; purge: delete them; off: both.")
    ] = "show",
    json: Json = False,
) -> int:
    """Keep decoded scans of this account for the next time; off until switched on, since voxels are patient data."""
    from ctmeasure.app.kept import cache_as_json, cache_as_text, run_cache

    typer.echo((cache_as_json if json else cache_as_text)(run_cache(action)))
    return 0


@app.command()
def plan(
    scan: Annotated[Path, typer.Argument(help="DICOM folder, file, ZIP, DICOMDIR, or a NIfTI, NRRD, MetaImage file.")],
    out: Out,
    landmarks: Annotated[Path, typer.Option("--landmarks", help="Landmarks table (CSV, LPS mm).")],
    structures: Annotated[Path | None, typer.Option("--structures", help="Structures table (CSV).")] = None,
    other_ear: Annotated[
        Path | None,
        typer.Option("--other-ear", help="Landmarks of the healthy other ear, for the mirrored umbo (CSV)."),
    ] = None,
    sites: Annotated[Path | None, typer.Option("--sites", help="Candidate holes (CSV).")] = None,
    side: Annotated[str | None, typer.Option("--side", help="left or right; checked against the landmarks.")] = None,
    facts: Annotated[Path | None, typer.Option("--facts", help="Facts and findings (TOML).")] = None,
    series: Annotated[str | None, typer.Option("--series", help="Series UID; UID:2 is its second acquisition.")] = None,
    untilt: Annotated[bool, typer.Option("--untilt", help="Resample a scan with a tilted gantry; recorded.")] = False,
    catalogue: Annotated[
        list[Path] | None, typer.Option("--catalogue", help="Sizes at hand (TOML); again for one more beside it.")
    ] = None,
    audiogram: Annotated[
        Path | None, typer.Option("--audiogram", help="Hearing before and after (CSV or TOML); printed, nothing else.")
    ] = None,
    settings: Annotated[Path | None, typer.Option("--settings", help="Settings that differ from the defaults.")] = None,
    reader_model: Annotated[
        Path | None, typer.Option("--reader-model", help="The reader's measured placement doubt (practice export).")
    ] = None,
    seed: Seed = 1,
    json: Json = False,
    force: Force = False,
) -> int:
    """Measure, assess holes and lengths, and write the plan."""
    from ctmeasure.app.plan import PlanRequest, run_plan
    from ctmeasure.cli.progress import shown_progress

    request = PlanRequest(
        scan=scan,
        landmarks=landmarks,
        out=out,
        structures=structures,
        other_ear=other_ear,
        sites=sites,
        side=side,
        facts=facts,
        series_uid=series,
        untilt=untilt,
        catalogues=tuple(catalogue or ()),
        audiogram=audiogram,
        settings=settings,
        reader_model=reader_model,
        seed=seed,
        force=force,
    )
    with shown_progress() as progress:
        outcome = run_plan(request, progress=progress)
    return _finish(outcome, json=json)


app.add_typer(practice_app, name="practice")
catalogue_app = typer.Typer(no_args_is_help=True, help="Check a catalogue of sizes, or make one from a CSV table.")
app.add_typer(catalogue_app, name="catalogue")


@catalogue_app.command("check")
def check_catalogue(
    file: Annotated[Path, typer.Argument(help="Catalogue (TOML, or CSV of one line a size).")], json: Json = False
) -> int:
    """What a catalogue holds, row by row, and what is wrong with it."""
    from ctmeasure.app.catalogues import catalogue_as_json, catalogue_as_text, read_catalogue

    found = read_catalogue(file)
    typer.echo((catalogue_as_json if json else catalogue_as_text)(found))
    return 1 if found.warnings else 0


@catalogue_app.command("import")
def import_catalogue(
    table: Annotated[Path, typer.Argument(help="CSV with one line a size.")],
    out: Annotated[Path, typer.Option("--out", help="TOML file to write; never overwritten.")],
    name: Annotated[str, typer.Option("--name", help="Name of the catalogue; the table's file name when empty.")] = "",
) -> int:
    """A catalogue in TOML from a CSV table."""
    from ctmeasure.app.catalogues import catalogue_as_text, run_import

    typer.echo(catalogue_as_text(run_import(table, out=out, name=name)))
    return 0


@app.command()
def suggest(
    scan: Annotated[Path, typer.Argument(help="DICOM folder, file, ZIP, DICOMDIR, or a NIfTI, NRRD, MetaImage file.")],
    landmarks: Annotated[Path, typer.Option("--landmarks", help="The first clicks (CSV, LPS mm).")],
    out: Annotated[Path, typer.Option("--out", help="Table of suggestions to write (CSV).")],
    side: Annotated[str | None, typer.Option("--side", help="left or right; checked against the landmarks.")] = None,
    series: Annotated[str | None, typer.Option("--series", help="Series UID; UID:2 is its second acquisition.")] = None,
    json: Json = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a table that is already there.")] = False,
) -> int:
    """Propose the remaining landmarks from the first clicks; each is a suggestion until a person accepts it."""
    from ctmeasure.app.suggest import SuggestRequest, run_suggest, suggestions_as_json, suggestions_as_text
    from ctmeasure.cli.progress import shown_progress

    request = SuggestRequest(scan=scan, landmarks=landmarks, out=out, side=side, series_uid=series, force=force)
    with shown_progress() as progress:
        found = run_suggest(request, progress=progress)
    typer.echo((suggestions_as_json if json else suggestions_as_text)(found, out))
    return 0


@app.command()
def report(
    case: Annotated[Path, typer.Argument(help="case.json or the folder that holds it.")],
    out: Out,
    scan: Annotated[Path | None, typer.Option("--scan", help="Render the pictures anew from the scan.")] = None,
    json: Json = False,
    force: Force = False,
) -> int:
    """The report again, from a saved case."""
    from ctmeasure.app.report import run_report
    from ctmeasure.cli.progress import shown_progress

    with shown_progress() as progress:
        outcome = run_report(case, scan=scan, out=out, force=force, progress=progress)
    return _finish(outcome, json=json)


@app.command()
def view(
    path: Annotated[Path | None, typer.Argument(help="Scan or case; left out, the samples are offered.")] = None,
    scan: Annotated[Path | None, typer.Option("--scan", help="The scan of a case.")] = None,
    side: Annotated[str | None, typer.Option("--side", help="The ear of a scan without marks: left or right.")] = None,
) -> int:
    """The napari window."""
    from ctmeasure.app.window import open_in_window

    open_in_window(path, scan=scan, side=side)
    return 0


def _finish(outcome: PlanOutcome, *, json: bool) -> int:
    """Print the end of a run and give its exit code."""
    from ctmeasure.case.answers import summary_text

    report_path = outcome.out / "report.html"
    if json:
        typer.echo(_json_text(outcome, report_path))
    else:
        width = 132 if not sys.stdout.isatty() else min(132, _terminal_width())
        typer.echo(summary_text(outcome.case, report=str(report_path), width=width))
        for item in outcome.attention:
            typer.echo(f"attention: {item.what}; {item.action}", err=True)
        typer.echo(SHORT_CAUTION)
    return 1 if outcome.attention else 0


def _terminal_width() -> int:
    import shutil

    return shutil.get_terminal_size().columns


def _json_text(outcome: PlanOutcome, report_path: Path) -> str:
    import json
    from dataclasses import asdict

    from ctmeasure.case.answers import five_answers, not_assessed_lines
    from ctmeasure.planning.cautions import CAUTIONS

    summary: dict[str, Any] = {
        "out": str(outcome.out),
        "report": str(report_path),
        "side": outcome.case.side,
        "answers": [asdict(answer) for answer in five_answers(outcome.case)],
        "not_assessed": list(not_assessed_lines(outcome.case)),
        "attention": [asdict(item) for item in outcome.attention],
        "cautions": list(CAUTIONS),
    }
    return json.dumps(summary, ensure_ascii=False, allow_nan=False)
