"""The scan straightened along a traced tube, so that a person can follow and confirm it segment by segment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.geometry.polylines import arc_lengths_mm, points_at, resample_polyline, rotation_minimising_frames
from ctmeasure.imaging.tubes.result import Segment, TracedTube
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]


class Course(Protocol):
    """What a picture is straightened along: a `TracedTube`, or a line with radii that was marked otherwise."""

    @property
    def points_lps(self) -> Floats:
        """Shape (n, 3), LPS mm."""

    @property
    def radius_mm(self) -> Floats:
        """Shape (n,)."""

    @property
    def arc_length_mm(self) -> Floats:
        """Shape (n,), from the start."""

    @property
    def length_mm(self) -> float:
        """From start to end."""

    @property
    def segments(self) -> tuple[Segment, ...]:
        """Named parts."""


@dataclass(frozen=True, slots=True, eq=False)
class CurvedPicture:
    """A straightened picture: rows along the tube, columns across it.

    Parameters
    ----------
    image
        Shape (rows, columns), float32, in the scan's unit; NaN outside the scan. Read-only.
    row_points_lps, row_directions_lps
        Shape (rows, 3): centre of each row in the patient, LPS mm, and unit direction of growing columns.
    pixel_mm
        Size of the square pixels.
    edges_mm
        Shape (rows, 2): where the tube's wall is expected to either side, mm from the middle column.
    segments
        Rows ``first`` to ``last`` of each named part.
    turn_deg
        How far the picture is turned about the tube.
    """

    image: NDArray[np.float32]
    row_points_lps: Floats
    row_directions_lps: Floats
    pixel_mm: float
    edges_mm: Floats
    segments: tuple[Segment, ...]
    turn_deg: float

    def pixel_to_lps(self, pixels: ArrayLike) -> Floats:
        """Map picture positions to the patient.

        Parameters
        ----------
        pixels
            Shape (..., 2): row, column; whole numbers are pixel centres. Rows beyond the ends take the end's row.

        Returns
        -------
        numpy.ndarray
            Shape (..., 3), LPS mm.

        Raises
        ------
        GeometryError
            When the last axis is not 2.
        """
        places = np.asarray(pixels, dtype=np.float64)
        if places.ndim < 1 or places.shape[-1] != 2:
            raise GeometryError(f"picture positions of shape {places.shape}", expected="shape (..., 2)")
        rows = np.arange(len(self.row_points_lps))
        row, column = places[..., 0], places[..., 1]
        centre = np.stack([np.interp(row, rows, self.row_points_lps[:, a]) for a in range(3)], axis=-1)
        across = np.stack([np.interp(row, rows, self.row_directions_lps[:, a]) for a in range(3)], axis=-1)
        across = across / np.linalg.norm(across, axis=-1, keepdims=True)
        off = (column - 0.5 * (self.image.shape[1] - 1)) * self.pixel_mm
        return centre + off[..., None] * across


def curved_picture(
    volume: Volume, tube: Course, *, half_width_mm: float = 4.0, pixel_mm: float = 0.1, turn_deg: float = 0.0
) -> CurvedPicture:
    """Straighten the scan along a traced tube.

    Parameters
    ----------
    volume
        The scan.
    tube
        The traced tube, or another course.
    half_width_mm
        How far to show to either side.
    pixel_mm
        Size of the pixels.
    turn_deg
        Turns the picture about the tube; 0 and 90 show two views at right angles.

    Returns
    -------
    CurvedPicture

    Raises
    ------
    GeometryError
        When a size is not above zero.

    Notes
    -----
    The frame along the tube does not turn about it (rotation-minimising), so an edge that stays on one side of the
    canal stays on one side of the picture. Inside a bend, beyond its radius, the patient is shown more than once.

    References
    ----------
    Kanitsar A et al. 2002, CPR: curved planar reformation, DOI 10.1109/VISUAL.2002.1183754 (the straightened kind).
    """
    if not (half_width_mm > 0.0 and pixel_mm > 0.0):
        raise GeometryError(f"half width {half_width_mm} mm, pixel {pixel_mm} mm", expected="both above 0")
    points = resample_polyline(tube.points_lps, pixel_mm)
    tangent = points[1] - points[0]
    hint = np.eye(3)[int(np.argmin(np.abs(tangent)))]
    frames = rotation_minimising_frames(points, first_hint_lps=hint)
    turn = np.radians(turn_deg)
    across = np.cos(turn) * frames[:, 0] + np.sin(turn) * frames[:, 1]
    half = max(round(half_width_mm / pixel_mm), 1)
    off = np.arange(-half, half + 1) * pixel_mm
    places = points[:, None] + off[None, :, None] * across[:, None]
    image = sample(volume, places, order="cubic").values.astype(np.float32)
    image.setflags(write=False)
    along = arc_lengths_mm(points) * tube.length_mm / arc_lengths_mm(points)[-1]
    radius = np.interp(along, tube.arc_length_mm, tube.radius_mm)
    rows = np.rint(np.interp(tube.arc_length_mm, along, np.arange(len(points)))).astype(int)
    parts = tuple(
        Segment(p.part, int(rows[p.first]), int(rows[p.last]), p.length_mm, p.whole, p.confirmed) for p in tube.segments
    )
    return CurvedPicture(image, points, across, pixel_mm, np.stack([-radius, radius], axis=1), parts, turn_deg)


def section_pictures(
    volume: Volume, tube: TracedTube, *, places_mm: ArrayLike, half_width_mm: float = 2.5, pixel_mm: float = 0.1
) -> NDArray[np.float32]:
    """Pictures straight across the tube at some places along it.

    Parameters
    ----------
    volume, tube
        The scan and the traced tube.
    places_mm
        Shape (m,): lengths along the tube.
    half_width_mm, pixel_mm
        Size of each picture.

    Returns
    -------
    numpy.ndarray
        Shape (m, pixels, pixels), float32; the tube's centre in the middle.

    Raises
    ------
    GeometryError
        When a place is off the tube.
    """
    from ctmeasure.imaging.tubes.disc import across_frames

    wanted = np.atleast_1d(np.asarray(places_mm, dtype=np.float64))
    centres = points_at(tube.points_lps, wanted * arc_lengths_mm(tube.points_lps)[-1] / tube.length_mm)
    nearest = np.argmin(np.abs(tube.arc_length_mm[None] - wanted[:, None]), axis=1)
    frames = across_frames(tube.points_lps)[nearest]
    half = max(round(half_width_mm / pixel_mm), 1)
    off = np.arange(-half, half + 1) * pixel_mm
    places = (
        centres[:, None, None]
        + off[None, :, None, None] * frames[:, None, None, 0]
        + off[None, None, :, None] * frames[:, None, None, 1]
    )
    return sample(volume, places, order="cubic").values.astype(np.float32)
