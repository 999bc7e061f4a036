"""Between the patient (LPS mm) and the flat coordinates of a displayed plane, both ways, and the echo guard.

Flat coordinates are millimetres down and right from the plane's centre: what the toolkit shows as its world.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ctmeasure.volume.reformat import PlaneSpec

Floats = npt.NDArray[np.float64]


def flat_from_lps(plane: PlaneSpec, points_lps: npt.ArrayLike) -> Floats:
    """Patient points dropped onto the plane along its normal.

    Parameters
    ----------
    plane
        The displayed plane.
    points_lps
        Shape (..., 3), LPS mm.

    Returns
    -------
    numpy.ndarray
        Shape (..., 2): mm down, mm right of the plane's centre.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the last axis is not 3.

    Example
    -------
    >>> axial = PlaneSpec("axial", "patient axes", (0, 0, 9), (1, 0, 0), (0, 1, 0), 40.0, 30.0, 0.1)
    >>> flat_from_lps(axial, (2.0, 3.0, 11.0)).round(9).tolist()
    [3.0, 2.0]
    """
    middle = (np.asarray(plane.shape) - 1) / 2.0
    return (plane.lps_to_pixel(points_lps) - middle) * plane.pixel_mm


def lps_from_flat(plane: PlaneSpec, points_flat: npt.ArrayLike, *, offset_mm: npt.ArrayLike = 0.0) -> Floats:
    """The way back: flat coordinates, and a distance from the plane along its normal, to the patient.

    Parameters
    ----------
    plane
        The displayed plane.
    points_flat
        Shape (..., 2): mm down, mm right.
    offset_mm
        Shape (...): distance along the normal; 0 is on the plane.

    Returns
    -------
    numpy.ndarray
        Shape (..., 3), LPS mm.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the last axis is not 2.

    Example
    -------
    >>> axial = PlaneSpec("axial", "patient axes", (0, 0, 9), (1, 0, 0), (0, 1, 0), 40.0, 30.0, 0.1)
    >>> lps_from_flat(axial, (3.0, 2.0), offset_mm=2.0).round(9).tolist()
    [2.0, 3.0, 11.0]
    """
    flat = np.asarray(points_flat, dtype=np.float64)
    middle = (np.asarray(plane.shape) - 1) / 2.0
    on_plane = plane.pixel_to_lps(flat / plane.pixel_mm + middle)
    return on_plane + np.asarray(offset_mm, dtype=np.float64)[..., None] * plane.normal_lps


def moved_in_plane(
    plane: PlaneSpec, point_lps: npt.ArrayLike, *, down_mm: float = 0.0, right_mm: float = 0.0
) -> Floats:
    """A point moved parallel to the plane; its distance from the plane stays.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> axial = PlaneSpec("axial", "patient axes", (0, 0, 9), (1, 0, 0), (0, 1, 0), 40.0, 30.0, 0.1)
    >>> moved_in_plane(axial, (0.0, 0.0, 8.0), right_mm=0.5).tolist()
    [0.5, 0.0, 8.0]
    """
    return np.asarray(point_lps, dtype=np.float64) + down_mm * plane.down_lps + right_mm * plane.right_lps


def through(plane: PlaneSpec, point_lps: npt.ArrayLike) -> PlaneSpec:
    """The same plane moved along its normal until it contains a point; the picture stays centred where it was.

    Parameters
    ----------
    plane
        The plane as its recipe gives it.
    point_lps
        Shape (3,), LPS mm.

    Returns
    -------
    PlaneSpec

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the point is not three finite numbers.
    """
    offset = float(plane.offset_mm(point_lps))
    return plane if offset == 0.0 else replace(plane, origin_lps=plane.origin_lps + offset * plane.normal_lps)


class EchoGuard:
    """Tells our own changes from the person's: what we write into a control must not come back as a command.

    Example
    -------
    >>> guard = EchoGuard()
    >>> with guard.writing():
    ...     guard.busy
    True
    >>> guard.busy
    False
    """

    def __init__(self) -> None:
        self._depth = 0

    @property
    def busy(self) -> bool:
        """Whether we are writing right now."""
        return self._depth > 0

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Mark what happens inside as ours."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1
