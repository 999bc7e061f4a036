"""Signed distances of the primitive shapes.

Negative inside, in millimetres; exact for planes, balls and round tubes, right to first order at the surface of the
other shapes. The surface itself (distance zero) is always exact, and that is what truth and pictures are made of.
"""

from __future__ import annotations

import math

from numba import njit

# Shape kinds.
ELLIPSOID = 1  # centre 3, axes 9 (rows), semi-axes 3
ROUND_TUBE = 2  # n, groups, rows of group balls x y z r, then n rows x y z r
PLANE = 3  # point 3, unit normal 3 (inside on the negative side)
CANAL = 4  # n, n_angle, n_depth, depth step, rim normal 3, 1/(n.u), rows of 11, rim offset, plate table
HEIGHT_FIELD = 5  # z0, slope x, slope y, lipschitz, n, then rows: amplitude, cx, cy, sx, sy
ELLIPTIC_CYLINDER = 6  # centre 3, axes 9 (third row = axis), semi a, semi b, half length, widening per mm along axis
DRUM = 7  # centre 3, axes 9 (third row = outward normal), A, B, umbo a, umbo b, n, outer heights, inner heights
FOAM = 8  # spacing, half septum, share of missing walls, n, then n^3 rows: seed x y z in its cell, 1 if closed
BOX = 9  # centre 3, axes 9, half sizes 3, rounding

TUBE_GROUP = 6  # segments of a tube that share a bounding ball
FAR = 1.0e6
# How deep in the air a missing wall counts as: over half a fine step, under a whole one.
MISSING_WALL_MM = 0.09

# Scratch numbers of one evaluation: the postfix stack first, then 27 neighbours of a foam cell, 5 numbers each.
STACK = 24
SCRATCH = STACK + 27 * 5 + 1


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
def _beyond(q, end, before, x, y, z):
    """How far a point lies beyond the flat end of a polyline, given the places of its last two vertices."""
    tx, ty, tz = q[end] - q[before], q[end + 1] - q[before + 1], q[end + 2] - q[before + 2]
    length = math.sqrt(tx * tx + ty * ty + tz * tz)
    return ((x - q[end]) * tx + (y - q[end + 1]) * ty + (z - q[end + 2]) * tz) / length


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
        # The table starts at the rim; its head holds the depth of the first vertex.
        table = rows + 11 * n
        depth = (depth + q[table]) / step
        table += 1
        depth = min(max(depth, 0.0), n_depth - 1.001)
        idp = int(depth)
        fd = depth - idp
        v0 = q[table + ia * n_depth + idp] * (1.0 - fd) + q[table + ia * n_depth + idp + 1] * fd
        v1 = q[table + ja * n_depth + idp] * (1.0 - fd) + q[table + ja * n_depth + idp + 1] * fd
        radial -= v0 * (1.0 - fa) + v1 * fa
    # Flat ends, across the first and the last segment.
    over = -FAR
    if bs >= n - 4:
        over = _beyond(q, rows + 11 * (n - 1), rows + 11 * (n - 2), x, y, z)
    if bs <= 2:
        over = max(over, _beyond(q, rows, rows + 11, x, y, z))
    if radial > 0.0 and over > 0.0:
        return math.sqrt(radial * radial + over * over)
    return max(radial, over)


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
    ci, cj, ck = math.floor(gx), math.floor(gy), math.floor(gz)
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
    closed = q[table + 4 * own + 3] > 0.5
    edge = FAR
    nearest = FAR
    for m in range(27):
        if m == bm:
            continue
        p = STACK + 5 * m
        gain = scratch[p + 3] - best
        wx, wy, wz = scratch[p] - bx, scratch[p + 1] - by, scratch[p + 2] - bz
        w2 = 4.0 * (wx * wx + wy * wy + wz * wz)
        # Compare squares first: the root is taken only for a nearer wall.
        if gain * gain >= edge * edge * w2:
            continue
        distance = gain / math.sqrt(w2)
        nearest = min(nearest, distance)
        other = int(scratch[p + 4])
        if closed or q[table + 4 * other + 3] > 0.5 or not _walls_missing(own, other, missing):
            edge = distance
    if closed:
        return half + edge * spacing
    inside = edge * spacing - half
    if inside <= 0.0:
        return -inside
    # Where a wall is missing, walls of the next cell may begin just beyond it.
    return -min(inside, nearest * spacing + MISSING_WALL_MM)


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
