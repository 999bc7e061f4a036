"""Bur paths as a hand may drill them: planned paths moved by standard normal draws. Arrays in, arrays out."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

HAND_COLUMNS = 7
"""Standard normals per draw: placement along the wall (2), along the normal, skid, tilt (2), exit."""


@njit(cache=True, nogil=True)
def drawn_paths(entry, direction, normal, along, around, tilt_a, tilt_b, downhill, depth, sd, hand, p, q, start, stop):  # type: ignore[no-untyped-def]
    """Paths of the bur's centre for every planned path and draw.

    Parameters
    ----------
    entry, direction, normal
        Shape (n, 3): planned entry points, unit drill directions, unit wall normals.
    along, around
        Shape (n, 3): unit vectors in the wall's tangent plane.
    tilt_a, tilt_b
        Shape (n, 3): unit vectors across the drill direction.
    downhill
        Shape (n, 3): unit vector in the tangent plane towards which an oblique bur skids.
    depth
        Shape (n,): planned travel of the bur's centre.
    sd
        Shape (n, 5): placement per axis, surface along the normal, skid, tilt per axis (radians), depth.
    hand
        Shape (b, 7): standard normal draws shared by all paths.
    p, q
        Output, shape (n, b, 3): ends of the paths.
    start, stop
        Planned paths to do.
    """
    for i in range(start, stop):
        for b in range(hand.shape[0]):
            place_a, place_b = sd[i, 0] * hand[b, 0], sd[i, 0] * hand[b, 1]
            lift, skid = sd[i, 1] * hand[b, 2], sd[i, 2] * hand[b, 3]
            lean_a, lean_b = sd[i, 3] * hand[b, 4], sd[i, 3] * hand[b, 5]
            travel = max(depth[i] + sd[i, 4] * hand[b, 6], 0.0)
            scale = travel / math.sqrt(1.0 + lean_a * lean_a + lean_b * lean_b)
            for c in range(3):
                at = (
                    entry[i, c]
                    + place_a * along[i, c]
                    + place_b * around[i, c]
                    + lift * normal[i, c]
                    + skid * downhill[i, c]
                )
                p[i, b, c] = at
                q[i, b, c] = at + scale * (direction[i, c] + lean_a * tilt_a[i, c] + lean_b * tilt_b[i, c])


@njit(cache=True, nogil=True)
def count_below(gaps, limits, counts):  # type: ignore[no-untyped-def]
    """Add to counts[i, k] how many of gaps[i] lie under limits[i, k]."""
    for i in range(gaps.shape[0]):
        for b in range(gaps.shape[1]):
            for k in range(limits.shape[1]):
                if gaps[i, b] < limits[i, k]:
                    counts[i, k] += 1


def empty_paths(paths: int, draws: int) -> tuple[np.ndarray, np.ndarray]:
    """Room for the ends of `paths` times `draws` bur paths.

    Example
    -------
    >>> empty_paths(2, 3)[0].shape
    (2, 3, 3)
    """
    return np.empty((paths, draws, 3)), np.empty((paths, draws, 3))
