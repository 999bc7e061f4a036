"""One protocol for long work: it says where it is, and the listener may stop it."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with a short text and the fraction done (0 to 1); raises `ctmeasure.errors.Cancelled` to stop."""


def no_progress(text: str, fraction: float) -> None:
    """Listen to nothing; the default of every long function.

    Example
    -------
    >>> no_progress("reading", 0.5)
    """


def part_of(progress: Progress, start: float, end: float) -> Progress:
    """Give a sub-task its own 0-to-1 scale inside a longer one.

    Parameters
    ----------
    progress
        The listener of the whole task.
    start, end
        The part of the whole (0 to 1) that the sub-task fills.

    Returns
    -------
    Progress
        A listener for the sub-task.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener of the whole asks to stop.

    Example
    -------
    >>> seen = []
    >>> part_of(lambda text, fraction: seen.append(fraction), 0.5, 1.0)("half", 0.5)
    >>> seen
    [0.75]
    """

    def inner(text: str, fraction: float) -> None:
        progress(text, start + (end - start) * min(max(fraction, 0.0), 1.0))

    return inner
