"""Thin straight pieces seen through a Gaussian blur, in closed form. Arrays in, arrays out."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

FARTHEST_SD, FARTHEST_SD2 = 4.6, 21.0
"""Standard deviations beyond which a piece adds less than 3e-5 of its peak, and their square."""
_SQRT_HALF = math.sqrt(0.5)


@njit(cache=True, nogil=True)
def blurred_pieces(points, starts, ends, areas, whiten, out):  # type: ignore[no-untyped-def]
    """Add the blurred level of straight pieces of unit level at points.

    Parameters
    ----------
    points
        Shape (n, 3), mm.
    starts, ends, areas
        Shape (m, 3), (m, 3), (m,): pieces thinner than the blur, each with the cross-section it stands for (mm2).
    whiten
        Shape (3, 3): W with W^T W the inverse covariance of the blur.
    out
        Shape (n,), added to.

    Notes
    -----
    In whitened space the blur is a round Gaussian, so a piece of length L gives ``exp(-d2 / 2) (Phi(t) - Phi(t - L))``
    at distance d from its line and t along it.
    """
    determinant = abs(np.linalg.det(whiten))
    s = starts @ whiten.T
    e = ends @ whiten.T
    y = points @ whiten.T
    for m in range(len(starts)):
        dx, dy, dz = e[m, 0] - s[m, 0], e[m, 1] - s[m, 1], e[m, 2] - s[m, 2]
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        if length < 1e-9:
            continue
        dx, dy, dz = dx / length, dy / length, dz / length
        real = math.sqrt(
            (ends[m, 0] - starts[m, 0]) ** 2 + (ends[m, 1] - starts[m, 1]) ** 2 + (ends[m, 2] - starts[m, 2]) ** 2
        )
        gain = areas[m] * determinant * real / length / (2.0 * math.pi)
        for n in range(len(points)):
            px, py, pz = y[n, 0] - s[m, 0], y[n, 1] - s[m, 1], y[n, 2] - s[m, 2]
            t = px * dx + py * dy + pz * dz
            if t < -FARTHEST_SD or t > length + FARTHEST_SD:
                continue
            d2 = px * px + py * py + pz * pz - t * t
            if d2 > FARTHEST_SD2:
                continue
            along = 0.5 * (math.erf(t * _SQRT_HALF) - math.erf((t - length) * _SQRT_HALF))
            out[n] += gain * math.exp(-0.5 * d2) * along
