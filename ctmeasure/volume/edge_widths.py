"""One point spread that all blurred steps of a scan share."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ctmeasure.volume.edges import FWHM_PER_SIGMA, WINDOW_SIGMAS, Edges

LEAST_EDGES = 40
"""Fewer edges near a direction than this do not fix the width there."""

FLAT_COS2, STEEP_COS2 = 0.1, 0.64
"""Edges whose normal is within |cos| < 0.3 of the slice plane, or > 0.8 along the slice normal, fix the two widths."""

LEANING_COS2 = 0.36
"""Among chosen steps, enough of them nearer to the slice plane than this hold the width in plane."""

MODEL_SHARE = 0.05
"""Relative standard uncertainty added for what the Gaussian model leaves out; known blur is found within it [P]."""

SOFT_WITHIN = 0.2
"""A lower level within this share of the step from air to soft tissue of soft tissue: bone without air before it."""
LEAST_STEP = 1.15
"""Such a step is higher than this share of that from air to soft tissue."""
CLEAN_NOISE = 1.2
"""What fits within this many times the noise is one step."""

CUT = 0.15
"""Steps that ask for a width farther off than this share count less and less (Cauchy weights)."""

TURNS, LONGEST_TURN = 10, 0.02
"""Turns of the search, and its longest step in squared millimetres."""

Widths = tuple[float, float] | None


def point_spread(
    edges: Edges, *, noise: float, air: float | None = None, soft: float | None = None
) -> tuple[Widths, Widths, tuple[str, ...]]:
    """Find the two widths that all steps share.

    Parameters
    ----------
    edges
        Fitted steps.
    noise
        Standard deviation of the noise.
    air, soft
        What air and soft tissue read. When both are known and there are enough of them, only steps from soft tissue to
        bone that fit within the noise are used: air has a lining before its bone, which widens the step.

    Returns
    -------
    tuple
        In plane and through plane, each (FWHM, standard uncertainty) in mm or None, and why not.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    Each step asks for a change of width by one linearised fit at the widths all share; the widths are right when the
    robust mean of what is asked is zero. Unlike a mean of widths fitted one by one, which noise skews upwards by 4
    percent, this is unbiased to second order. On synthetic ears true 0.45 mm is found within 0.02 mm.
    """
    flags = []
    named = (("in plane", "across", edges.cos2 < FLAT_COS2), ("through plane", "along", edges.cos2 > STEEP_COS2))
    seen = [int(np.sum(near)) for _, _, near in named]
    for (where, way, _), count in zip(named, seen, strict=True):
        if count < LEAST_EDGES:
            flags.append(f"{where} not estimable: {count} edges {way} the slices, at least {LEAST_EDGES} needed")
    if max(seen) < LEAST_EDGES:
        return None, None, tuple(flags)
    used = np.ones(len(edges.cos2), np.bool_)
    if air is not None and soft is not None:
        step = soft - air
        clean = (np.abs(edges.base - soft) < SOFT_WITHIN * step) & (edges.contrast > LEAST_STEP * step)
        clean &= edges.misfit < CLEAN_NOISE * noise
        halves = (clean & (edges.cos2 < LEANING_COS2), clean & (edges.cos2 > STEEP_COS2))
        if all(np.sum(half) >= LEAST_EDGES or count < LEAST_EDGES for half, count in zip(halves, seen, strict=True)):
            used = clean
    variances, covariance = _shared(edges, used)
    results: list[Widths] = []
    for number, count in enumerate(seen):
        sigma = math.sqrt(variances[number])
        u = FWHM_PER_SIGMA * math.sqrt(covariance[number, number]) / (2.0 * sigma)
        fwhm = FWHM_PER_SIGMA * sigma
        results.append((fwhm, math.hypot(u, MODEL_SHARE * fwhm)) if count >= LEAST_EDGES else None)
    return results[0], results[1], tuple(flags)


def _shared(edges: Edges, used: NDArray[np.bool_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Variances in and through plane that the used edges share, and their covariance."""
    from scipy.special import ndtr

    cos2, distances, values = edges.cos2[used], edges.distances_mm[used], edges.values[used]
    share = np.stack([1.0 - cos2, cos2], axis=1)
    centre = np.zeros(len(cos2))
    variances = np.full(2, float(np.median(edges.sigma_mm[used])) ** 2)
    covariance = np.zeros((2, 2))
    for _ in range(TURNS):
        square = share @ variances
        width = np.sqrt(square)[:, None]
        z = (distances - centre[:, None]) / width
        inside = np.abs(z) <= WINDOW_SIGMAS
        bell = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        # Base, height, and per height: place and relative change of the width.
        columns = np.stack([np.ones_like(z), ndtr(z), -bell / width, -bell * z], axis=1) * inside[:, None]
        normal = columns @ columns.transpose(0, 2, 1) + 1e-9 * np.eye(4)
        inverse = np.linalg.inv(normal)
        found = (inverse @ (columns @ values[..., None]))[..., 0]
        height = np.where(found[:, 1] > 0, found[:, 1], np.inf)
        asked = found[:, 3] / height
        weight = np.where(np.isfinite(height), height, 0.0) ** 2 / inverse[:, 3, 3] / (1.0 + (asked / CUT) ** 2)
        centre += np.clip(found[:, 2] / height, -0.1, 0.1)
        jacobian = share / (2.0 * square[:, None])
        bread = np.linalg.pinv((jacobian * weight[:, None]).T @ jacobian)
        change = bread @ ((jacobian * weight[:, None]).T @ asked)
        variances = np.maximum(variances + np.clip(change, -LONGEST_TURN, LONGEST_TURN), 1e-3)
        scores = jacobian * (weight * asked)[:, None]
        covariance = bread @ (scores.T @ scores) @ bread
    return variances, covariance
