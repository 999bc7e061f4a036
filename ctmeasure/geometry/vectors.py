"""Vectors in patient millimetres: checked arrays, unit vectors, angles that stay exact near 0 and 180 degrees."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError

FloatArray = NDArray[np.float64]

SHORTEST_DIRECTION = 1e-12
"""A vector shorter than this (in the unit of its components) has no direction: it is rounding, not geometry."""


def as_points(points: ArrayLike, name: str = "points") -> FloatArray:
    """Return points as float64 of shape (..., 3), all finite.

    Parameters
    ----------
    points
        Anything of shape (..., 3).
    name
        How the points are called in the message when they are wrong.

    Returns
    -------
    numpy.ndarray
        float64, same shape.

    Raises
    ------
    GeometryError
        When the last axis is not 3 or a coordinate is not finite.

    Example
    -------
    >>> as_points([1, 2, 3]).shape
    (3,)
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise GeometryError(f"{name} of shape {array.shape}", expected="three coordinates on the last axis")
    if not np.all(np.isfinite(array)):
        raise GeometryError(f"{name} with a coordinate that is not a finite number", expected="finite millimetres")
    return array


def frozen(array: ArrayLike) -> FloatArray:
    """Return a float64 copy that cannot be written to.

    Parameters
    ----------
    array
        Any numbers.

    Returns
    -------
    numpy.ndarray
        A read-only float64 copy.

    Raises
    ------
    ValueError
        When the input is not numeric.

    Example
    -------
    >>> frozen([1.0, 2.0]).flags.writeable
    False
    """
    copy = np.array(array, dtype=np.float64, copy=True)
    copy.setflags(write=False)
    return copy


def unit(vectors: ArrayLike) -> FloatArray:
    """Scale vectors to length one.

    Parameters
    ----------
    vectors
        Shape (..., 3), any unit.

    Returns
    -------
    numpy.ndarray
        Unit vectors, same shape.

    Raises
    ------
    GeometryError
        When a vector is too short to have a direction.

    Example
    -------
    >>> unit([0.0, 3.0, 4.0]).tolist()
    [0.0, 0.6, 0.8]
    """
    array = as_points(vectors, "vector")
    length = np.linalg.norm(array, axis=-1, keepdims=True)
    if np.any(length < SHORTEST_DIRECTION):
        raise GeometryError(
            "a vector of length zero", expected="a direction", action="check that the two points it joins are different"
        )
    return np.asarray(array / length)


def angle_deg(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Angle between vectors, 0 to 180 degrees, by atan2 of cross and dot product.

    The arc cosine loses half of its digits near 0 and 180 degrees; this form does not.

    Parameters
    ----------
    first, second
        Shape (..., 3), any lengths; broadcast against each other.

    Returns
    -------
    numpy.ndarray
        Degrees, shape of the broadcast leading axes.

    Raises
    ------
    GeometryError
        When a vector is too short to have a direction.

    References
    ----------
    Kahan W (2006) "How futile are mindless assessments of roundoff in floating-point computation?", section 12.

    Example
    -------
    >>> float(angle_deg([1, 0, 0], [0, 2, 0]))
    90.0
    """
    a, b = unit(first), unit(second)
    cross = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(a * b, axis=-1))))


def angle_at_deg(vertex: ArrayLike, first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Angle at a vertex between the arms to two other points.

    Parameters
    ----------
    vertex, first, second
        Points, shape (..., 3), LPS mm.

    Returns
    -------
    numpy.ndarray
        Degrees, 0 to 180.

    Raises
    ------
    GeometryError
        When an arm has no length.

    Example
    -------
    >>> round(float(angle_at_deg([0, 0, 0], [1, 0, 0], [1, 1, 0])), 6)
    45.0
    """
    origin = as_points(vertex, "vertex")
    return angle_deg(as_points(first) - origin, as_points(second) - origin)


def orthonormal_basis(direction: ArrayLike, hint: ArrayLike | None = None) -> FloatArray:
    """Right-handed rows (e1, e2, n) around a direction n.

    Parameters
    ----------
    direction
        Shape (3,); becomes the third row.
    hint
        Shape (3,); its part across the direction becomes e1. Without it, e1 comes from the coordinate axis that is
        most across the direction (arbitrary, but repeatable).

    Returns
    -------
    numpy.ndarray
        Shape (3, 3), rows are unit vectors, determinant +1.

    Raises
    ------
    GeometryError
        When the direction has no length, or the hint is parallel to it.

    Example
    -------
    >>> orthonormal_basis([0, 0, 2.0], [1.0, 0, 5.0]).tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    n = unit(direction)
    if n.shape != (3,):
        raise GeometryError(f"{n.shape[:-1]} directions", expected="one direction of shape (3,)")
    h = np.eye(3)[np.argmin(np.abs(n))] if hint is None else unit(hint)
    across = h - np.dot(h, n) * n
    if np.linalg.norm(across) < HINT_ACROSS:
        raise GeometryError("a hint parallel to the direction", expected="two directions that span a plane")
    e1 = across / np.linalg.norm(across)
    e1 -= np.dot(e1, n) * n
    e1 /= np.linalg.norm(e1)
    return np.stack([e1, np.cross(n, e1), n])


HINT_ACROSS = 1e-6
"""A unit hint with less than this across the direction (0.00006 degrees off it) cannot orient a basis."""
