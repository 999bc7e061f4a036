"""What is drawn over a reformat, in patient coordinates: landmarks with their doubt, tubes, holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.patches import triangulate_patch
from ctmeasure.volume.reformat import Reformat

Floats = npt.NDArray[np.float64]

ELLIPSE_95 = 2.447747
"""Radius of the 95 % region of a plane normal distribution in standard deviations: sqrt(chi2(2, 0.95))."""
SHORTEST_SHOWN_MM = 0.02
"""A cut smaller than this is no outline."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A landmark: mean position, covariance of that mean (mm^2), and whether a person confirmed it."""

    id: str
    label: str
    point_lps: Floats
    covariance: Floats
    suggested: bool = False


@dataclass(frozen=True, slots=True)
class TubeMark:
    """A tube to keep clear of (or an anything-with-a-radius), with its radius at every vertex."""

    label: str
    points_lps: Floats
    radii_mm: Floats


@dataclass(frozen=True, slots=True)
class PatchMark:
    """A surface that faces the drill: marked points and the triangles between them, shape (k, 3), indices of points."""

    label: str
    points_lps: Floats
    faces: npt.NDArray[np.intp]

    @classmethod
    def through(cls, label: str, points_lps: Floats) -> PatchMark:
        """The surface through some points; without triangles when they span none."""
        try:
            return cls(label, points_lps, triangulate_patch(points_lps).faces)
        except GeometryError:
            return cls(label, points_lps, np.zeros((0, 3), dtype=np.intp))


