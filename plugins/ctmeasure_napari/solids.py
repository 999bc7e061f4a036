"""Swept tubes, drill paths and balls as triangles, and the lines where a plane cuts them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.geometry.vectors import orthonormal_basis, unit
from ctmeasure.volume.reformat import PlaneSpec

from .convert import flat_from_lps

Floats = npt.NDArray[np.float64]

SIDES = 24
"""Corners of a tube's cross-section; the polygon stays within 1 % of the radius of the circle."""
CAP_RINGS = 4
"""Rings of the rounded end of a tube."""
BALL_RINGS = 12
"""Rings of a hemisphere: a ball may be as large as the jugular bulb."""


@dataclass(frozen=True, eq=False, slots=True)
class Solid:
    """A closed surface: ``vertices_lps`` (n, 3) and ``faces`` (m, 3)."""

    vertices_lps: Floats
    faces: npt.NDArray[np.intp]


def swept(points_lps: Floats, radii_mm: Floats, *, cap_rings: int = CAP_RINGS) -> Solid:
    """The surface of a ball swept along a polyline, its radius interpolated between vertices.

    Parameters
    ----------
    points_lps
        Shape (n, 3), n >= 2, neighbours at different places, LPS mm.
    radii_mm
        Shape (n,), mm.
    cap_rings
        Rings of each rounded end.

    Returns
    -------
    Solid

    Raises
    ------
    ctmeasure.errors.GeometryError
        When two neighbouring points coincide, or the line turns back on itself.

    Notes
    -----
    For drawing. Bends are mitred, so a sharp bend of a wide tube is drawn a little wide there.
    """
    steps = unit(np.diff(points_lps, axis=0))
    along = np.concatenate([steps[:1], steps[:-1] + steps[1:], steps[-1:]])
    rings: list[Floats] = []
    first: Floats | None = None
    for i, (point, direction) in enumerate(zip(points_lps, along, strict=True)):
        first, second, axis = orthonormal_basis(direction, first)
        turn = np.linspace(0.0, 2.0 * np.pi, SIDES, endpoint=False)
        circle = np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second
        caps = [0.0]
        if i == 0:
            caps = [*(-np.linspace(np.pi / 2, 0.0, cap_rings + 1)[:-1]), 0.0]
        elif i == len(points_lps) - 1:
            caps = [0.0, *np.linspace(0.0, np.pi / 2, cap_rings + 1)[1:]]
        rings += [point + radii_mm[i] * (np.cos(c) * circle + np.sin(c) * axis) for c in caps]
    corner = np.arange(SIDES)
    after = (corner + 1) % SIDES
    quads = [
        np.stack([corner + a, after + a, after + b], axis=1)
        for a, b in ((SIDES * r, SIDES * (r + 1)) for r in range(len(rings) - 1))
    ] + [
        np.stack([corner + a, after + b, corner + b], axis=1)
        for a, b in ((SIDES * r, SIDES * (r + 1)) for r in range(len(rings) - 1))
    ]
    return Solid(np.concatenate(rings), np.concatenate(quads))


def ball(centre_lps: Floats, radius_mm: float) -> Solid:
    """A ball as a very short swept tube.

    Raises
    ------
    Nothing.
    """
    tiny = np.array([0.0, 0.0, 1e-6])
    return swept(np.stack([centre_lps, centre_lps + tiny]), np.full(2, radius_mm), cap_rings=BALL_RINGS)


def cut(solid: Solid, plane: PlaneSpec) -> Floats:
    """Where a plane cuts a surface.

    Parameters
    ----------
    solid
        The surface.
    plane
        The displayed plane.

    Returns
    -------
    numpy.ndarray
        Line pieces, shape (k, 2, 2): start and end, each mm down and right of the plane's centre; (0, 2, 2) when the
        plane passes by.

    Raises
    ------
    Nothing.
    """
    distance = plane.offset_mm(solid.vertices_lps)
    if distance.min() > 0.0 or distance.max() <= 0.0:
        return np.empty((0, 2, 2))
    above = distance > 0.0
    mixed = solid.faces[np.ptp(above[solid.faces].astype(np.int8), axis=1) > 0]
    flat = flat_from_lps(plane, solid.vertices_lps)
    starts, ends = mixed, np.roll(mixed, -1, axis=1)
    crossing = above[starts] != above[ends]
    part = distance[starts] / np.where(crossing, distance[starts] - distance[ends], 1.0)
    points = flat[starts] + part[..., None] * (flat[ends] - flat[starts])
    # A face with corners on both sides has exactly two edges that cross.
    return points[crossing].reshape(-1, 2, 2)
