"""From flat coordinates to the pixels of a canvas, and how long a scale bar is. No toolkit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from . import looks
from .layers import Sight

Floats = npt.NDArray[np.float64]
BARS_MM = (20, 10, 5, 2, 1)
LONGEST_BAR = 0.3
"""A scale bar takes at most this share of the canvas."""


def screen_pieces(pieces_flat: Floats, sight: Sight, width_px: float, height_px: float) -> Floats:
    """Line pieces (n, 2, 2) in flat coordinates as x, y, x, y in pixels of the canvas, shape (n, 4).

    Parameters
    ----------
    pieces_flat
        Start and end of each: mm down, mm right.
    sight
        Which part of the plane is shown.
    width_px, height_px
        Size of the canvas.

    Example
    -------
    >>> screen_pieces(np.array([[[1.0, 2.0], [0.0, 0.0]]]), Sight((0.0, 0.0), 10.0), 200.0, 100.0).tolist()
    [[120.0, 60.0, 100.0, 50.0]]
    """
    shifted = (np.asarray(pieces_flat, dtype=np.float64) - sight.centre_flat) * sight.px_per_mm
    return (shifted[..., ::-1] + (width_px / 2.0, height_px / 2.0)).reshape(-1, 4)


def screen_spot(at_flat: tuple[float, float], sight: Sight, width_px: float, height_px: float) -> tuple[float, float]:
    """One flat position as x, y in pixels of the canvas."""
    down, right = np.subtract(at_flat, sight.centre_flat) * sight.px_per_mm
    return width_px / 2.0 + float(right), height_px / 2.0 + float(down)


def flat_spot(px: tuple[float, float], sight: Sight, width_px: float, height_px: float) -> tuple[float, float]:
    """The way back: the flat position under a pixel of the canvas.

    Example
    -------
    >>> sight = Sight((1.0, -2.0), 8.0)
    >>> flat_spot(screen_spot((3.0, 4.0), sight, 200.0, 100.0), sight, 200.0, 100.0)
    (3.0, 4.0)
    """
    down, right = sight.centre_flat
    return (
        float(down + (px[1] - height_px / 2.0) / sight.px_per_mm),
        float(right + (px[0] - width_px / 2.0) / sight.px_per_mm),
    )


def grey_bytes(values: npt.NDArray[np.float32], window: tuple[float, float]) -> npt.NDArray[np.uint8]:
    """Values through a grey window: 0 at its lower end and below, 255 at its upper end and above.

    Example
    -------
    >>> grey_bytes(np.array([[-600.0, 0.0, 500.0, 900.0]], dtype=np.float32), (-500.0, 500.0)).tolist()
    [[0, 127, 255, 255]]
    """
    low, high = window
    scaled = (values - np.float32(low)) * np.float32(255.0 / (high - low))
    return np.clip(scaled, 0.0, 255.0).astype(np.uint8)


def shadow_alpha(alpha: float) -> float:
    """How dark the line under a line is: a faint line has a fainter shadow, or only its shadow would be seen."""
    return float(looks.SHADOW[3]) * alpha**2


def bar_mm(px_per_mm: float, width_px: float) -> int:
    """How many millimetres the scale bar is long: the longest of `BARS_MM` that leaves room.

    Example
    -------
    >>> bar_mm(20.0, 740.0), bar_mm(6.0, 240.0)
    (10, 10)
    """
    return next((n for n in BARS_MM if n * px_per_mm <= LONGEST_BAR * width_px), BARS_MM[-1])
