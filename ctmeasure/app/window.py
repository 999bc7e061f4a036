"""Find the window by entry point and open it; the base install has none."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

from ctmeasure.app.opened import is_case, open_anything
from ctmeasure.app.places import note_recent
from ctmeasure.errors import CtmeasureError

WINDOW_GROUP = "ctmeasure.window"
"""Entry-point group of window plugins."""


def open_in_window(path: Path | None, *, scan: Path | None = None, side: str | None = None) -> None:
    """Open a sample, scan or case in the window and wait until it is closed.

    Parameters
    ----------
    path
        Scan or case; None lets the window offer the samples and what was opened last.
    scan
        The scan of a case.
    side
        The ear of a scan on which nothing is marked yet.

    Raises
    ------
    CtmeasureError
        When no window toolkit is installed.
    """
    points = tuple(metadata.entry_points(group=WINDOW_GROUP))
    if not points:
        raise CtmeasureError(
            "no window is installed", expected="the extra 'napari'", action="install ctmeasure[napari]"
        )
    try:
        open_window = points[0].load()
    except ImportError as error:
        raise CtmeasureError(
            f"the window cannot start ({error})", expected="the extra 'napari'", action="install ctmeasure[napari]"
        ) from None
    if path is None:
        open_window(keep=True, live=True)
        return
    case, volume = open_anything(path, scan=scan, side=side)
    note_recent(path, scan=scan, side=case.side)
    open_window(case=case, volume=volume, path=path if is_case(path) else None, keep=True, live=True)