@dataclass(frozen=True, slots=True)
class HoleMark:
    """A drill path: entry, unit direction, travel of the bur's centre and radius of the bur."""

    label: str
    entry_lps: Floats
    direction_lps: Floats
    travel_mm: float
    radius_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class SlicePlane:
    """A reformat ready to draw: rows run along ``down_lps``, columns along ``right_lps``.

    ``values`` (rows, columns); ``first_lps`` is the centre of the first pixel; ``pixel_mm`` the square pixel's edge.
    """

    values: npt.NDArray[np.floating]
    first_lps: Floats
    right_lps: Floats
    down_lps: Floats
    pixel_mm: float
    name: str
    slab_mm: float = 0.0
    unit: str = "HU"

    @classmethod
    def of(cls, reformat: Reformat, *, unit: str) -> SlicePlane:
        """The drawing form of a reformat whose values are in a unit ("HU" or "grey")."""
        spec = reformat.spec
        first = spec.pixel_to_lps((0.0, 0.0))
        return cls(reformat.image, first, spec.right_lps, spec.down_lps, spec.pixel_mm, spec.name, spec.slab_mm, unit)

    @property
    def normal_lps(self) -> Floats:
        """Unit normal, right-hand rule of right and down."""
        return np.cross(self.right_lps, self.down_lps)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height between the outer pixel edges."""
        rows, columns = self.values.shape
        return columns * self.pixel_mm, rows * self.pixel_mm

    def to_plane(self, points_lps: npt.ArrayLike) -> tuple[Floats, Floats]:
        """In-plane position (..., 2), mm right and down from the first pixel, and distance from the plane (...)."""
        offset = np.asarray(points_lps, dtype=np.float64) - self.first_lps
        return np.stack([offset @ self.right_lps, offset @ self.down_lps], axis=-1), offset @ self.normal_lps

    def shows(self, point_lps: npt.ArrayLike, *, within_mm: float) -> bool:
        """Whether a point lies inside the picture and within a distance of its plane."""
        (x, y), distance = self.to_plane(point_lps)
        half = self.pixel_mm / 2.0
        width, height = self.size_mm
        return bool(abs(distance) <= within_mm and -half <= x <= width - half and -half <= y <= height - half)


def ellipse_95(covariance: Floats, right_lps: Floats, down_lps: Floats) -> tuple[float, float, float]:
    """Half axes (mm) and tilt (degrees from right towards down) of the 95 % ellipse seen in a plane.

    Parameters
    ----------
    covariance
        Covariance of the position, shape (3, 3), mm^2, LPS.
    right_lps, down_lps
        The plane's unit axes.

    Returns
    -------
    tuple of float
        Half major axis, half minor axis, tilt of the major axis.

    References
    ----------
    JCGM 102:2011, 6.5.2 (elliptical coverage region of two output quantities).

    Example
    -------
    >>> import numpy as np
    >>> [round(v, 3) for v in ellipse_95(np.diag([0.04, 0.01, 0.01]), np.eye(3)[0], np.eye(3)[1])]
    [0.49, 0.245, 0.0]
    """
    basis = np.stack([right_lps, down_lps])
    values, vectors = np.linalg.eigh(basis @ covariance @ basis.T)
    major = vectors[:, 1] if vectors[0, 1] >= 0 else -vectors[:, 1]
    half = ELLIPSE_95 * np.sqrt(np.clip(values, 0.0, None))
    return float(half[1]), float(half[0]), float(np.degrees(np.arctan2(major[1], major[0])))


def dense(points_lps: Floats, radii_mm: Floats, *, step_mm: float = 0.15) -> tuple[Floats, Floats]:
    """Points along a polyline no further apart than a step, with interpolated radii."""
    lengths = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points_lps, axis=0), axis=1)))
    count = max(2, int(np.ceil(lengths[-1] / step_mm)) + 1)
    at = np.linspace(0.0, lengths[-1], count)
    along = np.stack([np.interp(at, lengths, points_lps[:, axis]) for axis in range(3)], axis=1)
    return along, np.interp(at, lengths, radii_mm)


def cut_outline(plane: SlicePlane, points_lps: Floats, radii_mm: Floats) -> list[Floats]:
    """Outlines of a swept sphere where the plane cuts it.

    Parameters
    ----------
    plane
        The reformat.
    points_lps, radii_mm
        The polyline, shape (n, 3), and its radii, shape (n,).

    Returns
    -------
    list of ndarray
        Closed outlines, each (m, 2): mm right and down from the first pixel.
    """
    from contourpy import contour_generator

    along, radii = dense(points_lps, radii_mm)
    flat, distance = plane.to_plane(along)
    near = np.abs(distance) < radii
    if not near.any():
        return []
    reach = np.sqrt(radii[near] ** 2 - distance[near] ** 2)
    centres = flat[near]
    width, height = plane.size_mm
    low = np.maximum((centres - reach[:, None]).min(axis=0) - 0.3, -1.0)
    high = np.minimum((centres + reach[:, None]).max(axis=0) + 0.3, (width + 1.0, height + 1.0))
    if (high <= low).any() or reach.max() < SHORTEST_SHOWN_MM:
        return []
    step = max(0.06, float((high - low).max()) / 160.0)
    xs, ys = np.arange(low[0], high[0] + step, step), np.arange(low[1], high[1] + step, step)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    field = np.full(grid.shape[:2], np.inf)
    for centre, radius in zip(centres, reach, strict=True):
        np.minimum(field, np.hypot(grid[..., 0] - centre[0], grid[..., 1] - centre[1]) - radius, out=field)
    return [np.asarray(line) for line in contour_generator(xs, ys, field).lines(0.0)]


def cut_lines(plane: SlicePlane, patch: PatchMark) -> list[Floats]:
    """Where the plane cuts a patch: one short line a triangle.

    Parameters
    ----------
    plane
        The reformat.
    patch
        The surface.

    Returns
    -------
    list of ndarray
        Lines, each (2, 2): mm right and down from the first pixel.
    """
    flat, distance = plane.to_plane(patch.points_lps)
    behind = distance < 0.0
    lines = []
    for face in patch.faces[behind[patch.faces].any(axis=1) & ~behind[patch.faces].all(axis=1)].tolist():
        crossings = []
        for a, b in ((face[0], face[1]), (face[1], face[2]), (face[2], face[0])):
            if behind[a] != behind[b]:
                share = distance[a] / (distance[a] - distance[b])
                crossings.append(flat[a] + share * (flat[b] - flat[a]))
        lines.append(np.stack(crossings))
    return lines
