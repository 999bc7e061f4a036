"""The supervisor's page: who struggles with what, and how far trainees agree with each other."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.practice.progress import PARTS, counted, cusum_words, hardest, length_pairs, reader_progress
from ctmeasure.uncertainty.observer.agreement import agreement
from ctmeasure.uncertainty.observer.differences import limits_of_agreement

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


Ears = dict[str, dict[str, float]]
"""One number of each person for each ear: ear, then person."""


def _between(store: Store, names: list[Any]) -> dict[str, Any]:
    """Agreement of needed lengths; per landmark the standard error of measurement of where it was placed."""
    lengths: Ears = {}
    placed: dict[str, list[Ears]] = {}
    for name in names:
        for record, score in counted(store, name):
            if record.number != 1:
                continue
            ear, pair = f"{record.set_name}/{record.task}", length_pairs(score.content)
            if pair is not None:
                lengths.setdefault(ear, {})[name] = pair[0]
            for point in score.content["points"]:
                if point["radial_mm"] is not None:
                    axes = placed.setdefault(point["id"], [{} for _ in PARTS])
                    for table, part in zip(axes, PARTS, strict=True):
                        table.setdefault(ear, {})[name] = point[part]
    found = between_people(lengths)
    return found | {"landmarks": {name: sem for name, axes in placed.items() if (sem := _placed_sem(axes)) is not None}}


def _placed_sem(axes: list[Ears]) -> float | None:
    """Standard error of measurement of a placement per axis, mm, between people; None with too little in common."""
    squares = []
    for table in axes:
        _, full = in_common(table)
        if len(full) < LEAST_EARS or np.ptp(full) == 0.0:
            return None
        squares.append(agreement(full).sem_agreement ** 2)
    return float(np.sqrt(np.mean(squares)))


def in_common(table: Ears) -> tuple[list[str], list[list[float]]]:
    """The people and ears that make a full table: who did the fewest ears is left out until enough are in common.

    Example
    -------
    >>> in_common({"a": {"R1": 1.0, "R2": 2.0}, "b": {"R1": 3.0, "R2": 4.0}, "c": {"R1": 1.0, "R2": 1.0, "R3": 5.0}})
    (['R1', 'R2'], [[1.0, 2.0], [3.0, 4.0], [1.0, 1.0]])
    """
    people = sorted({name for row in table.values() for name in row})
    while len(people) > 1:
        full = [[row[name] for name in people] for row in table.values() if all(name in row for name in people)]
        if len(full) >= LEAST_EARS:
            return people, full
        done = {name: sum(name in row for row in table.values()) for name in people}
        people.remove(min(reversed(people), key=lambda name: done[name]))
    return people, []


def between_people(table: Ears) -> dict[str, Any]:
    """Agreement of several people's readings of the same ears, as plain values.

    Parameters
    ----------
    table
        One reading of each person for each ear, mm; some may be missing.

    Returns
    -------
    dict
        ICC(2,1), standard error of measurement, and limits of agreement of every two people; or ``why`` not.

    Raises
    ------
    Nothing.
    """
    readers, full = in_common(table)
    if len(readers) < 2 or len(full) < LEAST_EARS or np.ptp(full) == 0.0:
        return {"why": f"needs two people and {LEAST_EARS} ears that all of them planned a length for", "pairs": []}
    found = agreement(full)
    pairs = []
    for first, second in combinations(sorted({name for row in table.values() for name in row}), 2):
        both = [(row[first], row[second]) for row in table.values() if first in row and second in row]
        if len(both) >= LEAST_EARS:
            limits = limits_of_agreement(*zip(*both, strict=True))
            pairs.append(
                {"first": first, "second": second, "ears": limits.count, "bias_mm": limits.bias,
                 "bias_95": list(limits.bias_95), "low_mm": limits.low, "low_95": list(limits.low_95),
                 "high_mm": limits.high, "high_95": list(limits.high_95), "readings_mm": both}
            )  # fmt: skip
    return {
        "readers": readers,
        "ears": len(full),
        "icc": found.absolute.value,
        "icc_95": [found.absolute.low_95, found.absolute.high_95],
        "sem_mm": found.sem_agreement,
        "pairs": pairs,
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
    for pair in between.get("pairs", ()):
        (bias, least, most) = (pair[key] for key in ("bias_95", "low_95", "high_95"))
        lines.append(
            f"  {pair['first']} less {pair['second']}, {pair['ears']} ears: bias {pair['bias_mm']:+.2f} mm "
            f"({bias[0]:+.2f} to {bias[1]:+.2f}), limits {pair['low_mm']:+.2f} ({least[0]:+.2f} to {least[1]:+.2f}) "
            f"and {pair['high_mm']:+.2f} ({most[0]:+.2f} to {most[1]:+.2f}) mm"
        )
    for name, sem in between.get("landmarks", {}).items():
        lines.append(
            f"  {landmark_terms()[name].label}: standard error of measurement between people {sem:.2f} mm an axis"
        )
    return tuple(lines)
