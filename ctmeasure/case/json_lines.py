"""JSON with one record a line: compared line by line, and several times quicker to write than indented throughout."""

from __future__ import annotations

import json
from typing import Any

OPENED = 3
"""Levels that are laid out over lines; what lies deeper stays on its record's line."""


def json_lines(value: Any, *, levels: int = OPENED) -> str:
    """Strict JSON text of plain values.

    Parameters
    ----------
    value
        Only dict (with text keys), list, str, int, float, bool and None.
    levels
        How many levels of objects and lists are laid out, one entry a line.

    Returns
    -------
    str
        Ends in a line feed.

    Raises
    ------
    ValueError
        For a number that is not finite.
    TypeError
        For any other type.

    Example
    -------
    >>> print(json_lines({"a": [1, 2], "b": {"c": [[1, 2], [3, 4]]}}), end="")
    {
     "a": [1, 2],
     "b": {
      "c": [
       [1, 2],
       [3, 4]
      ]
     }
    }
    """
    encode = json.JSONEncoder(allow_nan=False, ensure_ascii=False).encode

    def laid_out(item: Any, depth: int) -> str:
        inner, end = "\n" + " " * (depth + 1), "\n" + " " * depth
        if depth < levels and isinstance(item, dict) and item:
            lines = (f"{encode(key)}: {laid_out(part, depth + 1)}" for key, part in item.items())
            return "{" + inner + f",{inner}".join(lines) + end + "}"
        if depth < levels and isinstance(item, list) and item and isinstance(item[0], (dict, list)):
            # A record of a list is one line, however deep the list lies.
            return "[" + inner + f",{inner}".join(encode(part) for part in item) + end + "]"
        return encode(item)

    return laid_out(value, 0) + "\n"
