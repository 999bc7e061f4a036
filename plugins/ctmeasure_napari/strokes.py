"""Lines and words of a pane as arrays, each over a dark shadow so that it reads on bone and on air. No toolkit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from . import looks
from .layers import Lines, Word

Floats = npt.NDArray[np.float64]


def stroked(lines: Lines, px_per_mm: float, *, shadow: bool) -> tuple[Floats, Floats, float]:
    """Line pieces as start and direction (n, 2, 2), their colours (n, 4) and their width in mm.

    Parameters
    ----------
    lines
        What to draw.
    px_per_mm
        The zoom.
    shadow
        Whether this is the dark line under the line.
    """
    vectors = np.stack([lines.pieces_flat[:, 0], lines.pieces_flat[:, 1] - lines.pieces_flat[:, 0]], axis=1)
    if not shadow:
        return vectors, lines.colours, looks.LINE_PX / px_per_mm
    dark = np.tile(looks.SHADOW[:3], (len(lines.colours), 1))
    colours = np.column_stack([dark, looks.SHADOW[3] * lines.colours[:, 3] ** 2])
    return vectors, colours, looks.SHADOW_PX / px_per_mm


def lettered(words: tuple[Word, ...], px_per_mm: float) -> tuple[list[str], Floats, Floats]:
    """Each word four times in black a pixel aside, then once in its colour: texts, positions (n, 2), colours (n, 4)."""
    copies = [
        (word.text, (word.at_flat[0] + (down - word.lift_px) / px_per_mm, word.at_flat[1] + right / px_per_mm), colour)
        for down, right, shadow in ((-1, -1, True), (-1, 1, True), (1, -1, True), (1, 1, True), (0, 0, False))
        for word in words
        for colour in ((0.0, 0.0, 0.0, 1.0) if shadow else word.colour,)
    ]
    positions = np.array([at for _, at, _ in copies], dtype=np.float64).reshape(-1, 2)
    colours = np.array([colour for _, _, colour in copies], dtype=np.float64).reshape(-1, 4)
    return [text for text, _, _ in copies], positions, colours
