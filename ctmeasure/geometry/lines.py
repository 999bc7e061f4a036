"""A least-squares line through points in space, with the uncertainty of its direction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen, unit


@dataclass(frozen=True, eq=False)
class LineFit:
    """A fitted line.

    Parameters
    ----------
    point_lps
        Centroid, shape (3,), LPS mm.
    direction_lps
        Unit vector.
    spread_mm2
        Sum of squared positions along the line.
    rms_mm
        Root mean square distance of the points from the line.

    Raises
    ------
    GeometryError
        Never by itself.

    Example
    -------
    >>> fit_line([[0, 0, 0], [0, 0, 4]], towards_lps=[0, 0, 1]).direction_lps.tolist()
    [0.0, 0.0, 1.0]
    """

    point_lps: FloatArray
    direction_lps: FloatArray
    spread_mm2: float
    rms_mm: float

    def tilt_sd_deg(self, sigma_mm: float) -> float:
        """Standard deviation of the direction per axis across it, degrees, for noise sigma per point and axis."""
        return math.degrees(sigma_mm / math.sqrt(self.spread_mm2))


def fit_line(points_lps: ArrayLike, *, towards_lps: ArrayLike | None = None) -> LineFit:
    """Total least squares line through points.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm.
    towards_lps
        A direction the line shall have a positive part along; from the first to the last point by default.

    Returns
    -------
    LineFit
        Independent of the order of the points when `towards_lps` is given.

    Raises
    ------
    GeometryError
        When there are fewer than two different points.

    Example
    -------
    >>> round(fit_line([[0, 0, z] for z in range(11)]).tilt_sd_deg(0.05), 4)
    0.2731
    """
    points = as_points(points_lps)
    if points.ndim != 2 or len(points) < 2:
        raise GeometryError(f"points of shape {points.shape}", expected="at least two points (n, 3)")
    centroid = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - centroid, full_matrices=False)
    if spread[0] < 1e-9:
        raise GeometryError("points in one place", expected="points along a line", action="place points apart")
    towards = points[-1] - points[0] if towards_lps is None else unit(towards_lps)
    direction = axes[0] if np.dot(axes[0], towards) >= 0.0 else -axes[0]
    rms = float(np.sqrt(np.sum(spread[1:] ** 2) / len(points)))
    return LineFit(frozen(centroid), frozen(direction), float(spread[0] ** 2), rms)
