"""Parts of a computation kept for the next one: what did not change is not computed again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

Result = TypeVar("Result")


class Memory:
    """The last result of each part of a computation, with what it was made from.

    Parameters
    ----------
    keeps
        False: nothing is kept, for a computation that is done once (a session with its block of the scan takes a third
        of a volume).

    Notes
    -----
    Keys are compared by value; a part is made anew as soon as anything in its key differs. One result a part and name
    is kept, so memory does not grow. Not for several threads at once.

    Example
    -------
    >>> memory = Memory()
    >>> memory.recall("double", (2,), lambda: 4), memory.recall("double", (2,), lambda: 5)
    (4, 4)
    >>> memory.knows("double", (3,)), Memory(keeps=False).recall("double", (2,), lambda: 5)
    (False, 5)
    """

    def __init__(self, *, keeps: bool = True) -> None:
        self._keeps = keeps
        self._kept: dict[str, tuple[Any, Any]] = {}

    def knows(self, part: str, key: Any) -> bool:
        """Whether `recall` would give this part without making it."""
        return part in self._kept and bool(self._kept[part][0] == key)

    def last(self, part: str) -> Any:
        """The kept result of a part, whatever it was made from; None when there is none."""
        return self._kept[part][1] if part in self._kept else None

    def recall(self, part: str, key: Any, make: Callable[[], Result]) -> Result:
        """The kept result of a part made from the same key, or a new one.

        Parameters
        ----------
        part
            Name of the part.
        key
            Everything its result depends on, comparable by value.
        make
            Makes it.

        Returns
        -------
        Result

        Raises
        ------
        Exception
            What ``make`` raises; nothing is kept then.
        """
        if not self._keeps:
            return make()
        if not self.knows(part, key):
            self._kept[part] = (key, make())
        found: Result = self._kept[part][1]
        return found
