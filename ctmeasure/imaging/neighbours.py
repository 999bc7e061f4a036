"""What rays beside a ray tell about its bone: how uneven it is, and whether a gap is on the path or beside it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging import layers
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BESIDE_MM = 0.15
"""How far beside: about one standard deviation of the point spread, and of the bone surface's own place."""
AGREE_MM = 0.3
"""Ends of bone nearer to each other than this are one uneven face; farther apart, they are different faces."""
ALONG_SLICES = 0.95
"""A direction this close to the slice normal takes its sideways directions from the rows."""
COUNT = 4


class Doubt(NamedTuple):
    """Doubt about each ray's end of bone, shapes (n,).

    How much shorter and longer the bone may be, mm, if another face is the right one; standard uncertainty of an
    uneven face, mm; whether faces differ.
    """

    shorter_mm: Floats
    longer_mm: Floats
    u_mm: Floats
    ambiguous: NDArray[np.bool_]


def first_gaps(
    volume: Volume,
    entry_lps: Floats,
    *,
    direction_lps: Floats,
    normal_lps: Floats,
    offsets_mm: Floats,
    levels: TissueLevels,
    search_mm: tuple[float, float],
) -> Floats:
    """Where the bone ends on four parallel rays around each ray, as far along the ray.

    Parameters
    ----------
    volume
        The scan, or a sharper copy of it.
    entry_lps, direction_lps, normal_lps
        Shape (n, 3); unit directions and wall normals. The rays start on the tangent plane of the wall, so that a wall
        of parallel faces met at an angle ends alike on all of them.
    offsets_mm
        Where the profiles are read.
    levels, search_mm
        Grey levels; where the bone begins.

    Returns
    -------
    numpy.ndarray
        Shape (4, n); infinite where the bone goes on to the end, NaN where there is none or the scan ends.

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    from ctmeasure.kernels.rays import LEFT_SCAN

    first, second = _sideways(volume, direction_lps)
    found = np.empty((COUNT, len(entry_lps)))
    cosine = np.sum(direction_lps * normal_lps, axis=1)
    for number, aside in enumerate((first, -first, second, -second)):
        off = BESIDE_MM * aside
        shift = np.sum(off * normal_lps, axis=1) / np.where(np.abs(cosine) > 0.1, cosine, 1.0)
        origin = entry_lps + off - shift[:, None] * direction_lps
        values = layers.profiles(volume, origin, directions_lps=direction_lps, offsets_mm=offsets_mm)
        walked = layers.walk(values, offsets_mm, levels=levels, search_mm=search_mm, exit_gap_mm=0.0)
        solid = np.isfinite(walked.peak_x) & ~np.isfinite(walked.fall_x) & (walked.code != LEFT_SCAN)
        found[number] = np.where(solid, np.inf, walked.fall_x)
    return found


def doubt(beside_mm: Floats, own_mm: Floats, *, farthest_mm: float) -> Doubt:
    """Compare where the bone ends on a ray with where it ends beside it.

    Parameters
    ----------
    beside_mm
        Shape (k, n), from `first_gaps`.
    own_mm
        Shape (n,).
    farthest_mm
        Stands for bone without an end.

    Returns
    -------
    Doubt

    Raises
    ------
    ValueError
        When shapes disagree.

    Example
    -------
    >>> import numpy as np
    >>> found = doubt(np.array([[1.0, 2.0], [1.1, 1.0]]), np.array([1.0, 2.0]), farthest_mm=12.0)
    >>> found.shorter_mm.tolist(), found.ambiguous.tolist()
    ([0.0, 1.0], [False, True])
    """
    apart = np.nan_to_num(np.minimum(beside_mm, farthest_mm) - own_mm[None, :], nan=0.0)
    other = np.abs(apart) > AGREE_MM
    same = np.where(other, 0.0, apart)
    count = np.maximum((~other).sum(axis=0), 1)
    u = np.sqrt(np.sum(same**2, axis=0) / count)
    shorter = np.maximum(np.max(np.where(other, -apart, 0.0), axis=0), 0.0)
    longer = np.maximum(np.max(np.where(other, apart, 0.0), axis=0), 0.0)
    return Doubt(shorter, longer, u, other.any(axis=0) & np.isfinite(own_mm))


def _sideways(volume: Volume, direction_lps: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors across each direction, in and out of the slices as far as possible."""
    slices, rows, _ = volume.geometry.directions_lps
    along = np.abs(direction_lps @ slices) > ALONG_SLICES
    first = np.cross(direction_lps, np.where(along[:, None], rows, slices))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(direction_lps, first)
