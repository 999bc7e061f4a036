"""Compiled scalar building blocks for `ctmeasure.kernels.distances`: one point, segment, cone or triangle at a time.

Numba's disk cache of a caller does not notice a change in this file: after editing it, delete `__pycache__` here.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

PARALLEL = 1e-14
"""Squared sine of the angle below which two segments count as parallel; the edges of the unit square then decide."""


@njit(cache=True)
def clamp(numerator: float, squared: float) -> float:  # position on a segment, 0 to 1; 0 when it is a point
    if squared <= 0.0:
        return 0.0
    return min(max(numerator / squared, 0.0), 1.0)


@njit(cache=True)
def point_segment(xx, xy, xz, px, py, pz, dx, dy, dz):  # type: ignore[no-untyped-def]
    wx, wy, wz = xx - px, xy - py, xz - pz
    t = clamp(wx * dx + wy * dy + wz * dz, dx * dx + dy * dy + dz * dz)
    gx, gy, gz = wx - t * dx, wy - t * dy, wz - t * dz
    return math.sqrt(gx * gx + gy * gy + gz * gz), t


@njit(cache=True)
def gap(rx, ry, rz, d1x, d1y, d1z, d2x, d2y, d2z, s, t):  # type: ignore[no-untyped-def]
    gx = rx + s * d1x - t * d2x
    gy = ry + s * d1y - t * d2y
    gz = rz + s * d1z - t * d2z
    return math.sqrt(gx * gx + gy * gy + gz * gz)


@njit(cache=True)
def segment_segment(p1x, p1y, p1z, d1x, d1y, d1z, p2x, p2y, p2z, d2x, d2y, d2z):  # type: ignore[no-untyped-def]
    rx, ry, rz = p1x - p2x, p1y - p2y, p1z - p2z
    a = d1x * d1x + d1y * d1y + d1z * d1z
    e = d2x * d2x + d2y * d2y + d2z * d2z
    b = d1x * d2x + d1y * d2y + d1z * d2z
    c = d1x * rx + d1y * ry + d1z * rz
    f = d2x * rx + d2y * ry + d2z * rz
    determinant = a * e - b * b
    if determinant > PARALLEL * a * e:
        s = (b * f - c * e) / determinant
        t = (b * s + f) / e
        if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0:
            return gap(rx, ry, rz, d1x, d1y, d1z, d2x, d2y, d2z, s, t), s, t
    s, t = 0.0, clamp(f, e)
    best = gap(rx, ry, rz, d1x, d1y, d1z, d2x, d2y, d2z, s, t)
    for edge in range(3):
        if edge == 0:
            s_try, t_try = 1.0, clamp(b + f, e)
        elif edge == 1:
            s_try, t_try = clamp(-c, a), 0.0
        else:
            s_try, t_try = clamp(b - c, a), 1.0
        distance = gap(rx, ry, rz, d1x, d1y, d1z, d2x, d2y, d2z, s_try, t_try)
        if distance < best:
            best, s, t = distance, s_try, t_try
    return best, s, t


@njit(cache=True)
def point_cone(xx, xy, xz, cx, cy, cz, dx, dy, dz, r0, r1):  # type: ignore[no-untyped-def]
    """Least of |x - c(t)| - r(t), t in [0, 1]."""
    wx, wy, wz = xx - cx, xy - cy, xz - cz
    e = dx * dx + dy * dy + dz * dz
    grow = r1 - r0
    if grow * grow >= e:
        t = 1.0 if grow > 0.0 else 0.0
    else:
        length = math.sqrt(e)
        along = (wx * dx + wy * dy + wz * dz) / length
        across = math.sqrt(max(wx * wx + wy * wy + wz * wz - along * along, 0.0))
        slope = grow / length
        t = (along + slope * across / math.sqrt(1.0 - slope * slope)) / length
        t = min(max(t, 0.0), 1.0)
    gx, gy, gz = wx - t * dx, wy - t * dy, wz - t * dz
    return math.sqrt(gx * gx + gy * gy + gz * gz) - r0 - t * grow


@njit(cache=True)
def segment_cone(px, py, pz, d1x, d1y, d1z, cx, cy, cz, d2x, d2y, d2z, r0, r1):  # type: ignore[no-untyped-def]
    """Least of |p(s) - c(t)| - r(t) over the unit square; convex, so an inner critical point is the minimum."""
    if r0 == r1:
        distance, _, _ = segment_segment(px, py, pz, d1x, d1y, d1z, cx, cy, cz, d2x, d2y, d2z)
        return distance - r0
    rx, ry, rz = px - cx, py - cy, pz - cz
    a = d1x * d1x + d1y * d1y + d1z * d1z
    e = d2x * d2x + d2y * d2y + d2z * d2z
    b = d1x * d2x + d1y * d2y + d1z * d2z
    determinant = a * e - b * b
    grow = r1 - r0
    if determinant > PARALLEL * a * e:
        steep = 1.0 - grow * grow * a / determinant
        if steep > 0.0:
            c = d1x * rx + d1y * ry + d1z * rz
            f = d2x * rx + d2y * ry + d2z * rz
            nx, ny, nz = d1y * d2z - d1z * d2y, d1z * d2x - d1x * d2z, d1x * d2y - d1y * d2x
            height = abs(nx * rx + ny * ry + nz * rz) / math.sqrt(determinant)
            f += grow * height / math.sqrt(steep)
            s = (b * f - c * e) / determinant
            t = (b * s + f) / e
            if 0.0 <= s <= 1.0 and 0.0 <= t <= 1.0:
                return gap(rx, ry, rz, d1x, d1y, d1z, d2x, d2y, d2z, s, t) - r0 - t * grow
    best = point_cone(px, py, pz, cx, cy, cz, d2x, d2y, d2z, r0, r1)
    best = min(best, point_cone(px + d1x, py + d1y, pz + d1z, cx, cy, cz, d2x, d2y, d2z, r0, r1))
    distance, _ = point_segment(cx, cy, cz, px, py, pz, d1x, d1y, d1z)
    best = min(best, distance - r0)
    distance, _ = point_segment(cx + d2x, cy + d2y, cz + d2z, px, py, pz, d1x, d1y, d1z)
    return min(best, distance - r1)


@njit(cache=True)
def point_triangle(xx, xy, xz, tri, out):  # type: ignore[no-untyped-def]
    """Foot of x inside the triangle written to `out`, distance returned; -1 when the foot is outside."""
    ux, uy, uz = tri[1, 0] - tri[0, 0], tri[1, 1] - tri[0, 1], tri[1, 2] - tri[0, 2]
    vx, vy, vz = tri[2, 0] - tri[0, 0], tri[2, 1] - tri[0, 1], tri[2, 2] - tri[0, 2]
    wx, wy, wz = xx - tri[0, 0], xy - tri[0, 1], xz - tri[0, 2]
    uu, vv, uv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, ux * vx + uy * vy + uz * vz
    determinant = uu * vv - uv * uv
    if determinant <= PARALLEL * uu * vv:
        return -1.0
    wu, wv = wx * ux + wy * uy + wz * uz, wx * vx + wy * vy + wz * vz
    g, h = (vv * wu - uv * wv) / determinant, (uu * wv - uv * wu) / determinant
    if g < 0.0 or h < 0.0 or g + h > 1.0:
        return -1.0
    out[0], out[1], out[2] = tri[0, 0] + g * ux + h * vx, tri[0, 1] + g * uy + h * vy, tri[0, 2] + g * uz + h * vz
    return math.sqrt((xx - out[0]) ** 2 + (xy - out[1]) ** 2 + (xz - out[2]) ** 2)


@njit(cache=True)
def pierces(px, py, pz, dx, dy, dz, tri, out):  # type: ignore[no-untyped-def]
    """True when the segment meets the inside of the triangle (Moeller-Trumbore); the meeting point in `out`."""
    ux, uy, uz = tri[1, 0] - tri[0, 0], tri[1, 1] - tri[0, 1], tri[1, 2] - tri[0, 2]
    vx, vy, vz = tri[2, 0] - tri[0, 0], tri[2, 1] - tri[0, 1], tri[2, 2] - tri[0, 2]
    hx, hy, hz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
    determinant = ux * hx + uy * hy + uz * hz
    if determinant == 0.0:
        return False
    wx, wy, wz = px - tri[0, 0], py - tri[0, 1], pz - tri[0, 2]
    g = (wx * hx + wy * hy + wz * hz) / determinant
    if g < 0.0 or g > 1.0:
        return False
    kx, ky, kz = wy * uz - wz * uy, wz * ux - wx * uz, wx * uy - wy * ux
    h = (dx * kx + dy * ky + dz * kz) / determinant
    if h < 0.0 or g + h > 1.0:
        return False
    s = (vx * kx + vy * ky + vz * kz) / determinant
    if s < 0.0 or s > 1.0:
        return False
    out[0], out[1], out[2] = px + s * dx, py + s * dy, pz + s * dz
    return True


@njit(cache=True)
def segment_triangle(px, py, pz, dx, dy, dz, tri, out, foot):  # type: ignore[no-untyped-def]
    if pierces(px, py, pz, dx, dy, dz, tri, out):
        return 0.0
    best = np.inf
    for end in range(2):
        distance = point_triangle(px + end * dx, py + end * dy, pz + end * dz, tri, foot)
        if 0.0 <= distance < best:
            best = distance
            out[0], out[1], out[2] = foot[0], foot[1], foot[2]
    for edge in range(3):
        k = (edge + 1) % 3
        ex, ey, ez = tri[k, 0] - tri[edge, 0], tri[k, 1] - tri[edge, 1], tri[k, 2] - tri[edge, 2]
        distance, _, t = segment_segment(px, py, pz, dx, dy, dz, tri[edge, 0], tri[edge, 1], tri[edge, 2], ex, ey, ez)
        if distance < best:
            best = distance
            out[0], out[1], out[2] = tri[edge, 0] + t * ex, tri[edge, 1] + t * ey, tri[edge, 2] + t * ez
    return best
