"""Write a whole output folder or nothing: built beside its place, swapped in when complete."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ctmeasure.errors import OutputError

OUR_MARK = "case.json"
"""A folder that holds this file was written by us and may be replaced on request."""


def check_output_folder(out: Path, *, force: bool) -> None:
    """Refuse an output folder before any work is done.

    Parameters
    ----------
    out
        Where the results are to stand.
    force
        Whether a folder of ours may be replaced.

    Raises
    ------
    OutputError
        When the place holds a file or somebody else's folder, holds our results and ``force`` is off, or cannot be
        written.
    """
    if out.is_file():
        raise OutputError(f"'{out}' is a file", expected="a folder", action="choose another --out")
    if out.is_dir() and any(out.iterdir()):
        if not (out / OUR_MARK).is_file():
            raise OutputError(
                f"'{out}' holds files that are not ours",
                expected="an empty or new folder, or an earlier output folder",
                action="choose another --out",
            )
        if not force:
            raise OutputError(
                f"'{out}' holds an earlier plan",
                expected="an empty or new folder",
                action="use --force to replace it, or choose another --out",
            )
    parent = _nearest_existing(out)
    if not os.access(parent, os.W_OK | os.X_OK):
        raise OutputError(
            f"'{parent}' cannot be written", expected="a folder you may write to", action="choose another --out"
        )


def _nearest_existing(path: Path) -> Path:
    path = path.absolute()
    while not path.exists():
        path = path.parent
    return path


@contextmanager
def replaced_folder(out: Path, *, force: bool) -> Iterator[Path]:
    """Yield a temporary folder beside ``out`` that takes its place when the block ends well.

    Parameters
    ----------
    out
        The final place.
    force
        Whether an earlier folder of ours may be replaced.

    Yields
    ------
    Path
        Where to write.

    Raises
    ------
    OutputError
        As `check_output_folder`, or when the swap fails; an earlier folder is then still in place.
    """
    check_output_folder(out, force=force)
    out = out.absolute()
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        building = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    except OSError as error:
        raise OutputError(
            f"'{out}' cannot be written ({error.strerror})", expected="a folder you may write to"
        ) from None
    try:
        yield building
        building.chmod(0o755)
        _swap(building, out)
    finally:
        shutil.rmtree(building, ignore_errors=True)


def _swap(building: Path, out: Path) -> None:
    earlier: Path | None = None
    try:
        if out.exists():
            earlier = Path(tempfile.mkdtemp(prefix=f".{out.name}-earlier-", dir=out.parent)) / out.name
            out.replace(earlier)
        building.replace(out)
    except OSError as error:
        if earlier is not None and earlier.exists() and not out.exists():
            earlier.replace(out)
        raise OutputError(
            f"'{out}' could not be replaced ({error.strerror})", expected="a folder nothing else holds open"
        ) from None
    finally:
        if earlier is not None and out.exists():
            shutil.rmtree(earlier.parent, ignore_errors=True)
