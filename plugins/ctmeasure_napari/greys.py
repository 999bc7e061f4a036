"""Grey windows: fixed ones in Hounsfield units, the scan's own range where it has none."""

from __future__ import annotations

import numpy as np

from ctmeasure.report.figures.slices import BONE_WINDOW_HU, GREY_PERCENTILES
from ctmeasure.volume.volume import Volume

from . import looks

Window = tuple[float, float]
OWN = "as dragged"
"""Name of the window that a drag with the right button makes."""
PX_FOR_WHOLE = 400.0
"""Pixels of a drag that change the window by its own width."""
NARROWEST = 20.0


def grey_windows(volume: Volume) -> dict[str, Window]:
    """Grey windows by name, the first one to start with.

    Parameters
    ----------
    volume
        Its unit decides: Hounsfield units have fixed windows, uncalibrated grey values their own range.

    Returns
    -------
    dict
        Name to lowest and highest value shown.
    """
    if volume.source.intensity_unit == "HU":
        return {"bone": BONE_WINDOW_HU, "middle ear": looks.MIDDLE_EAR_HU, "soft tissue": looks.SOFT_TISSUE_HU}
    sample = volume.values[::4, ::4, ::4]
    low, high = (float(v) for v in np.percentile(sample[np.isfinite(sample)], GREY_PERCENTILES))
    middle = low + 0.5 * (high - low)
    return {"whole range": (low, max(high, low + 1.0)), "darker half": (low, max(middle, low + 1.0))}


def dragged(window: Window, right_px: float, down_px: float) -> Window:
    """A window after a drag: right makes it wider, down makes the picture brighter.

    Parameters
    ----------
    window
        Lowest and highest value shown.
    right_px, down_px
        Movement on the screen.

    Returns
    -------
    tuple of float

    Example
    -------
    >>> dragged((-500.0, 1500.0), 400.0, 0.0), dragged((-500.0, 1500.0), 0.0, 40.0)
    ((-1500.0, 2500.0), (-700.0, 1300.0))
    """
    low, high = window
    width, level = high - low, 0.5 * (low + high)
    level -= width * down_px / PX_FOR_WHOLE
    wider = max(width * (1.0 + right_px / PX_FOR_WHOLE), NARROWEST)
    return level - 0.5 * wider, level + 0.5 * wider
