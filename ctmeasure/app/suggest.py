"""Suggest the remaining landmarks of an ear from its first clicks; nothing is placed until a person accepts it."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ctmeasure.anatomy.suggestions import STATUS, NotProposed, Suggestion
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.errors import OutputError
from ctmeasure.planning.cautions import SHORT_CAUTION
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.snaps.propose import Proposals

COLUMNS = ("id", "index", "x_mm", "y_mm", "z_mm", "observer", "repeat", "status", "u_mm", "evidence")


@dataclass(frozen=True, slots=True)
class SuggestRequest:
    """What `suggest` was asked to do."""

    scan: Path
    landmarks: Path
    out: Path
    side: str | None = None
    series_uid: str | None = None
    force: bool = False


def suggest_landmarks(case: Case, volume: Volume, *, progress: Progress = no_progress) -> Proposals:
    """Propose every landmark of a case that the image and a mean ear support.

    Parameters
    ----------
    case
        With the first clicks: the two canal centres and one or more of footplate centre, drum rim, umbo, lateral canal.
    volume
        Its scan.
    progress
        Listener; may cancel.

    Returns
    -------
    Proposals
        Suggestions with doubt and evidence, and what could not be suggested with the reason. The case is left as it is:
        `ctmeasure.app.commands.Suggest` keeps them, `AcceptSuggestion` places one.

    Raises
    ------
    ctmeasure.errors.CaseError
        When the scan is not the case's.
    ctmeasure.errors.LandmarkError
        When too little is placed, or it contradicts the side.
    ctmeasure.errors.ScanError
        When the clicks lie outside the scan.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    from ctmeasure.imaging.snaps.propose import propose
    from ctmeasure.volume.quality import assess_fitness

    check_scan_belongs(case, volume)
    progress("judging the scan", 0.0)
    fitness = case.fitness or assess_fitness(volume, progress=part_of(progress, 0.0, 0.3))
    rest = part_of(progress, 0.3, 1.0)
    return propose(case.landmarks, case.side, volume=volume, fitness=fitness, progress=rest)


def run_suggest(request: SuggestRequest, *, progress: Progress = no_progress) -> Proposals:
    """Read scan and clicks, propose, write the table.

    Parameters
    ----------
    request
        Paths and choices.
    progress
        Listener; may cancel.

    Returns
    -------
    Proposals

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        Whatever is wrong with the inputs, or when the table is already there.
    """
    from ctmeasure.app.plan import PlanRequest, new_case, read_inputs
    from ctmeasure.io.dicom.load import load_series

    if request.out.exists() and not request.force:
        raise OutputError(f"'{request.out.name}' is already there", expected="a new file", action="use --force")
    asked = PlanRequest(scan=request.scan, landmarks=request.landmarks, out=request.out, side=request.side)
    inputs = read_inputs(asked)
    loaded = load_series(
        request.scan, series_uid=request.series_uid, side=inputs.side, progress=part_of(progress, 0.0, 0.4)
    )
    case = new_case(loaded, inputs, seed=1)
    found = suggest_landmarks(case, loaded.volume, progress=part_of(progress, 0.4, 1.0))
    try:
        request.out.write_text(suggestions_table(found.suggestions), encoding="utf-8", newline="")
    except OSError as error:
        raise OutputError(
            f"'{request.out.name}' cannot be written ({error.strerror})", expected="a place to write"
        ) from None
    return found


def suggestions_table(suggestions: tuple[Suggestion, ...]) -> str:
    """A landmarks table whose rows are suggested: `plan` refuses them until their status is changed by a person.

    Points along a structure are left out: they belong into the structures table.

    Example
    -------
    >>> print(suggestions_table((Suggestion("umbo", ((1.0, 2.0, 3.0),), (0.3,), "mean ear", False),)).splitlines()[1])
    umbo,0,1.000,2.000,3.000,,0,suggested,0.30,mean ear
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for item in suggestions:
        if item.structure:
            continue
        for index, (point, u) in enumerate(zip(item.points_lps, item.u_mm, strict=True)):
            place = [f"{v:.3f}" for v in point]
            writer.writerow([item.id, index, *place, "", 0, STATUS, f"{u:.2f}", item.evidence])
    return out.getvalue()


def suggestions_as_text(found: Proposals, out: Path) -> str:
    """What was proposed, for people."""
    lines = [f"{len(found.suggestions)} suggestions, none of them placed: look at each, then set its status to placed"]
    lines += [f"  {s.id:28s} u {max(s.u_mm):.2f} mm  {s.evidence}" for s in found.suggestions]
    lines += ["ossicles:", *(f"  {o.id:28s} {o.state}: {o.evidence}" for o in found.ossicles)]
    lines += ["not proposed:", *(f"  {n.id:28s} {n.why}" for n in found.not_proposed)]
    return "\n".join([*lines, f"table: {out}", SHORT_CAUTION])


def suggestions_as_json(found: Proposals, out: Path) -> str:
    """The same as one JSON object."""
    import json

    def plain(items: tuple[Suggestion, ...] | tuple[NotProposed, ...]) -> list[dict[str, object]]:
        return [asdict(item) for item in items]

    ossicles = [{"id": o.id, "state": o.state, "evidence": o.evidence} for o in found.ossicles]
    proposed = {"suggestions": plain(found.suggestions), "not_proposed": plain(found.not_proposed)}
    whole = {"out": str(out), **proposed, "ossicles": ossicles}
    return json.dumps(whole, ensure_ascii=False, allow_nan=False)
