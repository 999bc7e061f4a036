"""Least-squares planes and circles through clicked points, with the uncertainty of what was fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.frames import Plane
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen, orthonormal_basis, unit

COLLINEAR = 1e-6
"""Second spread below this part of the first: the points lie on a line and carry no plane."""

HUBER = 1.345
"""Huber's constant, in robust standard deviations: 95 % efficiency for normal residuals (Huber 1981)."""

MAD_TO_SD = 1.482602218505602
"""Median absolute deviation to standard deviation of a normal distribution (1 / Phi^-1(3/4))."""

SHORTEST_ARC_DEG = 120.0
"""Below this arc a fitted radius is dominated by noise (sd 1.1 mm at 60, 0.38 at 90 degrees for R 4.5, noise 0.15)."""


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """A fitted plane with what the fit says about itself.

    Parameters
    ----------
    plane
        Centroid and unit normal.
    axes_lps
        Shape (3, 3), rows: in-plane principal axes (widest first) and normal; right-handed.
    spread_mm2
        Sums of squared in-plane offsets along the first two axes (lambda_1, lambda_2).
    out_of_plane_rms_mm
        Root mean square distance of the points from the plane.
    count
        Number of points (sum of weights in a robust fit).

    Raises
    ------
    GeometryError
        Never by itself.

    Example
    -------
    >>> fit = fit_plane([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])
    >>> abs(float(fit.plane.normal_lps[2]))
    1.0
    """

    plane: Plane
    axes_lps: FloatArray
    spread_mm2: FloatArray
    out_of_plane_rms_mm: float
    count: float

    def tilt_sd_deg(self, sigma_mm: float) -> FloatArray:
        """Standard deviation of the normal's turn towards each in-plane axis, degrees, for noise sigma per point.

        Entry i is the tilt that lifts axis i: sigma / sqrt(lambda_i). Small tilts, isotropic noise.
        """
        return np.asarray(np.degrees(sigma_mm / np.sqrt(self.spread_mm2)))

    def normal_covariance(self, sigma_mm: float) -> FloatArray:
        """Covariance (3, 3) of the unit normal for isotropic noise sigma per point; zero along the normal."""
        variance = sigma_mm**2 / self.spread_mm2
        return np.asarray(self.axes_lps[:2].T @ np.diag(variance) @ self.axes_lps[:2])

    def height_sd_mm(self, points_lps: ArrayLike, *, sigma_mm: float) -> FloatArray:
        """Standard deviation of the plane's height under points (..., 3): sigma sqrt(1/N + sum rho_i^2 / lambda_i)."""
        offsets = (as_points(points_lps) - self.plane.point_lps) @ self.axes_lps[:2].T
        return np.asarray(sigma_mm * np.sqrt(1.0 / self.count + np.sum(offsets**2 / self.spread_mm2, axis=-1)))


def fit_plane(points_lps: ArrayLike, *, towards_lps: ArrayLike | None = None) -> PlaneFit:
    """Total least squares plane through points.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 3, LPS mm.
    towards_lps
        A direction the normal shall have a positive part along. Without it the normal's largest component is positive.

    Returns
    -------
    PlaneFit
        Independent of the order of the points, and moved with them by any rigid motion (given `towards_lps`).

    Raises
    ------
    GeometryError
        When there are fewer than three points or they lie on a line.

    Example
    -------
    >>> fit = fit_plane([[0, 0, 1], [4, 0, 1], [0, 4, 1]], towards_lps=[0, 0, -1])
    >>> fit.plane.signed_distance_mm([9, 9, 0]).round(9).tolist()
    1.0
    """
    points = _points(points_lps)
    return _weighted_plane(points, np.ones(len(points)), towards_lps)


def fit_plane_robust(points_lps: ArrayLike, *, towards_lps: ArrayLike | None = None, rounds: int = 50) -> PlaneFit:
    """Plane through points of which a few may be wrong, by iteratively reweighted least squares (Huber).

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 3, LPS mm; with fewer than five points no point can be told wrong.
    towards_lps
        As in `fit_plane`.
    rounds
        Most reweightings.

    Returns
    -------
    PlaneFit
        `count` is the sum of weights; `out_of_plane_rms_mm` is weighted.

    Raises
    ------
    GeometryError
        When there are fewer than three points or they lie on a line.

    References
    ----------
    Huber PJ (1981) Robust Statistics, chapter 7, doi:10.1002/0471725250.

    Example
    -------
    >>> ring = [[4 * np.cos(a), 4 * np.sin(a), 0] for a in np.arange(12) * np.pi / 6] + [[4.0, 0, 3]]
    >>> robust, plain = fit_plane_robust(ring), fit_plane(ring)
    >>> bool(robust.plane.normal_lps[2] > plain.plane.normal_lps[2])
    True
    """
    points = _points(points_lps)
    weights = np.ones(len(points))
    fit = _weighted_plane(points, weights, towards_lps)
    for _ in range(rounds):
        off = np.abs(fit.plane.signed_distance_mm(points))
        scale = MAD_TO_SD * float(np.median(off))
        if scale == 0.0:
            break
        new = np.minimum(1.0, HUBER * scale / np.maximum(off, 1e-300))
        if np.max(np.abs(new - weights)) < 1e-9:
            break
        weights = new
        fit = _weighted_plane(points, weights, towards_lps)
    return fit


