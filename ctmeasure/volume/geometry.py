"""Where a voxel grid lies in the patient: array index (slice k, row j, column i) to LPS millimetres and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError

SHEAR_COSINE_TOLERANCE = 1e-4
"""Largest cosine between two grid axes that still counts as a right angle (0.006 degrees): the tolerance on the
row and column cosines that DICOM readers commonly use (common practice, no source)."""

SAME_PLACE_MM = 1e-6
"""Two affines whose entries differ by less than this are the same affine: far below any rounding of a position."""

SMALLEST_SPACING_MM = 1e-6
"""A grid step shorter than this is no step at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Geometry:
    """A voxel grid in the patient frame, without its voxels.

    Parameters
    ----------
    shape_kji
        Number of slices, rows, columns.
    affine_lps
        Shape (4, 4). Columns: the step in mm along k, along j, along i, then the centre of voxel (0, 0, 0), all in LPS
        (+x left, +y posterior, +z superior).
    frame_of_reference_uid
        DICOM frame of reference; points may only be shared between scans whose frames are the same.

    Raises
    ------
    GeometryError
        When the shape is not positive, a number is not finite, a step is zero, or the axes are not at right angles
        (a tilted gantry): the message names the shear angle.

    Notes
    -----
    The axes may be left-handed in index order; mapping is by the affine alone and never mirrors. Equality compares
    shape, affine (within 1e-6 mm) and frame of reference.

    References
    ----------
    DICOM PS3.3 C.7.6.2.1.1 (Image Position and Image Orientation), here in array order.

    Example
    -------
    >>> geometry = Geometry((10, 20, 30), [[0, 0, 0.5, -7], [0, 0.5, 0, -5], [0.3, 0, 0, 100], [0, 0, 0, 1]], "1.2.3")
    >>> geometry.spacing_mm
    (0.3, 0.5, 0.5)
    >>> geometry.to_lps([1, 2, 4]).round(6).tolist()
    [-5.0, -4.0, 100.3]
    """

    shape_kji: tuple[int, int, int]
    affine_lps: NDArray[np.float64]
    frame_of_reference_uid: str = ""

    def __post_init__(self) -> None:
        shape = tuple(int(n) for n in self.shape_kji)
        if len(shape) != 3 or min(shape) < 1:
            raise GeometryError(f"grid shape {self.shape_kji}", expected="positive slices, rows, columns")
        affine = np.array(self.affine_lps, dtype=np.float64)
        check_affine(affine)
        affine.setflags(write=False)
        object.__setattr__(self, "shape_kji", shape)
        object.__setattr__(self, "affine_lps", affine)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Geometry):
            return NotImplemented
        return (
            self.shape_kji == other.shape_kji
            and self.frame_of_reference_uid == other.frame_of_reference_uid
            and bool(np.allclose(self.affine_lps, other.affine_lps, rtol=0.0, atol=SAME_PLACE_MM))
        )

    def __hash__(self) -> int:
        # Only what is compared exactly: two equal grids whose affines differ in the last digits must share a hash.
        return hash((self.shape_kji, self.frame_of_reference_uid))

    @property
    def spacing_mm(self) -> tuple[float, float, float]:
        """Distance between neighbouring voxel centres along k, j and i."""
        k, j, i = np.linalg.norm(self.affine_lps[:3, :3], axis=0)
        return (float(k), float(j), float(i))

    @property
    def directions_lps(self) -> NDArray[np.float64]:
        """Unit vectors along k, j and i as rows, shape (3, 3), LPS."""
        return np.asarray((self.affine_lps[:3, :3] / np.asarray(self.spacing_mm)).T, dtype=np.float64)

    @property
    def affine_kji(self) -> NDArray[np.float64]:
        """The inverse map, shape (4, 4): LPS mm to fractional index."""
        return np.asarray(np.linalg.inv(self.affine_lps), dtype=np.float64)

    @property
    def centre_lps(self) -> NDArray[np.float64]:
        """Centre of the grid, shape (3,), LPS mm."""
        return self.to_lps((np.asarray(self.shape_kji, dtype=np.float64) - 1.0) / 2.0)

    @property
    def corners_lps(self) -> NDArray[np.float64]:
        """Centres of the eight corner voxels, shape (8, 3), LPS mm."""
        last = np.asarray(self.shape_kji, dtype=np.float64) - 1.0
        corner = np.stack(np.meshgrid([0.0, 1.0], [0.0, 1.0], [0.0, 1.0], indexing="ij"), axis=-1).reshape(8, 3)
        return self.to_lps(corner * last)

    def to_lps(self, points_kji: ArrayLike) -> NDArray[np.float64]:
        """Map indices to the patient.

        Parameters
        ----------
        points_kji
            Shape (..., 3), fractional array index (slice, row, column); whole numbers are voxel centres.

        Returns
        -------
        numpy.ndarray
            Shape (..., 3), LPS mm.

        Raises
        ------
        GeometryError
            When the last axis is not 3.
        """
        points = _points(points_kji, "index")
        return points @ self.affine_lps[:3, :3].T + self.affine_lps[:3, 3]

    def to_kji(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """Map patient points to fractional indices.

        Parameters
        ----------
        points_lps
            Shape (..., 3), LPS mm.

        Returns
        -------
        numpy.ndarray
            Shape (..., 3), fractional array index (slice, row, column).

        Raises
        ------
        GeometryError
            When the last axis is not 3.
        """
        offset = _points(points_lps, "LPS") - self.affine_lps[:3, 3]
        return offset @ np.linalg.inv(self.affine_lps[:3, :3]).T

    def contains_lps(self, points_lps: ArrayLike, margin_mm: float = 0.0) -> NDArray[np.bool_]:
        """Say which points lie inside the scanned box (the voxels, edges included).

        Parameters
        ----------
        points_lps
            Shape (..., 3), LPS mm.
        margin_mm
            How far inside the faces of the box a point must lie; negative allows points outside.

        Returns
        -------
        numpy.ndarray
            Shape (...,), bool; False for points that are not finite.

        Raises
        ------
        GeometryError
            When the last axis is not 3.
        """
        index = self.to_kji(points_lps)
        margin = margin_mm / np.asarray(self.spacing_mm)
        low = -0.5 + margin
        high = np.asarray(self.shape_kji) - 0.5 - margin
        return np.asarray(np.all((index >= low) & (index <= high), axis=-1))

    def crop(self, start_kji: Sequence[int], stop_kji: Sequence[int]) -> Geometry:
        """Give the grid of a block of this one.

        Parameters
        ----------
        start_kji, stop_kji
            First index and one past the last, as in a slice.

        Returns
        -------
        Geometry
            The same voxels in the same places.

        Raises
        ------
        GeometryError
            When the block is empty or reaches beyond the grid.
        """
        start, stop = np.asarray(start_kji, dtype=int), np.asarray(stop_kji, dtype=int)
        if np.any(start < 0) or np.any(stop > np.asarray(self.shape_kji)) or np.any(stop <= start):
            raise GeometryError(
                f"block {tuple(start.tolist())} to {tuple(stop.tolist())}",
                expected=f"a non-empty block inside {self.shape_kji}",
            )
        affine = self.affine_lps.copy()
        affine[:3, 3] = self.to_lps(start)
        return Geometry(tuple((stop - start).tolist()), affine, self.frame_of_reference_uid)

    def permuted(self, order: Sequence[int], flips: Sequence[bool] = (False, False, False)) -> Geometry:
        """Give the same grid with its array axes in another order and some of them reversed.

        Parameters
        ----------
        order
            New axis a is old axis ``order[a]``, as in `numpy.transpose`.
        flips
            Whether new axis a runs backwards along the old one.

        Returns
        -------
        Geometry
            The grid that the array ``numpy.flip(values.transpose(order), flipped axes)`` lies on.

        Raises
        ------
        GeometryError
            When `order` is not a permutation of 0, 1, 2.
        """
        if sorted(order) != [0, 1, 2] or len(flips) != 3:
            raise GeometryError(f"axis order {tuple(order)}", expected="a permutation of 0, 1, 2 and three flips")
        affine = np.eye(4)
        affine[:3, 3] = self.affine_lps[:3, 3]
        for new, old in enumerate(order):
            step = self.affine_lps[:3, old]
            affine[:3, new] = -step if flips[new] else step
            if flips[new]:
                affine[:3, 3] += step * (self.shape_kji[old] - 1)
        k, j, i = (self.shape_kji[old] for old in order)
        return Geometry((k, j, i), affine, self.frame_of_reference_uid)

    def to_dict(self) -> dict[str, Any]:
        """Give a JSON-ready record of the grid."""
        return {
            "shape_kji": list(self.shape_kji),
            "affine_lps": self.affine_lps.tolist(),
            "frame_of_reference_uid": self.frame_of_reference_uid,
        }

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Geometry:
        """Rebuild the grid from `to_dict`.

        Raises
        ------
        GeometryError
            When the record does not describe a grid.
        """
        try:
            k, j, i = record["shape_kji"]
            return cls((k, j, i), np.asarray(record["affine_lps"], dtype=float), record["frame_of_reference_uid"])
        except (KeyError, TypeError) as error:
            raise GeometryError(f"a grid record without {error}", expected="shape_kji, affine_lps, frame") from error


def check_affine(affine_lps: NDArray[np.float64]) -> None:
    """Refuse a map that is not a grid of right-angled boxes.

    Parameters
    ----------
    affine_lps
        Shape (4, 4), index (k, j, i) to LPS mm.

    Raises
    ------
    GeometryError
        Naming the fault; for a tilted gantry, the shear angle.
    """
    if affine_lps.shape != (4, 4) or not np.allclose(affine_lps[3], (0, 0, 0, 1)):
        raise GeometryError(f"affine of shape {affine_lps.shape}", expected="4 x 4 with last row 0 0 0 1")
    if not np.all(np.isfinite(affine_lps)):
        raise GeometryError("affine with a number that is not finite", expected="positions in mm")
    if min(np.linalg.norm(affine_lps[:3, :3], axis=0)) < SMALLEST_SPACING_MM:
        raise GeometryError("a grid step of zero length", expected="three steps longer than zero")
    shear = shear_deg(affine_lps)
    if shear > np.degrees(np.arcsin(SHEAR_COSINE_TOLERANCE)):
        raise GeometryError(
            f"a sheared grid: its axes are {shear:.3f} degrees off the right angle (tilted gantry)",
            expected="slices stacked along their normal",
            action="ask for the tilt to be resampled away (untilt)",
        )


def shear_deg(affine_lps: NDArray[np.float64]) -> float:
    """Give the largest departure from a right angle between two axes of a grid.

    Parameters
    ----------
    affine_lps
        Shape (4, 4) or (3, 3), index (k, j, i) to LPS mm.

    Returns
    -------
    float
        Degrees, 0 for a right-angled grid; for a tilted gantry, the tilt.

    Raises
    ------
    GeometryError
        Never; a step of zero length gives 90.

    Example
    -------
    >>> tilt = np.deg2rad(15)
    >>> round(shear_deg(np.array([[0, 0, 1], [0, np.cos(tilt), 0], [1, -np.sin(tilt), 0]])), 6)
    15.0
    """
    steps = np.asarray(affine_lps, dtype=float)[:3, :3]
    lengths = np.linalg.norm(steps, axis=0)
    if np.any(lengths == 0):
        return 90.0
    unit = steps / lengths
    cosines = np.abs([unit[:, 0] @ unit[:, 1], unit[:, 0] @ unit[:, 2], unit[:, 1] @ unit[:, 2]])
    in_plane = float(np.degrees(np.arcsin(min(cosines[2], 1.0))))
    normal = np.cross(unit[:, 1], unit[:, 2])
    along = abs(float(unit[:, 0] @ normal)) / max(float(np.linalg.norm(normal)), 1e-300)
    # The sine (distance from the normal) keeps its digits at small angles, where the cosine has lost them.
    across = float(np.linalg.norm(unit[:, 0] - (unit[:, 0] @ normal) * normal / max(float(normal @ normal), 1e-300)))
    return max(in_plane, float(np.degrees(np.arctan2(across, along))))


def _points(points: ArrayLike, what: str) -> NDArray[np.float64]:
    array = np.asarray(points, dtype=np.float64)
    if array.ndim < 1 or array.shape[-1] != 3:
        raise GeometryError(f"{what} points of shape {array.shape}", expected="shape (..., 3)")
    return array
