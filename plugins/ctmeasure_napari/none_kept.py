"""Python below 3.12 and a binding that gives None back once too often: keep the process alive.

PySide6 6.12.0 takes one reference from None at every call that returns nothing (measured: `processEvents`, `setText`,
`repaint`, each -1.0 a call, under Python 3.11). From Python 3.12 on None cannot die (PEP 683); before, the process ends
with "deallocating None" after some ten thousand calls, which is minutes of work in a window.
"""

from __future__ import annotations

import ctypes
import sys

HELD = 1 << 48
"""References lent to None: enough for a million calls a second for nine years."""


def keep_none_alive() -> bool:
    """Lend None so many references that it cannot be given back too often; gives whether that was needed.

    Notes
    -----
    Does what Python 3.12 does by itself. Only for CPython, whose objects begin with their reference count, and only on
    64 bits; doing so twice is harmless.

    Example
    -------
    >>> keep_none_alive() in (True, False)
    True
    """
    plain = sys.implementation.name == "cpython" and ctypes.sizeof(ctypes.c_ssize_t) == 8 and not sys.flags.debug
    if sys.version_info >= (3, 12) or not plain:
        return False
    count = ctypes.c_ssize_t.from_address(id(None))
    if count.value < HELD:
        count.value += HELD
    return True