@dataclass(frozen=True, eq=False)
class CircleFit:
    """A fitted circle.

    Parameters
    ----------
    centre
        Shape (2,) or (3,), mm.
    radius_mm
        Radius.
    rms_mm
        Root mean square of the in-plane distances from the circle.
    arc_deg
        Part of the circle the points cover: 360 less the widest gap.
    plane
        Plane of a circle in space, None in the plane.
    out_of_plane_rms_mm
        For a circle in space; 0 in the plane.

    Raises
    ------
    GeometryError
        Never by itself.

    Example
    -------
    >>> round(fit_circle_2d([[1, 0], [0, 1], [-1, 0], [0, -1]]).radius_mm, 9)
    1.0
    """

    centre: FloatArray
    radius_mm: float
    rms_mm: float
    arc_deg: float
    plane: Plane | None = None
    out_of_plane_rms_mm: float = 0.0


def taubin_circle(points: ArrayLike) -> tuple[FloatArray, float]:
    """Taubin's algebraic circle: nearly unbiased on arcs, needs no start.

    Parameters
    ----------
    points
        Shape (n, 2), n >= 3, mm.

    Returns
    -------
    centre, radius_mm
        Shape (2,), and the radius.

    Raises
    ------
    GeometryError
        When there are fewer than three points or they lie on a line.

    References
    ----------
    Taubin G (1991) IEEE TPAMI 13:1115, doi:10.1109/34.103273; in the form of Chernov N (2010) Circular and Linear
    Regression, section 5.9, ISBN 978-1-4398-3590-6 (singular value decomposition).

    Example
    -------
    >>> c, r = taubin_circle([[3, 0], [0, 3], [-3, 0]])
    >>> round(r, 9)
    3.0
    """
    xy = _flat_points(points)
    mean = xy.mean(axis=0)
    centred = xy - mean
    z = np.sum(centred**2, axis=1)
    z_mean = float(z.mean())
    rows = np.column_stack([(z - z_mean) / (2.0 * np.sqrt(z_mean)), centred])
    a = np.linalg.svd(rows)[2][-1]
    if abs(a[0]) < 1e-12:
        raise GeometryError("points on a line", expected="points on an arc")
    a0 = a[0] / (2.0 * np.sqrt(z_mean))
    centre = -a[1:] / (2.0 * a0)
    radius = float(np.sqrt(a[1] ** 2 + a[2] ** 2 + 4.0 * a0**2 * z_mean) / (2.0 * abs(a0)))
    return centre + mean, radius


