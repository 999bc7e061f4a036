"""What a damage is: a named function that spoils a folder, and what the reader must then do.

Three outcomes are allowed. `refused`: one line that matches. `warned`: exactly the true voxels at their true places,
and a warning that matches. `harmless`: exactly the true voxels and places, and not one warning. Truth is the array and
affine the series was written from, or what the damage says becomes true by it; it never comes from the reader.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from corpus.good import Series


@dataclass
class Opened:
    """What is to be opened after the damage, and what is then true; fields left out are the series' own."""

    path: Path | None = None
    hu: np.ndarray | None = None
    affine_lps: np.ndarray | None = None
    options: dict[str, Any] = field(default_factory=dict)
    during: Callable[[], AbstractContextManager[Any]] = nullcontext
    values_atol: float = 0.0
    places_atol_mm: float = 2e-8
    description: str | None = None


Act = Callable[[Series], Opened | None]


@dataclass(frozen=True)
class Damage:
    """One way to damage a series."""

    name: str
    act: Act
    refused: str = ""
    warned: str = ""
    harmless: bool = False


DAMAGES: dict[str, Damage] = {}


def register(name: str, act: Act, *, refused: str = "", warned: str = "", harmless: bool = False) -> None:
    """Add a damage; at least one outcome must be allowed."""
    assert name not in DAMAGES, name
    assert bool(refused) or bool(warned) or harmless, name
    DAMAGES[name] = Damage(name, act, refused, warned, harmless)


def damage(*, refused: str = "", warned: str = "", harmless: bool = False) -> Callable[[Act], Act]:
    """Add the decorated function under its own name."""

    def add(act: Act) -> Act:
        register(act.__name__.replace("_", " "), act, refused=refused, warned=warned, harmless=harmless)
        return act

    return add
