"""One writer a case: who opens a case first holds it, everybody else reads it and is told who holds it."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from datetime import datetime
from pathlib import Path
from typing import Any

from ctmeasure.errors import OutputError


class Hold:
    """Holds a case file against a second writer until `release`, or until this process ends.

    Parameters
    ----------
    path
        The case file, or its folder.

    Raises
    ------
    ctmeasure.errors.OutputError
        When somebody else holds it; the message says who, and since when.

    Notes
    -----
    The operating system gives the lock back when a process dies, so a crash never leaves a case locked. On a place
    that cannot be written nothing is locked: there nobody can save either.
    """

    def __init__(self, path: Path) -> None:
        from filelock import FileLock, Timeout

        file = path / "case.json" if path.is_dir() else path
        self._note = file.with_name(f".{file.name}.holder")
        self._lock: Any = FileLock(file.with_name(f".{file.name}.open"))
        try:
            self._lock.acquire(timeout=0)
        except Timeout:
            raise OutputError(
                f"'{file.name}' is open elsewhere ({holder_words(file)})",
                expected="one window that writes",
                action="it opens for reading only",
            ) from None
        except OSError:
            self._lock = None
            return
        note = {"machine": socket.gethostname(), "process": os.getpid(), "since": f"{datetime.now():%Y-%m-%d %H:%M}"}
        with contextlib.suppress(OSError):
            self._note.write_text(json.dumps(note), encoding="utf-8")

    def release(self) -> None:
        """Give the case back; doing so twice is harmless."""
        if self._lock is None or not self._lock.is_locked:
            return
        with contextlib.suppress(OSError):
            self._note.unlink()
        self._lock.release()
        with contextlib.suppress(OSError):
            Path(self._lock.lock_file).unlink()


def holder_words(path: Path) -> str:
    """Who holds a case, in words.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> holder_words(Path("nowhere.json"))
    'by another window'
    """
    try:
        note = json.loads(path.with_name(f".{path.name}.holder").read_text(encoding="utf-8"))
        return f"by process {note['process']} on '{note['machine']}' since {note['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "by another window"
