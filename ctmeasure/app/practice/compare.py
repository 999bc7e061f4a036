"""Plan from an attempt's marks and from the reference's, by the same code as any plan."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ctmeasure.anatomy.facts import CaseFacts, facts_from_mapping
from ctmeasure.app.compute import compute_case
from ctmeasure.app.memory import Memory
from ctmeasure.case.model import Case, SiteRequest, scan_reference
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.consequences import Consequences, consequences
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

SEED = 1
"""Seed of both plans, so that they differ by the marks alone."""


def answer_case(answer: Answer, volume: Volume, facts: CaseFacts) -> Case:
    """A case of an answer's marks; facts are those of the reference, since they are told, not found."""
    sites = tuple(SiteRequest(hole.id, hole.entry_lps, hole.direction_lps) for hole in answer.holes)
    return Case(
        side=answer.side,
        scan=scan_reference(volume),
        facts=replace(facts, side=answer.side),
        landmarks=answer.landmarks,
        structures=answer.structures,
        sites=sites,
        seed=SEED,
    )


def plan_both(
    answer: Answer,
    reference: Reference,
    volume: Volume,
    *,
    facts: dict[str, Any],
    map_holes: bool = False,
    progress: Progress = no_progress,
) -> tuple[Consequences, Case | None, Case]:
    """Both plans and what they differ in.

    Parameters
    ----------
    answer, reference
        The attempt and what it is compared with.
    volume
        The scan.
    facts
        Of the case, as a mapping.
    map_holes
        Whether both walls are mapped and pairs looked for as well; lengths and the chosen holes do not need it.
    progress
        Listener; may cancel.

    Returns
    -------
    consequences, attempt, reference
        The compared plans; the attempt's case is None when its marks give no plan (the reason is in the consequences).

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the reference gives no plan.
    """
    told, memory = facts_from_mapping(facts), Memory()
    true = replace(
        answer_case(reference.first, volume, told),
        landmarks=reference.mean_landmarks(),
        sites=tuple(SiteRequest(hole.id, hole.entry_lps, hole.direction_lps) for hole in answer.holes),
    )
    true = compute_case(true, volume, memory=memory, map_holes=map_holes, progress=part_of(progress, 0.0, 0.5))
    mine: Case | None = None
    why: tuple[str, ...] = ()
    try:
        mine = compute_case(
            answer_case(answer, volume, told), volume, memory=memory, map_holes=map_holes,
            progress=part_of(progress, 0.5, 1.0),
        )  # fmt: skip
    except CtmeasureError as error:
        why = (f"your marks give no plan: {error}",)
    assert true.results is not None
    found = consequences(mine.results if mine else None, true.results, chosen_mm=answer.length_mm)
    return replace(found, not_given=(*why, *found.not_given)), mine, true
