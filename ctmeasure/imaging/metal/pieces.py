"""What a scan shows of thin metal: rods and a flat head, blurred, with the overshoot of a sharp kernel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.vectors import orthonormal_basis

Floats = NDArray[np.float64]

WIDENING = 2.2
"""A sharp kernel's negative part is about this much wider in plane than its positive part (our choice)."""
RINGS = 4
"""Rings of pieces that stand for a head: their spacing stays under the blur of a scan this is meant for."""


@dataclass(frozen=True, slots=True)
class Blur:
    """How a scan blurs metal: standard deviations in mm, slice normal, and the share of a sharp kernel's negative part.

    Example
    -------
    >>> Blur(0.2, 0.25, (0.0, 0.0, 1.0)).whiten().diagonal().round(2).tolist()
    [5.0, 5.0, 4.0]
    """

    in_plane_sd_mm: float
    through_sd_mm: float
    slice_normal_lps: tuple[float, float, float]
    overshoot: float = 0.0

    def whiten(self, widening: float = 1.0) -> Floats:
        """Matrix W with W^T W the inverse covariance of the blur, in plane widened; shape (3, 3)."""
        normal = np.asarray(self.slice_normal_lps, dtype=np.float64)
        across = np.outer(normal, normal)
        in_plane = 1.0 / (self.in_plane_sd_mm * widening)
        return np.ascontiguousarray(in_plane * (np.eye(3) - across) + across / self.through_sd_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Straight pieces thinner than the blur: starts and ends (m, 3) LPS mm, and cross-sections (m,) mm2."""

    starts_lps: Floats
    ends_lps: Floats
    areas_mm2: Floats

    def __add__(self, other: Pieces) -> Pieces:
        return Pieces(
            np.concatenate([self.starts_lps, other.starts_lps]),
            np.concatenate([self.ends_lps, other.ends_lps]),
            np.concatenate([self.areas_mm2, other.areas_mm2]),
        )


def rod(start_lps: Floats, end_lps: Floats, *, radius_mm: float) -> Pieces:
    """A flat-ended round rod.

    Notes
    -----
    Seven pieces, exact for polynomials of degree five over the cross-section (Abramowitz and Stegun 25.4.61).

    Example
    -------
    >>> float(rod(np.zeros(3), np.array([0, 0, 2.0]), radius_mm=0.2).areas_mm2.sum().round(4))
    0.1257
    """
    basis = orthonormal_basis(end_lps - start_lps)
    turn = np.arange(6) * math.pi / 3.0
    ring = math.sqrt(2.0 / 3.0) * radius_mm * (np.cos(turn)[:, None] * basis[0] + np.sin(turn)[:, None] * basis[1])
    offsets = np.concatenate([np.zeros((1, 3)), ring])
    weights = np.array([0.25, *([0.125] * 6)]) * math.pi * radius_mm**2
    return Pieces(start_lps + offsets, end_lps + offsets, weights)


@lru_cache(maxsize=1)
def _head_pattern() -> tuple[Floats, Floats]:
    """Places on the unit disc (m, 2) and the shares of its area they stand for."""
    places, shares = [np.zeros((1, 2))], [np.array([(0.5 / (RINGS + 0.5)) ** 2])]
    for ring in range(1, RINGS + 1):
        inner, outer = (ring - 0.5) / (RINGS + 0.5), (ring + 0.5) / (RINGS + 0.5)
        count = 6 * ring
        turn = (np.arange(count) + 0.5 * (ring % 2)) * 2.0 * math.pi / count
        # the ring's own centroid radius keeps the second moment of the disc
        radius = math.sqrt(0.5 * (inner**2 + outer**2))
        places.append(radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
        shares.append(np.full(count, (outer**2 - inner**2) / count))
    return np.concatenate(places), np.concatenate(shares)


def head(centre_lps: Floats, normal_lps: Floats, *, radius_mm: float, thickness_mm: float) -> Pieces:
    """A flat round head; ``centre_lps`` lies on its outer face, the normal points outwards.

    Example
    -------
    >>> disc = head(np.zeros(3), np.array([0, 0, 1.0]), radius_mm=1.0, thickness_mm=0.2)
    >>> float(disc.areas_mm2.sum().round(4))
    3.1416
    """
    basis = orthonormal_basis(normal_lps)
    places, shares = _head_pattern()
    outer = centre_lps + radius_mm * places @ basis[:2]
    return Pieces(outer - thickness_mm * basis[2], outer, shares * math.pi * radius_mm**2)


def blurred(points_lps: Floats, pieces: Pieces, *, blur: Blur) -> Floats:
    """Share of full metal that a scan shows at points (before its values are cut off).

    Parameters
    ----------
    points_lps
        Shape (n, 3), LPS mm.
    pieces, blur
        The metal and the scan.

    Returns
    -------
    numpy.ndarray
        Shape (n,): 1 deep inside thick metal; negative beside it when the kernel overshoots.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> thin = rod(np.array([0, 0, -3.0]), np.array([0, 0, 3.0]), radius_mm=0.1)
    >>> blurred(np.zeros((1, 3)), thin, blur=Blur(0.2, 0.2, (0.0, 0.0, 1.0))).round(3).tolist()
    [0.118]
    """
    from ctmeasure.kernels.thin_metal import blurred_pieces

    points = np.ascontiguousarray(points_lps, dtype=np.float64)
    out = np.zeros(len(points))
    arrays = (pieces.starts_lps, pieces.ends_lps, pieces.areas_mm2)
    blurred_pieces(points, *arrays, blur.whiten(), out)
    if blur.overshoot > 0.0:
        wide = np.zeros(len(points))
        blurred_pieces(points, *arrays, blur.whiten(WIDENING), wide)
        out = (1.0 + blur.overshoot) * out - blur.overshoot * wide
    return out
