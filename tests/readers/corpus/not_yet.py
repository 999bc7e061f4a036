"""Damages the reader does not meet yet, and how it falls short: each must fail until its line is taken out."""

from __future__ import annotations

NOT_YET: dict[str, str] = {
    "file meta information that never ends": "EOFError reaches the caller",
    "last slice of no samples": "nothing says that a slice of this series was set aside as a secondary capture",
}
