"""Curves through clicked points: length, resampling, smoothing tied to the click noise, frames that do not twist."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import SHORTEST_DIRECTION, FloatArray, as_points, orthonormal_basis, unit

SAME_PLACE_MM = 1e-9
"""Neighbouring vertices closer than this are one vertex."""

NOISY_DIRECTIONS = (2, 3)
"""Directions in which click noise remains as residual: with chord lengths as parameter noise along the curve only
shifts the parameter and two remain; with lengths along running means (crowded clicks) all three do."""


CROWDED = 4.0
"""Clicks closer than this many noise standard deviations make the chord length mostly noise."""

LOOSER, LOOSENINGS = 1.15, 8
"""When the knot search stalls, the allowed residual grows by this factor, at most this often (to three times)."""


def arc_lengths_mm(points_lps: ArrayLike) -> FloatArray:
    """Length along a polyline from its first vertex to each vertex.

    Parameters
    ----------
    points_lps
        Shape (n, 3), LPS mm.

    Returns
    -------
    numpy.ndarray
        Shape (n,), mm, starting at 0; the last entry is the length.

    Raises
    ------
    GeometryError
        When there is no point or a coordinate is not finite.

    Notes
    -----
    Clicked polylines grow with the number of clicks (noise adds length); smooth first with `smooth_polyline`.

    Example
    -------
    >>> arc_lengths_mm([[0, 0, 0], [3, 4, 0], [3, 4, 1]]).tolist()
    [0.0, 5.0, 6.0]
    """
    points = _polyline(points_lps, least=1)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def points_at(points_lps: ArrayLike, arclength_mm: ArrayLike) -> FloatArray:
    """Points on a polyline at given lengths from its start.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm.
    arclength_mm
        Shape (...,), from 0 to the length.

    Returns
    -------
    numpy.ndarray
        Shape (..., 3), LPS mm.

    Raises
    ------
    GeometryError
        When a length is outside the polyline.

    Example
    -------
    >>> points_at([[0, 0, 0], [2, 0, 0], [2, 2, 0]], 3.0).tolist()
    [2.0, 1.0, 0.0]
    """
    points = _polyline(points_lps, least=2)
    along = arc_lengths_mm(points)
    wanted = _inside(arclength_mm, along)
    return np.stack([np.interp(wanted, along, points[:, axis]) for axis in range(3)], axis=-1)


def resample_polyline(points_lps: ArrayLike, spacing_mm: float) -> FloatArray:
    """Vertices at equal lengths along a polyline, both ends kept.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm.
    spacing_mm
        Largest spacing along the polyline; the spacing used divides the length evenly.

    Returns
    -------
    numpy.ndarray
        Shape (m, 3).

    Raises
    ------
    GeometryError
        When the polyline has no length or the spacing is not positive.

    Example
    -------
    >>> resample_polyline([[0, 0, 0], [1, 0, 0]], 0.4).shape
    (4, 3)
    """
    points = _polyline(points_lps, least=2)
    length = float(arc_lengths_mm(points)[-1])
    if not spacing_mm > 0.0 or length < SAME_PLACE_MM:
        raise GeometryError(
            f"a polyline of {length} mm at spacing {spacing_mm} mm", expected="a length and a positive spacing"
        )
    steps = max(int(np.ceil(length / spacing_mm - 1e-9)), 1)
    return points_at(points, np.linspace(0.0, length, steps + 1))


def smooth_polyline(points_lps: ArrayLike, *, click_noise_mm: float, spacing_mm: float) -> FloatArray:
    """Smoothing spline through clicked points, smoothed as much as the stated click noise explains.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm, in order.
    click_noise_mm
        Standard deviation of a click per axis; 0 interpolates.
    spacing_mm
        Largest spacing of the result along the curve.

    Returns
    -------
    numpy.ndarray
        Shape (m, 3), equally spaced.

    Raises
    ------
    GeometryError
        When there are fewer than two different points, or a number is not usable.

    Notes
    -----
    The residual allowed is n x noise squared per noisy direction, the usual rule for a smoothing spline with known
    noise. Where clicks are closer than a few noise deviations the parameter is length along their running means, so
    clicks that jump back and forth by their noise do not stretch it. Cubic; of lower degree for two or three points.
    An underestimated noise leaves the curve too long, an overestimated one cuts its bends.

    References
    ----------
    Dierckx P (1993) Curve and Surface Fitting with Splines, section 5.2.4, ISBN 978-0-19-853441-9;
    Reinsch CH (1967) Numer Math 10:177, doi:10.1007/BF02162161 (size of the residual).

    Example
    -------
    >>> arc = [[np.cos(a), np.sin(a), 0] for a in np.linspace(0, np.pi, 20)]
    >>> bool(abs(arc_lengths_mm(smooth_polyline(arc, click_noise_mm=0.0, spacing_mm=0.05))[-1] - np.pi) < 1e-3)
    True
    """
    points = _polyline(points_lps, least=2)
    points = points[_distinct(points)]
    if len(points) < 2:
        raise GeometryError("points in one place", expected="a curve", action="place points apart")
    if not (np.isfinite(click_noise_mm) and click_noise_mm >= 0.0):
        raise GeometryError(f"click noise of {click_noise_mm} mm", expected="0 mm or more")
    from scipy.interpolate import make_splprep

    degree = min(3, len(points) - 1)
    parameter, crowded = _parameter(points, click_noise_mm)
    allowed = NOISY_DIRECTIONS[crowded] * len(points) * click_noise_mm**2 if len(points) > degree + 1 else 0.0
    order = np.argsort(parameter, kind="stable")
    for loosening in range(LOOSENINGS + 1):
        with warnings.catch_warnings():
            warnings.simplefilter("error" if loosening < LOOSENINGS else "ignore", RuntimeWarning)
            try:
                residual = allowed * LOOSER**loosening
                spline, _ = make_splprep(points[order].T, u=parameter[order], s=residual, k=degree)
                break
            except RuntimeWarning:  # the knot search stalled just short of this residual; ask for a little less
                continue
    dense = np.asarray(spline(np.linspace(0.0, 1.0, max(200, 20 * len(points))))).T
    return resample_polyline(dense, spacing_mm)


def _parameter(points: FloatArray, noise_mm: float) -> tuple[FloatArray, bool]:
    """Strictly increasing parameter 0 to 1: chord length when clicks are far apart, else length along running means."""
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    # A noisy chord has mean square spacing^2 + 6 noise^2: take the noise out to see the true spacing.
    spacing = np.sqrt(max(float(np.mean(chords**2)) - 6.0 * noise_mm**2, (0.25 * noise_mm) ** 2, SAME_PLACE_MM**2))
    crowded = spacing < CROWDED * noise_mm
    if crowded:
        width = min(len(points) // 2, int(np.ceil((CROWDED * noise_mm / spacing) ** 2.0)))
        index = np.arange(len(points))
        near = (np.abs(index[:, None] - index) <= width).astype(np.float64)
        coarse = near @ points / near.sum(axis=1, keepdims=True)
        chords = np.linalg.norm(np.diff(coarse, axis=0), axis=1)
    steps = np.maximum(chords, 1e-6 * np.max(chords))
    parameter = np.concatenate([[0.0], np.cumsum(steps)])
    return parameter / parameter[-1], bool(crowded)


def tangent_at(points_lps: ArrayLike, arclength_mm: ArrayLike, *, half_window_mm: float) -> FloatArray:
    """Unit tangents of a polyline at given lengths, from the chord across a window.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm.
    arclength_mm
        Shape (...,), from 0 to the length.
    half_window_mm
        The chord runs from this much before to this much after (cut off at the ends of the polyline).

    Returns
    -------
    numpy.ndarray
        Shape (..., 3).

    Raises
    ------
    GeometryError
        When a length is outside the polyline, the window is not positive or its chord has no length.

    Example
    -------
    >>> tangent_at([[0, 0, 0], [2, 0, 0], [2, 2, 0]], 0.5, half_window_mm=0.2).tolist()
    [1.0, 0.0, 0.0]
    """
    points = _polyline(points_lps, least=2)
    along = arc_lengths_mm(points)
    wanted = _inside(arclength_mm, along)
    if not half_window_mm > 0.0:
        raise GeometryError(f"a window of {half_window_mm} mm", expected="more than 0")
    before = points_at(points, np.maximum(wanted - half_window_mm, 0.0))
    after = points_at(points, np.minimum(wanted + half_window_mm, along[-1]))
    return unit(after - before)


def vertex_tangents(points_lps: ArrayLike) -> FloatArray:
    """Unit tangents at the vertices of a curve by second-order differences over its (unequal) spacing.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm, neighbours at different places.

    Returns
    -------
    numpy.ndarray
        Shape (n, 3).

    Raises
    ------
    GeometryError
        When neighbouring vertices coincide.

    Example
    -------
    >>> vertex_tangents([[0, 0, 0], [1, 0, 0], [3, 0, 0]])[1].tolist()
    [1.0, 0.0, 0.0]
    """
    points = _polyline(points_lps, least=2)
    along = arc_lengths_mm(points)
    if np.any(np.diff(along) < SHORTEST_DIRECTION):
        raise GeometryError("two neighbouring vertices in one place", expected="a curve without standstill")
    if len(points) == 2:
        return unit(np.repeat(np.diff(points, axis=0), 2, axis=0))
    return unit(np.asarray(np.gradient(points, along, axis=0, edge_order=2)))


def rotation_minimising_frames(points_lps: ArrayLike, *, first_hint_lps: ArrayLike) -> FloatArray:
    """Frames along a curve that do not turn about its tangent (double reflection method).

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, LPS mm, neighbours at different places.
    first_hint_lps
        Direction whose part across the first tangent becomes the first axis at the start.

    Returns
    -------
    numpy.ndarray
        Shape (n, 3, 3): per vertex the rows first axis, second axis, tangent; right-handed.

    Raises
    ------
    GeometryError
        When neighbours coincide or the hint is parallel to the first tangent.

    References
    ----------
    Wang W, Juettler B, Zheng D, Liu Y (2008) ACM Trans Graph 27(1):2, doi:10.1145/1330511.1330513.

    Example
    -------
    >>> frames = rotation_minimising_frames([[0, 0, 0], [0, 0, 1], [0, 0, 2]], first_hint_lps=[1, 0, 0])
    >>> frames[2, 0].tolist()
    [1.0, 0.0, 0.0]
    """
    points = _polyline(points_lps, least=2)
    tangents = vertex_tangents(points)
    frames = np.empty((len(points), 3, 3))
    frames[0] = orthonormal_basis(tangents[0], first_hint_lps)
    for i in range(len(points) - 1):
        chord = points[i + 1] - points[i]
        c1 = np.dot(chord, chord)
        mirrored_axis = frames[i, 0] - 2.0 / c1 * np.dot(chord, frames[i, 0]) * chord
        mirrored_tangent = tangents[i] - 2.0 / c1 * np.dot(chord, tangents[i]) * chord
        change = tangents[i + 1] - mirrored_tangent
        c2 = np.dot(change, change)
        axis = mirrored_axis if c2 < 1e-24 else mirrored_axis - 2.0 / c2 * np.dot(change, mirrored_axis) * change
        frames[i + 1] = orthonormal_basis(tangents[i + 1], axis)
    return frames


def _polyline(points_lps: ArrayLike, *, least: int) -> FloatArray:
    points = as_points(points_lps, "polyline")
    if points.ndim != 2 or len(points) < least:
        raise GeometryError(f"a polyline of shape {points.shape}", expected=f"at least {least} points (n, 3)")
    return points


def _distinct(points: FloatArray) -> NDArray[np.bool_]:
    return np.concatenate([[True], np.linalg.norm(np.diff(points, axis=0), axis=1) > SAME_PLACE_MM])


def _inside(arclength_mm: ArrayLike, along: FloatArray) -> FloatArray:
    wanted = np.asarray(arclength_mm, dtype=np.float64)
    slack = 1e-9 * max(float(along[-1]), 1.0)
    if not np.all((wanted >= -slack) & (wanted <= along[-1] + slack)):
        raise GeometryError(f"a place outside the polyline of {along[-1]:.3f} mm", expected="0 to its length")
    return np.clip(wanted, 0.0, along[-1])
