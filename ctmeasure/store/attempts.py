"""Attempts: begun, kept click by click, handed in once, scored; nothing is ever overwritten."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Table, func, insert, select, update

from ctmeasure.store.database import Store, StoreError
from ctmeasure.store.tables import ATTEMPT, DRILL, OPENED, PRACTICE_SET, READER, SCORE, STEP

OPEN, HANDED_IN = "open", "handed in"
PSEUDONYM = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}", re.ASCII)
"""Letters, digits, - and _: nothing that looks like a name with a space or a mail address."""
PAUSE_S = 600.0
"""A longer stretch without a step counts as a pause, not as time at the task; our own choice."""
SET_BACK_FLAG = "the clock was set back during the attempt: its time is too short"
REPEAT_FLAG = "reference seen before"


@dataclass(frozen=True, slots=True)
class AttemptRecord:
    """One attempt as stored; times in UTC, ``active_s`` the time at the task without pauses."""

    id: int
    reader: str
    set_name: str
    task: str
    number: int
    state: str
    reference_hash: str
    started_at: str
    handed_in_at: str | None
    active_s: float
    flags: tuple[str, ...]
    answer: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class ScoreRecord:
    """One scoring of an attempt; number 1 is the one that counts, later ones only stand beside it."""

    number: int
    at: str
    version: str
    content: dict[str, Any]


def join(store: Store, pseudonym: str) -> None:
    """Make a person known by a pseudonym; known already is fine.

    Raises
    ------
    StoreError
        When the pseudonym looks like a name or address, or the database does not answer.
    """
    if not PSEUDONYM.fullmatch(pseudonym):
        raise StoreError(
            f"pseudonym '{pseudonym}'", expected="1 to 32 letters, digits, - or _", action="use no name or address"
        )
    with store.transaction() as connection:
        _insert_new(connection, READER, pseudonym=pseudonym, joined_at=store.now())


def people(store: Store) -> tuple[str, ...]:
    """All pseudonyms, sorted."""
    with store.transaction() as connection:
        return tuple(connection.execute(select(READER.c.pseudonym).order_by(READER.c.pseudonym)).scalars())


def reader_id(connection: Connection, pseudonym: str) -> int:
    """Row of a person.

    Raises
    ------
    StoreError
        When nobody of that pseudonym has joined.
    """
    found = connection.execute(select(READER.c.id).where(READER.c.pseudonym == pseudonym)).scalar()
    if found is None:
        raise StoreError(
            f"nobody is known as '{pseudonym}'", expected="a pseudonym that has joined", action="add --new once"
        )
    return int(found)


def begin(
    store: Store, pseudonym: str, *, set_name: str, set_hash: str, task: str, reference_hash: str, again: bool = False
) -> AttemptRecord:
    """Begin an attempt, or go on with the one that is open.

    Parameters
    ----------
    store
        The database.
    pseudonym
        Who.
    set_name, set_hash, task, reference_hash
        What, and the hashes as they are now.
    again
        Begin one more after one was handed in; it is flagged, since the reference has been seen.

    Returns
    -------
    AttemptRecord
        Open.

    Raises
    ------
    StoreError
        When the person is unknown, the set or reference is not the one that attempts were made with, or the task was
        handed in already.
    """
    with store.transaction() as connection:
        who, now = reader_id(connection, pseudonym), store.now()
        which = _set_id(connection, set_name, set_hash, now)
        mine = (ATTEMPT.c.reader_id == who) & (ATTEMPT.c.set_id == which) & (ATTEMPT.c.task == task)
        last = connection.execute(select(ATTEMPT).where(mine).order_by(ATTEMPT.c.number.desc())).first()
        if last is not None and last.state == OPEN:
            check_reference(last.reference_hash, reference_hash, task)
            _touch(connection, store, last)
            return _record(connection, last.id)
        if last is not None and not again:
            raise StoreError(
                f"task '{task}' was handed in by {pseudonym} on {last.handed_in_at}",
                expected="one attempt a task",
                action="look at its score, or begin another with --again",
            )
        others = ATTEMPT.c.set_id == which
        kept = connection.execute(select(ATTEMPT.c.reference_hash).where(others & (ATTEMPT.c.task == task))).scalar()
        if kept is not None:
            check_reference(kept, reference_hash, task)
        flags = [REPEAT_FLAG] if last is not None else []
        new = connection.execute(
            insert(ATTEMPT)
            .values(
                reader_id=who, set_id=which, task=task, number=(last.number if last else 0) + 1, state=OPEN,
                reference_hash=reference_hash, started_at=now, last_at=now, active_s=0.0, flags=json.dumps(flags),
            )
            .returning(ATTEMPT.c.id)
        ).scalar_one()  # fmt: skip
        return _record(connection, new)


def check_reference(kept: str, found: str, task: str) -> None:
    """Refuse a reference that is not the one attempts were made with.

    Raises
    ------
    StoreError
        When the hashes differ.
    """
    if kept != found:
        raise StoreError(
            f"the reference of task '{task}' was changed after attempts began (hash {found[:12]}, was {kept[:12]})",
            expected="the reference that was sealed",
            action="put the sealed file back, or make a new set under another name; no score was changed",
        )


def _set_id(connection: Connection, name: str, set_hash: str, now: str) -> int:
    _insert_new(connection, PRACTICE_SET, name=name, set_hash=set_hash, added_at=now)
    found = connection.execute(select(PRACTICE_SET).where(PRACTICE_SET.c.name == name)).one()
    if found.set_hash != set_hash:
        raise StoreError(
            f"set '{name}' was changed after attempts began (hash {set_hash[:12]}, was {found.set_hash[:12]})",
            expected="the set as it was",
            action="put it back, or give the changed set another name; no attempt was touched",
        )
    return int(found.id)


def add_step(store: Store, attempt_id: int, content: dict[str, Any]) -> int:
    """Keep one click of an open attempt; when this returns, it is on the disk.

    Parameters
    ----------
    store, attempt_id
        The attempt.
    content
        What was done, plain JSON values.

    Returns
    -------
    int
        Number of the step, from 1.

    Raises
    ------
    StoreError
        When the attempt is unknown or handed in, or the database does not answer.
    """
    with store.transaction() as connection:
        row = _open_row(connection, attempt_id)
        count = connection.execute(select(func.max(STEP.c.number)).where(STEP.c.attempt_id == attempt_id)).scalar()
        number = int(count or 0) + 1
        values = {"attempt_id": attempt_id, "number": number, "at": store.now(), "content": _text(content)}
        connection.execute(insert(STEP).values(**values))
        _touch(connection, store, row)
        return number


def steps(store: Store, attempt_id: int) -> tuple[dict[str, Any], ...]:
    """All steps of an attempt in order."""
    with store.transaction() as connection:
        mine = select(STEP.c.content).where(STEP.c.attempt_id == attempt_id).order_by(STEP.c.number)
        return tuple(json.loads(content) for content in connection.execute(mine).scalars())


def hand_in(store: Store, attempt_id: int, answer: dict[str, Any], *, reference_hash: str) -> AttemptRecord:
    """Hand in an attempt, once.

    Parameters
    ----------
    store, attempt_id
        The attempt.
    answer
        Plain JSON values.
    reference_hash
        As the sealed file is now.

    Returns
    -------
    AttemptRecord

    Raises
    ------
    StoreError
        When it was handed in before, is unknown, or its reference was changed.
    """
    with store.transaction() as connection:
        row = _open_row(connection, attempt_id)
        check_reference(row.reference_hash, reference_hash, row.task)
        _touch(connection, store, row)
        now = store.now()
        done = connection.execute(
            update(ATTEMPT)
            .where((ATTEMPT.c.id == attempt_id) & (ATTEMPT.c.state == OPEN))
            .values(state=HANDED_IN, handed_in_at=now, answer=_text(answer))
        )
        if done.rowcount != 1:  # another process was quicker
            raise _handed_in_before(row)
        return _record(connection, attempt_id)


def note_opened(store: Store, attempt_id: int, reference_hash: str) -> None:
    """Keep that the sealed reference was opened for a handed-in attempt.

    Raises
    ------
    StoreError
        When the attempt is still open: the reference stays shut until it is handed in.
    """
    with store.transaction() as connection:
        row = _row(connection, attempt_id)
        if row.state != HANDED_IN:
            raise StoreError(
                f"the attempt at task '{row.task}' is not handed in", expected="the answer first", action="hand it in"
            )
        values = {"attempt_id": attempt_id, "at": store.now(), "reference_hash": reference_hash}
        connection.execute(insert(OPENED).values(**values))


def add_score(store: Store, attempt_id: int, content: dict[str, Any], *, version: str) -> int:
    """Keep a scoring beside the earlier ones; returns its number."""
    with store.transaction() as connection:
        _row(connection, attempt_id)
        count = connection.execute(select(func.max(SCORE.c.number)).where(SCORE.c.attempt_id == attempt_id)).scalar()
        number = int(count or 0) + 1
        values = {"number": number, "at": store.now(), "version": version, "content": _text(content)}
        connection.execute(insert(SCORE).values(attempt_id=attempt_id, **values))
        return number


def scores(store: Store, attempt_id: int) -> tuple[ScoreRecord, ...]:
    """All scorings of an attempt, the one that counts first."""
    with store.transaction() as connection:
        rows = connection.execute(select(SCORE).where(SCORE.c.attempt_id == attempt_id).order_by(SCORE.c.number))
        return tuple(ScoreRecord(r.number, r.at, r.version, json.loads(r.content)) for r in rows)


def attempts(store: Store, *, reader: str | None = None, set_name: str | None = None) -> tuple[AttemptRecord, ...]:
    """Attempts in the order they were handed in, open ones last.

    Raises
    ------
    StoreError
        When the person is unknown or the database does not answer.
    """
    with store.transaction() as connection:
        chosen = select(ATTEMPT.c.id)
        if reader is not None:
            chosen = chosen.where(ATTEMPT.c.reader_id == reader_id(connection, reader))
        if set_name is not None:
            known = select(PRACTICE_SET.c.id).where(PRACTICE_SET.c.name == set_name)
            chosen = chosen.where(ATTEMPT.c.set_id.in_(known))
        found = [_record(connection, i) for i in connection.execute(chosen.order_by(ATTEMPT.c.id)).scalars()]
    return tuple(sorted(found, key=lambda a: (a.handed_in_at is None, a.handed_in_at or "", a.id)))


def add_drill(store: Store, pseudonym: str, *, kind: str, right: int, asked: int) -> None:
    """Keep the result of a drill."""
    with store.transaction() as connection:
        who = reader_id(connection, pseudonym)
        connection.execute(insert(DRILL).values(reader_id=who, at=store.now(), kind=kind, right=right, asked=asked))


def drills(store: Store, pseudonym: str) -> tuple[tuple[str, str, int, int], ...]:
    """(time, kind, right, asked) of a person's drills, in order."""
    with store.transaction() as connection:
        mine = select(DRILL).where(DRILL.c.reader_id == reader_id(connection, pseudonym)).order_by(DRILL.c.id)
        return tuple((r.at, r.kind, r.right, r.asked) for r in connection.execute(mine))


