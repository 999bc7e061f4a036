"""Compiled kernels of the synthetic ear: signed distances, painting on a fine grid, ray tracing, point-spread sampling.

A scene is a list of elements; each element is a short postfix program over primitive shapes. Distances are
negative inside, in millimetres, exact for planes, balls and round tubes and right to first order at the surface of
the other shapes; the surface itself (distance zero) is always exact, and that is what truth and pictures are made of.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

# Shape kinds.
ELLIPSOID = 1  # centre 3, axes 9 (rows), semi-axes 3
ROUND_TUBE = 2  # n, groups, rows of group balls x y z r, then n rows x y z r
PLANE = 3  # point 3, unit normal 3 (inside on the negative side)
CANAL = 4  # n, n_angle, n_depth, depth step, rim normal 3, 1/(n.u), rows of 9, plate table
HEIGHT_FIELD = 5  # z0, slope x, slope y, lipschitz, n, then rows: amplitude, cx, cy, sx, sy
ELLIPTIC_CYLINDER = 6  # centre 3, axes 9 (third row = axis), semi a, semi b, half length, widening per mm along axis
DRUM = 7  # centre 3, axes 9 (third row = outward normal), A, B, umbo a, umbo b, n, outer heights, inner heights
FOAM = 8  # spacing, half septum, share of missing walls, n, then n^3 rows: seed x y z in its cell, 1 if closed
BOX = 9  # centre 3, axes 9, half sizes 3, rounding

# Postfix operations.
OP_SHAPE = 1  # argument: index of the shape
OP_UNION = 2  # argument: blending radius
OP_INTERSECT = 3  # argument: blending radius
OP_SUBTRACT = 4  # argument: blending radius; first minus second
OP_GROW = 5  # argument: millimetres
OP_GUARD = 6  # argument: steps to skip when the top of the stack is further out than GUARD_MM

# Beyond this distance from the first operand of an intersection or subtraction the second is not looked at.
GUARD_MM = 1.2

STACK = 24
SCRATCH = STACK + 27 * 5 + 1

TUBE_GROUP = 6  # segments of a tube that share a bounding ball
TILE = 8
BLOCK = 4
# A distance that is right only to first order may be too large by this factor before a tile is taken as settled.
TILE_CAUTION = 1.4
FAR = 1.0e6


@njit(cache=True)
def _local(q, o, x, y, z):
    """Coordinates in the frame stored at q[o:o+12] (centre, then three rows)."""
    dx = x - q[o]
    dy = y - q[o + 1]
    dz = z - q[o + 2]
    a = q[o + 3] * dx + q[o + 4] * dy + q[o + 5] * dz
    b = q[o + 6] * dx + q[o + 7] * dy + q[o + 8] * dz
    c = q[o + 9] * dx + q[o + 10] * dy + q[o + 11] * dz
    return a, b, c


@njit(cache=True)
def _ellipsoid(q, o, x, y, z):
    a, b, c = _local(q, o, x, y, z)
    ra, rb, rc = q[o + 12], q[o + 13], q[o + 14]
    k0 = math.sqrt((a / ra) ** 2 + (b / rb) ** 2 + (c / rc) ** 2)
    k1 = math.sqrt((a / ra**2) ** 2 + (b / rb**2) ** 2 + (c / rc**2) ** 2)
    if k1 < 1e-9:
        return -min(ra, min(rb, rc))
    return k0 * (k0 - 1.0) / k1


@njit(cache=True)
def _round_tube(q, o, x, y, z):
    n = int(q[o])
    groups = int(q[o + 1])
    best = FAR
    base = o + 2 + 4 * groups
    if n == 1:
        return math.sqrt((x - q[base]) ** 2 + (y - q[base + 1]) ** 2 + (z - q[base + 2]) ** 2) - q[base + 3]
    for g in range(groups):
        if groups > 1:
            p = o + 2 + 4 * g
            # A group of segments lies in a ball; further away than the best found, it cannot matter.
            if math.sqrt((x - q[p]) ** 2 + (y - q[p + 1]) ** 2 + (z - q[p + 2]) ** 2) - q[p + 3] > best:
                continue
        for s in range(g * TUBE_GROUP, min((g + 1) * TUBE_GROUP, n - 1)):
            p = base + 4 * s
            ax, ay, az, ar = q[p], q[p + 1], q[p + 2], q[p + 3]
            bx, by, bz = q[p + 4] - ax, q[p + 5] - ay, q[p + 6] - az
            px, py, pz = x - ax, y - ay, z - az
            t = (px * bx + py * by + pz * bz) / (bx * bx + by * by + bz * bz)
            t = min(max(t, 0.0), 1.0)
            px -= t * bx
            py -= t * by
            pz -= t * bz
            d = math.sqrt(px * px + py * py + pz * pz) - (ar + t * (q[p + 7] - ar))
            if d < best:
                best = d
    return best


@njit(cache=True)
def _canal(q, o, x, y, z):
    """Elliptical tube along a polyline, grown by a table of plate thickness over wall angle and depth past the rim.

    Rows: centre 3, unit superior axis 3, unit posterior axis 3, semi-axis superior, semi-axis posterior (11 numbers).
    """
    n = int(q[o])
    n_angle = int(q[o + 1])
    n_depth = int(q[o + 2])
    step = q[o + 3]
    rows = o + 8
    best = FAR
    bs = 0
    bt = 0.0
    for s in range(n - 1):
        p = rows + 11 * s
        ax, ay, az = q[p], q[p + 1], q[p + 2]
        bx, by, bz = q[p + 11] - ax, q[p + 12] - ay, q[p + 13] - az
        px, py, pz = x - ax, y - ay, z - az
        t = (px * bx + py * by + pz * bz) / (bx * bx + by * by + bz * bz)
        t = min(max(t, 0.0), 1.0)
        d = (px - t * bx) ** 2 + (py - t * by) ** 2 + (pz - t * bz) ** 2
        if d < best:
            best = d
            bs = s
            bt = t
    p = rows + 11 * bs
    w = 1.0 - bt
    px = x - (w * q[p] + bt * q[p + 11])
    py = y - (w * q[p + 1] + bt * q[p + 12])
    pz = z - (w * q[p + 2] + bt * q[p + 13])
    a = (
        px * (w * q[p + 3] + bt * q[p + 14])
        + py * (w * q[p + 4] + bt * q[p + 15])
        + pz * (w * q[p + 5] + bt * q[p + 16])
    )
    b = (
        px * (w * q[p + 6] + bt * q[p + 17])
        + py * (w * q[p + 7] + bt * q[p + 18])
        + pz * (w * q[p + 8] + bt * q[p + 19])
    )
    ra = w * q[p + 9] + bt * q[p + 20]
    rb = w * q[p + 10] + bt * q[p + 21]
    along = px * px + py * py + pz * pz - a * a - b * b
    along = math.sqrt(along) if along > 0.0 else 0.0
    k0 = math.sqrt((a / ra) ** 2 + (b / rb) ** 2)
    k1 = math.sqrt((a / ra**2) ** 2 + (b / rb**2) ** 2)
    radial = -min(ra, rb) if k1 < 1e-9 else k0 * (k0 - 1.0) / k1
    if n_angle > 0:
        angle = math.atan2(b, a) / (2.0 * math.pi) * n_angle
        if angle < 0.0:
            angle += n_angle
        ia = int(angle)
        fa = angle - ia
        ia = ia % n_angle
        ja = (ia + 1) % n_angle
        depth = ((x - q[o + 8]) * q[o + 4] + (y - q[o + 9]) * q[o + 5] + (z - q[o + 10]) * q[o + 6]) * q[o + 7]
        # The table starts at the rim; rows[0] lies on the axis, its distance to the rim plane is stored in the table head.
        table = rows + 11 * n
        depth = (depth + q[table]) / step
        table += 1
        depth = min(max(depth, 0.0), n_depth - 1.001)
        idp = int(depth)
        fd = depth - idp
        v0 = q[table + ia * n_depth + idp] * (1.0 - fd) + q[table + ia * n_depth + idp + 1] * fd
        v1 = q[table + ja * n_depth + idp] * (1.0 - fd) + q[table + ja * n_depth + idp + 1] * fd
        radial -= v0 * (1.0 - fa) + v1 * fa
    if along > 1e-9 and (bs == 0 or bs == n - 2) and (bt <= 0.0 or bt >= 1.0):
        # Beyond the ends: flat ends.
        if radial > 0.0:
            return math.sqrt(radial * radial + along * along)
        return along
    return radial


@njit(cache=True)
def _height_field(q, o, x, y, z):
    h = q[o] + q[o + 1] * x + q[o + 2] * y
    n = int(q[o + 4])
    for s in range(n):
        p = o + 5 + 5 * s
        e = ((x - q[p + 1]) / q[p + 3]) ** 2 + ((y - q[p + 2]) / q[p + 4]) ** 2
        if e < 18.0:
            h += q[p] * math.exp(-e)
    return (h - z) * q[o + 3]


@njit(cache=True)
def _elliptic_cylinder(q, o, x, y, z):
    a, b, c = _local(q, o, x, y, z)
    ra = max(q[o + 12] + q[o + 15] * c, 0.02)
    rb = max(q[o + 13] + q[o + 15] * c, 0.02)
    k0 = math.sqrt((a / ra) ** 2 + (b / rb) ** 2)
    k1 = math.sqrt((a / ra**2) ** 2 + (b / rb**2) ** 2)
    radial = -min(ra, rb) if k1 < 1e-9 else k0 * (k0 - 1.0) / k1
    flat = abs(c) - q[o + 14]
    if radial > 0.0 and flat > 0.0:
        return math.sqrt(radial * radial + flat * flat)
    return max(radial, flat)


@njit(cache=True)
def _drum(q, o, x, y, z):
    """Sheet between two heights over the rim plane; heights run from the umbo (0) to the rim (1) and on as at 1."""
    a, b, c = _local(q, o, x, y, z)
    big_a, big_b = q[o + 12], q[o + 13]
    ua, ub = q[o + 14], q[o + 15]
    n = int(q[o + 16])
    pa = a / big_a
    pb = b / big_b
    va = pa - ua
    vb = pb - ub
    r = math.sqrt(va * va + vb * vb)
    if r < 1e-9:
        rho = 0.0
        reach = 1.0
    else:
        ea = va / r
        eb = vb / r
        half = ua * ea + ub * eb
        reach = -half + math.sqrt(max(half * half + 1.0 - ua * ua - ub * ub, 1e-6))
        rho = r / reach
    g = min(rho, 1.0) * (n - 1)
    i = int(g)
    if i > n - 2:
        i = n - 2
    f = g - i
    outer = q[o + 17 + i] * (1.0 - f) + q[o + 18 + i] * f
    inner = q[o + 17 + n + i] * (1.0 - f) + q[o + 18 + n + i] * f
    scale = (n - 1) / (reach * 0.5 * (big_a + big_b))
    slope_o = (q[o + 18 + i] - q[o + 17 + i]) * scale
    slope_i = (q[o + 18 + n + i] - q[o + 17 + n + i]) * scale
    if rho > 1.0:
        slope_o = 0.0
        slope_i = 0.0
    d_out = (c - outer) / math.sqrt(1.0 + slope_o * slope_o)
    d_in = (inner - c) / math.sqrt(1.0 + slope_i * slope_i)
    return max(d_out, d_in)


@njit(cache=True)
def _walls_missing(a, b, share):
    """Whether two neighbouring cells, by their table index, are joined (the same for (a, b) and (b, a))."""
    h = (a * 73856093 + b * 73856093) ^ ((a ^ b) * 19349663)
    return ((h >> 3) & 1023) < share * 1024.0


@njit(cache=True)
def _foam(q, o, x, y, z, scratch):
    """Cells between irregular walls: Voronoi cells of a shaken periodic lattice, some joined, some closed."""
    spacing, half = q[o], q[o + 1]
    missing = q[o + 2]
    n = int(q[o + 3])
    table = o + 4
    gx, gy, gz = x / spacing, y / spacing, z / spacing
    ci, cj, ck = int(math.floor(gx)), int(math.floor(gy)), int(math.floor(gz))
    best = FAR
    bm = 0
    m = 0
    for di in range(-1, 2):
        i = (ci + di) % n
        for dj in range(-1, 2):
            ij = (i * n + (cj + dj) % n) * n
            for dk in range(-1, 2):
                s = ij + (ck + dk) % n
                t = table + 4 * s
                sx = ci + di + q[t]
                sy = cj + dj + q[t + 1]
                sz = ck + dk + q[t + 2]
                p = STACK + 5 * m
                scratch[p], scratch[p + 1], scratch[p + 2] = sx, sy, sz
                d = (gx - sx) ** 2 + (gy - sy) ** 2 + (gz - sz) ** 2
                scratch[p + 3] = d
                scratch[p + 4] = s
                if d < best:
                    best = d
                    bm = m
                m += 1
    p = STACK + 5 * bm
    bx, by, bz = scratch[p], scratch[p + 1], scratch[p + 2]
    own = int(scratch[p + 4])
    edge = FAR
    for m in range(27):
        if m == bm:
            continue
        p = STACK + 5 * m
        gain = scratch[p + 3] - best
        wx, wy, wz = scratch[p] - bx, scratch[p + 1] - by, scratch[p + 2] - bz
        w2 = 4.0 * (wx * wx + wy * wy + wz * wz)
        # Compare squares first: the root is taken only for a nearer wall.
        if gain * gain < edge * edge * w2 and not _walls_missing(own, int(scratch[p + 4]), missing):
            edge = gain / math.sqrt(w2)
    edge *= spacing
    if q[table + 4 * own + 3] > 0.5:
        return half + edge
    return half - edge


@njit(cache=True)
def _box(q, o, x, y, z):
    a, b, c = _local(q, o, x, y, z)
    r = q[o + 15]
    a = abs(a) - q[o + 12] + r
    b = abs(b) - q[o + 13] + r
    c = abs(c) - q[o + 14] + r
    out = math.sqrt(max(a, 0.0) ** 2 + max(b, 0.0) ** 2 + max(c, 0.0) ** 2)
    return out + min(max(a, max(b, c)), 0.0) - r


@njit(cache=True)
def shape_distance(kind, q, o, x, y, z, scratch):
    """Signed distance of one primitive, its numbers at q[o:]."""
    if kind == ROUND_TUBE:
        return _round_tube(q, o, x, y, z)
    if kind == ELLIPSOID:
        return _ellipsoid(q, o, x, y, z)
    if kind == PLANE:
        return (x - q[o]) * q[o + 3] + (y - q[o + 1]) * q[o + 4] + (z - q[o + 2]) * q[o + 5]
    if kind == CANAL:
        return _canal(q, o, x, y, z)
    if kind == FOAM:
        return _foam(q, o, x, y, z, scratch)
    if kind == HEIGHT_FIELD:
        return _height_field(q, o, x, y, z)
    if kind == ELLIPTIC_CYLINDER:
        return _elliptic_cylinder(q, o, x, y, z)
    if kind == DRUM:
        return _drum(q, o, x, y, z)
    return _box(q, o, x, y, z)


@njit(cache=True)
def _smooth_min(a, b, k):
    if k <= 0.0:
        return min(a, b)
    h = max(k - abs(a - b), 0.0) / k
    return min(a, b) - h * h * k * 0.25


@njit(cache=True)
def element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch):
    """Signed distance of element `e`: run its postfix program on the stack scratch[:STACK]."""
    top = 0
    i = starts[e]
    end = starts[e + 1]
    while i < end:
        op = ops[i]
        if op == OP_SHAPE:
            s = int(args[i])
            scratch[top] = shape_distance(kinds[s], q, offsets[s], x, y, z, scratch)
            top += 1
        elif op == OP_UNION:
            top -= 1
            scratch[top - 1] = _smooth_min(scratch[top - 1], scratch[top], args[i])
        elif op == OP_INTERSECT:
            top -= 1
            scratch[top - 1] = -_smooth_min(-scratch[top - 1], -scratch[top], args[i])
        elif op == OP_SUBTRACT:
            top -= 1
            scratch[top - 1] = -_smooth_min(-scratch[top - 1], scratch[top], args[i])
        elif op == OP_GUARD:
            if scratch[top - 1] > GUARD_MM:
                i += int(args[i])
        else:
            scratch[top - 1] -= args[i]
        i += 1
    return scratch[0]


@njit(cache=True)
def _inside_box(boxes, e, x, y, z, margin):
    return (
        x >= boxes[e, 0] - margin
        and x <= boxes[e, 3] + margin
        and y >= boxes[e, 1] - margin
        and y <= boxes[e, 4] + margin
        and z >= boxes[e, 2] - margin
        and z <= boxes[e, 5] + margin
    )


@njit(cache=True, parallel=True)
def distances_at(e, starts, ops, args, kinds, offsets, q, points):
    """Signed distance of one element at many points (n, 3)."""
    out = np.empty(points.shape[0])
    for i in prange(points.shape[0]):
        scratch = np.empty(SCRATCH)
        out[i] = element_distance(
            e, starts, ops, args, kinds, offsets, q, points[i, 0], points[i, 1], points[i, 2], scratch
        )
    return out


@njit(cache=True)
def _top_element(starts, ops, args, kinds, offsets, q, boxes, x, y, z, scratch):
    """Index of the last painted element that holds the point (-1: none), and a safe step to the next surface."""
    step = FAR
    found = -1
    for e in range(starts.shape[0] - 2, -1, -1):
        if not _inside_box(boxes, e, x, y, z, 0.5):
            # Nothing of it within half a millimetre.
            step = min(step, 0.5)
            continue
        d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
        step = min(step, abs(d))
        if d < 0.0:
            found = e
            break
    return found, step


@njit(cache=True, parallel=True)
def top_elements(starts, ops, args, kinds, offsets, q, boxes, points):
    """Index of the painted element at each point (-1: nothing painted)."""
    out = np.empty(points.shape[0], np.int64)
    for i in prange(points.shape[0]):
        scratch = np.empty(SCRATCH)
        found, _ = _top_element(
            starts, ops, args, kinds, offsets, q, boxes, points[i, 0], points[i, 1], points[i, 2], scratch
        )
        out[i] = found
    return out


@njit(cache=True)
def trace_ray(starts, ops, args, kinds, offsets, q, boxes, start, direction, length, max_runs):
    """What a ray passes: runs of (element, from, to). Surfaces are found by guarded stepping, then bisection."""
    scratch = np.empty(SCRATCH)
    elements = np.empty(max_runs, np.int64)
    ends = np.empty(max_runs)
    runs = 0
    t = 0.0
    current, step = _top_element(starts, ops, args, kinds, offsets, q, boxes, start[0], start[1], start[2], scratch)
    while t < length and runs < max_runs - 1:
        ahead = min(t + min(max(0.4 * step, 0.004), 0.15), length)
        found, next_step = _top_element(
            starts, ops, args, kinds, offsets, q, boxes,
            start[0] + ahead * direction[0], start[1] + ahead * direction[1], start[2] + ahead * direction[2], scratch,
        )  # fmt: skip
        if found != current:
            low, high = t, ahead
            for _ in range(30):
                middle = 0.5 * (low + high)
                here, _s = _top_element(
                    starts, ops, args, kinds, offsets, q, boxes,
                    start[0] + middle * direction[0],
                    start[1] + middle * direction[1],
                    start[2] + middle * direction[2],
                    scratch,
                )  # fmt: skip
                if here == current:
                    low = middle
                else:
                    high = middle
                    found = here
            elements[runs] = current
            ends[runs] = high
            runs += 1
            current = found
            t = high
            step = 0.0
        else:
            t = ahead
            step = next_step
    elements[runs] = current
    ends[runs] = length
    runs += 1
    return elements[:runs], ends[:runs]


@njit(cache=True)
def _texture(lattice, spacing, x, y, z):
    """Smooth random field: trilinear in a periodic lattice."""
    n = lattice.shape[0]
    gx, gy, gz = x / spacing, y / spacing, z / spacing
    i, j, k = math.floor(gx), math.floor(gy), math.floor(gz)
    fx, fy, fz = gx - i, gy - j, gz - k
    i0, j0, k0 = int(i) % n, int(j) % n, int(k) % n
    i1, j1, k1 = (i0 + 1) % n, (j0 + 1) % n, (k0 + 1) % n
    c00 = lattice[i0, j0, k0] * (1 - fx) + lattice[i1, j0, k0] * fx
    c10 = lattice[i0, j1, k0] * (1 - fx) + lattice[i1, j1, k0] * fx
    c01 = lattice[i0, j0, k1] * (1 - fx) + lattice[i1, j0, k1] * fx
    c11 = lattice[i0, j1, k1] * (1 - fx) + lattice[i1, j1, k1] * fx
    return (c00 * (1 - fy) + c10 * fy) * (1 - fz) + (c01 * (1 - fy) + c11 * fy) * fz


@njit(cache=True)
def _mapped(m, o, k, j, i):
    return (
        m[0, 0] * k + m[0, 1] * j + m[0, 2] * i + o[0],
        m[1, 0] * k + m[1, 1] * j + m[1, 2] * i + o[1],
        m[2, 0] * k + m[2, 1] * j + m[2, 2] * i + o[2],
    )


@njit(cache=True, parallel=True)
def paint(
    out, map_matrix, map_origin, cover_mm, starts, ops, args, kinds, offsets, q, boxes,
    levels, textures, texture_spacing, textured_sd, background, keep_sign, midline
):  # fmt: skip
    """Paint a scene on a fine grid, each sample an average over its own cell (coverage by signed distance).

    Parameters
    ----------
    out
        Fine grid (nk, nj, ni) float32, written in place.
    map_matrix, map_origin
        Fine index (k, j, i) to the ear's own frame.
    cover_mm
        Width over which coverage goes from 0 to 1: the fine step.
    levels
        Grey level of each element's material.
    textures, texture_spacing, textured_sd
        Random fields, their lattice steps, and per element and field the relative standard deviation.
    background
        Level where nothing is painted.
    keep_sign, midline
        Samples with keep_sign * (x - midline) < 0 in the ear's frame are left as they are (0: all are painted).
    """
    nk, nj, ni = out.shape
    n_el = starts.shape[0] - 1
    tk, tj, ti = (nk + TILE - 1) // TILE, (nj + TILE - 1) // TILE, (ni + TILE - 1) // TILE
    n_tex = textures.shape[0]
    corner = math.sqrt(
        ((TILE - 1) * 0.5) ** 2
        * (
            map_matrix[0, 0] ** 2 + map_matrix[1, 0] ** 2 + map_matrix[2, 0] ** 2
            + map_matrix[0, 1] ** 2 + map_matrix[1, 1] ** 2 + map_matrix[2, 1] ** 2
            + map_matrix[0, 2] ** 2 + map_matrix[1, 2] ** 2 + map_matrix[2, 2] ** 2
        )
    )  # fmt: skip
    for tile in prange(tk * tj):
        scratch = np.empty(SCRATCH)
        chosen = np.empty(n_el, np.int64)
        near = np.empty(n_el, np.int64)
        settled = np.empty(n_el, np.bool_)
        bk = (tile // tj) * TILE
        bj = (tile % tj) * TILE
        small = corner * (BLOCK - 1.0) / (TILE - 1.0)
        for ib in range(ti):
            bi = ib * TILE
            x, y, z = _mapped(
                map_matrix, map_origin, bk + (TILE - 1) * 0.5, bj + (TILE - 1) * 0.5, bi + (TILE - 1) * 0.5
            )
            if keep_sign != 0.0 and keep_sign * (x - midline) < -corner:
                continue
            count = 0
            for e in range(n_el - 1, -1, -1):
                if not _inside_box(boxes, e, x, y, z, corner + cover_mm):
                    continue
                d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                if d > TILE_CAUTION * corner + cover_mm:
                    continue
                chosen[count] = e
                count += 1
                if d < -TILE_CAUTION * corner - cover_mm:
                    break
            for block in range((TILE // BLOCK) ** 3):
                sk = bk + BLOCK * (block // 4)
                sj = bj + BLOCK * ((block // 2) % 2)
                si = bi + BLOCK * (block % 2)
                if sk >= nk or sj >= nj or si >= ni:
                    continue
                x, y, z = _mapped(
                    map_matrix, map_origin, sk + (BLOCK - 1) * 0.5, sj + (BLOCK - 1) * 0.5, si + (BLOCK - 1) * 0.5
                )
                kept = 0
                for c in range(count):
                    e = chosen[c]
                    d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                    if d > TILE_CAUTION * small + cover_mm:
                        continue
                    near[kept] = e
                    settled[kept] = d < -TILE_CAUTION * small - cover_mm
                    kept += 1
                    if settled[kept - 1]:
                        break
                for k in range(sk, min(sk + BLOCK, nk)):
                    for j in range(sj, min(sj + BLOCK, nj)):
                        for i in range(si, min(si + BLOCK, ni)):
                            x, y, z = _mapped(map_matrix, map_origin, k, j, i)
                            if keep_sign != 0.0 and keep_sign * (x - midline) < 0.0:
                                continue
                            # From the top down: what lies under a full cover needs no evaluation.
                            value = 0.0
                            left = 1.0
                            for c in range(kept):
                                e = near[c]
                                share = 1.0
                                if not settled[c]:
                                    d = element_distance(e, starts, ops, args, kinds, offsets, q, x, y, z, scratch)
                                    if d >= 0.5 * cover_mm:
                                        continue
                                    if d > -0.5 * cover_mm:
                                        share = 0.5 - d / cover_mm
                                level = levels[e]
                                for f in range(n_tex):
                                    if textured_sd[e, f] != 0.0:
                                        level *= 1.0 + textured_sd[e, f] * _texture(
                                            textures[f], texture_spacing[f], x, y, z
                                        )
                                value += left * share * level
                                left *= 1.0 - share
                                if left <= 0.0:
                                    break
                            out[k, j, i] = value + left * background


@njit(cache=True, parallel=True)
def sample_axis(fine, weights, first, factor, count, axis):
    """Weighted sums along one axis: output n reads weights over fine[first + n * factor ...] (edges repeat)."""
    nk, nj, ni = fine.shape
    m = weights.shape[0]
    if axis == 0:
        out = np.empty((count, nj, ni), np.float32)
        for n in prange(count):
            for j in range(nj):
                for i in range(ni):
                    total = 0.0
                    for w in range(m):
                        s = min(max(first + n * factor + w, 0), nk - 1)
                        total += weights[w] * fine[s, j, i]
                    out[n, j, i] = total
        return out
    if axis == 1:
        out = np.empty((nk, count, ni), np.float32)
        for k in prange(nk):
            for n in range(count):
                for i in range(ni):
                    total = 0.0
                    for w in range(m):
                        s = min(max(first + n * factor + w, 0), nj - 1)
                        total += weights[w] * fine[k, s, i]
                    out[k, n, i] = total
        return out
    out = np.empty((nk, nj, count), np.float32)
    for k in prange(nk):
        for j in range(nj):
            for n in range(count):
                total = 0.0
                for w in range(m):
                    s = min(max(first + n * factor + w, 0), ni - 1)
                    total += weights[w] * fine[k, j, s]
                out[k, j, n] = total
    return out
