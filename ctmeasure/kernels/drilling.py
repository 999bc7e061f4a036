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
PLANE_FROM = 2
"""An element that a ball did not rule out so often gets a separating plane, which costs as much as a look at it."""
ELEMENT_COLUMNS = 13
"""A triangle: three corners. A tube segment: two ends, two radii, one unused. Then the bounding ball, 4 columns."""


TRAVEL_REACH, TRAVEL_STEP, TRAVEL_NODES = 4.0, 0.25, 33
"""The table of travel: its first and last node lie this far from 0 in standard normals, and how far nodes are apart."""


@njit(cache=True, nogil=True)
def _travel_change(sd, z):  # type: ignore[no-untyped-def]
    """Drawn less planned travel, read from the table that follows the standard deviations."""
    at = min(max((z + TRAVEL_REACH) / TRAVEL_STEP, 0.0), TRAVEL_NODES - 1.0)
    k = min(int(at), TRAVEL_NODES - 2)
    return sd[4 + k] + (at - k) * (sd[5 + k] - sd[4 + k])


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
def _candidates(elements, cones, p, q, r, within, reach, kept, near):  # type: ignore[no-untyped-def]
    """Elements that may be nearest to a part of the path p to q moved by up to `reach`, and how near they are at least.

    Every part begins at p and goes as far as r or farther. In order of nearness.
    """
    out, foot, triangle = np.empty(3), np.empty(3), np.empty((3, 3))
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    farthest = within
    if farthest == np.inf:
        for e in range(elements.shape[0]):
            away = _ball_distance(elements, e, p, r[0] - p[0], r[1] - p[1], r[2] - p[2])
            farthest = min(farthest, away + elements[e, 12] + reach)
    count = 0
    for e in range(elements.shape[0]):
        d = _ball_distance(elements, e, p, dx, dy, dz) - elements[e, 12]
        if d - reach < farthest:
            if cones:
                d = _element_distance(elements, e, cones, p, dx, dy, dz, triangle, out, foot)
                if d - reach >= farthest:
                    continue
            kept[count], near[count] = e, d
            count += 1
    order = np.argsort(near[:count])
    return kept[:count][order], near[:count][order]


@njit(cache=True, nogil=True)
def _plane(elements, e, cones, p, dx, dy, dz, triangle, out, foot, plane):  # type: ignore[no-untyped-def]
    """A plane with the whole element behind it and, if they are apart, the path before it.

    `plane` holds a unit normal n and the element's largest n . x. Whatever the path becomes, the element is at least as
    far as the nearer of its two ends lies before that plane, since both are convex.
    """
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
        plane[0], plane[1], plane[2], plane[3] = 0.0, 0.0, 0.0, np.inf
        return
    nx, ny, nz = nx / length, ny / length, nz / length
    far = -np.inf
    for corner in range(2 if cones else 3):
        at = 3 * corner
        reach = nx * elements[e, at] + ny * elements[e, at + 1] + nz * elements[e, at + 2]
        far = max(far, reach + elements[e, 6 + corner] if cones else reach)
    plane[0], plane[1], plane[2], plane[3] = nx, ny, nz, far


