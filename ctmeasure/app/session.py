"""Session: the current immutable case, with undo, redo and listeners. No window in here."""

from __future__ import annotations

from collections.abc import Callable

from ctmeasure.app.commands import Command
from ctmeasure.case.model import Case
from ctmeasure.case.store import entry
from ctmeasure.volume.volume import Volume

Listener = Callable[[Case], None]


class Session:
    """Holds one case while a person works on it.

    Parameters
    ----------
    case
        Where to start.
    volume
        The scan, when it is at hand.

    Notes
    -----
    Undo is a list of cases: immutable, so going back is exact.

    Example
    -------
    >>> Session.__name__
    'Session'
    """

    def __init__(self, case: Case, volume: Volume | None = None) -> None:
        self._case = case
        self.volume = volume
        self._undo: list[tuple[str, Case]] = []
        self._redo: list[tuple[str, Case]] = []
        self._listeners: list[Listener] = []

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
            When the command does not fit the case; the case is then unchanged.
        """
        after = command.apply(self._case).with_history(entry(command.words))
        self._undo.append((command.words, self._case))
        self._redo.clear()
        return self._become(after)

    def accept(self, case: Case) -> Case:
        """Take over a recomputed case: the same inputs with results, so it is no step to undo."""
        return self._become(case)

    def undo(self) -> Case:
        """Go back one step; without one, nothing changes."""
        return self._step(self._undo, self._redo)

    def redo(self) -> Case:
        """Do the step taken back again; without one, nothing changes."""
        return self._step(self._redo, self._undo)

    def _step(self, source: list[tuple[str, Case]], target: list[tuple[str, Case]]) -> Case:
        if not source:
            return self._case
        words, case = source.pop()
        target.append((words, self._case))
        return self._become(case)

    def _become(self, case: Case) -> Case:
        self._case = case
        for listener in tuple(self._listeners):
            listener(case)
        return case
