"""What there is to place, in the order a surgeon goes through an ear, with the plane to place it in. No toolkit."""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np

from ctmeasure.anatomy.landmarks import CURVE_MINIMUM_POINTS, RING_FULL_POINTS, RING_MINIMUM_POINTS
from ctmeasure.anatomy.structures import PATCH_MINIMUM_POINTS
from ctmeasure.anatomy.vocabulary import STATUS_WORDS, landmark_terms, structure_terms
from ctmeasure.case.model import Case

from .scene import CaseScene

What = Literal["landmark", "structure"]
NOT_ENTERED = "not entered"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to place: which question it serves, its planes in order of preference, and its drawing.

    ``spot`` is where the drawing's mark stands, in the drawing's own units (100 wide, 70 high, right ear).
    """

    id: str
    what: What
    question: int
    planes: tuple[str, ...]
    drawing: str
    spot: tuple[float, float]

    @property
    def label(self) -> str:
        """As people call it."""
        term = landmark_terms()[self.id] if self.what == "landmark" else structure_terms()[self.id]
        return term.label

    @property
    def sentence(self) -> str:
        """What is clicked, in one sentence."""
        if self.what == "landmark":
            return _sentence(landmark_terms()[self.id].clicked)
        return _sentence(structure_terms()[self.id].what_is_marked)

    @property
    def needed(self) -> bool:
        """Whether the main job cannot do without it."""
        return landmark_terms()[self.id].needed if self.what == "landmark" else self.id == "facial_nerve"

    @property
    def fewest(self) -> int:
        """How many clicks it takes until it counts."""
        if self.what == "structure":
            shape = structure_terms()[self.id].shape
            return {"tube": 2, "patch": PATCH_MINIMUM_POINTS, "ball": 2}[shape]
        if self.id == "annulus":
            return RING_MINIMUM_POINTS
        return {"ring": CURVE_MINIMUM_POINTS, "list": 2}.get(landmark_terms()[self.id].kind, 1)

    @property
    def many(self) -> bool:
        """Whether clicks go on being added until the person ends it."""
        if self.what == "structure":
            return structure_terms()[self.id].shape != "ball"
        return landmark_terms()[self.id].kind in ("ring", "list")

    @property
    def can_be_absent(self) -> bool:
        """Whether there are ears without it."""
        return True if self.what == "landmark" else structure_terms()[self.id].can_be_absent

    def clicks_words(self, placed: int) -> str:
        """How far the clicking is, in words."""
        if self.what == "structure" and structure_terms()[self.id].shape == "ball":
            return "click its centre" if not placed else "click a point on its dome"
        if not self.many:
            return "click it"
        wish = f", {RING_FULL_POINTS} or more with all quadrants for rim distances" if self.id == "annulus" else ""
        if placed < self.fewest:
            return f"{placed} of at least {self.fewest} clicks{wish}"
        return f"{placed} clicks{wish}; end with Enter"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the list: the item, its state in words, and its doubt."""

    item: Item
    state: str
    doubt: str


@lru_cache(maxsize=1)
def items() -> tuple[Item, ...]:
    """Everything there is to place, in surgical order; what the table leaves out follows at its end.

    Example
    -------
    >>> [item.id for item in items() if item.needed][:3]
    ['canal_lateral', 'canal_medial', 'annulus']
    """
    with Path(__file__).with_name("placing.csv").open(encoding="utf-8", newline="") as stream:
        found = [
            Item(
                row["id"], row["what"], int(row["question"]), tuple(row["plane"].split("|")), row["drawing"],
                (float(row["x"]), float(row["y"])),
            )
            for row in csv.DictReader(stream)
        ]  # fmt: skip
    known = {(item.id, item.what) for item in found}
    rest: list[tuple[str, What]] = [(i, "landmark") for i in landmark_terms()]
    rest += [(i, "structure") for i in structure_terms() if i not in landmark_terms()]
    found += [Item(i, what, 3, ("axial",), "upright", (50.0, 35.0)) for i, what in rest if (i, what) not in known]
    return tuple(found)


def item_of(item_id: str) -> Item:
    """The item of an id.

    Raises
    ------
    KeyError
        When there is none.
    """
    return {item.id: item for item in reversed(items())}[item_id]


def rows_of(case: Case, scene: CaseScene, question: int) -> tuple[Row, ...]:
    """The list under one question.

    Parameters
    ----------
    case, scene
        The case and what is drawn of it.
    question
        1 to 5.

    Returns
    -------
    tuple of Row
    """
    return tuple(
        Row(item, _shown_state(case, item), _doubt(scene, item)) for item in items() if item.question == question
    )


def next_item(case: Case, asked: Collection[str] | None = None) -> Item | None:
    """The first thing nobody has said anything about: what is needed first, then the rest; None when all is said.

    ``asked`` leaves out everything else.
    """
    wanted = [item for item in items() if asked is None or item.id in asked]
    open_items = [item for item in wanted if state_of(case, item) == NOT_ENTERED]
    return next((item for item in open_items if item.needed), open_items[0] if open_items else None)


def state_of(case: Case, item: Item) -> str:
    """What was entered about an item, in words.

    Raises
    ------
    Nothing.
    """
    if item.what == "landmark":
        mark = case.landmarks.get(item.id)
        if mark is None:
            return NOT_ENTERED
        repeats = len(mark.placements) / max(len(mark.indices), 1)
        times = f", {len(mark.placements)} times" if repeats > 1 and not item.many else ""
        count = f", {len(mark.indices)} points" if item.many and mark.is_placed else ""
        unsure = f", unsure by {mark.stated_u_mm:g} mm" if mark.stated_u_mm else ""
        return f"{STATUS_WORDS[mark.status]}{count}{times}{unsure}"
    found = next((s for s in case.structures if s.id == item.id), None)
    if found is None:
        return NOT_ENTERED
    if not found.is_marked:
        return STATUS_WORDS[found.status]
    confirmed = "" if found.confirmed_by else ", not confirmed"
    return f"{STATUS_WORDS[found.status]}, {len(found.points)} points{confirmed}"


def _shown_state(case: Case, item: Item) -> str:
    """The state, or that something is suggested where nobody has said anything."""
    state = state_of(case, item)
    found = any(s.id == item.id and s.structure == (item.what == "structure") for s in case.suggestions)
    return "suggested" if state == NOT_ENTERED and found else state


def _doubt(scene: CaseScene, item: Item) -> str:
    found = [m.covariance for m in scene.points if m.ref[0] == item.id and m.covariance is not None]
    if item.what != "landmark" or not found:
        return ""
    return f"{np.sqrt(np.mean([np.trace(c) / 3.0 for c in found])):.2f}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