def _insert_new(connection: Connection, table: Table, **values: Any) -> None:
    """Insert a row unless one with its unique words stands there already, whoever was quicker."""
    from sqlalchemy.dialects import postgresql, sqlite

    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    connection.execute(dialect.insert(table).values(**values).on_conflict_do_nothing())


def _text(content: dict[str, Any]) -> str:
    return json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)


def _row(connection: Connection, attempt_id: int) -> Row[Any]:
    row = connection.execute(select(ATTEMPT).where(ATTEMPT.c.id == attempt_id).with_for_update()).first()
    if row is None:
        raise StoreError(f"no attempt {attempt_id}", expected="one that was begun", action="begin it with start")
    return row


def _open_row(connection: Connection, attempt_id: int) -> Row[Any]:
    row = _row(connection, attempt_id)
    if row.state != OPEN:
        raise _handed_in_before(row)
    return row


def _handed_in_before(row: Row[Any]) -> StoreError:
    return StoreError(
        f"task '{row.task}' was handed in before ({row.handed_in_at})",
        expected="one hand-in an attempt",
        action="the first one stands; begin another with --again",
    )


def _touch(connection: Connection, store: Store, row: Row[Any]) -> None:
    """Count the time since the last step; a pause adds nothing, a clock that was set back is flagged."""
    now = store.now()
    passed = (datetime.fromisoformat(now) - datetime.fromisoformat(row.last_at)).total_seconds()
    flags = json.loads(row.flags)
    if passed < 0 and SET_BACK_FLAG not in flags:
        flags.append(SET_BACK_FLAG)
    active = row.active_s + (passed if 0 <= passed <= PAUSE_S else 0.0)
    values = {"last_at": now, "active_s": active, "flags": json.dumps(flags)}
    connection.execute(update(ATTEMPT).where(ATTEMPT.c.id == row.id).values(**values))


def _record(connection: Connection, attempt_id: int) -> AttemptRecord:
    joined = ATTEMPT.join(READER, ATTEMPT.c.reader_id == READER.c.id).join(
        PRACTICE_SET, ATTEMPT.c.set_id == PRACTICE_SET.c.id
    )
    wanted = select(ATTEMPT, READER.c.pseudonym, PRACTICE_SET.c.name).select_from(joined)
    row = connection.execute(wanted.where(ATTEMPT.c.id == attempt_id)).one()
    return AttemptRecord(
        row.id, row.pseudonym, row.name, row.task, row.number, row.state, row.reference_hash, row.started_at,
        row.handed_in_at, row.active_s, tuple(json.loads(row.flags)), json.loads(row.answer) if row.answer else None,
    )  # fmt: skip
