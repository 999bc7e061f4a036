"""Whether an angled instrument fits into the canal, pose by pose, in a field of distances to the bone.

Everything is in the canal frame (superior, posterior, outwards), mm. The field is read trilinearly; it is positive in
the lumen. A capsule is followed like a ray through the field: with room w left around a point, the next w are free.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

NO_ROOM, FREE, UNSEEN, TOO_OBLIQUE = 0, 1, 2, 3
"""States of a pose: hits bone, fits, too little of the wall is known, not asked (beyond the refused angle)."""
LEAST_STEP_MM = 0.2
STEEPEST_DEG = 88.0
HALVINGS = 6
ARC_STEPS = 31


@njit(cache=True, nogil=True)
def _room(field, seen, origin, step, x, y, z):  # type: ignore[no-untyped-def]
    """Distance to the bone at a point, and whether the wall around it is known; (inf, 2) outside what is mapped."""
    u, v, w = (x - origin[0]) / step, (y - origin[1]) / step, (z - origin[2]) / step
    if w > field.shape[2] - 1:
        return np.inf, 2
    if u < 0 or v < 0 or w < 0 or u > field.shape[0] - 1 or v > field.shape[1] - 1:
        return -np.inf, 1
    i, j, k = min(int(u), field.shape[0] - 2), min(int(v), field.shape[1] - 2), min(int(w), field.shape[2] - 2)
    a, b, c = u - i, v - j, w - k
    low = (1.0 - b) * ((1.0 - c) * field[i, j, k] + c * field[i, j, k + 1])
    low += b * ((1.0 - c) * field[i, j + 1, k] + c * field[i, j + 1, k + 1])
    high = (1.0 - b) * ((1.0 - c) * field[i + 1, j, k] + c * field[i + 1, j, k + 1])
    high += b * ((1.0 - c) * field[i + 1, j + 1, k] + c * field[i + 1, j + 1, k + 1])
    return (1.0 - a) * low + a * high, seen[int(u + 0.5), int(v + 0.5), int(w + 0.5)]


@njit(cache=True, nogil=True)
def _followed(field, seen, origin, step, p, d, length, radius, tally):  # type: ignore[no-untyped-def]
    """Follow a capsule from p along d; False when it meets bone. `tally`: mm asked, mm of which the wall is unknown."""
    at = 0.0
    while True:
        room, known = _room(field, seen, origin, step, p[0] + at * d[0], p[1] + at * d[1], p[2] + at * d[2])
        if known == 2:
            return True
        if known == 1 and room < radius:
            return False
        if at >= length:
            return True
        on = min(max(room - radius, LEAST_STEP_MM) if known == 1 else LEAST_STEP_MM, length - at)
        tally[0] += on
        if known == 0:
            tally[1] += on
        at += max(on, 1e-6)


@njit(cache=True, nogil=True)
def pose_state(field, seen, origin, step, entry, normal, tip, shaft, tool, tally):  # type: ignore[no-untyped-def]
    """State of one pose. `tool`: tip length, radii of shank and shaft, shaft length asked, largest unknown share."""
    cosine = max(tip[0] * normal[0] + tip[1] * normal[1] + tip[2] * normal[2], 0.05)
    start = min(1.5 * tool[1] / cosine + 0.2, tool[0])
    tally[0], tally[1] = 0.0, 0.0
    p, back = np.empty(3), np.empty(3)
    # The bend has the least room of all: it is looked at first.
    knee, known = _room(
        field, seen, origin, step, entry[0] - tool[0] * tip[0], entry[1] - tool[0] * tip[1],
        entry[2] - tool[0] * tip[2],
    )  # fmt: skip
    if known == 1 and knee < tool[2]:
        return NO_ROOM
    for c in range(3):
        back[c] = -tip[c]
        p[c] = entry[c] - start * tip[c]
    if not _followed(field, seen, origin, step, p, back, tool[0] - start, tool[1], tally):
        return NO_ROOM
    for c in range(3):
        p[c] = entry[c] - tool[0] * tip[c]
    if not _followed(field, seen, origin, step, p, shaft, tool[3], tool[2], tally):
        return NO_ROOM
    return UNSEEN if tally[1] > tool[4] * max(tally[0], 1e-9) else FREE


@njit(cache=True, nogil=True)
def _turned(sa, sb, upright, ct, st, across, beside, hand, cb, sb_, tip, shaft):  # type: ignore[no-untyped-def]
    """Tip and shaft of a pose from the sines and cosines of its angles."""
    # A lean towards the wall turns the tip towards it: the shaft goes out on the other side.
    x, y, z = -sa * across[0] - sb * beside[0], -sa * across[1] - sb * beside[1], upright
    inner = across[0] * x + across[1] * y
    wx, wy, wz = across[0] - inner * x, across[1] - inner * y, -inner * z
    size = math.sqrt(wx * wx + wy * wy + wz * wz)
    wx, wy, wz = wx / size, wy / size, wz / size
    vx, vy, vz = hand * (y * wz - z * wy), hand * (z * wx - x * wz), hand * (x * wy - y * wx)
    shaft[0], shaft[1], shaft[2] = x, y, z
    tip[0] = -cb * x + sb_ * (ct * wx + st * vx)
    tip[1] = -cb * y + sb_ * (ct * wy + st * vy)
    tip[2] = -cb * z + sb_ * (ct * wz + st * vz)


@njit(cache=True, nogil=True)
def _pose(lean_a, lean_b, turn, across, beside, hand, bend, tip, shaft):  # type: ignore[no-untyped-def]
    """Tip and shaft of a pose: the shaft leans by a vector off the canal axis, the tip turns around it."""
    lean = math.hypot(lean_a, lean_b)
    share = math.sin(lean) / lean if lean > 1e-12 else 0.0
    _turned(
        lean_a * share, lean_b * share, math.cos(lean), math.cos(turn), math.sin(turn), across, beside, hand,
        math.cos(bend), math.sin(bend), tip, shaft,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _angles_of(poses):  # type: ignore[no-untyped-def]
    """Sines and cosines of every pose, shape (m, 5), as `_turned` takes them."""
    table = np.empty((poses.shape[0], 5))
    for m in range(poses.shape[0]):
        lean = math.hypot(poses[m, 0], poses[m, 1])
        share = math.sin(lean) / lean if lean > 1e-12 else 0.0
        table[m, 0], table[m, 1], table[m, 2] = poses[m, 0] * share, poses[m, 1] * share, math.cos(lean)
        table[m, 3], table[m, 4] = math.cos(poses[m, 2]), math.sin(poses[m, 2])
    return table


@njit(cache=True, nogil=True)
def _obliquity(tip, normal):  # type: ignore[no-untyped-def]
    return math.acos(min(max(tip[0] * normal[0] + tip[1] * normal[1] + tip[2] * normal[2], -1.0), 1.0))


@njit(cache=True, nogil=True)
def all_poses(  # type: ignore[no-untyped-def]
    field, seen, origin, step, entry, normal, poses, hand, bend, tilt, refused, tool, states, best, start, stop,
):  # fmt: skip
    """Ask every pose of every place, and find the reachable direction nearest to the normal.

    Parameters
    ----------
    field, seen, origin, step
        Distances to the bone on a cubic grid, mm; whether the wall there is known; the grid's origin and step.
    entry, normal
        Shape (n, 3), canal frame.
    poses
        Shape (m, 3): lean of the shaft off the canal axis towards the wall and beside it, turn of the tip, radians.
    hand
        1 or -1: which way round the canal wall angles grow, so that a mirrored ear is asked the mirrored poses.
    bend, tilt, refused
        Bend of the tip, largest lean, largest angle to the normal that is counted, radians.
    tool
        See `pose_state`.
    states
        Output (n, m): states of all poses.
    best
        Output (n, 8): tip (3), shaft (3), angle to the normal, state of the best.
    start, stop
        Which places.
    """
    tip, shaft, tally, try_tip, try_shaft = np.empty(3), np.empty(3), np.empty(2), np.empty(3), np.empty(3)
    across, beside, angle, pose = np.empty(2), np.empty(2), np.empty(poses.shape[0]), np.empty(3)
    table, tips, shafts = _angles_of(poses), np.empty((poses.shape[0], 3)), np.empty((poses.shape[0], 3))
    cb, sb = math.cos(bend), math.sin(bend)
    for i in range(start, stop):
        n, e = normal[i], entry[i]
        flat = math.hypot(n[0], n[1])
        across[0], across[1] = (n[0] / flat, n[1] / flat) if flat > 1e-9 else (1.0, 0.0)
        beside[0], beside[1] = -hand * across[1], hand * across[0]
        for m in range(poses.shape[0]):
            t = table[m]
            _turned(t[0], t[1], t[2], t[3], t[4], across, beside, hand, cb, sb, tips[m], shafts[m])
            # Poses that mirror each other are equally oblique: the first of them goes first, whatever the rounding.
            angle[m] = _obliquity(tips[m], n) + 1e-9 * m
        order = np.argsort(angle)
        chosen, chosen_state = -1, NO_ROOM
        for m in order:
            states[i, m] = TOO_OBLIQUE
            if angle[m] > refused and (chosen_state == FREE or angle[m] > math.radians(STEEPEST_DEG)):
                continue
            state = pose_state(field, seen, origin, step, e, n, tips[m], shafts[m], tool, tally)
            if angle[m] <= refused:
                states[i, m] = state
            if (state == FREE and chosen_state != FREE) or (state == UNSEEN and chosen_state == NO_ROOM):
                chosen, chosen_state = m, state
        if chosen < 0:
            chosen = order[0]
        for c in range(3):
            pose[c] = poses[chosen, c]
        _pose(pose[0], pose[1], pose[2], across, beside, hand, bend, tip, shaft)
        least = angle[chosen]
        if chosen_state == FREE:
            # Between the poses of the grid: smaller and smaller steps as long as they come nearer to the normal.
            by_lean, by_turn = 0.25 * tilt, math.radians(7.5)
            for _ in range(HALVINGS):
                for way in range(6):
                    sign = 1.0 if way % 2 else -1.0
                    a = pose[0] + (sign * by_lean if way // 2 == 0 else 0.0)
                    b = pose[1] + (sign * by_lean if way // 2 == 1 else 0.0)
                    t = pose[2] + (sign * by_turn if way // 2 == 2 else 0.0)
                    if math.hypot(a, b) > tilt + 1e-9:
                        continue
                    _pose(a, b, t, across, beside, hand, bend, try_tip, try_shaft)
                    found = _obliquity(try_tip, n)
                    if found >= least - 1e-9:
                        continue
                    if pose_state(field, seen, origin, step, e, n, try_tip, try_shaft, tool, tally) == FREE:
                        least, pose[0], pose[1], pose[2] = found, a, b, t
                        tip[:], shaft[:] = try_tip, try_shaft
                by_lean, by_turn = 0.5 * by_lean, 0.5 * by_turn
        best[i, :3], best[i, 3:6], best[i, 6], best[i, 7] = tip, shaft, least, chosen_state


@njit(cache=True, nogil=True)
def given_directions(  # type: ignore[no-untyped-def]
    field, seen, origin, step, entry, normal, tips, bend, tilt, tool, best, start, stop
):
    """Whether some shaft around a given tip fits. `best` (n, 4): shaft (3) and state; other arguments as above.

    The shaft lies on a cone of the bend around the reversed tip; the part of it within the tilt of the canal axis is an
    arc around the line nearest to that axis, asked from the middle outwards.
    """
    tally, shaft, tip, first, second = np.empty(2), np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    cb, sb = math.cos(bend), math.sin(bend)
    for i in range(start, stop):
        tip[:] = tips[i]
        length = math.hypot(tip[0], tip[1])
        if length > 1e-6:
            first[0], first[1], first[2] = -tip[2] * tip[0] / length, -tip[2] * tip[1] / length, length
        else:
            first[0], first[1], first[2] = 1.0, 0.0, 0.0
        second[0] = tip[1] * first[2] - tip[2] * first[1]
        second[1] = tip[2] * first[0] - tip[0] * first[2]
        second[2] = tip[0] * first[1] - tip[1] * first[0]
        least, swing = math.cos(tilt + 1e-9) + cb * tip[2], sb * length
        best[i, :3], best[i, 3] = -tip, NO_ROOM
        if swing < least:
            continue
        arc = math.acos(min(max(least / max(swing, 1e-12), -1.0), 1.0))
        for turn in range(ARC_STEPS):
            share = (1 if turn % 2 else -1) * ((turn + 1) // 2) / (ARC_STEPS // 2)
            ct, st = math.cos(share * arc), math.sin(share * arc)
            for c in range(3):
                shaft[c] = -cb * tip[c] + sb * (ct * first[c] + st * second[c])
            state = pose_state(field, seen, origin, step, entry[i], normal[i], tip, shaft, tool, tally)
            if state != NO_ROOM and best[i, 3] != FREE:
                best[i, :3], best[i, 3] = shaft, state
            if state == FREE:
                break


@njit(cache=True, nogil=True)
def lines_of_sight(field, seen, origin, step, start_points, lines, result, start, stop):  # type: ignore[no-untyped-def]
    """Whether some line (m, 3) outwards from each point meets no bone; `result`: 1 yes, 0 no, -1 not known."""
    tally = np.empty(2)
    for i in range(start, stop):
        result[i] = 0
        for m in range(lines.shape[0]):
            tally[0], tally[1] = 0.0, 0.0
            if _followed(field, seen, origin, step, start_points[i], lines[m], 60.0, 0.0, tally):
                if tally[1] <= 0.25 * max(tally[0], 1e-9):
                    result[i] = 1
                    break
                result[i] = -1
