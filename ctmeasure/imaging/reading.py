"""What rays through bone are read in: copies of one block of the scan, made once and shared by everything in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.levels import PointSpread, TissueLevels
from ctmeasure.imaging.sharpened import sharpened, with_spaces
from ctmeasure.imaging.spaces import MARGIN_MM, Regions, regions_around
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Copies of a block of the scan: sharper, sharper with its spaces kept, and its spaces as regions.

    ``low_kji`` and ``high_kji`` bound the points, in voxels of the scan, that are read here as in a block of their own.
    """

    sharper: Volume
    spaces: Volume
    regions: Regions
    low_kji: Floats
    high_kji: Floats

    def covers(self, scan: Volume, points_lps: Floats) -> bool:
        """Whether points may be read here; `scan` is what the copies were made of.

        Parameters
        ----------
        scan
            The scan.
        points_lps
            Shape (n, 3), LPS mm; NaN rows are left out.

        Returns
        -------
        bool

        Raises
        ------
        Nothing.
        """
        kji = scan.geometry.to_kji(points_lps[np.isfinite(points_lps).all(axis=1)])
        return bool(((kji >= self.low_kji) & (kji <= self.high_kji)).all())


def make_reading(volume: Volume, points_lps: Floats, *, spread: PointSpread, levels: TissueLevels) -> Reading:
    """Prepare the block of the scan that holds some points.

    Parameters
    ----------
    volume
        The scan.
    points_lps
        Shape (n, 3): ends of the rays that will be read; NaN rows are left out.
    spread, levels
        Point spread and grey levels of the scan.

    Returns
    -------
    Reading

    Raises
    ------
    ctmeasure.errors.GeometryError
        When no point is a number, or none lies near the scan.

    Notes
    -----
    A voxel of the sharper copies depends on its surroundings only, so they are those of any other block. A space that
    reaches beyond the block is as wide as the block shows it: at least `MARGIN_MM`, more than any width that is asked.
    """
    points = points_lps[np.isfinite(points_lps).all(axis=1)]
    sharper = sharpened(volume, points, spread=spread, levels=levels)
    kji, room = volume.geometry.to_kji(points), np.ones(3)
    low, high = np.floor(kji.min(axis=0)) - room, np.ceil(kji.max(axis=0)) + room
    margin, last = MARGIN_MM / np.asarray(volume.geometry.spacing_mm), np.asarray(volume.geometry.shape_kji) - 1
    # At the scan's own edge every block ends.
    return Reading(
        sharper, with_spaces(sharper, volume, levels=levels), regions_around(volume, points, levels=levels),
        np.where(low - margin <= 0.0, -np.inf, low), np.where(high + margin >= last, np.inf, high),
    )  # fmt: skip