def fit_circle_2d(points: ArrayLike, *, shortest_arc_deg: float = SHORTEST_ARC_DEG) -> CircleFit:
    """Geometric (orthogonal distance) least-squares circle, started from Taubin's.

    Parameters
    ----------
    points
        Shape (n, 2), n >= 3, mm.
    shortest_arc_deg
        Radius is refused below this arc.

    Returns
    -------
    CircleFit
        With the arc covered.

    Raises
    ------
    GeometryError
        When there are fewer than three points, they lie on a line, or the arc is too short to say a radius.

    References
    ----------
    Gander W, Golub GH, Strebel R (1994) BIT 34:558, doi:10.1007/BF01934268.

    Example
    -------
    >>> fit = fit_circle_2d([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], shortest_arc_deg=0)
    >>> fit.centre.round(4).tolist(), round(fit.radius_mm, 4)
    ([4.7398, 2.9835], 4.7142)
    """
    xy = _flat_points(points)
    start_centre, start_radius = taubin_circle(xy)
    from scipy.optimize import least_squares

    def residuals(x: FloatArray) -> FloatArray:
        return np.asarray(np.hypot(*(xy - x[:2]).T) - x[2])

    def jacobian(x: FloatArray) -> FloatArray:
        away = x[:2] - xy
        length = np.maximum(np.hypot(*away.T), 1e-300)
        return np.column_stack([away / length[:, None], -np.ones(len(xy))])

    solution = least_squares(
        residuals, [*start_centre, start_radius], jac=jacobian, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    centre, radius = solution.x[:2], abs(float(solution.x[2]))
    arc = arc_covered_deg(np.degrees(np.arctan2(*(xy - centre).T[::-1])))
    if arc < shortest_arc_deg:
        raise GeometryError(
            f"an arc of {arc:.0f} degrees",
            expected=f"at least {shortest_arc_deg:.0f} degrees for a radius",
            action="place points further round",
        )
    return CircleFit(frozen(centre), radius, float(np.sqrt(np.mean(residuals(solution.x) ** 2))), arc)


def fit_circle_3d(
    points_lps: ArrayLike, *, towards_lps: ArrayLike | None = None, shortest_arc_deg: float = SHORTEST_ARC_DEG
) -> CircleFit:
    """Circle in space: total least squares plane, then the geometric circle of the projected points.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 3, LPS mm.
    towards_lps
        As in `fit_plane`.
    shortest_arc_deg
        As in `fit_circle_2d`.

    Returns
    -------
    CircleFit
        `out_of_plane_rms_mm` is kept apart from the in-plane `rms_mm`: a drum rim is a saddle, not noise.

    Raises
    ------
    GeometryError
        As in `fit_plane` and `fit_circle_2d`.

    Example
    -------
    >>> fit_circle_3d([[2, 0, 5], [0, 2, 5], [-2, 0, 5], [0, -2, 5]]).centre.round(9).tolist()
    [0.0, 0.0, 5.0]
    """
    points = _points(points_lps)
    fit = fit_plane(points, towards_lps=towards_lps)
    origin, axes = fit.plane.point_lps, fit.axes_lps[:2]
    flat = fit_circle_2d((points - origin) @ axes.T, shortest_arc_deg=shortest_arc_deg)
    centre = origin + flat.centre @ axes
    plane = Plane(centre, fit.plane.normal_lps)
    return CircleFit(frozen(centre), flat.radius_mm, flat.rms_mm, flat.arc_deg, plane, fit.out_of_plane_rms_mm)


def arc_covered_deg(angles_deg: ArrayLike) -> float:
    """How much of the circle a set of directions covers: 360 less the widest gap between neighbours.

    Parameters
    ----------
    angles_deg
        Shape (n,), degrees, any order.

    Returns
    -------
    float
        Degrees, 0 for a single direction.

    Raises
    ------
    GeometryError
        When there is no angle.

    Example
    -------
    >>> arc_covered_deg([350.0, 10.0, 40.0])
    50.0
    """
    angles = np.sort(np.mod(np.asarray(angles_deg, dtype=np.float64).ravel(), 360.0))
    if len(angles) == 0:
        raise GeometryError("no direction", expected="at least one")
    gaps = np.diff(np.concatenate([angles, [angles[0] + 360.0]]))
    return float(360.0 - np.max(gaps))


def _weighted_plane(points: FloatArray, weights: FloatArray, towards_lps: ArrayLike | None) -> PlaneFit:
    centroid = np.average(points, axis=0, weights=weights)
    centred = points - centroid
    _, spread, axes = np.linalg.svd(centred * np.sqrt(weights)[:, None], full_matrices=False)
    if spread[0] == 0.0 or spread[1] < COLLINEAR * spread[0]:
        raise GeometryError(
            "points on one line (or in one place)",
            expected="points that span a plane",
            action="add a point off the line",
        )
    normal = axes[2]
    along = normal[np.argmax(np.abs(normal))] if towards_lps is None else float(np.dot(normal, unit(towards_lps)))
    if along < 0.0:
        normal = -normal
    basis = orthonormal_basis(normal, axes[0])
    rms = float(np.sqrt(np.average((centred @ normal) ** 2, weights=weights)))
    return PlaneFit(Plane(centroid, normal), frozen(basis), frozen(spread[:2] ** 2), rms, float(weights.sum()))


def _points(points_lps: ArrayLike) -> FloatArray:
    points = as_points(points_lps)
    if points.ndim != 2 or len(points) < 3:
        raise GeometryError(f"points of shape {points.shape}", expected="at least three points (n, 3)")
    return points


def _flat_points(points: ArrayLike) -> FloatArray:
    xy = np.asarray(points, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2 or len(xy) < 3 or not np.all(np.isfinite(xy)):
        raise GeometryError(f"points of shape {xy.shape}", expected="at least three finite points (n, 2)")
    spread = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    if spread[0] == 0.0 or spread[1] < COLLINEAR * spread[0]:
        raise GeometryError("points on one line (or in one place)", expected="points on an arc")
    return xy
