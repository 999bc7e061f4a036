"""Plain descriptions of what a pane shows: pure data in flat coordinates (mm down, mm right)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .looks import RGBA

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """The reformatted scan: ``values`` (rows, columns), the flat position of its first pixel, and its grey window."""

    values: npt.NDArray[np.float32]
    first_flat: tuple[float, float]
    pixel_mm: float
    window: tuple[float, float]


@dataclass(frozen=True, eq=False, slots=True)
class Lines:
    """Line pieces: ``pieces_flat`` (n, 2, 2) start and end, ``colours`` (n, 4)."""

    pieces_flat: Floats
    colours: Floats


@dataclass(frozen=True, slots=True)
class Word:
    """A short text at a flat position, ``lift_px`` screen pixels above it."""

    text: str
    at_flat: tuple[float, float]
    colour: RGBA
    lift_px: float = 14.0


@dataclass(frozen=True, slots=True)
class Sight:
    """Which part of a plane a canvas shows: the flat position in its middle, and screen pixels a millimetre."""

    centre_flat: tuple[float, float]
    px_per_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class PaneLayers:
    """Everything one pane shows. ``edges`` maps left, right, top, bottom to the letters of that edge."""

    picture: Picture
    lines: Lines
    words: tuple[Word, ...]
    edges: Mapping[str, str]
    title: str
    held: Mapping[tuple[str, int], tuple[float, float]] = field(default_factory=dict)
    """Flat position of every landmark point that is drawn and can be taken hold of."""
