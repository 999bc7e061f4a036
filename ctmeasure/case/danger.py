"""Warnings in the order of what they may lead to, so that a page with room for a few shows the worst."""

from __future__ import annotations

import re
from collections.abc import Iterable

LADDER = (
    r"entered as .*the scan shows|no bone edge found",
    r"contradict|wrong side|other ear",
    r"facial|nerve|[Hh]eat|chorda|carotid|jugular|sigmoid|dura|tegmen|labyrinth",
    r"metal|moved|clipped|jump",
    r"was not looked at|not assessed|outside the scan|under soft tissue",
    r"limit|margin|loosened",
)
"""First the wall that may not be there, then what contradicts, what can be harmed, what spoils the picture, what nobody
looked at, and settings that were loosened."""
LEAST = re.compile(r"outside the published range|derived series|above the published|below the published")
"""A question of plausibility or of origin: said last."""


def by_danger(warnings: Iterable[str]) -> tuple[str, ...]:
    """Warnings, the most dangerous first; of one rung in the order they came.

    Example
    -------
    >>> by_danger(("x: outside the published range", "a derived series", "Heat: a hole lies under 2 mm", "noise"))
    ('Heat: a hole lies under 2 mm', 'noise', 'x: outside the published range', 'a derived series')
    """
    return tuple(sorted(warnings, key=_rung))


def _rung(words: str) -> int:
    if LEAST.search(words):
        return len(LADDER) + 1
    return next((rung for rung, pattern in enumerate(LADDER) if re.search(pattern, words)), len(LADDER))
