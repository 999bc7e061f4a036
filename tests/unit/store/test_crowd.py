"""People in processes of their own hand in at once; a database goes away in the middle of a hand-in. Nothing is lost.

Six processes by default, since each has to load its libraries; with ``CTMEASURE_CROWD=20`` in the environment the
twenty.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import practice_person as person
import pytest
from sqlalchemy import create_engine, text

from ctmeasure.store import attempts as book
from ctmeasure.store.database import Store, StoreError
from ctmeasure.store.people import export_person

PEOPLE = int(os.environ.get("CTMEASURE_CROWD", "6"))


def test_people_in_separate_processes_hand_in_at_once_and_nothing_is_lost(address: str, tmp_path: Path) -> None:
    go = tmp_path / "go"
    running = [
        subprocess.Popen(
            [sys.executable, person.__file__, address, str(n), str(go)], stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True,
        )
        for n in range(PEOPLE)
    ]  # fmt: skip
    try:
        until = time.monotonic() + 240.0
        while len(list(tmp_path.glob("ready-*"))) < PEOPLE and time.monotonic() < until:
            time.sleep(0.02)
        go.touch()
        said = [process.communicate(timeout=240.0)[1] for process in running]
    finally:
        for process in running:
            process.kill()
    assert [process.returncode for process in running] == [0] * PEOPLE, said
    store = Store(address)
    found = book.attempts(store, set_name="crowd")
    assert sorted(a.answer["who"] for a in found if a.answer) == list(range(PEOPLE))
    for record in found:
        assert record.answer is not None
        who = record.answer["who"]
        assert (record.reader, record.state) == (f"R{who}", book.HANDED_IN)
        assert book.steps(store, record.id) == tuple({"who": who, "step": s} for s in range(person.STEPS))
        assert [(s.number, s.content) for s in book.scores(store, record.id)] == [(1, {"who": who})]
        assert len(export_person(store, f"R{who}")["opened"]) == 1


def test_a_database_that_goes_away_in_the_middle_of_a_hand_in_leaves_the_attempt_open(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(address)
    book.join(store, "R1")
    record = book.begin(store, "R1", set_name="crowd", set_hash="5e7", task="ear-01", reference_hash="4ef")
    book.add_step(store, record.id, {"n": 1})
    touch, answer = book._touch, {"words": "x" * 200_000}

    def gone_after(connection: Any, *words: Any) -> None:
        """The row is locked and its time is written; then the disk is full, or the server lets go."""
        touch(connection, *words)
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("PRAGMA max_page_count=1")  # not one page more than there are
        else:
            own = connection.execute(text("SELECT pg_backend_pid()")).scalar()
            admin = create_engine(store.url, isolation_level="AUTOCOMMIT")
            with admin.connect() as other:
                other.execute(text("SELECT pg_terminate_backend(:own)"), {"own": own})
            admin.dispose()

    with monkeypatch.context() as broken:
        broken.setattr(book, "_touch", gone_after)
        with pytest.raises(StoreError, match="does not answer") as caught:
            book.hand_in(store, record.id, answer, reference_hash="4ef")
    assert "\n" not in str(caught.value)
    there = book.attempts(store)[0]
    assert (there.state, there.answer, there.active_s) == (book.OPEN, None, pytest.approx(record.active_s, abs=5.0))
    assert book.steps(store, record.id) == ({"n": 1},)
    assert book.hand_in(store, record.id, answer, reference_hash="4ef").answer == answer
