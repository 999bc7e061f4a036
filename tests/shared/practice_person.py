"""One person in a process of its own: waits for the word to go, then clicks, hands in and is scored."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from ctmeasure.store import attempts as book
from ctmeasure.store.database import Store

STEPS = 5


def main(address: str, number: int, go: Path) -> None:
    """Everything one person does to the store."""
    (go.parent / f"ready-{number}").touch()
    while not go.exists():
        time.sleep(0.005)
    store = Store(address)  # all of them also make the schema at once
    who = f"R{number}"
    book.join(store, who)
    record = book.begin(store, who, set_name="crowd", set_hash="5e7", task="ear-01", reference_hash="4ef")
    for step in range(STEPS):
        book.add_step(store, record.id, {"who": number, "step": step})
    book.hand_in(store, record.id, {"who": number}, reference_hash="4ef")
    book.note_opened(store, record.id, "4ef")
    book.add_score(store, record.id, {"who": number}, version="1")
    store.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
