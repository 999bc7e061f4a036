"""The length tables: what each reconstruction needs and why, then its likeliest sizes."""

from __future__ import annotations

from collections.abc import Sequence

from ctmeasure.planning.lengths.table import GENERIC_NAME
from ctmeasure.planning.results import LengthRow, PlanResult
from ctmeasure.report.content import Column, Table
from ctmeasure.report.figures.lengths import likely_rows
from ctmeasure.report.numbers import fixed, flag_words, interval, probability
from ctmeasure.report.words import in_words

SIZES_PRINTED = 5
"""The likeliest sizes of a reconstruction; every size is in lengths.csv."""

GroupKey = tuple[str, ...]
"""Reconstruction, geometry, lateral and medial contact, and the implant when there is more than the generic one."""


def length_groups(rows: Sequence[LengthRow]) -> dict[GroupKey, list[LengthRow]]:
    """Rows of one reconstruction, geometry, pair of contacts and implant together, in the order they come."""
    groups: dict[GroupKey, list[LengthRow]] = {}
    for row in rows:
        groups.setdefault(row_key(row), []).append(row)
    return groups


def row_key(row: LengthRow) -> GroupKey:
    """The group of one row."""
    device = "" if row.catalogue in ("", GENERIC_NAME) else ", ".join(p for p in (row.catalogue, row.implant) if p)
    span = (row.reconstruction, row.geometry, row.lateral_contact, row.medial_contact)
    return (*span, device) if device else span


def group_words(key: GroupKey) -> str:
    """A reconstruction with its geometry, contacts and implant, in words.

    Example
    -------
    >>> group_words(("total", "as planned", "planned handle tip", "footplate_centre"))
    'total, as planned: planned handle tip to footplate centre'
    >>> group_words(("no operation", "", "", ""))
    'no operation'
    """
    reconstruction, geometry, lateral, medial = map(in_words, key[:4])
    head = ", ".join(part for part in (reconstruction, geometry) if part)
    contacts = " to ".join(part for part in (lateral, medial) if part)
    words = f"{head}: {contacts}" if contacts else head
    return f"{words} ({'; '.join(key[4:])})" if key[4:] else words


def length_tables(result: PlanResult) -> tuple[Table, ...]:
    """Both length tables.

    Parameters
    ----------
    result
        The plan.

    Returns
    -------
    tuple of Table
    """
    groups = length_groups(result.lengths)
    needs = (
        Column("", share=0.35),
        Column("Reconstruction and contacts", share=2.3),
        Column("Needed, mm (95 %)", share=1.3),
        Column("What goes with it", share=3.6),
    )
    sizes = (
        Column("", share=0.35),
        Column("Reconstruction", share=1.3),
        Column("Size, mm", numeric=True, share=0.9),
        Column("P(short)", numeric=True, share=1.2),
        Column("P(fits)", numeric=True, share=1.2),
        Column("P(long)", numeric=True, share=1.2),
        Column("Rank", numeric=True, share=0.7),
        Column("This size", share=2.6),
    )
    need_rows: list[tuple[str, ...]] = []
    size_rows: list[tuple[str, ...]] = []
    numbers: dict[GroupKey, int] = {}
    for key, rows in groups.items():
        shared = [flag for flag in rows[0].flags if all(flag in row.flags for row in rows)]
        needed = rows[0].needed
        if key[:4] not in numbers:
            numbers[key[:4]] = len(numbers) + 1
            words = f"{fixed(needed.value)} ({interval(needed)})" if needed else "not given"
            flags = (*shared, *(needed.flags if needed else ()))
            need_rows.append((str(numbers[key[:4]]), group_words(key[:4]), words, flag_words(flags)))
        likely = likely_rows(rows, count=SIZES_PRINTED)
        size_rows += [_size_row(numbers[key[:4]], row, shared) for row in likely]
    return (
        Table(
            "lengths",
            "Lengths",
            needs,
            tuple(need_rows),
            "Functional length, bearing surface to bearing surface; budgets are in plan.json.",
        ),
        Table(
            "sizes",
            "Sizes",
            sizes,
            tuple(size_rows),
            f"The {SIZES_PRINTED} likeliest sizes of each; all are in lengths.csv.",
            empty="no size can be offered",
        ),
    )


def _size_row(number: int, row: LengthRow, shared: Sequence[str]) -> tuple[str, ...]:
    own = flag_words(flag for flag in row.flags if flag not in shared)
    chances = (probability(p) for p in (row.p_short, row.p_fits, row.p_long))
    rank = str(row.rank) if row.rank is not None else "none"
    device = row_key(row)[4:]
    words = f"{row.reconstruction}, {device[0]}" if device else row.reconstruction
    return str(number), words, fixed(row.size_mm), *chances, rank, own
