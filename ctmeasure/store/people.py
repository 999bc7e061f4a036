"""One person's data: all of it out, or all of it gone. And the whole store copied elsewhere."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Table, delete, func, insert, select, text

from ctmeasure.store.attempts import reader_id
from ctmeasure.store.database import Store, StoreError
from ctmeasure.store.tables import ATTEMPT, DRILL, IN_ORDER, OPENED, PRACTICE_SET, READER, SCORE, STEP

OF_ATTEMPTS = (SCORE, OPENED, STEP)
COPY_ROWS = 500
Chosen = tuple[Table, ColumnElement[bool]]


def export_person(store: Store, pseudonym: str) -> dict[str, Any]:
    """Everything that is stored of one person, as plain JSON values.

    Raises
    ------
    StoreError
        When nobody is known by that pseudonym.
    """
    with store.transaction() as connection:
        who = reader_id(connection, pseudonym)
        mine = select(ATTEMPT.c.id).where(ATTEMPT.c.reader_id == who)
        found: dict[str, Any] = {"pseudonym": pseudonym}
        chosen = list(_of_person(who))
        chosen += [(table, table.c.attempt_id.in_(mine)) for table in reversed(OF_ATTEMPTS)]
        for table, condition in chosen:
            rows = connection.execute(select(table).where(condition).order_by(table.c.id)).mappings()
            found[table.name] = [_plain(dict(row)) for row in rows]
        sets = connection.execute(select(PRACTICE_SET.c.id, PRACTICE_SET.c.name))
        names = {row.id: row.name for row in sets}
        for row in found["attempt"]:
            row["set"] = names[row.pop("set_id")]
        return found


def _of_person(who: int) -> tuple[Chosen, ...]:
    """The tables that name a person, with which rows are theirs."""
    return (READER, READER.c.id == who), (ATTEMPT, ATTEMPT.c.reader_id == who), (DRILL, DRILL.c.reader_id == who)


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """A row with its JSON texts as values."""
    for key in ("answer", "content", "flags"):
        if isinstance(row.get(key), str):
            row[key] = json.loads(row[key])
    return row


def delete_person(store: Store, pseudonym: str) -> dict[str, int]:
    """Delete everything of one person.

    Returns
    -------
    dict
        Rows that are gone, by table.

    Raises
    ------
    StoreError
        When nobody is known by that pseudonym.

    Notes
    -----
    Backups made earlier still hold the person; whoever keeps them must delete them too.
    """
    with store.transaction() as connection:
        who = reader_id(connection, pseudonym)
        mine = select(ATTEMPT.c.id).where(ATTEMPT.c.reader_id == who)
        chosen: list[Chosen] = [(table, table.c.attempt_id.in_(mine)) for table in OF_ATTEMPTS]
        chosen += reversed(_of_person(who))
        return {
            table.name: int(connection.execute(delete(table).where(condition)).rowcount) for table, condition in chosen
        }


def back_up(store: Store, target: Path) -> dict[str, int]:
    """Copy a store into one SQLite file, from either database; the file is a store that opens by itself.

    Parameters
    ----------
    store
        What to copy; others may go on working in it.
    target
        File to make; never overwritten.

    Returns
    -------
    dict
        Rows by table.

    Raises
    ------
    StoreError
        When the file exists or cannot be made; a broken-off copy is removed.
    """
    if target.exists():
        raise StoreError(f"'{target}' exists", expected="a new file", action="choose another --out")
    building = target.with_name(f".{target.name}.part")
    with suppress(FileNotFoundError):
        building.unlink()
    try:
        counts = copy_store(store, Store(building, clock=store.clock))
        building.rename(target)
        return counts
    finally:
        with suppress(FileNotFoundError):
            building.unlink()


def copy_store(source: Store, target: Store) -> dict[str, int]:
    """Copy every row into an empty store, in one transaction on either side; restores a backup as well.

    Raises
    ------
    StoreError
        When the target holds anything.
    """
    try:
        with source.transaction() as reading, target.transaction() as writing:
            if source.url.get_backend_name() == "postgresql":
                reading.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
            if any(writing.execute(select(func.count()).select_from(table)).scalar() for table in IN_ORDER):
                raise StoreError(f"'{target.shown}' holds data", expected="an empty store")
            counts = {}
            for table in IN_ORDER:
                rows = [dict(row) for row in reading.execute(select(table).order_by(table.c.id)).mappings()]
                for first in range(0, len(rows), COPY_ROWS):
                    writing.execute(insert(table), rows[first : first + COPY_ROWS])
                counts[table.name] = len(rows)
                if target.url.get_backend_name() == "postgresql":
                    _count_on(writing, table)
            return counts
    finally:
        target.close()


def _count_on(connection: Any, table: Table) -> None:
    """Let PostgreSQL number new rows after the copied ones."""
    highest = f'COALESCE((SELECT MAX(id) FROM "{table.name}"), 0) + 1'
    connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), {highest}, false)"))
