"""`report`: the report again from a saved case, from stored pictures or from the scan."""

from __future__ import annotations

from pathlib import Path

from ctmeasure.app.opened import open_case
from ctmeasure.app.plan import PlanOutcome
from ctmeasure.case.model import Case
from ctmeasure.case.store import load_case
from ctmeasure.errors import CaseError
from ctmeasure.io.folder import check_output_folder, refuse_inputs_inside, replaced_folder
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume


def run_report(
    path: Path, *, scan: Path | None, out: Path, force: bool = False, progress: Progress = no_progress
) -> PlanOutcome:
    """Write every output of a saved case again; the case itself is never changed in place.

    Parameters
    ----------
    path
        case.json or its folder.
    scan
        Render the pictures anew from this scan; None uses those stored beside the case.
    out
        Output folder.
    force
        Whether an earlier output folder may be replaced.
    progress
        Listener; may cancel.

    Returns
    -------
    PlanOutcome
        With an attention entry for every missing or stale picture.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the case is damaged, holds no results or results of other inputs, or the scan is another's; when the case
        or the scan lies inside ``out``.
    """
    refuse_inputs_inside(out, (path, scan))
    check_output_folder(out, force=force)
    if scan is not None:
        case, volume = open_case(path, scan=scan, progress=part_of(progress, 0.0, 0.3))
    else:
        case, volume = load_case(path), None
    if case.results is None:
        raise CaseError("the case holds no results", expected="a computed case", action="run plan first")
    folder = path if path.is_dir() else path.parent
    return _written(case, volume, out, force=force, stored_dir=folder, progress=part_of(progress, 0.3, 1.0))


def report_now(
    case: Case, volume: Volume, *, out: Path, force: bool = False, progress: Progress = no_progress
) -> PlanOutcome:
    """Write every output of a case as it stands in a window; what is not computed yet is computed first.

    Parameters
    ----------
    case, volume
        The case and its scan.
    out
        Output folder.
    force
        Whether an earlier output folder may be replaced.
    progress
        Listener; may cancel.

    Returns
    -------
    PlanOutcome

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the folder cannot be written, or the marks contradict each other; nothing is then written.
    """
    from ctmeasure.app.compute import compute_case

    check_output_folder(out, force=force)
    if case.results is None:
        case = compute_case(case, volume, progress=part_of(progress, 0.0, 0.6))
    return _written(case, volume, out, force=force, progress=part_of(progress, 0.6, 1.0))


def _written(
    case: Case, volume: Volume | None, out: Path, *, force: bool, progress: Progress, stored_dir: Path | None = None
) -> PlanOutcome:
    """Write every output of a computed case, whole or not at all."""
    from ctmeasure.report.write import write_outputs

    with replaced_folder(out, force=force) as building:
        case = write_outputs(case, volume=volume, out_dir=building, stored_dir=stored_dir, progress=progress)
    assert case.results is not None
    return PlanOutcome(case, out, case.results.attention)