@njit(cache=True, nogil=True)
def _draw_paths(vectors, depth, sd, hand, shift, first, last, paths, moved):  # type: ignore[no-untyped-def]
    """Paths of one bore as the structure sees them; gives the shortest and the longest travel.

    `paths` (draws, 6): start and way. `moved`: how far the path's two ends lie at most from those of a path as planned
    with the same travel.
    """
    short, long = np.inf, 0.0
    for b in range(first, last):
        along, around, lift = sd[0] * hand[b, 0], sd[0] * hand[b, 1], sd[1] * hand[b, 2]
        skid, lean_a, lean_b = sd[2] * hand[b, 3], sd[3] * hand[b, 4], sd[3] * hand[b, 5]
        travel = max(depth + _travel_change(sd, hand[b, 6]), 0.0)
        short, long = min(short, travel), max(long, travel)
        scale = travel / math.sqrt(1.0 + lean_a * lean_a + lean_b * lean_b)
        near = far = 0.0
        for c in range(3):
            start = along * vectors[3, c] + around * vectors[4, c] + lift * vectors[2, c] + skid * vectors[7, c]
            start -= shift[b, c]
            way = scale * (vectors[1, c] + lean_a * vectors[5, c] + lean_b * vectors[6, c])
            end = start + way - travel * vectors[1, c]
            near += start * start
            far += end * end
            paths[b, c], paths[b, 3 + c] = vectors[0, c] + start, way
        moved[b] = math.sqrt(max(near, far))
    return short, long


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
        Shape (n,) planned travel; (n, 4 + nodes) standard deviations of placement per axis, surface along the normal,
        skid, tilt per axis (radians), then the table of drawn less planned travel at evenly spaced standard normals.
    hand, shift, widening, scale
        Draws: (b, 7) standard normals; (b, 3) shift of the structure, mm; (b,) growth of its radius, mm; (b,) factor on
        all lengths.
    bur
        Bur radius, mm.
    limit
        Shape (n,): gaps at or above this need not be known and are given as this; infinite: all are exact.
    enough
        Shape (n,): where finite, a gap is only told from `enough` and from `limit`: one that is given below either is
        below it, and one that is not is not; minus infinity: all are exact.
    elements, cones
        Shape (m, 13) elements; whether they are tube segments.
    gaps
        Output, shape (n, b).
    start, stop
        Which of the n * b gaps to fill, counted path by path.

    Notes
    -----
    Moving both ends of a path by at most h changes its distance to anything by at most h. A drawn path is a part of
    the planned path drawn out to the longest travel, moved so. Elements are therefore sorted once by how near they come
    to that, and a draw looks only at those that may still win; of these, one whose separating plane keeps the drawn
    path far enough away is not measured either. Nothing that is left out can be nearer than what is given, so the gaps
    are those of the full search.
    """
    draws, count = hand.shape[0], elements.shape[0]
    kept, near, moved, paths = np.empty(count, np.int64), np.empty(count), np.empty(draws), np.empty((draws, 6))
    planes, visits = np.empty((count, 4)), np.empty(count, np.int64)
    out, foot, triangle, p = np.empty(3), np.empty(3), np.empty((3, 3)), np.empty(3)
    origin, longest, shortest = np.empty(3), np.empty(3), np.empty(3)
    for i in range(start // draws, (stop + draws - 1) // draws):
        first, last = max(start - i * draws, 0), min(stop - i * draws, draws)
        short, long = _draw_paths(vectors[i], depth[i], sd[i], hand, shift, first, last, paths, moved)
        within, reach = -np.inf, 0.0
        for b in range(first, last):
            reach = max(reach, moved[b])
            # Distance from the path to the undisturbed surface that corresponds to the limit.
            within = max(within, (limit[i] + bur + widening[b]) / scale[b])
        for c in range(3):
            origin[c] = vectors[i, 0, c]
            longest[c] = origin[c] + long * vectors[i, 1, c]
            shortest[c] = origin[c] + short * vectors[i, 1, c]
        which, distance = _candidates(elements, cones, origin, longest, shortest, within, reach, kept, near)
        lx, ly, lz = depth[i] * vectors[i, 1, 0], depth[i] * vectors[i, 1, 1], depth[i] * vectors[i, 1, 2]
        visits[: which.size] = 0
        sides = enough[i] > -np.inf
        guess = 0
        for b in range(first, last):
            best = (limit[i] + bur + widening[b]) / scale[b]
            if which.size == 0 or distance[0] - moved[b] >= best:
                gaps[i, b] = limit[i]
                continue
            stop_at = (enough[i] + bur + widening[b]) / scale[b]
            found = False
            p[0], p[1], p[2] = paths[b, 0], paths[b, 1], paths[b, 2]
            dx, dy, dz = paths[b, 3], paths[b, 4], paths[b, 5]
            # What was nearest last time goes first: it is likely to be near, and spares a look at most of the others.
            asked, winner = best, guess
            for turn in range(which.size + 1):
                n = turn - 1 if turn else guess
                if turn and distance[n] - moved[b] >= asked:
                    break
                if (turn and n == guess) or distance[n] - moved[b] >= asked:
                    continue
                if _ball_distance(elements, which[n], p, dx, dy, dz) - elements[which[n], 12] >= asked:
                    continue
                if visits[n] == PLANE_FROM:
                    _plane(elements, which[n], cones, origin, lx, ly, lz, triangle, out, foot, planes[n])
                visits[n] += 1
                if visits[n] > PLANE_FROM:
                    at = planes[n, 0] * p[0] + planes[n, 1] * p[1] + planes[n, 2] * p[2]
                    on = planes[n, 0] * dx + planes[n, 1] * dy + planes[n, 2] * dz
                    if at + min(on, 0.0) - planes[n, 3] >= asked:
                        continue
                d = _element_distance(elements, which[n], cones, p, dx, dy, dz, triangle, out, foot)
                if d < best:
                    best, found, winner = d, True, n
                    if best < stop_at:
                        break
                    asked = stop_at if sides else best
            guess = winner
            gaps[i, b] = best * scale[b] - bur - widening[b] if found else limit[i]


@njit(cache=True, nogil=True)
def count_below(gaps, limits, counts):  # type: ignore[no-untyped-def]
    """Add to counts[i, k] how many of gaps[i] lie under limits[i, k]."""
    for i in range(gaps.shape[0]):
        for b in range(gaps.shape[1]):
            for k in range(limits.shape[1]):
                if gaps[i, b] < limits[i, k]:
                    counts[i, k] += 1
