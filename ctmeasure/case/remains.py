"""What is left of the ear in words: each part from its landmarks, remnants, and the canal wall as entered and shown."""

from __future__ import annotations

from collections.abc import Sequence

from ctmeasure.anatomy.clock import clock_range_words
from ctmeasure.anatomy.facts import WallState
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.case.model import Case
from ctmeasure.planning.drilling.wall_state import NOT_SCANNED, WHOLE
from ctmeasure.planning.results import WallSector

PARTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("malleus", ("umbo", "malleus_lateral_process", "malleus_neck")),
    ("replaced handle", ("handle_tip", "handle_top")),
    ("incus", ("incus_long_process", "incus_short_process", "incudostapedial_joint")),
    ("stapes arch", ("stapes_head",)),
    ("footplate", ("footplate_centre",)),
    ("drum", ("drum_centre",)),
)
"""What may be left, and the landmarks that tell."""
SHORT_NAMES = {
    "umbo": "tip",
    "malleus_lateral_process": "lateral process",
    "malleus_neck": "neck",
    "handle_tip": "tip",
    "handle_top": "top",
    "incus_long_process": "long process",
    "incus_short_process": "short process",
    "incudostapedial_joint": "joint",
}
"""A mark as it is called beside the name of its part."""
GROUPS = (("placed", "seen"), ("partial", "partial"), ("absent", "absent"), ("not_seen", "not seen"),
          (None, "not entered"))  # fmt: skip
"""Statuses in the order they are told, with their words; None: nothing was entered."""
REMNANT = "ossicle_remnant"


def part_state(landmarks: LandmarkSet, ids: Sequence[str]) -> str:
    """present, partial, absent, not seen or not entered, from the landmarks of one part.

    Notes
    -----
    Absent only when every mark of the part is: a mark that was not seen, or that nobody entered, may be there.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark
    >>> part_state(LandmarkSet(), ("umbo",))
    'not entered'
    >>> part_state(LandmarkSet([Landmark("umbo", "absent"), Landmark("malleus_neck", "not_seen")]),
    ...     ("umbo", "malleus_neck"))
    'not seen'
    """
    statuses = {landmarks.status(i) for i in ids}
    if statuses & {"placed", "partial"}:
        return "partial" if statuses & {"partial", "absent"} else "present"
    if statuses == {"absent"}:
        return "absent"
    return "not seen" if "not_seen" in statuses else "not entered"


def part_words(name: str, landmarks: LandmarkSet, ids: Sequence[str]) -> str:
    """A part with its state, and mark by mark where its marks do not agree.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark
    >>> marks = LandmarkSet([Landmark("umbo", "absent"), Landmark("malleus_lateral_process", "not_seen"),
    ...     Landmark("malleus_neck", "not_seen")])
    >>> part_words("malleus", marks, ("umbo", "malleus_lateral_process", "malleus_neck"))
    'malleus (tip absent, rest not seen)'
    """
    state = part_state(landmarks, ids)
    word = "seen" if name in ("footplate", "drum") and state == "present" else state
    statuses = {landmarks.status(i) for i in ids}
    mixed = len(statuses) > 1 and not (state == "present" and statuses == {"placed", None})
    if not mixed:
        return f"{name} {word}"
    told = [(words, [i for i in ids if landmarks.status(i) == status]) for status, words in GROUPS]
    told = [(words, which) for words, which in told if which]
    parts = [f"{' and '.join(SHORT_NAMES[i] for i in which)} {words}" for words, which in told]
    words, which = told[-1]
    if len(which) > 1:
        parts[-1] = f"rest {words}"
    said = "" if state in ("not seen", "not entered") else f" {word}"
    return f"{name}{said} ({', '.join(parts)})"


def what_is_left(case: Case) -> str:
    """Every part of the chain, remnants and the canal wall in one sentence.

    Raises
    ------
    Nothing.
    """
    parts = []
    for name, ids in PARTS:
        if name == "replaced handle" and part_state(case.landmarks, ids) in ("not entered", "absent"):
            continue
        parts.append(part_words(name, case.landmarks, ids))
    remnant = next((item for item in case.structures if item.id == REMNANT), None)
    if remnant is not None and remnant.is_marked:
        parts.append("ossicle remnant marked")
    elif remnant is not None and remnant.status == "not_seen":
        parts.append("ossicle remnant not seen")
    parts.append(f"canal wall {wall_state_words(case)}")
    return ", ".join(parts)


def unentered(case: Case) -> tuple[str, ...]:
    """Parts of which nobody said enough, with what to do."""
    missing = [
        name for name, ids in PARTS if name != "replaced handle" and part_state(case.landmarks, ids) == "not entered"
    ]
    return tuple(f"{name}: place it, or enter absent or not seen" for name in missing)


def wall_state_words(case: Case) -> str:
    """The canal wall as it was entered, and where the scan shows something else.

    Raises
    ------
    Nothing.
    """
    entered = "; ".join(
        f"{state.finding.replace('_', ' ')} {_range_words(state, case.side)}" for state in case.facts.canal_wall
    )
    shown = shown_words(case.results.wall_sectors if case.results else (), case.side)
    if not shown:
        return entered or "not entered"
    return f"{'entered: ' + entered if entered else 'not entered'}; {shown}"


def shown_words(found: Sequence[WallSector], side: Side) -> str:
    """Where the scan shows another wall than was entered, or one that is not whole and of which nothing was entered.

    Parameters
    ----------
    found
        Sectors in the order of their angles; neighbours that show the same are told as one.
    side
        The ear, for its clock.

    Returns
    -------
    str
        Empty where there is nothing to look at.

    Raises
    ------
    Nothing.
    """
    ranges: dict[str, list[tuple[float, float]]] = {}
    for sector in found:
        differs = sector.differs or (not sector.entered and sector.shown not in (WHOLE, NOT_SCANNED))
        if not differs and sector.shown != NOT_SCANNED:
            continue
        near = ranges.setdefault(sector.shown, [])
        if near and near[-1][1] == sector.start_deg:
            near[-1] = (near[-1][0], sector.end_deg)
        else:
            near.append((sector.start_deg, sector.end_deg))
    for near in ranges.values():
        if len(near) > 1 and near[-1][1] == near[0][0]:
            near[0] = (near.pop()[0], near[0][1])
    told = []
    for shown, near in ranges.items():
        around = len(near) == 1 and near[0][0] == near[0][1]
        where = "all round" if around else "at " + " and ".join(clock_range_words(a, b, side) for a, b in near)
        told.append(f"not in the scan {where}" if shown == NOT_SCANNED else f"the scan shows it {shown} {where}: look")
    return "; ".join(told)


def _range_words(state: WallState, side: Side) -> str:
    """A range of the wall in clock hours of that ear, read clockwise."""
    if state.all_round:
        return "all round"
    return f"from {clock_range_words(state.start_deg, state.end_deg, side)}"
