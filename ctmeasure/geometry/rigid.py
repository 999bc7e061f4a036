"""Rigid fits of paired points, what their residual says, and what it does not say about a target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen

COLLINEAR = 1e-6
"""Second singular value below this part of the first: the points lie on a line and a turn about it is undefined."""

MIRROR_CLEARLY_BETTER = 0.5
"""A mirrored fit whose residual is below this part of the proper one's is reported as a left/right mix-up."""

MIRROR_FLOOR_MM = 1.0
"""Proper residuals under this are never called a mix-up: nearly planar points fit a mirror image as well by chance."""


@dataclass(frozen=True, eq=False)
class RigidFit:
    """Result of `fit_rigid`.

    Parameters
    ----------
    tf_to_from
        4x4 matrix that takes the first points to the second.
    fre_mm
        Root mean square distance left between the paired points (fiducial registration error).
    residuals_mm
        Distance left at each pair, shape (n,).

    Raises
    ------
    GeometryError
        Never by itself.

    Notes
    -----
    `fre_mm` is not the accuracy at a target: the two are uncorrelated within one case. Use `target_covariance`.

    References
    ----------
    Fitzpatrick JM (2009) Proc SPIE 7261:72611L, doi:10.1117/12.813601.

    Example
    -------
    >>> p = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]
    >>> fit_rigid(p, p).fre_mm < 1e-12
    True
    """

    tf_to_from: FloatArray
    fre_mm: float
    residuals_mm: FloatArray

    @property
    def rotation(self) -> FloatArray:
        """The 3x3 rotation, determinant +1."""
        return np.asarray(self.tf_to_from[:3, :3])

    @property
    def translation_mm(self) -> FloatArray:
        """The shift after the rotation, mm."""
        return np.asarray(self.tf_to_from[:3, 3])

    def apply(self, points: ArrayLike) -> FloatArray:
        """Take points (..., 3) of the first set's space into the second's."""
        return np.asarray(as_points(points) @ self.rotation.T + self.translation_mm)


