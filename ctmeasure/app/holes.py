"""The drilling part of a case, and what of it is kept while nothing but the holes that are asked for changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.app.memory import Memory
from ctmeasure.case.model import Case
from ctmeasure.progress import Progress, part_of

if TYPE_CHECKING:
    from ctmeasure.planning.drilling import DrillInput, DrillOutput

NOT_FOR_DRILLING = (
    "drum_centre", "drum_contact", "umbo", "malleus_lateral_process", "malleus_neck", "incus_long_process",
    "incus_contact", "incus_short_process", "incudostapedial_joint", "stapes_head",
)  # fmt: skip
"""Landmarks whose place does not touch where holes can go (a planned handle tip that follows from them is asked for by
itself): moving one leaves the drilling part as it was. A test holds this list to its word."""


HOLES = "holes"
"""Name under which a memory keeps the drill plan that holes are assessed in."""


def holes_key(case: Case) -> tuple[Any, ...]:
    """Everything a drill plan depends on but for the holes that are asked for and the handle, besides the scan.

    Parameters
    ----------
    case
        The case; its clicked tubes are traced the same way again.

    Returns
    -------
    tuple
        Comparable by value.
    """
    marks = tuple(mark for name, mark in case.landmarks.items() if name not in NOT_FOR_DRILLING)
    return marks, case.structures, case.facts, case.settings, case.seed, case.side


def drilling_key(case: Case, structures: tuple[Structure, ...], tip: Any) -> tuple[Any, ...]:
    """Everything the drilling part of a plan depends on, besides the scan.

    Parameters
    ----------
    case, structures
        The case, and its structures as traced.
    tip
        Planned handle tip, LPS mm, or None.

    Returns
    -------
    tuple
        Comparable by value.
    """
    marks = tuple(mark for name, mark in case.landmarks.items() if name not in NOT_FOR_DRILLING)
    where = None if tip is None else tuple(float(v) for v in tip)
    return marks, structures, case.facts, case.settings, case.sites, case.seed, case.side, where


def drill(
    case: Case,
    given: DrillInput,
    *,
    tip: PointLps | None,
    map_holes: bool,
    memory: Memory,
    progress: Progress,
) -> DrillOutput:
    """Where holes can go in a case, or what is in the memory of it.

    Parameters
    ----------
    case, given
        The case, and the same as the drilling part takes it, its tubes traced.
    tip
        Planned handle tip.
    map_holes
        False: only the holes that are asked for.
    memory
        Parts of earlier computations on the same scan.
    progress
        Listener; may cancel.

    Returns
    -------
    DrillOutput

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When there is no canal wall, or a hole is no hole.
    """
    from ctmeasure.planning.drilling import plan_drilling, plan_sites, prepare_drilling

    def mapped() -> DrillOutput:
        prepared = part_of(progress, 0.0, 0.8)
        session = memory.recall(HOLES, holes_key(case), lambda: prepare_drilling(given, progress=prepared))
        return plan_drilling(given, session=session, progress=progress)

    key = drilling_key(case, given.structures, tip)
    if map_holes:
        return memory.recall("drilling", key, mapped)
    return memory.recall("asked holes", key, lambda: plan_sites(given, progress=progress))
