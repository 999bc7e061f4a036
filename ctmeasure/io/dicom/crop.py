"""One ear of a scan: only the slices that hold it are read, and only its block is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.order import Arrangement
from ctmeasure.volume.volume import Volume

EAR_MARGIN_MM = 30.0
"""What is kept around the points on every side: a temporal bone around points of its middle ear (our own choice)."""


@dataclass(frozen=True)
class Crop:
    """What to keep of a scan.

    Parameters
    ----------
    points_lps
        Shape (n, 3), LPS mm: points of the ear, for example its landmarks.
    margin_mm
        What to keep around them.

    Raises
    ------
    ScanError
        When there is no point, or the margin is negative.

    Example
    -------
    >>> Crop(((40.0, 5.0, 12.0),)).margin_mm
    30.0
    """

    points_lps: Sequence[Sequence[float]]
    margin_mm: float = EAR_MARGIN_MM

    def __post_init__(self) -> None:
        points = np.asarray(self.points_lps, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 3 or not len(points) or not np.all(np.isfinite(points)):
            raise ScanError(f"points of shape {points.shape} to crop around", expected="one or more of three numbers")
        if not self.margin_mm >= 0:
            raise ScanError(f"a margin of {self.margin_mm} mm", expected="0 or more")
        points.setflags(write=False)
        object.__setattr__(self, "points_lps", points)


def slices_for(arrangement: Arrangement, crop: Crop) -> Arrangement:
    """Give the part of a stack that holds an ear.

    Parameters
    ----------
    arrangement
        A whole series in geometric order, tilted or not.
    crop
        What to keep.

    Returns
    -------
    Arrangement
        Its slices, at least two, where they were.

    Raises
    ------
    ScanError
        When the scan does not reach there.
    """
    points = np.asarray(crop.points_lps)
    low, high = points.min(axis=0) - crop.margin_mm, points.max(axis=0) + crop.margin_mm
    corners = np.array([[*corner, 1.0] for corner in product(*zip(low, high, strict=True))])
    index = corners @ np.linalg.inv(arrangement.affine_lps).T[:, :3]
    count = len(arrangement.headers)
    start = max(int(np.floor(index[:, 0].min())), 0)
    stop = min(int(np.ceil(index[:, 0].max())) + 1, count)
    sizes = np.array(arrangement.shape_kji[1:])
    if stop - start < 1 or np.any(index[:, 1:].max(axis=0) < 0) or np.any(index[:, 1:].min(axis=0) > sizes - 1):
        raise ScanError(
            "the points to crop around lie outside the scan", expected="points of this scan", action="check their frame"
        )
    start = min(start, max(stop - 2, 0))
    stop = max(stop, min(start + 2, count))
    affine = arrangement.affine_lps.copy()
    affine[:3, 3] += start * affine[:3, 0]
    return replace(arrangement, headers=arrangement.headers[start:stop], affine_lps=affine)


def cut(volume: Volume, crop: Crop) -> Volume:
    """Keep the block around the points.

    Parameters
    ----------
    volume
        What was read.
    crop
        What to keep.

    Returns
    -------
    Volume
        A copy, so that the rest can be let go. It has no content hash: that names whole scans.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the block lies outside.
    """
    block = volume.crop_around(np.asarray(crop.points_lps), margin_mm=crop.margin_mm)
    return replace(block, source=replace(block.source, content_hash=""))