def fit_rigid(from_points: ArrayLike, to_points: ArrayLike, *, weights: ArrayLike | None = None) -> RigidFit:
    """Rotation and shift that take one set of points to its partners with least (weighted) squares.

    Parameters
    ----------
    from_points, to_points
        Shape (n, 3), n >= 3, mm, in the same order.
    weights
        Shape (n,), positive; equal by default.

    Returns
    -------
    RigidFit
        A proper rotation, never a reflection.

    Raises
    ------
    GeometryError
        When there are fewer than three pairs, the points are collinear, or the pairs match a mirror image.

    References
    ----------
    Kabsch W (1976) Acta Cryst A32:922, doi:10.1107/S0567739476001873.
    Umeyama S (1991) IEEE TPAMI 13:376, doi:10.1109/34.88573 (the sign correction).

    Example
    -------
    >>> fit = fit_rigid([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]], [[5, 0, 0], [5, 1, 0], [4, 0, 0.0]])
    >>> (fit.apply([0, 2, 0]).round(9) + 0.0).tolist()
    [3.0, 0.0, 0.0]
    """
    p, q = as_points(from_points, "first points"), as_points(to_points, "second points")
    if p.ndim != 2 or p.shape != q.shape or len(p) < 3:
        raise GeometryError(f"point sets of shape {p.shape} and {q.shape}", expected="the same (n, 3) with n >= 3")
    w = np.ones(len(p)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (len(p),) or not np.all(np.isfinite(w)) or np.any(w <= 0.0):
        raise GeometryError("weights that are not one positive number per pair", expected=f"shape ({len(p)},)")
    w = w / w.sum()
    p_mean, q_mean = w @ p, w @ q
    spread = np.linalg.svd((p - p_mean) * np.sqrt(w)[:, None], compute_uv=False)
    if spread[0] == 0.0 or spread[1] < COLLINEAR * spread[0]:
        raise GeometryError(
            "points on one line (or in one place)",
            expected="points that span a plane",
            action="add a landmark off the line",
        )
    rotation, signed = proper_rotation(p - p_mean, q - q_mean, weights=w)
    shift = q_mean - rotation @ p_mean
    residuals = np.linalg.norm(p @ rotation.T + shift - q, axis=1)
    weighted_ms = float(w @ residuals**2)
    mirrored_ms = max(weighted_ms + 4.0 * signed[2], 0.0) if signed[2] < 0.0 else np.inf
    if weighted_ms > MIRROR_FLOOR_MM**2 and mirrored_ms < MIRROR_CLEARLY_BETTER**2 * weighted_ms:
        raise GeometryError(
            f"points that match only as a mirror image (residual {np.sqrt(weighted_ms):.2f} mm as a rigid body, "
            f"{np.sqrt(mirrored_ms):.2f} mm mirrored)",
            expected="two sets of one ear",
            action="check for a left/right mix-up or a flipped axis",
        )
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation, shift
    return RigidFit(frozen(matrix), float(np.sqrt(np.mean(residuals**2))), frozen(residuals))


def proper_rotation(
    from_centred: ArrayLike, to_centred: ArrayLike, *, weights: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Rotation (never a reflection) between two centred point sets of any dimension.

    Parameters
    ----------
    from_centred, to_centred
        Shape (n, d), weighted mean zero.
    weights
        Shape (n,), sum 1.

    Returns
    -------
    rotation, signed_singular_values
        Shape (d, d) with determinant +1, and (d,): the last one is negative when a reflection would fit better.

    Raises
    ------
    GeometryError
        When the shapes differ.

    References
    ----------
    Umeyama S (1991) IEEE TPAMI 13:376, doi:10.1109/34.88573, equations 39 to 43.

    Example
    -------
    >>> rotation, _ = proper_rotation([[1, 0], [-1, 0]], [[0, 1], [0, -1]], weights=[0.5, 0.5])
    >>> round(float(np.linalg.det(rotation)), 9)
    1.0
    """
    p, q = np.asarray(from_centred, dtype=np.float64), np.asarray(to_centred, dtype=np.float64)
    w = np.asarray(weights, dtype=np.float64)
    if p.ndim != 2 or p.shape != q.shape or w.shape != (len(p),):
        raise GeometryError(f"point sets of shape {p.shape} and {q.shape}", expected="the same (n, d) and n weights")
    u, singular, vt = np.linalg.svd((p * w[:, None]).T @ q)
    correction = np.ones(p.shape[1])
    correction[-1] = 1.0 if np.linalg.det(vt.T @ u.T) > 0.0 else -1.0
    return vt.T @ np.diag(correction) @ u.T, singular * correction


def expected_fre_mm(fle_mm: float, count: int) -> float:
    """Expected root mean square residual for a known localisation error.

    Parameters
    ----------
    fle_mm
        Root mean square 3-D localisation error of a point (per axis times sqrt 3).
    count
        Number of pairs, at least 3.

    Returns
    -------
    float
        mm.

    Raises
    ------
    GeometryError
        When there are fewer than three pairs or the error is negative.

    References
    ----------
    Sibson R (1979) J R Stat Soc B 41:217, doi:10.1111/j.2517-6161.1979.tb01076.x.
    Fitzpatrick JM, West JB, Maurer CR (1998) IEEE TMI 17:694, doi:10.1109/42.736021.

    Example
    -------
    >>> round(expected_fre_mm(0.3, 4), 5)
    0.21213
    """
    if count < 3 or fle_mm < 0.0:
        raise GeometryError(f"{count} pairs with an error of {fle_mm} mm", expected="at least 3 pairs, error >= 0")
    return float(fle_mm * np.sqrt(1.0 - 2.0 / count))


def expected_tre_mm(fiducials: ArrayLike, target: ArrayLike, *, fle_mm: float) -> FloatArray:
    """Expected root mean square error at targets, for equal isotropic localisation errors.

    Parameters
    ----------
    fiducials
        Shape (n, 3), mm.
    target
        Shape (..., 3), mm, same space.
    fle_mm
        Root mean square 3-D localisation error of a fiducial.

    Returns
    -------
    numpy.ndarray
        mm, shape of the leading axes of the targets.

    Raises
    ------
    GeometryError
        When there are fewer than three fiducials or they are collinear.

    References
    ----------
    Fitzpatrick JM, West JB, Maurer CR (1998) IEEE TMI 17:694, doi:10.1109/42.736021, equation 46.

    Example
    -------
    >>> cross = [[30, 0, 0], [-30, 0, 0], [0, 30, 0], [0, -30, 0]]
    >>> round(float(expected_tre_mm(cross, [0, 0, 50], fle_mm=0.3)), 5)
    0.32532
    """
    points, targets = _fiducials(fiducials), as_points(target, "target")
    centred = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(centred)
    fiducial_along, target_along = centred @ axes.T, (targets - points.mean(axis=0)) @ axes.T
    f2 = np.mean(np.sum(fiducial_along**2, axis=1)[:, None] - fiducial_along**2, axis=0)
    d2 = np.sum(target_along**2, axis=-1)[..., None] - target_along**2
    return np.asarray(fle_mm * np.sqrt((1.0 + np.sum(d2 / f2, axis=-1) / 3.0) / len(points)))


def target_covariance(fiducials: ArrayLike, target: ArrayLike, *, fle_covariance: ArrayLike) -> FloatArray:
    """Covariance of the registration error at targets for any localisation covariances (equally weighted fit).

    Parameters
    ----------
    fiducials
        Shape (n, 3), mm.
    target
        Shape (..., 3), mm.
    fle_covariance
        Shape (3, 3) for all or (n, 3, 3), mm squared: covariance of the *difference* of the paired positions.

    Returns
    -------
    numpy.ndarray
        Shape (..., 3, 3), mm squared.

    Raises
    ------
    GeometryError
        When there are fewer than three fiducials, they are collinear, or a shape is wrong.

    Notes
    -----
    First order in the errors: small rotations.

    References
    ----------
    Danilchenko A, Fitzpatrick JM (2011) IEEE TMI 30:679, PMC4607070.

    Example
    -------
    >>> cross = [[30, 0, 0], [-30, 0, 0], [0, 30, 0], [0, -30, 0]]
    >>> c = target_covariance(cross, [0, 0, 50], fle_covariance=np.eye(3) * 0.3**2 / 3)
    >>> round(float(np.sqrt(np.trace(c))), 5)
    0.32532
    """
    points, targets = _fiducials(fiducials), as_points(target, "target")
    cov = np.broadcast_to(np.asarray(fle_covariance, dtype=np.float64), (len(points), 3, 3))
    centre = points.mean(axis=0)
    design = _motion(points - centre)
    normal = np.linalg.inv(np.einsum("nia,nib->ab", design, design))
    middle = np.einsum("nia,nij,njb->ab", design, cov, design)
    motion_cov = normal @ middle @ normal
    jacobian = _motion(targets - centre)
    return np.asarray(jacobian @ motion_cov @ np.swapaxes(jacobian, -1, -2))


def fre_p_value(fre_mm: float, count: int, *, fle_mm: float) -> float:
    """Probability of a residual at least this large if every pair had the stated localisation error.

    Parameters
    ----------
    fre_mm
        Observed root mean square residual.
    count
        Number of pairs, at least 3.
    fle_mm
        Root mean square 3-D localisation error, isotropic.

    Returns
    -------
    float
        Small values say that a pair is wrong or the error larger than believed.

    Raises
    ------
    GeometryError
        When there are fewer than three pairs or the error is not positive.

    Notes
    -----
    `n FRE^2 / (FLE^2 / 3)` follows chi square with 3 n - 6 degrees of freedom.

    References
    ----------
    Sibson R (1979) J R Stat Soc B 41:217, doi:10.1111/j.2517-6161.1979.tb01076.x.

    Example
    -------
    >>> round(fre_p_value(0.70, 6, fle_mm=0.5), 5)
    0.00042
    """
    if count < 3 or fle_mm <= 0.0:
        raise GeometryError(f"{count} pairs with an error of {fle_mm} mm", expected="at least 3 pairs, error > 0")
    from scipy.special import chdtrc

    return float(chdtrc(3 * count - 6, count * fre_mm**2 / (fle_mm**2 / 3.0)))


def _motion(points: FloatArray) -> FloatArray:
    """Jacobian (..., 3, 6) of x + w x x + t with respect to (t, w)."""
    zero, x, y, z = np.zeros(points.shape[:-1]), points[..., 0], points[..., 1], points[..., 2]
    turn = np.stack([zero, z, -y, -z, zero, x, y, -x, zero], axis=-1).reshape(*points.shape[:-1], 3, 3)
    return np.concatenate([np.broadcast_to(np.eye(3), turn.shape), turn], axis=-1)


def _fiducials(fiducials: ArrayLike) -> FloatArray:
    points = as_points(fiducials, "fiducials")
    if points.ndim != 2 or len(points) < 3:
        raise GeometryError(f"fiducials of shape {points.shape}", expected="(n, 3) with n >= 3")
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[0] == 0.0 or spread[1] < COLLINEAR * spread[0]:
        raise GeometryError("fiducials on one line", expected="points that span a plane")
    return points
