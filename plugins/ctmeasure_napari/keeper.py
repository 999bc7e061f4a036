"""Keeps what a person does: holds the case, writes the journal, and brings a window back as it was left."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from ctmeasure.app.hold import Hold
from ctmeasure.app.journal import Journal, Left, journal_file, left_behind
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case
from ctmeasure.errors import OutputError
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from .workbench import Workbench


class Keeper:
    """The session of a window that comes back as it was left.

    Parameters
    ----------
    case, volume
        As opened.
    path
        The case file or folder it came from; None for a scan or a sample.

    Notes
    -----
    Without a place to write (a full disk, a home that cannot be written) the window works and says so.
    """

    def __init__(self, case: Case, volume: Volume, path: Path | None = None) -> None:
        self.trouble, self.returned = "", ""
        self._journal: Journal | None = None
        self._held: list[Hold] = []
        self._look: dict[str, object] = {}
        self._written = ""
        self._bench: Workbench | None = None
        read_only, left = "", None
        try:
            file = journal_file(case, path)
            for target in (path, file):
                if target is not None:
                    self._held.append(Hold(target))
            left = left_behind(file, case, case_text=_text(path))
        except OutputError as error:
            read_only = f"{error.found}: this window is for reading only"
        except OSError as error:
            self.trouble = f"nothing is written down: {error.strerror or error}"
        self.session = _session(case, volume, left, read_only)
        if left is not None:
            self._look = dict(left.look)
            self.returned = _returned_words(left)
        if not read_only and not self.trouble:
            self._journal = Journal(file, self.session)

    @property
    def words(self) -> str:
        """Whether everything is written down, in a few words."""
        if self.session.read_only:
            return "for reading only"
        if self.trouble or self._journal is None:
            return self.trouble or "nothing is written down"
        return self._journal.trouble or self._written

    def attach(self, bench: Workbench) -> None:
        """Bring the window back as it was left, and note from now on how it looks."""
        if self._look:
            bench.look_like(self._look)
        self._bench = bench
        bench.listen(self._noted)
        if self.session.read_only or self.returned:
            bench.say(self.session.read_only or self.returned)

    def saved(self, path: Path) -> None:
        """The case was saved there."""
        if self._journal is not None:
            self._journal.saved(_text(path))

    @property
    def kept_views(self) -> tuple[object, ...]:
        """The views kept for a conference, as plain data."""
        found = self._look.get("views", ())
        return tuple(found) if isinstance(found, list | tuple) else ()

    def keep_views(self, views: list[dict[str, object]]) -> None:
        """Keep the views of a conference with how the window looks."""
        self._look["views"] = views
        self._noted()

    def close(self) -> None:
        """The window is closed in order; doing so twice is harmless."""
        if self._journal is not None:
            self._journal.close()
            self._journal = None
        for hold in self._held:
            hold.release()

    def _noted(self) -> None:
        if self._journal is not None and self._bench is not None:
            self._journal.note_look({**self._bench.look(), "views": list(self.kept_views)})
            if not self._journal.trouble:
                self._written = f"kept {datetime.now():%H:%M}"


def _session(case: Case, volume: Volume, left: Left | None, read_only: str) -> Session:
    if left is None:
        return Session(case, volume, read_only=read_only)
    here = case if not left.undo and not left.redo else left.case
    return Session(here, volume, steps_back=left.undo, steps_forth=left.redo, read_only=read_only)


def _returned_words(left: Left) -> str:
    steps = f"{left.steps} step{'s' if left.steps != 1 else ''}" if left.steps else ""
    if not left.in_order:
        return f"The last window did not end in order; {steps or 'everything'} came back."
    return f"As you left it; {steps} can be taken back." if steps else ""


def _text(path: Path | None) -> str:
    if path is None:
        return ""
    file = path / "case.json" if path.is_dir() else path
    with suppress(OSError, UnicodeDecodeError):
        return file.read_text(encoding="utf-8")
    return ""
