"""Scenes: each painted element is a short postfix program over primitives; later elements cover earlier ones."""

from __future__ import annotations

import numpy as np
from numba import njit

from ctmeasure_samples.kernels.primitives import FAR, SCRATCH, shape_distance

# Postfix operations.
OP_SHAPE = 1  # argument: index of the shape
OP_UNION = 2  # argument: blending radius
OP_INTERSECT = 3  # argument: blending radius
OP_SUBTRACT = 4  # argument: blending radius; first minus second
OP_GROW = 5  # argument: millimetres
OP_GUARD = 6  # argument: steps to skip when the top of the stack is further out than GUARD_MM

# Beyond this distance from the first operand of an intersection or subtraction the second is not looked at.
GUARD_MM = 1.2


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


@njit(cache=True)
def distances_at(e, starts, ops, args, kinds, offsets, q, points):
    """Signed distance of one element at many points (n, 3)."""
    out = np.empty(points.shape[0])
    scratch = np.empty(SCRATCH)
    for i in range(points.shape[0]):
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


@njit(cache=True)
def top_elements(starts, ops, args, kinds, offsets, q, boxes, points):
    """Index of the painted element at each point (-1: nothing painted)."""
    out = np.empty(points.shape[0], np.int64)
    scratch = np.empty(SCRATCH)
    for i in range(points.shape[0]):
        out[i], _ = _top_element(
            starts, ops, args, kinds, offsets, q, boxes, points[i, 0], points[i, 1], points[i, 2], scratch
        )
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
