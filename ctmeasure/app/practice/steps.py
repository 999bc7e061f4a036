"""What an open attempt holds, kept act by act: the steps in the database, and the state they lead to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.scoring.answers import Answer, Hole

if TYPE_CHECKING:
    from ctmeasure.store.attempts import AttemptRecord
    from ctmeasure.store.database import Store

Step = dict[str, Any]


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
    clicks = [[p.index, *p.position_lps, p.repeat, p.observer] for p in landmark.placements]
    return {"landmark": landmark.id, "status": landmark.status, "clicks": clicks}


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
            yield landmark_step(now) if now is not None else {"landmark": name, "gone": True}
    for kind in ("structures", "holes"):
        old, new = ({item.id: item for item in getattr(state, kind)} for state in (before, after))
        for name in dict.fromkeys((*old, *new)):
            if new.get(name) != old.get(name):
                only = (new[name],) if name in new else ()
                record = answer_to_dict(Answer("right", LandmarkSet(), **{kind: only}))[kind]
                yield {kind.removesuffix("s"): name, "is": record[0] if record else None}
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
        kept = {name: mark for name, mark in state.landmarks.items() if name != step["landmark"]}
        if not step.get("gone"):
            clicks = tuple(_placement(*click) for click in step["clicks"])
            kept[step["landmark"]] = Landmark(step["landmark"], step["status"], clicks)
        return replace(state, landmarks=LandmarkSet(kept.values()))
    for kind in ("structures", "holes"):
        if kind.removesuffix("s") in step:
            name = step[kind.removesuffix("s")]
            others = tuple(item for item in getattr(state, kind) if item.id != name)
            found = sorted((*others, *_read(kind, step["is"])), key=lambda item: item.id)
            return replace(state, **{kind: tuple(found)})
    if "draft" in step:
        drawn = step["draft"]
        return replace(state, draft=None if drawn is None else (drawn[0], tuple(tuple(p) for p in drawn[1])))
    known = {key: step[key] for key in ("length_mm", "side") if key in step}
    return replace(state, **known)


def _placement(index: int, x: float, y: float, z: float, repeat: int = 0, observer: str = "") -> Placement:
    return Placement((x, y, z), int(index), observer, int(repeat))


def _read(kind: str, record: Any) -> tuple[Any, ...]:
    from ctmeasure.io.practice import answer_from_dict

    if record is None:
        return ()
    answer = answer_from_dict({"side": "right", "landmarks": [], kind: [record]}, what="a kept step")
    return tuple(getattr(answer, kind))


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
