"""Words for what lies behind a hole: one space, or one and what else it may be."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

POSSIBLY = ", possibly "
"""Stands between the likeliest space and each other that remains possible."""


def join_spaces(spaces: Sequence[str]) -> str:
    """The likeliest space first, then what else it may be.

    Example
    -------
    >>> join_spaces(("mastoid cell", "dura"))
    'mastoid cell, possibly dura'
    """
    return POSSIBLY.join(spaces)


def spaces_of(words: str) -> tuple[str, ...]:
    """Every space that the words name, the likeliest first.

    Example
    -------
    >>> spaces_of("mastoid cell, possibly dura")
    ('mastoid cell', 'dura')
    """
    return tuple(words.split(POSSIBLY))


def names_any(words: str, spaces: Iterable[str]) -> bool:
    """Whether one of some spaces is named, as the likeliest or as a possible one.

    Example
    -------
    >>> names_any("mastoid cell, possibly dura", ("joint", "dura"))
    True
    """
    return not set(spaces_of(words)).isdisjoint(spaces)


def naming_any(words: NDArray[np.str_], spaces: Iterable[str]) -> NDArray[np.bool_]:
    """`names_any` over an array of words."""
    wanted = tuple(spaces)
    return np.array([names_any(str(word), wanted) for word in words], dtype=np.bool_).reshape(np.shape(words))
