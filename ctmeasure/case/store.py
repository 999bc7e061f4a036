"""Save and load case.json: atomic, locked against a second writer, never losing what was there."""

from __future__ import annotations

import contextlib
import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ctmeasure.case.model import Case, HistoryEntry
from ctmeasure.errors import CaseError, OutputError

LOCK_WAIT_S = 10.0
"""How long a save waits for another program that is saving the same case."""


def entry(action: str, **details: Any) -> HistoryEntry:
    """One history step, stamped now.

    Example
    -------
    >>> entry("planned", seed=1).details
    {'seed': 1}
    """
    return HistoryEntry(datetime.now(UTC).isoformat(timespec="seconds"), action, details)


def save_case(case: Case, path: Path) -> None:
    """Write a case file in one step.

    Parameters
    ----------
    case
        What to save.
    path
        Where: an existing file is replaced only by a complete new one.

    Raises
    ------
    OutputError
        When the place cannot be written or another program holds it.
    """
    from filelock import FileLock, Timeout

    from ctmeasure.case.document import case_to_json

    text = case_to_json(case)
    lock = FileLock(path.with_name(f".{path.name}.lock"))
    try:
        with lock.acquire(timeout=LOCK_WAIT_S):
            write_atomically(path, text.encode("utf-8"))
    except Timeout:
        raise OutputError(
            f"'{path}' is being saved by another program", expected="one writer", action="try again"
        ) from None
    except OSError as error:
        raise OutputError(
            f"'{path}' cannot be written ({error.strerror})", expected="a place you may write to"
        ) from None
    finally:
        with contextlib.suppress(OSError):
            path.with_name(f".{path.name}.lock").unlink()


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file beside its place, flush it to the disk, then let it take the place.

    Raises
    ------
    OSError
        When the place cannot be written; an earlier file is then still whole.
    """
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(temporary).unlink()
        raise


def load_case(path: Path) -> Case:
    """Read a case file, or the case of an output folder.

    Parameters
    ----------
    path
        ``case.json`` or the folder that holds it.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        When it is missing, damaged or of an unknown version.
    """
    from ctmeasure.case.document import case_from_json

    file = path / "case.json" if path.is_dir() else path
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise CaseError(
            f"no case at '{path}'", expected="case.json or a folder that holds it", action="check the path"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise CaseError(f"'{file}' cannot be read ({error})", expected="a saved case") from None
    return case_from_json(text, name=file.name)
