"""A structure cut into elements and chunks with bounding balls, as the drawing kernel wants it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CHUNK = 8
"""Elements that share one bounding ball."""


class Elements(NamedTuple):
    """See `kernels.drilling.drawn_gaps`."""

    elements: Floats
    chunks: NDArray[np.int64]
    balls: Floats
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
    rows = np.column_stack([tube_lps[:-1], tube_lps[1:], radii_mm[:-1], radii_mm[1:], np.zeros((len(tube_lps) - 1, 5))])
    corners = np.stack([tube_lps[:-1], tube_lps[1:]], axis=1)
    reach = np.stack([radii_mm[:-1], radii_mm[1:]], axis=1)
    return _chunked(rows, corners, reach, [np.arange(i, min(i + CHUNK, len(rows))) for i in range(0, len(rows), CHUNK)],
                    cones=True)  # fmt: skip


def triangle_elements(triangles_lps: Floats) -> Elements:
    """Triangles grouped by halving along the longest side, so that each chunk is compact.

    Example
    -------
    >>> import numpy as np
    >>> triangle_elements(np.zeros((20, 3, 3))).chunks.tolist()[-1]
    20
    """
    centre = triangles_lps.mean(axis=1)
    radius = np.max(np.linalg.norm(triangles_lps - centre[:, None], axis=2), axis=1)
    rows = np.column_stack([triangles_lps.reshape(-1, 9), centre, radius])
    reach = np.zeros(triangles_lps.shape[:2])
    return _chunked(rows, triangles_lps, reach, _halved(np.arange(len(rows)), centre), cones=False)


def _halved(rows: NDArray[np.intp], centres: Floats) -> list[NDArray[np.intp]]:
    if len(rows) <= CHUNK:
        return [rows]
    part = centres[rows]
    axis = int(np.argmax(np.ptp(part, axis=0)))
    order = rows[np.argsort(part[:, axis], kind="stable")]
    middle = len(order) // 2
    return _halved(order[:middle], centres) + _halved(order[middle:], centres)


def _chunked(rows: Floats, corners: Floats, reach: Floats, groups: list[NDArray[np.intp]], *, cones: bool) -> Elements:
    order = np.concatenate(groups)
    balls = np.empty((len(groups), 4))
    for n, group in enumerate(groups):
        points = corners[group].reshape(-1, 3)
        centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
        radius = float(np.max(np.linalg.norm(points - centre, axis=1) + reach[group].ravel()))
        balls[n] = [*centre, radius]
    starts = np.concatenate([[0], np.cumsum([len(group) for group in groups])]).astype(np.int64)
    return Elements(np.ascontiguousarray(rows[order]), starts, balls, cones)
