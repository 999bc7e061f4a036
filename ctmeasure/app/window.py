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
        Scan, case, or None for the demo sample.
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
    case, volume = open_anything(path, scan=scan, side=side)
    if path is not None:
        note_recent(path, scan=scan, side=case.side)
    saved = path if path is not None and is_case(path) else None
    open_window(case=case, volume=volume, path=saved, keep=True, live=True)
