"""What an open attempt holds, kept act by act: the steps in the database, and the state they lead to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.scoring.answers import Answer, Hole

if TYPE_CHECKING:
    from ctmeasure.store.attempts import AttemptRecord
    from ctmeasure.store.database import Store

Step = dict[str, Any]
_Thing = TypeVar("_Thing", bound=Structure | Hole)


@dataclass(frozen=True, slots=True)
class Kept:
    """An attempt as it stands.

    Parameters
    ----------
    landmarks, structures, holes, length_mm
        As of an answer.
    side
        The ear, once it was said.
    draft
        Clicks that are not enough yet to count: an id and its points; None when there are none.
    """

    landmarks: LandmarkSet = field(default_factory=LandmarkSet)
    structures: tuple[Structure, ...] = ()
    holes: tuple[Hole, ...] = ()
    length_mm: float | None = None
    side: Side | None = None
    draft: tuple[str, tuple[PointLps, ...]] | None = None

    def answer(self, side: Side) -> Answer:
        """What is handed in, for the ear it is said to be."""
        return Answer(side, self.landmarks, self.structures, self.holes, self.length_mm)


def landmark_step(landmark: Landmark) -> Step:
    """One placement or status; it replaces what was said about the same landmark before."""
    from ctmeasure.io.practice import answer_to_dict

    return {"landmark": landmark.id, "is": answer_to_dict(Answer("right", LandmarkSet([landmark])))["landmarks"][0]}


def changes(before: Kept, after: Kept) -> Iterator[Step]:
    """The steps that lead from one state to another; none when nothing that is handed in differs.

    Example
    -------
    >>> list(changes(Kept(), Kept(length_mm=4.5)))
    [{'length_mm': 4.5}]
    """
    from ctmeasure.io.practice import answer_to_dict

    if before.side != after.side:
        yield {"side": after.side}
    for name in dict.fromkeys((*before.landmarks, *after.landmarks)):
        now = after.landmarks.get(name)
        if now != before.landmarks.get(name):
            yield landmark_step(now) if now is not None else {"landmark": name, "is": None}
    for name, structure in _changed(before.structures, after.structures):
        record = answer_to_dict(Answer("right", LandmarkSet(), structures=structure))["structures"]
        yield {"structure": name, "is": record[0] if record else None}
    for name, hole in _changed(before.holes, after.holes):
        record = answer_to_dict(Answer("right", LandmarkSet(), holes=hole))["holes"]
        yield {"hole": name, "is": record[0] if record else None}
    if before.length_mm != after.length_mm:
        yield {"length_mm": after.length_mm}
    if before.draft != after.draft:
        yield {"draft": None if after.draft is None else [after.draft[0], [list(p) for p in after.draft[1]]]}


def after_step(state: Kept, step: Step) -> Kept:
    """The state one step later; what a newer version may have written is left alone.

    Raises
    ------
    ctmeasure.io.practice.SetError
        When a structure or hole cannot be read.
    """
    if "landmark" in step:
        others = [mark for name, mark in state.landmarks.items() if name != step["landmark"]]
        return replace(state, landmarks=LandmarkSet([*others, *_landmark(step)]))
    if "structure" in step:
        read = _read("structures", step["is"]).structures
        return replace(state, structures=_with(state.structures, step["structure"], read))
    if "hole" in step:
        return replace(state, holes=_with(state.holes, step["hole"], _read("holes", step["is"]).holes))
    if "draft" in step:
        drawn = step["draft"]
        return replace(state, draft=None if drawn is None else (drawn[0], tuple(tuple(p) for p in drawn[1])))
    return replace(state, length_mm=step.get("length_mm", state.length_mm), side=step.get("side", state.side))


def _landmark(step: Step) -> tuple[Landmark, ...]:
    """The landmark of a step; the first version wrote index, x, y, z of each click."""
    if "clicks" in step:
        clicks = tuple(Placement((x, y, z), int(index)) for index, x, y, z in step["clicks"])
        return (Landmark(step["landmark"], step["status"], clicks),)
    return tuple(_read("landmarks", step["is"]).landmarks.values())


def _read(kind: str, record: Any) -> Answer:
    """An answer with this one thing in it, or nothing."""
    from ctmeasure.io.practice import answer_from_dict

    said = [] if record is None else [record]
    return answer_from_dict({"side": "right", "landmarks": []} | {kind: said}, what="a kept step")


def _with(known: tuple[_Thing, ...], name: str, now: tuple[_Thing, ...]) -> tuple[_Thing, ...]:
    """One of them replaced, added or gone; in the order of their ids."""
    others = [item for item in known if item.id != name]
    return tuple(sorted([*others, *now], key=lambda item: item.id))


def _changed(old: tuple[_Thing, ...], new: tuple[_Thing, ...]) -> Iterator[tuple[str, tuple[_Thing, ...]]]:
    """Id of everything that differs, with what it now is (nothing when it is gone)."""
    before = {item.id: item for item in old}
    after = {item.id: item for item in new}
    for name in dict.fromkeys((*before, *after)):
        if after.get(name) != before.get(name):
            yield name, (after[name],) if name in after else ()


def keep(store: Store, attempt: AttemptRecord, before: Kept, after: Kept) -> Iterator[Kept]:
    """Write every change down, one by one; gives the state that is on the disk after each.

    Raises
    ------
    ctmeasure.store.database.StoreError
        When the attempt is handed in, or the database does not answer: what was given is kept, the rest can be tried
        again from there.
    """
    from ctmeasure.store.attempts import add_step

    for step in changes(before, after):
        add_step(store, attempt.id, step)
        before = after_step(before, step)
        yield before


def kept(store: Store, attempt: AttemptRecord) -> Kept:
    """An attempt as its steps left it: where a broken-off one goes on."""
    from ctmeasure.store.attempts import steps

    state = Kept()
    for step in steps(store, attempt.id):
        state = after_step(state, step)
    return state
