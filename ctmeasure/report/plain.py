"""Records as plain JSON values, and the fingerprint of a case."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping, Set
from functools import cache
from typing import Any

import numpy as np

from ctmeasure.case.model import Case

FINGERPRINT_LETTERS = 10


def plain(value: Any) -> Any:
    """A value as JSON can hold it: records become objects, arrays lists, and a number that is none becomes null.

    Parameters
    ----------
    value
        Dataclasses, mappings, sequences, arrays, numbers, text, None.

    Returns
    -------
    object
        Only dict, list, str, int, float, bool and None.

    Raises
    ------
    TypeError
        For anything else.

    Example
    -------
    >>> plain({"a": (1, float("nan")), "b": np.float64(2.0)})
    {'a': [1, None], 'b': 2.0}
    """
    kind = type(value)
    if kind in BARE:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if kind is tuple or kind is list:
        return [item if type(item) in BARE else plain(item) for item in value]
    names = _field_names(kind)  # type: ignore[arg-type]
    if names is not None:
        return {name: plain(getattr(value, name)) for name in names}
    return _rarely(value)


BARE = frozenset({str, int, bool, type(None)})
"""Types that JSON holds as they are; looked up first, for a plan has hundreds of thousands of them."""


@cache
def _field_names(kind: type[Any]) -> tuple[str, ...] | None:
    """Field names of a record's type, None for any other type."""
    return tuple(item.name for item in dataclasses.fields(kind)) if dataclasses.is_dataclass(kind) else None


def _rarely(value: Any) -> Any:
    """Everything but records, tuples, lists and bare values."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Set):
        return sorted(plain(item) for item in value)
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    raise TypeError(f"cannot write {type(value).__name__} as JSON")


def canonical_hash(value: Any) -> str:
    """SHA-256 (hex) of a value's plain form, the same on every run.

    Example
    -------
    >>> canonical_hash({"b": 1, "a": 2}) == canonical_hash({"a": 2, "b": 1})
    True
    """
    text = json.dumps(plain(value), sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def case_fingerprint(case: Case) -> str:
    """Short hash of what a case says: everything but its history (which holds times) and its stored pictures.

    Parameters
    ----------
    case
        Any case.

    Returns
    -------
    str
        Ten hexadecimal letters, printed on every page that may be compared with another.
    """
    result = case.results
    said = {
        "side": case.side,
        "scan": case.scan,
        "facts": case.facts,
        "landmarks": sorted(case.landmarks.values(), key=lambda mark: mark.id),
        "structures": case.structures,
        "sites": case.sites,
        "catalogues": case.catalogues,
        "audiograms": case.audiograms,
        "settings": case.settings,
        "seed": case.seed,
        "results": None
        if result is None
        else {f.name: getattr(result, f.name) for f in dataclasses.fields(result) if f.name not in UNHASHED},
    }
    return canonical_hash(said)[:FINGERPRINT_LETTERS]


UNHASHED = ("wall_map", "provenance", "attention")
"""Parts of a result that restate others, or that a stale picture may change."""
