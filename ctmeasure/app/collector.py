"""One long computation without the garbage collector's passes over everything it makes."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_paused() -> Iterator[None]:
    """Pause the collection of reference cycles, and put it back as it was.

    Notes
    -----
    A plan makes hundreds of thousands of small records that all live to its end; looking through them again and again
    for cycles took a tenth of its time and freed 12 MB (measured on a 512 x 512 x 400 series).

    Example
    -------
    >>> import gc
    >>> with collector_paused():
    ...     gc.isenabled()
    False
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
