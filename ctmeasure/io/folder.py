"""Write a whole output folder or nothing: built beside its place, swapped in when complete."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from ctmeasure.errors import OutputError

OUR_MARK = "case.json"
"""A folder without this file was not written by us."""
OUR_NAMES = frozenset(
    (
        OUR_MARK,
        "plan.json",
        "cautions.txt",
        "measurements.csv",
        "sites.csv",
        "zone.csv",
        "pairs.csv",
        "lengths.csv",
        "report.html",
        "report.pdf",
    )
)
"""The files of an output folder."""
OUR_FIGURES = "figures"
FIGURE_NAME = re.compile(
    r"(answer-\d+-[a-z]+|map-[a-z]+|down-the-canal|lengths-\d+|hearing-\d+)\.svg|[a-z_]+-[0-9a-f]{12}\.png", re.ASCII
)
"""Drawings by their names, key pictures by their name and the start of the hash of what they were made from."""
LEFT_BY_THE_SYSTEM = frozenset((".DS_Store", "Thumbs.db", "desktop.ini", f".{OUR_MARK}.lock"))
"""Files that file managers and a broken-off save leave behind; nobody misses them."""
NAMED_AT_MOST = 5


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
        When the place holds a file or somebody else's folder, holds our results and ``force`` is off, holds anything
        besides our own files (they are named), or cannot be written.
    """
    _try_to_write(out)
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
        others = foreign_names(out)
        if others:
            more = f" and {len(others) - NAMED_AT_MOST} more" if len(others) > NAMED_AT_MOST else ""
            raise OutputError(
                f"'{out}' also holds {', '.join(others[:NAMED_AT_MOST])}{more}",
                expected="nothing but our own files where --force replaces a folder",
                action="move them elsewhere, or choose another --out",
            )


def foreign_names(out: Path) -> tuple[str, ...]:
    """What lies in an output folder and is not of our making, relative to it, sorted.

    Parameters
    ----------
    out
        An existing folder.

    Returns
    -------
    tuple of str
        Empty when replacing the folder loses nothing of anybody's.

    Raises
    ------
    Nothing.
    """
    found = []
    for path in sorted(out.iterdir()):
        if path.name == OUR_FIGURES and path.is_dir() and not path.is_symlink():
            found += [f"{OUR_FIGURES}/{inner.name}" for inner in sorted(path.iterdir()) if not _is_figure(inner)]
        elif path.name not in OUR_NAMES | LEFT_BY_THE_SYSTEM or path.is_dir():
            found.append(path.name)
    return tuple(found)


def _is_figure(path: Path) -> bool:
    return path.is_file() and (path.name in LEFT_BY_THE_SYSTEM or FIGURE_NAME.fullmatch(path.name) is not None)


def refuse_inputs_inside(out: Path, inputs: Iterable[Path | None]) -> None:
    """Refuse an output folder that holds one of the inputs, or is one: replacing it would take the input away.

    Parameters
    ----------
    out
        Where the results are to stand.
    inputs
        What the run reads; None for an input that was not given.

    Raises
    ------
    OutputError
        With the first input that lies inside, links followed.

    Example
    -------
    >>> refuse_inputs_inside(Path("results"), (Path("marks.csv"), None))
    """
    place = out.resolve()
    for given in inputs:
        if given is None:
            continue
        found = given.resolve()
        if found == place or place in found.parents:
            raise OutputError(
                f"the input '{given}' lies inside --out '{out}'",
                expected="results in a folder of their own",
                action="choose another --out",
            )


def _try_to_write(out: Path) -> None:
    """Make and remove a folder where the results will be built: permissions alone do not tell a full or fixed disk."""
    try:
        parent = out.absolute().parent
        while not parent.exists():
            parent = parent.parent
        Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=parent)).rmdir()
    except OSError as error:
        raise OutputError(
            f"'{out}' cannot be written ({error.strerror})",
            expected="a folder you may write to",
            action="choose another --out",
        ) from None


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
