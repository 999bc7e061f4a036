"""Mirror images about the mid-sagittal plane (LPS x to -x), done explicitly and right-handed again afterwards."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.frames import Frame, Plane
from ctmeasure.geometry.vectors import FloatArray, as_points

MIRROR_X = np.array([-1.0, 1.0, 1.0])


def mirrored_points(points_lps: ArrayLike, *, mid_x_mm: float = 0.0) -> FloatArray:
    """Points reflected in the plane x = mid_x_mm.

    Parameters
    ----------
    points_lps
        Shape (..., 3), LPS mm.
    mid_x_mm
        Where the mirror plane crosses the left-right axis.

    Returns
    -------
    numpy.ndarray
        Shape (..., 3), LPS mm.

    Raises
    ------
    GeometryError
        When the points are not finite or not of shape (..., 3).

    Example
    -------
    >>> mirrored_points([40.0, 1, 2], mid_x_mm=5.0).tolist()
    [-30.0, 1.0, 2.0]
    """
    return np.asarray(as_points(points_lps) * MIRROR_X + np.array([2.0 * mid_x_mm, 0.0, 0.0]))


def mirrored_directions(directions_lps: ArrayLike) -> FloatArray:
    """Directions (..., 3) reflected in a plane across the left-right axis.

    Parameters
    ----------
    directions_lps
        Shape (..., 3).

    Returns
    -------
    numpy.ndarray
        Shape (..., 3), same lengths.

    Raises
    ------
    GeometryError
        When they are not finite or not of shape (..., 3).

    Example
    -------
    >>> mirrored_directions([1.0, 2, 3]).tolist()
    [-1.0, 2.0, 3.0]
    """
    return np.asarray(as_points(directions_lps) * MIRROR_X)


def mirrored_plane(plane: Plane, *, mid_x_mm: float = 0.0) -> Plane:
    """The plane's mirror image; its positive side stays the image of its positive side.

    Parameters
    ----------
    plane
        The plane.
    mid_x_mm
        Where the mirror plane crosses the left-right axis.

    Returns
    -------
    Plane
        Distances of mirrored points from it equal those of the points from the original.

    Raises
    ------
    GeometryError
        Never for a valid plane.

    Example
    -------
    >>> mirrored_plane(Plane([1, 0, 0], [1, 0, 0])).normal_lps.tolist()
    [-1.0, 0.0, 0.0]
    """
    return Plane(mirrored_points(plane.point_lps, mid_x_mm=mid_x_mm), mirrored_directions(plane.normal_lps))


def mirrored_frame(frame: Frame, *, reversed_axis: int, mid_x_mm: float = 0.0) -> Frame:
    """The frame's mirror image, made right-handed again by reversing one named axis.

    A reflection turns a right-handed frame into a left-handed one, so one axis must change sign; which one is the
    caller's decision (a picture plane usually reverses its in-plane left-right axis, never its normal).

    Parameters
    ----------
    frame
        The frame.
    reversed_axis
        0, 1 or 2: the axis that is reversed after the reflection.
    mid_x_mm
        Where the mirror plane crosses the left-right axis.

    Returns
    -------
    Frame
        Right-handed; coordinates of mirrored points are the originals with `reversed_axis` negated.

    Raises
    ------
    GeometryError
        When `reversed_axis` is not 0, 1 or 2.

    Example
    -------
    >>> f = mirrored_frame(Frame([40, 0, 0], np.eye(3), "right"), reversed_axis=0)
    >>> f.axes_lps.tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    if reversed_axis not in (0, 1, 2):
        raise GeometryError(f"reversed axis {reversed_axis}", expected="0, 1 or 2")
    axes = mirrored_directions(frame.axes_lps)
    axes[reversed_axis] *= -1.0
    return Frame(mirrored_points(frame.origin_lps, mid_x_mm=mid_x_mm), axes + 0.0, frame.name)
