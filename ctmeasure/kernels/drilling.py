"""Bur paths as a hand may drill them, and their gaps to a structure, draw by draw. Arrays in, arrays out.

A structure is cut into elements (tube segments or triangles), grouped into chunks with bounding balls. Kernels release
the interpreter lock and fill rows `start` to `stop`; a row never depends on another, so results do not depend on the
number of threads.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.primitives import point_segment, segment_cone, segment_triangle

HAND_COLUMNS = 7
"""Standard normals per draw: placement along the wall (2), along the normal, skid, tilt (2), exit."""
ELEMENT_COLUMNS = 13
"""A triangle: three corners, then its bounding ball. A tube segment: two ends, two radii, the rest unused."""


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
def drawn_gaps(  # type: ignore[no-untyped-def]
    vectors, depth, sd, hand, shift, widening, scale, bur, limit, enough, elements, chunks, balls, cones,
    gaps, start, stop,
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
    elements, chunks, balls, cones
        Shape (m, 13) elements; (k + 1,) first element of each chunk; (k, 4) bounding balls; whether they are tube
        segments.
    gaps
        Output, shape (n, b).
    start, stop
        Planned paths to do.
    """
    count = balls.shape[0]
    bound = np.empty(count)
    p0, q0, p, q = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    out, foot, triangle = np.empty(3), np.empty(3), np.empty((3, 3))
    nothing = np.zeros(HAND_COLUMNS)
    for i in range(start, stop):
        _drawn(vectors[i], depth[i], sd[i], nothing, p0, q0)
        for k in range(count):
            away, _ = point_segment(
                balls[k, 0], balls[k, 1], balls[k, 2],
                p0[0], p0[1], p0[2], q0[0] - p0[0], q0[1] - p0[1], q0[2] - p0[2],
            )  # fmt: skip
            bound[k] = away - balls[k, 3]
        order = np.argsort(bound)
        for b in range(hand.shape[0]):
            _drawn(vectors[i], depth[i], sd[i], hand[b], p, q)
            near, far = 0.0, 0.0
            for c in range(3):
                p[c] -= shift[b, c]
                q[c] -= shift[b, c]
                near += (p[c] - p0[c]) ** 2
                far += (q[c] - q0[c]) ** 2
            moved = math.sqrt(max(near, far))
            dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
            # Distance from the path to the undisturbed surface that corresponds to the limit.
            best = (limit[i] + bur + widening[b]) / scale[b]
            stop_at = (enough[i] + bur + widening[b]) / scale[b]
            found = False
            for n in range(count):
                k = order[n]
                if bound[k] - moved >= best or best < stop_at:
                    break
                away, _ = point_segment(balls[k, 0], balls[k, 1], balls[k, 2], p[0], p[1], p[2], dx, dy, dz)
                if away - balls[k, 3] >= best:
                    continue
                for e in range(chunks[k], chunks[k + 1]):
                    if best < stop_at:
                        break
                    if not cones:
                        away, _ = point_segment(
                            elements[e, 9], elements[e, 10], elements[e, 11], p[0], p[1], p[2], dx, dy, dz
                        )
                        if away - elements[e, 12] >= best:
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
