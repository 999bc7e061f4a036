"""Where this account keeps what belongs to nobody's case: settings of the window, recent work, journals."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

from ctmeasure.case.store import write_atomically

FOLDER_VARIABLE = "CTMEASURE_STATE_DIR"
"""Environment variable that names another folder."""
RECENT_KEPT = 8
SETTINGS, RECENT, JOURNALS = "window.json", "recent.json", "journals"


def state_folder() -> Path:
    """The folder, made when it is not there, open to this account alone.

    Raises
    ------
    OSError
        When it cannot be made.
    """
    if named := os.environ.get(FOLDER_VARIABLE):
        folder = Path(named)
    elif sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "ctmeasure" / "state"
    elif sys.platform == "darwin":
        folder = Path.home() / "Library" / "Application Support" / "ctmeasure"
    else:
        folder = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "ctmeasure"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def read_settings() -> dict[str, Any]:
    """What the window remembers between sessions; empty when there is nothing, or nothing that can be read.

    Example
    -------
    >>> isinstance(read_settings(), dict)
    True
    """
    found = _read(SETTINGS)
    return found if isinstance(found, dict) else {}


def write_settings(settings: dict[str, Any]) -> bool:
    """Remember the window's settings; gives False when the disk refuses, which nobody should lose work over."""
    return _write(SETTINGS, settings)


def recent_work() -> tuple[tuple[str, str, str], ...]:
    """What was opened last, newest first: path, scan (empty for a scan itself) and side.

    Notes
    -----
    What has since been moved or deleted is left out.
    """
    found = _read(RECENT)
    rows = found if isinstance(found, list) else []
    kept = [tuple(str(part) for part in row) for row in rows if isinstance(row, list) and len(row) == 3]
    return tuple(row for row in kept if Path(row[0]).exists())  # type: ignore[misc]


def note_recent(path: Path, *, scan: Path | None = None, side: str = "") -> None:
    """Remember that this was opened."""
    row = (str(path.resolve()), str(scan.resolve()) if scan else "", side)
    kept = [other for other in recent_work() if other[0] != row[0]]
    _write(RECENT, [row, *kept][:RECENT_KEPT])


def _read(name: str) -> Any:
    try:
        return json.loads((state_folder() / name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _write(name: str, content: Any) -> bool:
    try:
        text = json.dumps(content, ensure_ascii=False, indent=1) + "\n"
        write_atomically(state_folder() / name, text.encode("utf-8"))
    except OSError:
        return False
    return True
