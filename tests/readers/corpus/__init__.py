"""A good series and the named ways in which it can be damaged; see `registry` for what a damage is."""

from __future__ import annotations

from corpus import archives, copies, encodings, names, places, series, values
from corpus.registry import DAMAGES, Damage, Opened

__all__ = [
    "DAMAGES",
    "Damage",
    "Opened",
    "archives",
    "copies",
    "encodings",
    "names",
    "places",
    "series",
    "values",
]
