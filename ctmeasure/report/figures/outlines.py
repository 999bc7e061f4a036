"""Cells of a grid joined into few outlines, so that a pattern runs through without seams and the file stays small."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Corner = tuple[int, int]


def merged_outlines(mask: npt.NDArray[np.bool_]) -> list[list[Corner]]:
    """Outlines of the marked cells of a grid.

    Parameters
    ----------
    mask
        Shape (rows, columns); cell (r, c) lies between the corners (c, r) and (c + 1, r + 1).

    Returns
    -------
    list of list of (column, row)
        Corners of every outline without the first one again; outer outlines turn one way and holes the other, so
        that a nonzero winding rule fills just the marked cells.

    Example
    -------
    >>> merged_outlines(np.array([[True, True]]))
    [[(0, 0), (2, 0), (2, 1), (0, 1)]]
    """
    onward = _edges(mask)
    outlines = []
    for start in sorted(onward):
        while onward.get(start):
            outline, at = [start], onward[start].pop()
            while at != start:
                outline.append(at)
                at = onward[at].pop()
            outlines.append(_corners_only(outline))
    return outlines


def _edges(mask: npt.NDArray[np.bool_]) -> dict[Corner, list[Corner]]:
    """Directed edges between a marked cell and an unmarked one, by their first corner; the marked cell lies left."""
    padded = np.pad(mask, 1)
    onward: dict[Corner, list[Corner]] = {}
    sides = (
        (padded[:-2, 1:-1], (0, 0), (1, 0)),
        (padded[1:-1, 2:], (1, 0), (1, 1)),
        (padded[2:, 1:-1], (1, 1), (0, 1)),
        (padded[1:-1, :-2], (0, 1), (0, 0)),
    )
    for neighbour, (c0, r0), (c1, r1) in sides:
        for r, c in np.argwhere(mask & ~neighbour).tolist():
            onward.setdefault((c + c0, r + r0), []).append((c + c1, r + r1))
    return onward


def _corners_only(outline: list[Corner]) -> list[Corner]:
    """An outline without the corners it runs straight through."""
    count = len(outline)
    kept = []
    for i, (c, r) in enumerate(outline):
        (c0, r0), (c1, r1) = outline[i - 1], outline[(i + 1) % count]
        if not (c0 == c == c1 or r0 == r == r1):
            kept.append((c, r))
    return kept
