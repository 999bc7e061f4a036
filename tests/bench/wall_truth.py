"""True wall along rays of an invented ear, and of the rays beside each: what cannot be told apart is no error."""

from __future__ import annotations

import numpy as np
from ctmeasure_samples.model import read_wall
from ctmeasure_samples.truth import EarTruth

NARROW_MM = 0.3
"""A gap that a ray crosses on less than this is no gap."""
BESIDE_MM = 0.15
LEAD_MM, LENGTH_MM = 0.6, 12.6
TRUE_NUMBERS = ("surface_error", "true_first", "true_any", "gap_width", "true_exit")


def true_surface_error(truth: EarTruth, point: np.ndarray, normal: np.ndarray) -> float:
    """Signed distance from a found point to the nearest true step into bone along the normal."""
    error = np.nan
    before = None
    for element, begin, _ in truth.ear.runs(point - 1.5 * normal, normal, 3.0):
        bone = element is not None and element.is_bone
        if bone and before is False and not (abs(begin - 1.5) >= abs(error)):
            error = 1.5 - begin
        before = bone
    return error


def true_first_gap(runs: list, narrow_mm: float) -> tuple[float, float, str]:
    """Bone to the first gap of at least `narrow_mm`, the gap's width and what it is."""
    flat = [(e is not None and e.is_bone, "outside" if e is None else e.space, b, t) for e, b, t in runs]
    first = next((i for i, run in enumerate(flat) if run[0]), None)
    if first is None or flat[first][2] > 1.0:
        return np.nan, np.nan, "no bone"
    begins, index = flat[first][2], first
    while index < len(flat):
        if flat[index][0]:
            index += 1
            continue
        last = index
        while last + 1 < len(flat) and not flat[last + 1][0]:
            last += 1
        width = flat[last][3] - flat[index][2]
        if width >= narrow_mm:
            return flat[index][2] - begins, width, flat[index][1]
        index = last + 1
    return np.inf, 0.0, "solid"


def truth_rows(
    truth: EarTruth, points: np.ndarray, normals: np.ndarray, directions: np.ndarray
) -> dict[str, np.ndarray]:
    """True numbers and words of every ray; ``alike``: the far side of four rays 0.15 mm beside it is the same."""
    at, along = truth.placement.from_lps(points), truth.placement.directions_from_lps(directions)
    out = truth.placement.directions_from_lps(normals)
    n = len(points)
    numbers = {k: np.full(n, np.nan) for k in TRUE_NUMBERS}
    words = {k: np.full(n, "", dtype="<U32") for k in ("true_gap", "true_far")}
    alike = np.ones(n, np.bool_)
    for i in range(n):
        numbers["surface_error"][i] = true_surface_error(truth, at[i], out[i])
        runs = truth.ear.runs(at[i] - LEAD_MM * along[i], along[i], LENGTH_MM)
        numbers["true_first"][i], numbers["gap_width"][i], words["true_gap"][i] = true_first_gap(runs, NARROW_MM)
        numbers["true_any"][i] = true_first_gap(runs, 0.01)[0]
        numbers["true_exit"][i], words["true_far"][i] = _exit(runs)
        for aside in _sideways(along[i]):
            start = at[i] + aside - (aside @ out[i]) / (along[i] @ out[i]) * along[i]
            beside = truth.ear.runs(start - LEAD_MM * along[i], along[i], LENGTH_MM)
            alike[i] &= _exit(beside)[1] == words["true_far"][i]
    return numbers | words | {"alike": alike}


def _exit(runs: list) -> tuple[float, str]:
    bone = next((k for k, run in enumerate(runs) if run[0] is not None and run[0].is_bone), None)
    if bone is None:
        return np.nan, ""
    start = runs[bone][1]
    reading = read_wall([(e, b - start, t - start) for e, b, t in runs[bone:]])
    return reading.to_exit_mm, reading.far_side


def _sideways(along: np.ndarray) -> list[np.ndarray]:
    first = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    first *= BESIDE_MM / np.linalg.norm(first)
    second = np.cross(along, first)
    return [first, -first, second, -second]
