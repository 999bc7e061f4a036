"""Rays beside a ray: what they show tells whether a gap is on the path or beside it, and how uneven the bone is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging import layers
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BESIDE_MM = 0.15
"""How far beside: about one standard deviation of the point spread, and of the bone surface's own place."""
ALONG_SLICES = 0.95
"""A direction this close to the slice normal takes its sideways directions from the rows."""
COUNT = 4


def parallel_profiles(
    sharper: Volume,
    spaces: Volume,
    entry_lps: Floats,
    *,
    direction_lps: Floats,
    normal_lps: Floats,
    offsets_mm: Floats,
    entry_end_mm: float,
) -> Floats:
    """Profiles of each ray and of four parallel rays around it.

    Parameters
    ----------
    sharper, spaces
        The sharper copies of the scan: as it is, read up to `entry_end_mm`, and with its spaces kept, read behind.
    entry_lps, direction_lps, normal_lps
        Shape (n, 3); unit directions and wall normals. The rays beside start on the tangent plane of the wall, so that
        a wall of parallel faces met at an angle ends alike on all of them.
    offsets_mm
        Shape (m,), where the profiles are read.
    entry_end_mm
        Up to here the bone may begin.

    Returns
    -------
    numpy.ndarray
        Shape (5, n, m), the ray itself first; NaN outside the scan.

    Raises
    ------
    GeometryError
        When shapes disagree.
    """
    first, second = _sideways(sharper, direction_lps)
    cosine = np.sum(direction_lps * normal_lps, axis=1)
    cosine = np.where(np.abs(cosine) > 0.1, cosine, 1.0)
    front = offsets_mm <= entry_end_mm
    found = np.empty((1 + COUNT, len(entry_lps), len(offsets_mm)))
    for number, aside in enumerate((0.0 * first, first, -first, second, -second)):
        off = BESIDE_MM * aside
        shift = np.sum(off * normal_lps, axis=1) / cosine
        origin = entry_lps + off - shift[:, None] * direction_lps
        for volume, part in ((sharper, front), (spaces, ~front)):
            found[number][:, part] = layers.profiles(
                volume, origin, directions_lps=direction_lps, offsets_mm=offsets_mm[part]
            )
    return found


def _sideways(volume: Volume, direction_lps: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors across each direction, in and out of the slices as far as possible."""
    slices, rows, _ = volume.geometry.directions_lps
    along = np.abs(direction_lps @ slices) > ALONG_SLICES
    first = np.cross(direction_lps, np.where(along[:, None], rows, slices))
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(direction_lps, first)
