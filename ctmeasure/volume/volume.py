"""A scan in memory: voxels, where they lie, and where they came from."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import GeometryError, ScanError
from ctmeasure.volume.geometry import Geometry


@dataclass(frozen=True, slots=True)
class ScanSource:
    """Where a volume came from; holds no identity.

    Parameters
    ----------
    series_uid, study_uid
        DICOM identifiers, or empty for other formats.
    content_hash
        SHA-256 (hex) over the decoded stored values in geometric order, rescale and affine; empty when not computed.
    kernel
        Reconstruction kernel as the scanner names it.
    spacing_mm
        Slice, row and column spacing of the series as stored.
    slice_thickness_mm
        What the scanner states; None when it states nothing.
    modality, description
        As stored.
    intensity_unit
        ``"HU"`` or ``"grey"`` (uncalibrated cone beam).
    date
        YYYYMMDD, or empty.
    patient_pseudonym
        Only the identifier of a sample or pseudonymous scan ("SAMPLE-..."), else empty.

    Raises
    ------
    ScanError
        When the intensity unit is neither of the two.

    Example
    -------
    >>> ScanSource(series_uid="1.2.3", intensity_unit="HU").date
    ''
    """

    series_uid: str = ""
    study_uid: str = ""
    content_hash: str = ""
    kernel: str = ""
    spacing_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    slice_thickness_mm: float | None = None
    modality: str = ""
    description: str = ""
    intensity_unit: str = "HU"
    date: str = ""
    patient_pseudonym: str = ""

    def __post_init__(self) -> None:
        if self.intensity_unit not in ("HU", "grey"):
            raise ScanError(f"intensity unit {self.intensity_unit!r}", expected="HU or grey")


@dataclass(frozen=True, slots=True, eq=False)
class Volume:
    """Voxels with a place in the patient.

    Parameters
    ----------
    geometry
        The grid.
    values
        Shape ``geometry.shape_kji``; int16 stays int16, anything else becomes float32. Kept C-ordered and read-only
        (a view when the array already is, so the caller must not write into it afterwards).
    source
        Where it came from.

    Raises
    ------
    GeometryError
        When the array does not have the shape of the grid.

    Example
    -------
    >>> grid = Geometry((2, 3, 4), np.eye(4))
    >>> Volume(grid, np.zeros((2, 3, 4), np.int16)).values.flags.writeable
    False
    """

    geometry: Geometry
    values: NDArray[np.int16] | NDArray[np.float32]
    source: ScanSource = field(default_factory=ScanSource)

    def __post_init__(self) -> None:
        values = np.asarray(self.values)
        if values.shape != self.geometry.shape_kji:
            raise GeometryError(f"an array of shape {values.shape}", expected=f"the grid's {self.geometry.shape_kji}")
        dtype = np.int16 if values.dtype == np.int16 else np.float32
        # One memory layout: each kernel is then compiled once per type and may walk the array linearly.
        values = np.ascontiguousarray(values, dtype=dtype).view()
        values.setflags(write=False)
        object.__setattr__(self, "values", values)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Volume):
            return NotImplemented
        return (
            self.geometry == other.geometry
            and self.source == other.source
            and self.values.dtype == other.values.dtype
            and bool(np.array_equal(self.values, other.values, equal_nan=self.values.dtype == np.float32))
        )

    def __hash__(self) -> int:
        return hash((self.geometry, self.source))

    def slices_above(self, threshold: float) -> Iterator[NDArray[np.bool_]]:
        """Which voxels lie above a value, slice by slice: a mask of the whole scan is half a scan more in memory.

        Parameters
        ----------
        threshold
            In the scan's unit.

        Yields
        ------
        numpy.ndarray
            Shape (rows, columns).

        Raises
        ------
        Nothing.
        """
        # A whole number against whole numbers: with a fraction every voxel first becomes a float, ten times slower.
        limit = math.floor(threshold) if self.values.dtype.kind == "i" and math.isfinite(threshold) else threshold
        for plane in self.values:
            yield plane > limit

    def crop(self, start_kji: Sequence[int], stop_kji: Sequence[int]) -> Volume:
        """Cut out a block, copied so that the whole scan can be let go.

        Parameters
        ----------
        start_kji, stop_kji
            First index and one past the last, as in a slice.

        Returns
        -------
        Volume
            The block, every voxel where it was; the source still names the whole series.

        Raises
        ------
        GeometryError
            When the block is empty or reaches beyond the grid.
        """
        geometry = self.geometry.crop(start_kji, stop_kji)
        (k0, j0, i0), (k1, j1, i1) = start_kji, stop_kji
        return replace(self, geometry=geometry, values=self.values[k0:k1, j0:j1, i0:i1].copy())

    def crop_around(self, points_lps: NDArray[np.float64], *, margin_mm: float) -> Volume:
        """Cut out the block that holds some points and a margin, as far as the scan reaches.

        Parameters
        ----------
        points_lps
            Shape (n, 3), LPS mm.
        margin_mm
            How much to keep around them on every side.

        Returns
        -------
        Volume
            The block.

        Raises
        ------
        GeometryError
            When the block lies outside the scan.
        """
        index = self.geometry.to_kji(points_lps).reshape(-1, 3)
        margin = margin_mm / np.asarray(self.geometry.spacing_mm)
        start = np.clip(np.floor(index.min(axis=0) - margin), 0, None).astype(int)
        stop = np.minimum(np.ceil(index.max(axis=0) + margin).astype(int) + 1, self.geometry.shape_kji)
        return self.crop(start.tolist(), stop.tolist())

    def permuted(self, order: Sequence[int], flips: Sequence[bool] = (False, False, False)) -> Volume:
        """Give the same scan with its array axes in another order; every voxel stays where it was.

        Parameters
        ----------
        order, flips
            As in `Geometry.permuted`.

        Returns
        -------
        Volume
            A copy.

        Raises
        ------
        GeometryError
            When `order` is not a permutation of 0, 1, 2.
        """
        geometry = self.geometry.permuted(order, flips)
        axes = tuple(axis for axis in range(3) if flips[axis])
        return replace(self, geometry=geometry, values=np.flip(self.values.transpose(order), axes).copy())
