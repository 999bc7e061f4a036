"""A structure cut into elements with bounding balls, as the drawing kernel wants it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Elements(NamedTuple):
    """See `kernels.drilling.drawn_gaps`."""

    elements: Floats
    cones: bool


def tube_elements(tube_lps: Floats, radii_mm: Floats) -> Elements:
    """Segments of a tube in order; one vertex makes one segment of length zero (a ball).

    Example
    -------
    >>> import numpy as np
    >>> tube_elements(np.eye(3), np.ones(3)).elements.shape
    (2, 13)
    """
    if len(tube_lps) == 1:
        tube_lps, radii_mm = np.repeat(tube_lps, 2, axis=0), np.repeat(radii_mm, 2)
    start, end, at_start, at_end = tube_lps[:-1], tube_lps[1:], radii_mm[:-1], radii_mm[1:]
    centre = 0.5 * (start + end)
    reach = 0.5 * np.linalg.norm(end - start, axis=1) + np.maximum(at_start, at_end)
    rows = np.column_stack([start, end, at_start, at_end, np.zeros(len(start)), centre, reach])
    return Elements(np.ascontiguousarray(rows), True)


def triangle_elements(triangles_lps: Floats) -> Elements:
    """Triangles, each with the ball around its centre.

    Example
    -------
    >>> import numpy as np
    >>> triangle_elements(np.zeros((20, 3, 3))).elements.shape
    (20, 13)
    """
    centre = triangles_lps.mean(axis=1)
    radius = np.max(np.linalg.norm(triangles_lps - centre[:, None], axis=2), axis=1)
    return Elements(np.ascontiguousarray(np.column_stack([triangles_lps.reshape(-1, 9), centre, radius])), False)
