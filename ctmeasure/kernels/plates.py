"""Blurred thin plates in a window of thick bone: what each level adds to each place."""

from __future__ import annotations

import math

from numba import njit

SQRT_HALF = 0.7071067811865476


@njit(cache=True, nogil=True)
def edge(distance, sigma):  # type: ignore[no-untyped-def]
    """A unit step seen through a Gaussian, at a distance inside it."""
    return 0.5 * math.erfc(-SQRT_HALF * distance / sigma)


@njit(cache=True, nogil=True)
def _inside(u, v, a, b, cov):  # type: ignore[no-untyped-def]
    """Blurred inside of an ellipse: first-order distance to its outline, less what the outline's curvature shifts."""
    qu, qv = u / a, v / b
    root = math.sqrt(qu * qu + qv * qv + 1e-9)
    gu, gv = u / (a * a * root), v / (b * b * root)
    steep = math.sqrt(gu * gu + gv * gv + 1e-12)
    gu, gv = gu / steep, gv / steep
    variance = gu * gu * cov[0, 0] + 2.0 * gu * gv * cov[0, 1] + gv * gv * cov[1, 1]
    variance = max(variance, 0.25 * (cov[0, 0] + cov[1, 1]))
    sigma = math.sqrt(variance)
    turned = max((qu * qu * b * b + qv * qv * a * a) / (root * root), 1e-9)
    curvature = min(a * b / turned**1.5, 1.0 / sigma)
    return edge((1.0 - root) / steep - 0.5 * variance * curvature, sigma)


@njit(cache=True, nogil=True)
def plate_columns(points, centre, axes, cov, shape, sheet_of_bone, crus_from_end, crus_variance, out):  # type: ignore[no-untyped-def]
    """Fill `out` (n, 5) for places (n, 3): niche, vestibule, bone, anterior and posterior crus.

    Parameters
    ----------
    points
        (n, 3), mm.
    centre, axes
        Middle of the tympanic surface; rows long, short, normal.
    cov
        (3, 3): covariance of the point spread along those axes, mm2.
    shape
        Half axes of the window 2, how much wider the niche is, thickness, how far the bone reaches above and below the
        tympanic surface, and how much more on the short axis' positive side, a millimetre (8 numbers).
    sheet_of_bone
        Level of the plate as a share of the way from vestibule to bone.
    crus_from_end, crus_variance
        Where the crura stand, and how wide they are seen.
    """
    a, b, wider, thick, above, below, above_slope, below_slope = shape
    sigma_n = math.sqrt(cov[2, 2])
    for n in range(points.shape[0]):
        x, y, z = points[n, 0] - centre[0], points[n, 1] - centre[1], points[n, 2] - centre[2]
        u = x * axes[0, 0] + y * axes[0, 1] + z * axes[0, 2]
        v = x * axes[1, 0] + y * axes[1, 1] + z * axes[1, 2]
        w = x * axes[2, 0] + y * axes[2, 1] + z * axes[2, 2]
        over, under = edge(w, sigma_n), edge(-w - thick, sigma_n)
        open_above = edge(w - above - above_slope * v, sigma_n)
        open_below = edge(-w - below - below_slope * v, sigma_n)
        window = _inside(u, v, a, b, cov)
        niche = over * (1.0 - (1.0 - _inside(u, v, a + wider, b + wider, cov)) * (1.0 - open_above))
        vestibule = under * (1.0 - (1.0 - window) * (1.0 - open_below))
        soft = (1.0 - sheet_of_bone) * window * (1.0 - over - under)
        out[n, 0], out[n, 1], out[n, 2] = niche, vestibule + soft, 1.0 - niche - vestibule - soft
        for k in range(2):
            end = (2.0 * k - 1.0) * (a - crus_from_end)
            out[n, 3 + k] = math.exp(-0.5 * ((u - end) ** 2 + v * v) / crus_variance) * over
