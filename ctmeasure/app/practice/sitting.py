"""One attempt while somebody works on it: a case without anything of the reference, and every act kept at once."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.clock import checked_side
from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement, PointLps
from ctmeasure.app.practice.attempts import HandedIn, Plans, hand_in, start
from ctmeasure.app.practice.sets import PracticeSet, task_volume
from ctmeasure.app.practice.steps import Kept, keep, kept
from ctmeasure.case.model import Case, scan_reference
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Hole
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.store.attempts import AttemptRecord
    from ctmeasure.store.database import Store

HOLES = ("anchor_1", "anchor_2")
"""A chosen hole is placed as one of these: the entry point, and where wanted a point further along the drill."""
Draft = tuple[str, tuple[PointLps, ...]] | None


class Sitting:
    """An open attempt.

    Parameters
    ----------
    store, opened, record
        Database, set, and the open attempt.
    side
        The ear it is said to be, when it was not said before.
    clock
        Seconds that only go forwards; replaced in tests.

    Raises
    ------
    CtmeasureError
        When nobody said which ear it is.

    Notes
    -----
    What could not be written stays pending: the next act, `retry` or the hand-in writes it. Nothing is handed in while
    anything is pending.
    """

    def __init__(
        self, store: Store, opened: PracticeSet, record: AttemptRecord, *, side: str | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self.store, self.opened, self.record = store, opened, record
        self.task = opened.task(record.task)
        self.state: Kept = kept(store, record)
        said = self.state.side or side
        if said is None:
            raise CtmeasureError("nobody said which ear it is", expected="left or right", action="say it")
        self._wanted = replace(self.state, side=checked_side(said))
        self._clock, self._began = clock, clock()
        self.trouble = ""
        self.retry()

    @property
    def asked(self) -> tuple[str, ...]:
        """Ids of everything the task asks for."""
        return (*self.task.landmarks, *self.task.structures, *HOLES[: self.task.holes])

    @property
    def pending(self) -> bool:
        """Whether something is not on the disk yet."""
        return self._wanted != self.state

    @property
    def active_s(self) -> float:
        """Time at the task so far, as the clock on the screen shows it; the stored time leaves pauses out."""
        return self.record.active_s + self._clock() - self._began

    def case(self, volume: Volume) -> Case:
        """Where the attempt stands, as a case of this scan: nothing of the reference, no results."""
        state = self._wanted
        assert state.side is not None
        marks = LandmarkSet([*state.landmarks.values(), *(_anchor(hole) for hole in state.holes)])
        facts = CaseFacts(side=state.side)
        return Case(state.side, scan_reference(volume), facts, marks, state.structures)

    def keep(self, case: Case, *, draft: Draft = None) -> str:
        """Keep what was done; gives a sentence when it could not be written, and empty when it is on the disk."""
        marks = [mark for name, mark in case.landmarks.items() if name not in HOLES]
        holes = tuple(_hole(case.landmarks[name]) for name in HOLES if case.landmarks.placed(name))
        tubes = tuple(sorted(case.structures, key=lambda item: item.id))
        return self._keep(
            replace(self._wanted, landmarks=LandmarkSet(marks), structures=tubes, holes=holes, draft=draft)
        )

    def choose_length(self, length_mm: float | None) -> str:
        """Keep the length that is chosen; None takes it back."""
        return self._keep(replace(self._wanted, length_mm=length_mm))

    def retry(self) -> str:
        """Write what is pending."""
        return self._keep(self._wanted)

    def _keep(self, wanted: Kept) -> str:
        self._wanted = wanted
        try:
            for state in keep(self.store, self.record, self.state, wanted):
                self.state = state
            self.trouble = ""
        except CtmeasureError as error:
            self.trouble = f"not kept yet: {error}"
        return self.trouble

    def missing(self) -> tuple[str, ...]:
        """Ids that were asked for and nobody has said anything about."""
        said = {*self._wanted.landmarks, *(s.id for s in self._wanted.structures), *(h.id for h in self._wanted.holes)}
        return tuple(name for name in self.asked if name not in said)

    def hand_in(self, *, plans: Plans = "asked", progress: Progress = no_progress) -> HandedIn:
        """Hand in once; then the reference is opened.

        Raises
        ------
        ctmeasure.errors.CtmeasureError
            When something is still pending, and as `ctmeasure.app.practice.attempts.hand_in`.
        """
        if self.retry():
            raise CtmeasureError(self.trouble, action="nothing was handed in; try again when it is back")
        side = self.state.side
        assert side is not None
        answer = self.state.answer(side)
        return hand_in(self.store, self.opened, self.record, answer, plans=plans, progress=progress)


def sit_down(
    store: Store,
    opened: PracticeSet,
    task_id: str,
    reader: str,
    *,
    side: str | None = None,
    again: bool = False,
    progress: Progress = no_progress,
) -> tuple[Sitting, Volume]:
    """Begin an attempt, or go on with the open one, with its scan loaded.

    Parameters
    ----------
    store, opened, task_id, reader, again
        As `ctmeasure.app.practice.attempts.start`.
    side
        The ear it is said to be; not needed to go on.
    progress
        Listener; may cancel.

    Returns
    -------
    Sitting, Volume

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        As `start`, or when the scan is not there or was changed.
    """
    from ctmeasure.store.attempts import attempts

    mine = [a for a in attempts(store, reader=reader, set_name=opened.name) if a.task == task_id]
    before = kept(store, mine[-1]).side if mine and mine[-1].state == "open" else None
    said = before or side
    if said is None:
        raise CtmeasureError("nobody said which ear it is", expected="left or right", action="say it")
    volume = task_volume(opened, task_id, checked_side(said), progress=progress)
    return Sitting(store, opened, start(store, opened, task_id, reader, again=again), side=said), volume


def _anchor(hole: Hole) -> Landmark:
    points = [hole.entry_lps]
    if hole.direction_lps is not None:
        points.append(_point(np.add(hole.entry_lps, hole.direction_lps)))
    return Landmark(hole.id, "placed", tuple(Placement(point, index) for index, point in enumerate(points)))


def _hole(mark: Landmark) -> Hole:
    entry = mark.points_lps[0]
    direction = _point(mark.points_lps[1] - entry) if len(mark.points_lps) > 1 else None
    return Hole(mark.id, _point(entry), direction)


def _point(values: npt.ArrayLike) -> PointLps:
    x, y, z = (float(v) for v in np.asarray(values))
    return x, y, z
