"""Frames and planes in LPS millimetres: orthonormal, right-handed, compared by value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.vectors import FloatArray, as_points, frozen, orthonormal_basis, unit

ORTHONORMAL_TOLERANCE = 1e-9
"""Axes may differ from exactly orthonormal by this much: rounding of a few matrix products, nothing in an ear."""


@dataclass(frozen=True, eq=False)
class Frame:
    """An orthonormal, right-handed frame in patient space.

    Parameters
    ----------
    origin_lps
        Shape (3,), LPS mm.
    axes_lps
        Shape (3, 3); the rows are the unit axes of the frame in LPS.
    name
        What the frame is called, for example "canal".

    Raises
    ------
    GeometryError
        When the axes are not orthonormal or not right-handed.

    Notes
    -----
    Coordinates in the frame are millimetres along its three axes. Equality is by value, the name included.

    Example
    -------
    >>> f = Frame([1, 2, 3], [[0, 1, 0], [0, 0, 1], [1, 0, 0]], "turned")
    >>> f.to_lps([1, 0, 0]).tolist()
    [1.0, 3.0, 3.0]
    >>> f.from_lps([1, 3, 3]).tolist()
    [1.0, 0.0, 0.0]
    """

    origin_lps: FloatArray
    axes_lps: FloatArray
    name: str = ""

    def __post_init__(self) -> None:
        origin = as_points(self.origin_lps, "frame origin")
        axes = as_points(self.axes_lps, "frame axes")
        if origin.shape != (3,) or axes.shape != (3, 3):
            raise GeometryError(
                f"frame with origin of shape {origin.shape} and axes of shape {axes.shape}",
                expected="shapes (3,) and (3, 3)",
            )
        if not np.allclose(axes @ axes.T, np.eye(3), rtol=0.0, atol=ORTHONORMAL_TOLERANCE):
            raise GeometryError(
                "frame axes that are not orthonormal", expected="unit axes at right angles, one per row"
            )
        if np.linalg.det(axes) < 0.0:
            raise GeometryError(
                "a left-handed frame", expected="right-handed axes", action="check for a left/right mix-up"
            )
        object.__setattr__(self, "origin_lps", frozen(origin))
        object.__setattr__(self, "axes_lps", frozen(axes))

    @classmethod
    def from_directions(
        cls, origin_lps: ArrayLike, third_lps: ArrayLike, *, first_hint_lps: ArrayLike, name: str = ""
    ) -> Frame:
        """Build a frame whose third axis is given and whose first axis is the part of a hint across it.

        Parameters
        ----------
        origin_lps
            Shape (3,), LPS mm.
        third_lps
            Direction of the third axis, any length.
        first_hint_lps
            Direction whose part across the third axis becomes the first axis.
        name
            What the frame is called.

        Returns
        -------
        Frame
            Right-handed.

        Raises
        ------
        GeometryError
            When the two directions are parallel or have no length.

        Example
        -------
        >>> Frame.from_directions([0, 0, 0], [0, 0, 1], first_hint_lps=[1, 0, 1]).axes_lps[0].tolist()
        [1.0, 0.0, 0.0]
        """
        return cls(as_points(origin_lps), orthonormal_basis(third_lps, first_hint_lps), name)

    @property
    def tf_lps_frame(self) -> FloatArray:
        """The 4x4 matrix that takes frame coordinates to LPS."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.axes_lps.T
        matrix[:3, 3] = self.origin_lps
        return matrix

    def to_lps(self, points_frame: ArrayLike) -> FloatArray:
        """Frame coordinates (..., 3) in mm to LPS points (..., 3)."""
        return np.asarray(as_points(points_frame) @ self.axes_lps + self.origin_lps)

    def from_lps(self, points_lps: ArrayLike) -> FloatArray:
        """LPS points (..., 3) to frame coordinates (..., 3) in mm."""
        return np.asarray((as_points(points_lps) - self.origin_lps) @ self.axes_lps.T)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Frame):
            return NotImplemented
        return (
            self.name == other.name
            and np.array_equal(self.origin_lps, other.origin_lps)
            and np.array_equal(self.axes_lps, other.axes_lps)
        )

    def __hash__(self) -> int:
        return hash((self.name, (self.origin_lps + 0.0).tobytes(), (self.axes_lps + 0.0).tobytes()))


@dataclass(frozen=True, eq=False)
class Plane:
    """A plane with a side: a point on it and the unit normal that points to its positive side.

    Parameters
    ----------
    point_lps
        Shape (3,), LPS mm.
    normal_lps
        Shape (3,), any length; stored as a unit vector.

    Raises
    ------
    GeometryError
        When the normal has no length or a shape is wrong.

    Example
    -------
    >>> p = Plane([0, 0, 1], [0, 0, 2])
    >>> float(p.signed_distance_mm([5, 5, 3]))
    2.0
    >>> p.project_lps([5, 5, 3]).tolist()
    [5.0, 5.0, 1.0]
    """

    point_lps: FloatArray
    normal_lps: FloatArray

    def __post_init__(self) -> None:
        point, normal = as_points(self.point_lps, "plane point"), as_points(self.normal_lps, "plane normal")
        if point.shape != (3,) or normal.shape != (3,):
            raise GeometryError(
                f"plane with point of shape {point.shape} and normal of shape {normal.shape}",
                expected="shapes (3,) and (3,)",
            )
        object.__setattr__(self, "point_lps", frozen(point))
        object.__setattr__(self, "normal_lps", frozen(unit(normal)))

    def signed_distance_mm(self, points_lps: ArrayLike) -> FloatArray:
        """Distance of points (..., 3) from the plane in mm, positive on the side of the normal."""
        return np.asarray((as_points(points_lps) - self.point_lps) @ self.normal_lps)

    def project_lps(self, points_lps: ArrayLike) -> FloatArray:
        """Foot points (..., 3) of the perpendiculars from points (..., 3) to the plane, LPS mm."""
        points = as_points(points_lps)
        return np.asarray(points - self.signed_distance_mm(points)[..., None] * self.normal_lps)

    def flipped(self) -> Plane:
        """The same plane with its sides exchanged."""
        return Plane(self.point_lps, -self.normal_lps)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Plane):
            return NotImplemented
        return np.array_equal(self.point_lps, other.point_lps) and np.array_equal(self.normal_lps, other.normal_lps)

    def __hash__(self) -> int:
        return hash(((self.point_lps + 0.0).tobytes(), (self.normal_lps + 0.0).tobytes()))
