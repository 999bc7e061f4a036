"""Ellipses through clicked rings: direct start, geometric polish, and the largest and smallest diameter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.fits import arc_covered_deg, fit_plane
from ctmeasure.geometry.frames import Plane
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen

SHORTEST_ARC_DEG = 180.0
"""An ellipse has two more unknowns than a circle; on under half of the outline its diameters are noise (our choice)."""


@dataclass(frozen=True, eq=False)
class EllipseFit:
    """A fitted ellipse in its plane.

    Parameters
    ----------
    centre
        Shape (2,) or (3,), mm.
    diameter_max_mm, diameter_min_mm
        Full axes.
    axes
        Shape (2, 2) or (2, 3): unit directions of the largest and smallest diameter.
    rms_mm
        Root mean square in-plane distance of the points from the ellipse.
    arc_deg
        Part of the outline covered, seen from the centre.
    plane
        Plane of an ellipse in space; None in the plane.
    out_of_plane_rms_mm
        For an ellipse in space.

    Raises
    ------
    GeometryError
        Never by itself.

    Example
    -------
    >>> e = fit_ellipse_2d([[3 * np.cos(a), 2 * np.sin(a)] for a in np.arange(8) * np.pi / 4])
    >>> round(e.diameter_max_mm, 9), round(e.diameter_min_mm, 9)
    (6.0, 4.0)
    """

    centre: FloatArray
    diameter_max_mm: float
    diameter_min_mm: float
    axes: FloatArray
    rms_mm: float
    arc_deg: float
    plane: Plane | None = None
    out_of_plane_rms_mm: float = 0.0

    @property
    def area_mm2(self) -> float:
        """Area enclosed."""
        return math.pi * self.diameter_max_mm * self.diameter_min_mm / 4.0

    @property
    def perimeter_mm(self) -> float:
        """Length of the outline."""
        return ellipse_perimeter_mm(self.diameter_max_mm / 2.0, self.diameter_min_mm / 2.0)


def ellipse_perimeter_mm(semi_major_mm: float, semi_minor_mm: float) -> float:
    """Perimeter by the complete elliptic integral of the second kind.

    Parameters
    ----------
    semi_major_mm, semi_minor_mm
        Half axes, mm, larger first.

    Returns
    -------
    float
        mm.

    Raises
    ------
    GeometryError
        When the axes are not positive or not in order.

    References
    ----------
    NIST Digital Library of Mathematical Functions, 19.9.9, https://dlmf.nist.gov/19.9.

    Example
    -------
    >>> round(ellipse_perimeter_mm(4.6, 4.1), 6)
    27.35443
    """
    if not 0.0 < semi_minor_mm <= semi_major_mm:
        raise GeometryError(f"half axes {semi_major_mm} and {semi_minor_mm} mm", expected="positive, larger first")
    from scipy.special import ellipe

    return float(4.0 * semi_major_mm * ellipe(1.0 - (semi_minor_mm / semi_major_mm) ** 2))


def cone_lateral_area_mm2(radius_mm: float, depth_mm: float) -> float:
    """Lateral area of a right circular cone: a drum's surface, larger than the plane area of its rim.

    Parameters
    ----------
    radius_mm, depth_mm
        Base radius and height of the cone, mm.

    Returns
    -------
    float
        Square millimetres.

    Raises
    ------
    GeometryError
        When the radius is not positive or the depth negative.

    Example
    -------
    >>> round(cone_lateral_area_mm2(3.0, 4.0), 6)
    47.12389
    """
    if radius_mm <= 0.0 or depth_mm < 0.0:
        raise GeometryError(
            f"cone of radius {radius_mm} and depth {depth_mm} mm", expected="positive radius, depth >= 0"
        )
    return math.pi * radius_mm * math.hypot(radius_mm, depth_mm)


def direct_ellipse(points: ArrayLike) -> FloatArray:
    """Direct least-squares ellipse (algebraic distance with 4ac - b^2 = 1).

    Parameters
    ----------
    points
        Shape (n, 2), n >= 5, mm.

    Returns
    -------
    numpy.ndarray
        (centre x, centre y, half axis 1, half axis 2, angle in radians of half axis 1).

    Raises
    ------
    GeometryError
        When there are fewer than five points or they do not carry an ellipse.

    Notes
    -----
    Biased to small, eccentric ellipses on partial outlines: a start, not an answer.

    References
    ----------
    Halir R, Flusser J (1998) Numerically stable direct least squares fitting of ellipses, Proc. WSCG 98, 125-132.

    Example
    -------
    >>> direct_ellipse([[3 * np.cos(a), 2 * np.sin(a)] for a in np.arange(6)])[2:4].round(6).tolist()
    [3.0, 2.0]
    """
    xy = np.asarray(points, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2 or len(xy) < 5 or not np.all(np.isfinite(xy)):
        raise GeometryError(f"points of shape {xy.shape}", expected="at least five finite points (n, 2)")
    mean = xy.mean(axis=0)
    scale = float(np.sqrt(np.mean(np.sum((xy - mean) ** 2, axis=1)))) or 1.0
    x, y = ((xy - mean) / scale).T
    quadratic, linear = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = quadratic.T @ quadratic, quadratic.T @ linear, linear.T @ linear
    try:
        t = -np.linalg.solve(s3, s2.T)
    except np.linalg.LinAlgError as error:
        raise GeometryError("points on a line", expected="points on an outline") from error
    reduced = s1 + s2 @ t
    values, vectors = np.linalg.eig(np.stack([reduced[2] / 2.0, -reduced[1], reduced[0] / 2.0]))
    vectors = np.real(vectors)
    condition = 4.0 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not np.any(condition > 0.0) or not np.all(np.isfinite(values)):
        raise GeometryError("points that carry no ellipse", expected="points on an outline")
    quad = vectors[:, np.argmax(condition)]
    a, b, c, d, e, f = np.concatenate([quad, t @ quad])
    matrix = np.array([[a, b / 2.0], [b / 2.0, c]])
    centre = np.linalg.solve(2.0 * matrix, [-d, -e])
    level = -(f + 0.5 * (d * centre[0] + e * centre[1]))
    roots, directions = np.linalg.eigh(matrix * np.sign(level) if level else matrix)
    if level == 0.0 or roots[0] <= 0.0:
        raise GeometryError("points that carry no ellipse", expected="points on an outline")
    half = np.sqrt(abs(level) / roots)
    angle = math.atan2(directions[1, 0], directions[0, 0])
    return np.array([*(centre * scale + mean), half[0] * scale, half[1] * scale, angle])


def fit_ellipse_2d(points: ArrayLike, *, shortest_arc_deg: float = SHORTEST_ARC_DEG) -> EllipseFit:
    """Orthogonal-distance least-squares ellipse, started from the direct fit.

    Parameters
    ----------
    points
        Shape (n, 2), n >= 5, mm.
    shortest_arc_deg
        Diameters are refused below this arc.

    Returns
    -------
    EllipseFit
        Largest and smallest diameter with their directions.

    Raises
    ------
    GeometryError
        When there are fewer than five points, they carry no ellipse, or cover too little of it.

    References
    ----------
    Gander W, Golub GH, Strebel R (1994) BIT 34:558, doi:10.1007/BF01934268, section 5 (foot points as unknowns).

    Example
    -------
    >>> ring = [[4.6 * np.cos(a), 4.1 * np.sin(a)] for a in np.arange(12) * np.pi / 6]
    >>> round(fit_ellipse_2d(ring).area_mm2, 6)
    59.250437
    """
    start = direct_ellipse(points)
    xy = np.asarray(points, dtype=np.float64)
    turned = (xy - start[:2]) @ _turn(start[4])
    feet = np.arctan2(turned[:, 1] / start[3], turned[:, 0] / start[2])
    from scipy.optimize import least_squares

    n = len(xy)

    def residuals(x: FloatArray) -> FloatArray:
        local = np.column_stack([x[2] * np.cos(x[5:]), x[3] * np.sin(x[5:])])
        return np.asarray((x[:2] + local @ _turn(x[4]).T - xy).ravel())

    def jacobian(x: FloatArray) -> FloatArray:
        cos, sin, turn = np.cos(x[5:]), np.sin(x[5:]), _turn(x[4])
        local = np.column_stack([x[2] * cos, x[3] * sin])
        jac = np.zeros((n, 2, 5 + n))
        jac[:, 0, 0] = jac[:, 1, 1] = 1.0
        jac[:, :, 2] = cos[:, None] * turn[:, 0]
        jac[:, :, 3] = sin[:, None] * turn[:, 1]
        jac[:, :, 4] = np.column_stack([-local[:, 1], local[:, 0]]) @ turn.T
        jac[np.arange(n), :, 5 + np.arange(n)] = np.column_stack([-x[2] * sin, x[3] * cos]) @ turn.T
        return jac.reshape(2 * n, 5 + n)

    start_values = np.concatenate([start, feet])
    solution = least_squares(residuals, start_values, jac=jacobian, method="lm", xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    half, turn = np.abs(solution[2:4]), _turn(solution[4])
    order = np.argsort(-half)
    off = np.hypot(*residuals(solution).reshape(n, 2).T)
    arc = arc_covered_deg(np.degrees(np.arctan2(*(xy - solution[:2]).T[::-1])))
    if arc < shortest_arc_deg:
        raise GeometryError(
            f"an arc of {arc:.0f} degrees",
            expected=f"at least {shortest_arc_deg:.0f} degrees for an ellipse",
            action="place points further round",
        )
    return EllipseFit(
        frozen(solution[:2]),
        float(2.0 * half[order[0]]),
        float(2.0 * half[order[1]]),
        frozen(turn.T[order]),
        float(np.sqrt(np.mean(off**2))),
        arc,
    )


def fit_ellipse_3d(
    points_lps: ArrayLike, *, towards_lps: ArrayLike | None = None, shortest_arc_deg: float = SHORTEST_ARC_DEG
) -> EllipseFit:
    """Ellipse in space: total least squares plane, then the ellipse of the projected points.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 5, LPS mm.
    towards_lps
        A direction the plane's normal shall have a positive part along.
    shortest_arc_deg
        As in `fit_ellipse_2d`.

    Returns
    -------
    EllipseFit
        Centre and axes in LPS; `out_of_plane_rms_mm` apart from the in-plane `rms_mm`.

    Raises
    ------
    GeometryError
        As in `fit_plane` and `fit_ellipse_2d`.

    Example
    -------
    >>> ring = [[7.0, 3 * np.cos(a), 2 * np.sin(a)] for a in np.arange(8) * np.pi / 4]
    >>> (fit_ellipse_3d(ring).centre.round(6) + 0.0).tolist()
    [7.0, 0.0, 0.0]
    """
    points = as_points(points_lps)
    fit = fit_plane(points, towards_lps=towards_lps)
    origin, axes = fit.plane.point_lps, fit.axes_lps[:2]
    flat = fit_ellipse_2d((points - origin) @ axes.T, shortest_arc_deg=shortest_arc_deg)
    centre = origin + flat.centre @ axes
    return EllipseFit(
        frozen(centre),
        flat.diameter_max_mm,
        flat.diameter_min_mm,
        frozen(flat.axes @ axes),
        flat.rms_mm,
        flat.arc_deg,
        Plane(centre, fit.plane.normal_lps),
        fit.out_of_plane_rms_mm,
    )


def _turn(angle_rad: float) -> FloatArray:
    cos, sin = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[cos, -sin], [sin, cos]])
