"""Bur paths as a hand may drill them, and their gaps to a structure, draw by draw. Arrays in, arrays out.

A structure is cut into elements (tube segments or triangles), each with a bounding ball. Kernels release the
interpreter lock and fill a part of their output; no number depends on another, so thread counts change nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.primitives import point_segment, segment_cone, segment_triangle

HAND_COLUMNS = 7
"""Standard normals per draw: placement along the wall (2), along the normal, skid, tilt (2), exit."""
ELEMENT_COLUMNS = 13
"""A triangle: three corners. A tube segment: two ends, two radii, one unused. Then the bounding ball, 4 columns."""


@njit(cache=True, nogil=True)
def _drawn(vectors, depth, sd, hand, p, q):  # type: ignore[no-untyped-def]
    """One drawn path: `vectors` (8, 3) are entry, direction, normal, along, around, tilt a, tilt b, downhill."""
    place_a, place_b = sd[0] * hand[0], sd[0] * hand[1]
    lift, skid = sd[1] * hand[2], sd[2] * hand[3]
    lean_a, lean_b = sd[3] * hand[4], sd[3] * hand[5]
    travel = max(depth + sd[4] * hand[6], 0.0)
    scale = travel / math.sqrt(1.0 + lean_a * lean_a + lean_b * lean_b)
    for c in range(3):
        p[c] = (
            vectors[0, c]
            + place_a * vectors[3, c]
            + place_b * vectors[4, c]
            + lift * vectors[2, c]
            + skid * vectors[7, c]
        )
        q[c] = p[c] + scale * (vectors[1, c] + lean_a * vectors[5, c] + lean_b * vectors[6, c])


@njit(cache=True, nogil=True)
def _element_distance(elements, e, cones, p, dx, dy, dz, triangle, out, foot):  # type: ignore[no-untyped-def]
    """Distance of a path from one element: to the surface of a tube segment, or to a triangle."""
    if cones:
        return segment_cone(
            p[0], p[1], p[2], dx, dy, dz, elements[e, 0], elements[e, 1], elements[e, 2],
            elements[e, 3] - elements[e, 0], elements[e, 4] - elements[e, 1], elements[e, 5] - elements[e, 2],
            elements[e, 6], elements[e, 7],
        )  # fmt: skip
    for corner in range(3):
        for c in range(3):
            triangle[corner, c] = elements[e, 3 * corner + c]
    return segment_triangle(p[0], p[1], p[2], dx, dy, dz, triangle, out, foot)


@njit(cache=True, nogil=True)
def _ball_distance(elements, e, p, dx, dy, dz):  # type: ignore[no-untyped-def]
    away, _ = point_segment(elements[e, 9], elements[e, 10], elements[e, 11], p[0], p[1], p[2], dx, dy, dz)
    return away


@njit(cache=True, nogil=True)
def _candidates(elements, cones, p, q, within, reach, kept, near):  # type: ignore[no-untyped-def]
    """Elements that may be nearest to a path moved by up to `reach`, nearest first, with their distances unmoved."""
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    out, foot, triangle = np.empty(3), np.empty(3), np.empty((3, 3))
    farthest = within
    for e in range(elements.shape[0]):
        near[e] = _ball_distance(elements, e, p, dx, dy, dz)
        farthest = min(farthest, near[e] + elements[e, 12] + reach)
    farthest += reach
    count = 0
    for e in range(elements.shape[0]):
        if near[e] - elements[e, 12] < farthest:
            d = _element_distance(elements, e, cones, p, dx, dy, dz, triangle, out, foot)
            if d < farthest:
                # Never ahead of e, so nothing still to be read is overwritten.
                kept[count], near[count] = e, d
                count += 1
    order = np.argsort(near[:count])
    return kept[:count][order], near[:count][order]


@njit(cache=True, nogil=True)
def drawn_gaps(  # type: ignore[no-untyped-def]
    vectors, depth, sd, hand, shift, widening, scale, bur, limit, enough, elements, cones, gaps, start, stop,
):  # fmt: skip
    """Gap between drawn bur paths and one drawn structure.

    Parameters
    ----------
    vectors
        Shape (n, 8, 3): planned entry point, unit drill direction, unit wall normal, two unit vectors in the wall, two
        across the drill, and the one in the wall towards which an oblique bur skids.
    depth, sd
        Shape (n,) planned travel; (n, 5) standard deviations of placement per axis, surface along the normal, skid,
        tilt per axis (radians), travel.
    hand, shift, widening, scale
        Draws: (b, 7) standard normals; (b, 3) shift of the structure, mm; (b,) growth of its radius, mm; (b,) factor on
        all lengths.
    bur
        Bur radius, mm.
    limit
        Shape (n,): gaps at or above this need not be known and are given as this; infinite: all are exact.
    enough
        Shape (n,): a gap found to be below this need not be found any smaller; minus infinity: all are exact.
    elements, cones
        Shape (m, 13) elements; whether they are tube segments.
    gaps
        Output, shape (n, b).
    start, stop
        Which of the n * b gaps to fill, counted path by path.

    Notes
    -----
    Moving both ends of a path by at most h changes its distance to anything by at most h. So elements are sorted once
    by their distance from the planned path, and a draw looks only at those that may still win.
    """
    draws = hand.shape[0]
    kept, near, moved = np.empty(elements.shape[0], np.int64), np.empty(elements.shape[0]), np.empty(draws)
    p0, q0, p, q = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    out, foot, triangle = np.empty(3), np.empty(3), np.empty((3, 3))
    nothing = np.zeros(HAND_COLUMNS)
    for i in range(start // draws, (stop + draws - 1) // draws):
        first, last = max(start - i * draws, 0), min(stop - i * draws, draws)
        _drawn(vectors[i], depth[i], sd[i], nothing, p0, q0)
        within, reach = -np.inf, 0.0
        for b in range(first, last):
            _drawn(vectors[i], depth[i], sd[i], hand[b], p, q)
            from_p, from_q = 0.0, 0.0
            for c in range(3):
                from_p += (p[c] - shift[b, c] - p0[c]) ** 2
                from_q += (q[c] - shift[b, c] - q0[c]) ** 2
            moved[b] = math.sqrt(max(from_p, from_q))
            reach = max(reach, moved[b])
            # Distance from the path to the undisturbed surface that corresponds to the limit.
            within = max(within, (limit[i] + bur + widening[b]) / scale[b])
        which, distance = _candidates(elements, cones, p0, q0, within, reach, kept, near)
        for b in range(first, last):
            best = (limit[i] + bur + widening[b]) / scale[b]
            stop_at = (enough[i] + bur + widening[b]) / scale[b]
            found = False
            if which.size > 0 and distance[0] - moved[b] < best:
                _drawn(vectors[i], depth[i], sd[i], hand[b], p, q)
                for c in range(3):
                    p[c] -= shift[b, c]
                    q[c] -= shift[b, c]
                dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
                for n in range(which.size):
                    if distance[n] - moved[b] >= best or best < stop_at:
                        break
                    e = which[n]
                    if _ball_distance(elements, e, p, dx, dy, dz) - elements[e, 12] >= best:
                        continue
                    d = _element_distance(elements, e, cones, p, dx, dy, dz, triangle, out, foot)
                    if d < best:
                        best, found = d, True
            gaps[i, b] = best * scale[b] - bur - widening[b] if found else limit[i]


@njit(cache=True, nogil=True)
def count_below(gaps, limits, counts):  # type: ignore[no-untyped-def]
    """Add to counts[i, k] how many of gaps[i] lie under limits[i, k]."""
    for i in range(gaps.shape[0]):
        for b in range(gaps.shape[1]):
            for k in range(limits.shape[1]):
                if gaps[i, b] < limits[i, k]:
                    counts[i, k] += 1
