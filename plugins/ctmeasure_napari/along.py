"""Between the patient and the picture that is straightened along a tube, both ways. No toolkit.

Flat coordinates of that picture are mm across the tube (down) and mm along it (right), from the picture's middle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .hooks import Flat

if TYPE_CHECKING:
    from ctmeasure.imaging.tubes.curved import CurvedPicture

Floats = npt.NDArray[np.float64]


def lps_at(picture: CurvedPicture, at: Flat) -> Floats:
    """The patient's place under a flat position, shape (3,), LPS mm; beyond the ends that of the end."""
    rows, columns = picture.image.shape
    column = at[0] / picture.pixel_mm + (columns - 1) / 2.0
    row = at[1] / picture.pixel_mm + (rows - 1) / 2.0
    return picture.pixel_to_lps(np.array([row, column]))


def flat_at(picture: CurvedPicture, point_lps: npt.ArrayLike) -> tuple[Flat, float]:
    """The flat position of a place in the patient, and how far it lies before or behind the picture, mm.

    Parameters
    ----------
    picture
        Straightened along a tube.
    point_lps
        Shape (3,), LPS mm.

    Notes
    -----
    The place is dropped onto the nearest part of the tube.
    """
    points = picture.row_points_lps
    point = np.asarray(point_lps, dtype=np.float64)
    nearest = int(np.argmin(np.linalg.norm(points - point, axis=1)))
    before, after = max(nearest - 1, 0), min(nearest + 1, len(points) - 1)
    tangent = points[after] - points[before]
    tangent = tangent / np.linalg.norm(tangent)
    away = point - points[nearest]
    across = picture.row_directions_lps[nearest]
    row = nearest + float(away @ tangent) / picture.pixel_mm
    off = float(away @ np.cross(tangent, across))
    return (float(away @ across), (row - (len(points) - 1) / 2.0) * picture.pixel_mm), off
