"""Whether a scan reaches far enough around what is marked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.volume.geometry import Geometry

REACH_MM = 5.0
"""How far a scan should reach beyond what is marked: a drill's over-travel and the far side of a wall (our own)."""


def coverage_doubts(geometry: Geometry, marked_lps: NDArray[np.float64] | None) -> tuple[str, ...]:
    """Say where the scan ends too close to what is marked.

    Parameters
    ----------
    geometry
        Grid of the scan.
    marked_lps
        Shape (n, 3), LPS mm; None or empty when nothing is marked yet.

    Returns
    -------
    tuple of str
        One sentence for each direction of the patient in which the scan ends within `REACH_MM` of a marked point.

    Raises
    ------
    GeometryError
        When the last axis is not 3.

    Example
    -------
    >>> coverage_doubts(Geometry((20, 60, 60), np.eye(4)), np.array([[10.0, 30.0, 2.0]]))
    ('the scan ends 2.0 mm right of the marked points: what lies beyond was not looked at',)
    """
    if marked_lps is None or not len(marked_lps):
        return ()
    index = geometry.to_kji(np.asarray(marked_lps, dtype=np.float64)).reshape(-1, 3)
    spacing, last = np.asarray(geometry.spacing_mm), np.asarray(geometry.shape_kji) - 1
    said = []
    for axis, direction in enumerate(geometry.directions_lps):
        for sign, left in ((-1.0, index[:, axis].min()), (1.0, last[axis] - index[:, axis].max())):
            distance = float(left * spacing[axis])
            if distance < REACH_MM:
                said.append(
                    f"the scan ends {max(distance, 0.0):.1f} mm {_towards(sign * direction)} the marked points: what "
                    "lies beyond was not looked at"
                )
    return tuple(said)


def _towards(direction_lps: NDArray[np.float64]) -> str:
    axis = int(np.argmax(np.abs(direction_lps)))
    words = (("right of", "left of"), ("in front of", "behind"), ("below", "above"))
    return words[axis][int(direction_lps[axis] > 0)]
