"""The journal of a window: every act is written down as it happens, so that nothing is lost when the program dies."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ctmeasure.app.places import JOURNALS, state_folder
from ctmeasure.app.session import Session, Step
from ctmeasure.case.document import case_from_json, case_to_json
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError

FORMAT = 1
KEPT_SETTINGS = ("results", "fitness", "pictures")
"""Parts of a case that follow from its inputs and are computed again."""


def journal_file(case: Case, path: Path | None) -> Path:
    """Where the journal of this case, opened from this place, stands.

    Raises
    ------
    OSError
        When the folder cannot be made.
    """
    folder = state_folder() / JOURNALS
    folder.mkdir(mode=0o700, exist_ok=True)
    place = str(path.resolve()) if path is not None else ""
    key = "\n".join((case.scan.content_hash, case.side, place))
    return folder / f"{hashlib.sha256(key.encode()).hexdigest()[:24]}.jsonl"


@dataclass(frozen=True, slots=True)
class Left:
    """How a window was left: the case, its steps back and forth, how it looked, and whether it was closed in order."""

    case: Case
    undo: tuple[tuple[str, Case], ...] = ()
    redo: tuple[tuple[str, Case], ...] = ()
    look: dict[str, Any] = field(default_factory=dict)
    in_order: bool = False

    @property
    def steps(self) -> int:
        """How many steps undo can take back."""
        return len(self.undo)


class Journal:
    """Writes every step of a session to a file, flushed to the disk before the next.

    Parameters
    ----------
    file
        Where; see `journal_file`.
    session
        Whose steps.

    Notes
    -----
    A line holds only what a step changed. When the disk refuses, ``trouble`` says so, the session goes on, and the
    whole state is written as soon as the disk takes it again.
    """

    def __init__(self, file: Path, session: Session) -> None:
        self._file, self._session = file, session
        self.trouble = ""
        self._whole_needed = True
        self._look: dict[str, Any] = {}
        self._inputs: dict[str, Any] = {}
        self._stop = session.watch(self._stepped)
        self._start_again()

    def note_look(self, look: dict[str, Any]) -> None:
        """Write down how the window looks, when that changed."""
        if look != self._look:
            self._look = dict(look)
            self._write({"look": self._look})

    def saved(self, text: str) -> None:
        """Write down that the case was saved as this text."""
        self._write({"saved": _hash(text)})

    def close(self) -> None:
        """The window is closed in order; doing so twice is harmless."""
        self._stop()
        self._stop = lambda: None
        self._write({"closed": True})

    def _stepped(self, step: Step) -> None:
        if step.kind != "do":
            self._write({step.kind: step.words})
            self._inputs = _inputs(self._session.case)
            return
        inputs = _inputs(step.case)
        changed = {key: value for key, value in inputs.items() if self._inputs.get(key) != value}
        line: dict[str, Any] = {"do": step.words, "changed": changed}
        if step.case.history:
            last = step.case.history[-1]
            line["entry"] = {"when": last.when, "action": last.action, "details": last.details}
        self._write(line)
        self._inputs = inputs

    def _start_again(self) -> None:
        """Write the whole state into a new file that then takes the old one's place."""
        session = self._session
        states = [case for _, case in session.steps_back] + [session.case]
        inputs = [_inputs(case) for case in states]
        lines: list[dict[str, Any]] = [{"format": FORMAT, "case": json.loads(_text(states[0]))}]
        for n, (words, _) in enumerate(session.steps_back):
            before, after = inputs[n], inputs[n + 1]
            line: dict[str, Any] = {"do": words, "changed": {k: v for k, v in after.items() if before.get(k) != v}}
            if states[n + 1].history:
                last = states[n + 1].history[-1]
                line["entry"] = {"when": last.when, "action": last.action, "details": last.details}
            lines.append(line)
        if self._look:
            lines.append({"look": self._look})
        try:
            beside = self._file.with_name(f"{self._file.name}.new")
            with beside.open("w", encoding="utf-8") as stream:
                stream.writelines(json.dumps(line, ensure_ascii=False) + "\n" for line in lines)
                stream.flush()
                os.fsync(stream.fileno())
            beside.replace(self._file)
        except OSError as error:
            self._say(error)
            return
        self._inputs, self._whole_needed, self.trouble = inputs[-1], False, ""

    def _write(self, line: dict[str, Any]) -> None:
        if self._whole_needed:
            self._start_again()
            return
        try:
            with self._file.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(line, ensure_ascii=False) + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            self._say(error)

    def _say(self, error: OSError) -> None:
        self._whole_needed = True
        self.trouble = (
            f"the last steps are not written down ({error.strerror or error}); free some room or save elsewhere"
        )


def left_behind(file: Path, case: Case, *, case_text: str = "") -> Left | None:
    """How a window on this case was left, when its journal belongs to the case as it stands.

    Parameters
    ----------
    file
        The journal.
    case
        The case as opened now.
    case_text
        Its text on the disk, to know whether it is what was saved last.

    Returns
    -------
    Left or None
        None without a journal, or when the case was changed by another program since; that journal is then set aside.

    Raises
    ------
    Nothing.
    """
    try:
        raw = file.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return None
    lines = _readable(raw)
    try:
        if not lines or lines[0].get("format") != FORMAT:
            _set_aside(file)
            return None
        base = case_from_json(json.dumps(lines[0]["case"]), name=file.name)
        saves = [line["saved"] for line in lines if "saved" in line]
        ours = _inputs(base) == _inputs(case) or (case_text and _hash(case_text) in saves)
        if ours:
            return _replayed(base, lines[1:])
    except (CtmeasureError, KeyError, TypeError, ValueError):
        pass
    _set_aside(file)
    return None


def _replayed(base: Case, lines: list[dict[str, Any]]) -> Left:
    state = base
    undo: list[tuple[str, Case]] = []
    redo: list[tuple[str, Case]] = []
    look: dict[str, Any] = {}
    in_order = False
    for line in lines:
        in_order = bool(line.get("closed"))
        if "do" in line:
            undo.append((line["do"], state))
            redo.clear()
            state = _changed(state, line)
        elif "undo" in line and undo:
            words, before = undo.pop()
            redo.append((words, state))
            state = before
        elif "redo" in line and redo:
            words, after = redo.pop()
            undo.append((words, state))
            state = after
        elif "look" in line:
            look = line["look"]
    return Left(state, tuple(undo), tuple(redo), look, in_order)


def _changed(case: Case, line: dict[str, Any]) -> Case:
    document = json.loads(_text(case)) | line["changed"]
    if "entry" in line:
        document["history"] = [*document["history"], line["entry"]]
    return case_from_json(json.dumps(document), name="journal")


def _readable(raw: list[str]) -> list[dict[str, Any]]:
    """The lines up to the first that is no whole record: a program that dies leaves at most half of its last line."""
    lines: list[dict[str, Any]] = []
    for text in raw:
        try:
            line = json.loads(text)
        except ValueError:
            break
        if not isinstance(line, dict):
            break
        lines.append(line)
    return lines


def _set_aside(file: Path) -> None:
    with contextlib.suppress(OSError):
        file.replace(file.with_suffix(".set-aside"))


def _text(case: Case) -> str:
    return case_to_json(replace(case, **dict.fromkeys(("results", "fitness")), pictures=()))  # type: ignore[arg-type]


def _inputs(case: Case) -> dict[str, Any]:
    """What a person entered, as plain data; without the history, whose times always differ."""
    document: dict[str, Any] = json.loads(_text(case))
    return {key: value for key, value in document.items() if key not in (*KEPT_SETTINGS, "history")}


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
