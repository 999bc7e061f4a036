"""The supervisor's page: who struggles with what, and how far trainees agree with each other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.practice.progress import counted, cusum_words, hardest, length_pairs, reader_progress
from ctmeasure.uncertainty.observer.agreement import agreement

if TYPE_CHECKING:
    from ctmeasure.store.database import Store

LEAST_EARS = 3
"""Fewer ears in common give no agreement between trainees worth printing."""


def supervision(store: Store) -> dict[str, Any]:
    """Everybody's state as plain values.

    Parameters
    ----------
    store
        The database.

    Returns
    -------
    dict
        ``people`` (a row each) and ``between`` (agreement of needed lengths on the ears all of them did, or why none).

    Raises
    ------
    ctmeasure.store.database.StoreError
        When the database does not answer.
    """
    from ctmeasure.store.attempts import people

    rows = []
    for name in people(store):
        found = reader_progress(store, name)
        counting = [row for row in found.attempts if row.counts]
        worst = hardest(found.landmarks)
        errors = [row.mean_error_mm for row in counting if row.mean_error_mm is not None]
        rows.append(
            {
                "reader": name,
                "attempts": len(counting),
                "mean_error_mm": float(np.mean(errors)) if errors else None,
                "dangers": sum(len(row.dangers) for row in counting),
                "struggles_with": landmark_terms()[worst.id].label if worst else "",
                "cusum": cusum_words(found.cusum),
                "next": found.next_step,
            }
        )
    return {"people": rows, "between": _between(store, [row["reader"] for row in rows if row["attempts"]])}


def _between(store: Store, names: list[Any]) -> dict[str, Any]:
    table: dict[str, dict[str, float]] = {}
    for name in names:
        for record, score in counted(store, name):
            pair = length_pairs(score.content)
            if pair is not None and record.number == 1:
                table.setdefault(f"{record.set_name}/{record.task}", {})[name] = pair[0]
    readers = sorted({name for row in table.values() for name in row})
    full = [[row[name] for name in readers] for row in table.values() if len(row) == len(readers)]
    if len(readers) < 2 or len(full) < LEAST_EARS or np.ptp(full) == 0.0:
        return {"why": f"needs two people and {LEAST_EARS} ears that all of them planned a length for"}
    found = agreement(full)
    return {
        "readers": readers,
        "ears": len(full),
        "icc": found.absolute.value,
        "icc_95": [found.absolute.low_95, found.absolute.high_95],
        "sem_mm": found.sem_agreement,
    }


def supervision_lines(found: dict[str, Any]) -> tuple[str, ...]:
    """The page in words.

    Example
    -------
    >>> supervision_lines({"people": [], "between": {"why": "nobody yet"}})
    ('nobody has joined', 'between trainees: nobody yet')
    """
    lines = [] if found["people"] else ["nobody has joined"]
    for row in found["people"]:
        error = f"mean error {row['mean_error_mm']:.2f} mm" if row["mean_error_mm"] is not None else "nothing measured"
        struggle = f", struggles with the {row['struggles_with']}" if row["struggles_with"] else ""
        lines.append(f"{row['reader']}: {row['attempts']} attempts, {error}, {row['dangers']} dangerous{struggle}")
        lines.append(f"  {row['cusum']}")
        lines.append(f"  next: {row['next']}")
    between = found["between"]
    if "why" in between:
        lines.append(f"between trainees: {between['why']}")
    else:
        low, high = between["icc_95"]
        lines.append(
            f"between trainees ({', '.join(between['readers'])}; needed lengths of {between['ears']} ears): ICC(2,1) "
            f"{between['icc']:.2f} ({low:.2f} to {high:.2f}), standard error of measurement {between['sem_mm']:.2f} mm"
        )
    return tuple(lines)
