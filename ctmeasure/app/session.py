"""Session: the current immutable case, with undo, redo and listeners. No window in here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from ctmeasure.app.commands import Command
from ctmeasure.case.model import Case
from ctmeasure.case.store import entry
from ctmeasure.errors import CaseError
from ctmeasure.volume.volume import Volume

Listener = Callable[[Case], None]
StepKind = Literal["do", "undo", "redo"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a person: done, taken back or done again, and the case after it."""

    kind: StepKind
    words: str
    case: Case


class Session:
    """Holds one case while a person works on it.

    Parameters
    ----------
    case
        Where to start.
    volume
        The scan, when it is at hand.
    steps_back, steps_forth
        What undo and redo go back to, oldest first: the words of each step and the case on its other side.
    read_only
        Why nothing may be changed; empty when everything may.

    Notes
    -----
    Undo is a list of cases: immutable, so going back is exact.

    Example
    -------
    >>> Session.__name__
    'Session'
    """

    def __init__(
        self,
        case: Case,
        volume: Volume | None = None,
        *,
        steps_back: Sequence[tuple[str, Case]] = (),
        steps_forth: Sequence[tuple[str, Case]] = (),
        read_only: str = "",
    ) -> None:
        self._case = case
        self.volume = volume
        self.read_only = read_only
        self._undo: list[tuple[str, Case]] = list(steps_back)
        self._redo: list[tuple[str, Case]] = list(steps_forth)
        self._listeners: list[Listener] = []
        self._watchers: list[Callable[[Step], None]] = []

    @property
    def case(self) -> Case:
        """The case as it stands."""
        return self._case

    @property
    def undo_words(self) -> str:
        """What undo would take back; empty when there is nothing."""
        return self._undo[-1][0] if self._undo else ""

    @property
    def redo_words(self) -> str:
        """What redo would do again; empty when there is nothing."""
        return self._redo[-1][0] if self._redo else ""

    @property
    def steps_back(self) -> tuple[tuple[str, Case], ...]:
        """Every step that undo can take back, oldest first, with the case before it."""
        return tuple(self._undo)

    def watch(self, watcher: Callable[[Step], None]) -> Callable[[], None]:
        """Call ``watcher`` with every step before the listeners hear of it; returns a function that stops it."""
        self._watchers.append(watcher)
        return lambda: self._watchers.remove(watcher)

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Call ``listener`` with every new case; returns a function that stops it."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def do(self, command: Command) -> Case:
        """Apply a command.

        Parameters
        ----------
        command
            What the person did.

        Returns
        -------
        Case
            The new case, already with its history step.

        Raises
        ------
        ctmeasure.errors.CtmeasureError
            When the command does not fit the case, or nothing may be changed here; the case is then unchanged.
        """
        self._check_writable()
        after = command.apply(self._case).with_history(entry(command.words))
        self._undo.append((command.words, self._case))
        self._redo.clear()
        return self._become(after, Step("do", command.words, after))

    def accept(self, case: Case) -> Case:
        """Take over a recomputed case: the same inputs with results, so it is no step to undo."""
        return self._become(case)

    def undo(self) -> Case:
        """Go back one step; without one, nothing changes."""
        return self._step("undo", self._undo, self._redo)

    def redo(self) -> Case:
        """Do the step taken back again; without one, nothing changes."""
        return self._step("redo", self._redo, self._undo)

    def _step(self, kind: StepKind, source: list[tuple[str, Case]], target: list[tuple[str, Case]]) -> Case:
        if not source:
            return self._case
        self._check_writable()
        words, case = source.pop()
        target.append((words, self._case))
        return self._become(case, Step(kind, words, case))

    def _check_writable(self) -> None:
        if self.read_only:
            raise CaseError(self.read_only, action="nothing was changed")

    def _become(self, case: Case, step: Step | None = None) -> Case:
        self._case = case
        if step is not None:
            for watcher in tuple(self._watchers):
                watcher(step)
        for listener in tuple(self._listeners):
            listener(case)
        return case
