"""Bur paths as a hand may drill them, and their gaps to a structure, draw by draw. Arrays in, arrays out.

A structure is cut into elements (tube segments or triangles), each with a bounding ball. Kernels release the
interpreter lock and fill a part of their output; no number depends on another, so thread counts change nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ctmeasure.kernels.primitives import point_segment, segment_cone, segment_segment, segment_triangle

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
def _planes(elements, cones, which, p, q):  # type: ignore[no-untyped-def]
    """For each element a plane with the whole element behind it and, if they are apart, the path before it.

    Rows hold a unit normal n and the element's largest n . x. Whatever the path becomes, the element is at least as far
    as the nearer of its two ends lies before that plane, since both are convex.
    """
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    planes, out, foot, triangle = np.empty((which.size, 4)), np.empty(3), np.empty(3), np.empty((3, 3))
    for n in range(which.size):
        e = which[n]
        if cones:
            _, s, t = segment_segment(
                p[0], p[1], p[2], dx, dy, dz, elements[e, 0], elements[e, 1], elements[e, 2],
                elements[e, 3] - elements[e, 0], elements[e, 4] - elements[e, 1], elements[e, 5] - elements[e, 2],
            )  # fmt: skip
            for c in range(3):
                out[c] = elements[e, c] + t * (elements[e, 3 + c] - elements[e, c])
        else:
            _element_distance(elements, e, cones, p, dx, dy, dz, triangle, out, foot)
            _, s = point_segment(out[0], out[1], out[2], p[0], p[1], p[2], dx, dy, dz)
        nx, ny, nz = p[0] + s * dx - out[0], p[1] + s * dy - out[1], p[2] + s * dz - out[2]
        length = math.sqrt(nx * nx + ny * ny + nz * nz)
        if length < 1e-9:
            planes[n, 0], planes[n, 1], planes[n, 2], planes[n, 3] = 0.0, 0.0, 0.0, np.inf
            continue
        nx, ny, nz = nx / length, ny / length, nz / length
        far = -np.inf
        for corner in range(2 if cones else 3):
            at = 3 * corner
            reach = nx * elements[e, at] + ny * elements[e, at + 1] + nz * elements[e, at + 2]
            far = max(far, reach + elements[e, 6 + corner] if cones else reach)
        planes[n, 0], planes[n, 1], planes[n, 2], planes[n, 3] = nx, ny, nz, far
    return planes


@njit(cache=True, nogil=True)
def _before(planes, n, p, q):  # type: ignore[no-untyped-def]
    """How far the nearer end of a path lies before a plane."""
    near = planes[n, 0] * p[0] + planes[n, 1] * p[1] + planes[n, 2] * p[2]
    far = planes[n, 0] * q[0] + planes[n, 1] * q[1] + planes[n, 2] * q[2]
    return min(near, far) - planes[n, 3]


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
    by their distance from the planned path, and a draw looks only at those that may still win; of these, one whose
    separating plane keeps the drawn path far enough away is not measured either. Nothing that is left out can be
    nearer than what is given, so the gaps are those of the full search.
    """
    draws = hand.shape[0]
    kept, near, moved = np.empty(elements.shape[0], np.int64), np.empty(elements.shape[0]), np.empty(draws)
    p0, q0, ps, qs = np.empty(3), np.empty(3), np.empty((draws, 3)), np.empty((draws, 3))
    out, foot, triangle = np.empty(3), np.empty(3), np.empty((3, 3))
    nothing = np.zeros(HAND_COLUMNS)
    for i in range(start // draws, (stop + draws - 1) // draws):
        first, last = max(start - i * draws, 0), min(stop - i * draws, draws)
        _drawn(vectors[i], depth[i], sd[i], nothing, p0, q0)
        within, reach = -np.inf, 0.0
        for b in range(first, last):
            p, q = ps[b], qs[b]
            _drawn(vectors[i], depth[i], sd[i], hand[b], p, q)
            from_p, from_q = 0.0, 0.0
            for c in range(3):
                p[c] -= shift[b, c]
                q[c] -= shift[b, c]
                from_p += (p[c] - p0[c]) ** 2
                from_q += (q[c] - q0[c]) ** 2
            moved[b] = math.sqrt(max(from_p, from_q))
            reach = max(reach, moved[b])
            # Distance from the path to the undisturbed surface that corresponds to the limit.
            within = max(within, (limit[i] + bur + widening[b]) / scale[b])
        which, distance = _candidates(elements, cones, p0, q0, within, reach, kept, near)
        planes = _planes(elements, cones, which, p0, q0)
        for b in range(first, last):
            best = (limit[i] + bur + widening[b]) / scale[b]
            stop_at = (enough[i] + bur + widening[b]) / scale[b]
            found = False
            p, q = ps[b], qs[b]
            dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
            for n in range(which.size):
                if distance[n] - moved[b] >= best or best < stop_at:
                    break
                if _before(planes, n, p, q) >= best:
                    continue
                d = _element_distance(elements, which[n], cones, p, dx, dy, dz, triangle, out, foot)
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
