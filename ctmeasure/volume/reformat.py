"""Pictures along any plane, each from a saved recipe."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.volume.sampling import Order, in_threads, is_cubic
from ctmeasure.volume.volume import Volume

SlabMode = Literal["mean", "maximum", "minimum"]
Side = Literal["left", "right", "top", "bottom"]

UNIT_TOLERANCE = 1e-6
"""How far a picture axis may be from unit length, and the two from a right angle (rounding of a saved recipe)."""

LETTER_SHARE = 0.26
"""A patient direction is named on a picture's edge when the edge points at least 15 degrees into it (sine 0.26)."""

LARGEST_PICTURE = 16_384
"""Pixels along one side of a picture; more is a mistaken pixel size."""

ROWS_WORTH_A_THREAD = 64
"""Fewer rows than this are done before a second thread has started."""

_WORDS = {"L": "left", "R": "right", "P": "posterior", "A": "anterior", "S": "superior", "I": "inferior"}


@dataclass(frozen=True, slots=True, eq=False)
class PlaneSpec:
    """Recipe of a picture: where the plane lies, how large, how fine, how thick.

    Parameters
    ----------
    name
        Short name, for the caption.
    recipe
        How the plane was built, in words ("contains the canal axis and superior").
    origin_lps
        Centre of the picture, LPS mm.
    right_lps, down_lps
        Unit vectors towards the picture's right side and bottom, at right angles, LPS.
    width_mm, height_mm, pixel_mm
        Size of the picture and of its square pixels.
    slab_mm
        Thickness; 0 is a single plane.
    slab_mode
        How the slab is reduced: ``"mean"``, ``"maximum"`` or ``"minimum"``.
    order
        ``"linear"`` or ``"cubic"`` interpolation.

    Raises
    ------
    GeometryError
        When the axes are not unit vectors at right angles, a size is not positive, or a word is unknown.

    Notes
    -----
    Pixel (row r, column c) is centred at ``origin + (c - (columns - 1) / 2) pixel right + (r - (rows - 1) / 2) pixel
    down``. The normal is right x down: away from the viewer when right and down are seen as on the screen.

    Example
    -------
    >>> spec = PlaneSpec("axial", "patient axes", (0, 0, 100), (1, 0, 0), (0, 1, 0), 40.0, 30.0, 0.2)
    >>> spec.shape, spec.normal_lps.tolist()
    ((150, 200), [0.0, 0.0, 1.0])
    >>> PlaneSpec.from_dict(spec.to_dict()) == spec
    True
    """

    name: str
    recipe: str
    origin_lps: NDArray[np.float64]
    right_lps: NDArray[np.float64]
    down_lps: NDArray[np.float64]
    width_mm: float
    height_mm: float
    pixel_mm: float
    slab_mm: float = 0.0
    slab_mode: SlabMode = "mean"
    order: Order = "linear"

    def __post_init__(self) -> None:
        for field in ("origin_lps", "right_lps", "down_lps"):
            vector = np.array(getattr(self, field), dtype=np.float64)
            if vector.shape != (3,) or not np.all(np.isfinite(vector)):
                raise GeometryError(f"plane {self.name!r} with {field} {vector.tolist()}", expected="three numbers")
            vector.setflags(write=False)
            object.__setattr__(self, field, vector)
        axes = np.stack([self.right_lps, self.down_lps])
        if not np.allclose(axes @ axes.T, np.eye(2), atol=UNIT_TOLERANCE):
            raise GeometryError(f"plane {self.name!r} with slanted axes", expected="unit vectors at right angles")
        for field in ("width_mm", "height_mm", "pixel_mm", "slab_mm"):
            value = float(getattr(self, field))
            if not (math.isfinite(value) and (value > 0 or (field == "slab_mm" and value == 0))):
                raise GeometryError(f"plane {self.name!r} with {field} {value}", expected="a positive length")
            object.__setattr__(self, field, value)
        if max(self.width_mm, self.height_mm) / self.pixel_mm > LARGEST_PICTURE:
            raise GeometryError(
                f"plane {self.name!r} of {self.width_mm} x {self.height_mm} mm in {self.pixel_mm} mm pixels",
                expected=f"at most {LARGEST_PICTURE} pixels a side",
            )
        if self.slab_mode not in ("mean", "maximum", "minimum"):
            raise GeometryError(f"slab mode {self.slab_mode!r}", expected="mean, maximum or minimum")
        is_cubic(self.order)

    def __eq__(self, other: object) -> bool:
        return self.to_dict() == other.to_dict() if isinstance(other, PlaneSpec) else NotImplemented

    def __hash__(self) -> int:
        return hash((self.name, self.recipe, tuple(self.origin_lps), self.width_mm, self.height_mm, self.pixel_mm))

    @property
    def normal_lps(self) -> NDArray[np.float64]:
        """Unit normal, right x down, shape (3,), LPS."""
        return np.cross(self.right_lps, self.down_lps)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the picture."""
        return (max(round(self.height_mm / self.pixel_mm), 1), max(round(self.width_mm / self.pixel_mm), 1))

    def pixel_to_lps(self, pixels: ArrayLike) -> NDArray[np.float64]:
        """Map picture positions to the patient.

        Parameters
        ----------
        pixels
            Shape (..., 2): row, column; whole numbers are pixel centres.

        Returns
        -------
        numpy.ndarray
            Shape (..., 3), LPS mm.

        Raises
        ------
        GeometryError
            When the last axis is not 2.
        """
        points = np.asarray(pixels, dtype=np.float64)
        if points.ndim < 1 or points.shape[-1] != 2:
            raise GeometryError(f"picture positions of shape {points.shape}", expected="shape (..., 2)")
        steps = (points - (np.asarray(self.shape) - 1) / 2.0) * self.pixel_mm
        return self.origin_lps + steps[..., :1] * self.down_lps + steps[..., 1:] * self.right_lps

    def lps_to_pixel(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """Drop patient points onto the picture, along its normal.

        Parameters
        ----------
        points_lps
            Shape (..., 3), LPS mm.

        Returns
        -------
        numpy.ndarray
            Shape (..., 2): row, column, not bounded by the picture.

        Raises
        ------
        GeometryError
            When the last axis is not 3.
        """
        offset = self._offset(points_lps)
        steps = np.stack([offset @ self.down_lps, offset @ self.right_lps], axis=-1)
        return steps / self.pixel_mm + (np.asarray(self.shape) - 1) / 2.0

    def offset_mm(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """Give the signed distance of patient points from the plane, along the normal.

        Parameters
        ----------
        points_lps
            Shape (..., 3), LPS mm.

        Returns
        -------
        numpy.ndarray
            Shape (...,), mm.

        Raises
        ------
        GeometryError
            When the last axis is not 3.
        """
        return self._offset(points_lps) @ self.normal_lps

    def edge_letters(self, side: Side) -> str:
        """Give the patient direction of one side of the picture in letters, strongest first ("A", "LS").

        Parameters
        ----------
        side
            ``"left"``, ``"right"``, ``"top"`` or ``"bottom"`` of the picture.

        Returns
        -------
        str
            One to three of R, L, A, P, S, I.

        Raises
        ------
        GeometryError
            When the side is unknown.

        References
        ----------
        DICOM PS3.3 C.7.6.1.1.1 (Patient Orientation: letters by magnitude; head and feet there are S and I here).
        """
        directions = {"left": -self.right_lps, "right": self.right_lps, "top": -self.down_lps, "bottom": self.down_lps}
        if side not in directions:
            raise GeometryError(f"picture side {side!r}", expected="left, right, top or bottom")
        return direction_letters(directions[side])

    def edge_words(self, side: Side) -> str:
        """Give the same in words ("anterior", "left-superior").

        Parameters
        ----------
        side
            As in `edge_letters`.

        Returns
        -------
        str
            Words joined by hyphens.

        Raises
        ------
        GeometryError
            When the side is unknown.
        """
        return "-".join(_WORDS[letter] for letter in self.edge_letters(side))

    def to_dict(self) -> dict[str, Any]:
        """Give the recipe as a JSON-ready record."""
        return {
            "name": self.name,
            "recipe": self.recipe,
            "origin_lps": self.origin_lps.tolist(),
            "right_lps": self.right_lps.tolist(),
            "down_lps": self.down_lps.tolist(),
            "width_mm": self.width_mm,
            "height_mm": self.height_mm,
            "pixel_mm": self.pixel_mm,
            "slab_mm": self.slab_mm,
            "slab_mode": self.slab_mode,
            "order": self.order,
        }

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> PlaneSpec:
        """Rebuild the recipe from `to_dict`.

        Raises
        ------
        GeometryError
            When the record is not one of ours.
        """
        try:
            return cls(**record)
        except TypeError as error:
            raise GeometryError(f"a plane recipe that does not fit ({error})", expected="a plane's fields") from error

    def _offset(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        points = np.asarray(points_lps, dtype=np.float64)
        if points.ndim < 1 or points.shape[-1] != 3:
            raise GeometryError(f"points of shape {points.shape}", expected="shape (..., 3)")
        return points - self.origin_lps


@dataclass(frozen=True, slots=True, eq=False)
class Reformat:
    """A picture and its recipe.

    Parameters
    ----------
    image
        Shape ``spec.shape``, float32, in the scan's unit; NaN outside the scan. Read-only.
    spec
        The recipe it was made from.
    """

    image: NDArray[np.float32]
    spec: PlaneSpec

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Reformat):
            return NotImplemented
        return self.spec == other.spec and bool(np.array_equal(self.image, other.image, equal_nan=True))

    def __hash__(self) -> int:
        return hash(self.spec)

    def pixel_to_lps(self, pixels: ArrayLike) -> NDArray[np.float64]:
        """As `PlaneSpec.pixel_to_lps`."""
        return self.spec.pixel_to_lps(pixels)

    def lps_to_pixel(self, points_lps: ArrayLike) -> NDArray[np.float64]:
        """As `PlaneSpec.lps_to_pixel`."""
        return self.spec.lps_to_pixel(points_lps)


def reformat(volume: Volume, spec: PlaneSpec) -> Reformat:
    """Cut the scan along a plane.

    Parameters
    ----------
    volume
        The scan; int16 is read as it is, nothing is copied.
    spec
        The recipe.

    Returns
    -------
    Reformat
        The picture; NaN where the plane leaves the scan (outermost voxel centres). A slab takes only its planes that
        are inside at that pixel.

    Raises
    ------
    GeometryError
        When the recipe is impossible (it then could not be built).

    Notes
    -----
    A slab is sampled at the midpoints of equal layers no thicker than half the finest voxel edge, so its mean is that
    of the slab and not of its faces. Interpolation blurs: about the point spread of one voxel's tent when linear.

    Example
    -------
    >>> from ctmeasure.volume.geometry import Geometry
    >>> ramp = Volume(Geometry((3, 3, 3), np.eye(4)[[2, 1, 0, 3]]), np.arange(27, dtype=np.int16).reshape(3, 3, 3))
    >>> spec = PlaneSpec("axial", "patient axes", (1, 1, 0.5), (1, 0, 0), (0, 1, 0), 3.0, 3.0, 1.0)
    >>> reformat(ramp, spec).image[0].tolist()
    [4.5, 5.5, 6.5]
    """
    from ctmeasure.kernels.sampling import MAXIMUM, MEAN, MINIMUM, pairs_of, sample_planes

    rows, columns = spec.shape
    image = np.empty((rows, columns), np.float32)
    index_from_lps = volume.geometry.affine_kji[:3, :3]
    row_step = index_from_lps @ (spec.down_lps * spec.pixel_mm)
    column_step = index_from_lps @ (spec.right_lps * spec.pixel_mm)
    layers = max(math.ceil(spec.slab_mm / (min(volume.geometry.spacing_mm) / 2.0)), 1)
    depth_mm = ((np.arange(layers) + 0.5) / layers - 0.5) * spec.slab_mm
    first_lps = spec.pixel_to_lps((0.0, 0.0)) + depth_mm[:, None] * spec.normal_lps
    origins = np.ascontiguousarray(volume.geometry.to_kji(first_lps))
    mode = {"mean": MEAN, "maximum": MAXIMUM, "minimum": MINIMUM}[spec.slab_mode]
    cubic = is_cubic(spec.order)
    pairs = pairs_of(volume.values)

    def work(start: int, stop: int) -> None:
        sample_planes(volume.values, pairs, origins, row_step, column_step, cubic, mode, image, start, stop)

    in_threads(work, rows, smallest=ROWS_WORTH_A_THREAD)
    image.setflags(write=False)
    return Reformat(image, spec)


def direction_letters(direction_lps: ArrayLike) -> str:
    """Name a direction of the patient by letters, strongest first.

    Parameters
    ----------
    direction_lps
        Shape (3,), LPS, any length but zero.

    Returns
    -------
    str
        One to three of L/R, P/A, S/I; components under 15 degrees are left out.

    Raises
    ------
    GeometryError
        When the direction has no length.

    Example
    -------
    >>> direction_letters((-1.0, 0.0, 0.1)), direction_letters((0.6, -0.8, 0.0))
    ('R', 'AL')
    """
    vector = np.asarray(direction_lps, dtype=np.float64)
    length = float(np.linalg.norm(vector))
    if not (length > 0 and math.isfinite(length)):
        raise GeometryError("a direction without length", expected="a vector")
    unit = vector / length
    letters = [pair[int(value < 0)] for pair, value in zip(("LR", "PA", "SI"), unit, strict=True)]
    order = np.argsort(-np.abs(unit), kind="stable")
    return "".join(letters[axis] for axis in order if abs(unit[axis]) >= LETTER_SHARE)
