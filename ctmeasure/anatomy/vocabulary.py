"""The landmark and structure terms: ids, kinds, and what is clicked."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, TypeVar

from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.errors import LandmarkError

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
Status = Literal["placed", "partial", "absent", "not_seen"]
STATUSES: tuple[Status, ...] = ("placed", "partial", "absent", "not_seen")
STATUS_WORDS: dict[str, str] = {"placed": "placed", "partial": "partial", "absent": "absent", "not_seen": "not seen"}
"""How a status is written for people: absent ("it is not there") and not seen ("the scan does not show it") differ."""

_Term = TypeVar("_Term")
LandmarkKind = Literal["point", "ring", "list", "anchor"]
StructureShape = Literal["tube", "patch", "ball"]


@dataclass(frozen=True, slots=True)
class LandmarkTerm:
    """One landmark of the vocabulary."""

    id: str
    kind: LandmarkKind
    needed: bool
    label: str
    clicked: str


@dataclass(frozen=True, slots=True)
class StructureTerm:
    """One structure to keep clear of, with the names of the settings that hold its margin and accepted risk.

    ``can_be_absent`` is False for what every ear has. ``largest_radius_mm`` is beyond what anatomy gives (our own
    choice): a larger radius is a slip, such as a diameter or another unit.
    """

    id: str
    shape: StructureShape
    margin_key: str
    risk_key: str
    label: str
    can_be_absent: bool
    largest_radius_mm: float
    what_is_marked: str


@lru_cache(maxsize=1)
def landmark_terms() -> dict[str, LandmarkTerm]:
    """All landmark terms by id, in the order a person places them.

    Example
    -------
    >>> landmark_terms()["umbo"].clicked
    'tip of the malleus handle'
    """
    return {
        row["id"]: LandmarkTerm(row["id"], row["kind"], row["needed"] == "yes", row["label"], row["clicked"])  # type: ignore[arg-type]
        for row in table_rows("landmarks.csv")
    }


@lru_cache(maxsize=1)
def structure_terms() -> dict[str, StructureTerm]:
    """All structure terms by id.

    Example
    -------
    >>> structure_terms()["tegmen"].shape
    'patch'
    """
    return {
        row["id"]: StructureTerm(
            row["id"],
            row["shape"],  # type: ignore[arg-type]
            row["margin_key"],
            row["risk_key"],
            row["label"],
            row["can_be_absent"] == "yes",
            float(row["largest_radius_mm"]),
            row["what_is_marked"],
        )
        for row in table_rows("structures.csv")
    }


def needed_landmarks() -> tuple[str, ...]:
    """Ids of the landmarks the main job cannot do without.

    Example
    -------
    >>> needed_landmarks()
    ('annulus', 'canal_medial', 'canal_lateral', 'drum_centre', 'footplate_centre')
    """
    return tuple(term.id for term in landmark_terms().values() if term.needed)


def landmark_term(landmark_id: str) -> LandmarkTerm:
    """Look up one landmark term.

    Raises
    ------
    LandmarkError
        If the id is unknown; the message names the nearest known id.

    Example
    -------
    >>> landmark_term("annulus").kind
    'ring'
    """
    return _look_up(landmark_id, landmark_terms(), "landmark")


def structure_term(structure_id: str) -> StructureTerm:
    """Look up one structure term.

    Raises
    ------
    LandmarkError
        If the id is unknown; the message names the nearest known id.

    Example
    -------
    >>> structure_term("facial_nerve").label
    'facial canal'
    """
    return _look_up(structure_id, structure_terms(), "structure")


def _look_up(term_id: str, terms: dict[str, _Term], what: str) -> _Term:
    if term_id in terms:
        return terms[term_id]
    near = difflib.get_close_matches(term_id, terms, n=1)
    hint = f"did you mean '{near[0]}'?" if near else f"known ids: {', '.join(terms)}"
    raise LandmarkError(f"unknown {what} id '{term_id}'", expected=f"a {what} id of the vocabulary", action=hint)
