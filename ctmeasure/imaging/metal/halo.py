"""Metal in a scan and the halo around it in which nothing else can be trusted."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.imaging.metal.surroundings import AIR_TO_BONE_HU
from ctmeasure.volume.quality import METAL_HU, ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HALO_MM = 3.0
"""Metal spoils what lies nearer than this (common practice, no source)."""
LEAST_VOXELS = 3
"""Fewer connected voxels than this are noise."""
STEP_MM = 0.25
DENSE_HU = 2700.0
"""Brighter than any bone on a sharp kernel: the otic capsule reads 1980 to 2187 HU in the literature."""


def unit_of(fitness: ScanFitness, *, intensity_unit: str) -> tuple[float, float]:
    """Scan's units for one HU, and what -1000 HU reads; (1, -1000) for calibrated scans.

    Example
    -------
    >>> fitness = ScanFitness((0.4, 0.3, 0.3), (20.0, 20.0, 20.0), 0.45, 0.02, 0.55, 0.02, 60.0)
    >>> unit_of(fitness, intensity_unit="HU")
    (1.0, -1000.0)
    """
    if intensity_unit == "HU" or fitness.air_level is None or fitness.bone_level is None:
        return 1.0, -1000.0
    return max(fitness.bone_level - fitness.air_level, 1.0) / AIR_TO_BONE_HU, fitness.air_level


@dataclass(frozen=True, slots=True, eq=False)
class Halo:
    """Where metal is, shape (n, 3) LPS mm, and how far it spoils the picture.

    ``assessed`` is False where a scan gives no level above which it is metal: then "no metal" must not be said.

    Example
    -------
    >>> halo = Halo(np.array([[0.0, 0.0, 0.0]]))
    >>> halo.touches([[-5.0, 2.0, 0.0], [5.0, 2.0, 0.0]]), halo.touches([[-5.0, 4.0, 0.0], [5.0, 4.0, 0.0]])
    (True, False)
    """

    metal_lps: Floats
    radius_mm: float = HALO_MM
    assessed: bool = True

    def inside(self, points_lps: ArrayLike) -> Bools:
        """Which points lie in the halo, shape (n,)."""
        from scipy.spatial import cKDTree

        points = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
        known = np.isfinite(points).all(axis=1)
        out = np.zeros(len(points), np.bool_)
        if len(self.metal_lps) and known.any():
            out[known] = cKDTree(self.metal_lps).query(points[known])[0] < self.radius_mm
        return out

    def touches(self, path_lps: ArrayLike) -> bool:
        """Whether a path (vertices (n, 3)) runs through the halo anywhere, also between its vertices."""
        path = np.asarray(path_lps, dtype=np.float64).reshape(-1, 3)
        if len(path) < 2 or not np.isfinite(path).all():
            return bool(self.inside(path).any())
        dense = [path[:1]]
        for a, b in itertools.pairwise(path):
            steps = max(int(np.linalg.norm(b - a) / STEP_MM), 1)
            dense.append(a + (np.arange(1, steps + 1) / steps)[:, None] * (b - a))
        return bool(self.inside(np.concatenate(dense)).any())


def metal_components(volume: Volume, *, threshold: float) -> list[Floats]:
    """Connected groups of metal voxels, largest first, each shape (n, 3) LPS mm.

    Parameters
    ----------
    volume
        The scan.
    threshold
        In the scan's unit.

    Returns
    -------
    list of numpy.ndarray
        Empty without metal.

    Raises
    ------
    Nothing.
    """
    from scipy.ndimage import label

    per_plane = volume.values[0].size
    flat = [np.flatnonzero(mask) + k * per_plane for k, mask in enumerate(volume.slices_above(threshold))]
    places = np.column_stack(np.unravel_index(np.concatenate(flat), volume.values.shape))
    if len(places) < LEAST_VOXELS:
        return []
    low, high = places.min(axis=0), places.max(axis=0) + 1
    mask = volume.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]] > threshold
    marked, _ = label(mask, np.ones((3, 3, 3)))
    inside = places - low
    number = marked[inside[:, 0], inside[:, 1], inside[:, 2]]
    order = np.argsort(number, kind="stable")
    groups = np.split(places[order], np.flatnonzero(np.diff(number[order])) + 1)
    groups = sorted((g for g in groups if len(g) >= LEAST_VOXELS), key=len, reverse=True)
    return [volume.geometry.to_lps(g.astype(np.float64)) for g in groups]


def find_halo(volume: Volume, fitness: ScanFitness, *, known_lps: Floats | None = None) -> Halo:
    """Metal of a scan, with the halo around it.

    Parameters
    ----------
    volume, fitness
        The scan and what it is good for.
    known_lps
        Shape (n, 3): metal that is known otherwise (a fitted thin rod reads darker than bone in places).

    Returns
    -------
    Halo

    Raises
    ------
    Nothing.

    Notes
    -----
    Uncalibrated scans are put on the HU scale by their own air and bone; without these metal is not assessed.
    """
    hu = volume.source.intensity_unit == "HU"
    unit, air = unit_of(fitness, intensity_unit=volume.source.intensity_unit)
    assessed = hu or (fitness.air_level is not None and fitness.bone_level is not None)
    found = metal_components(volume, threshold=air + unit * (METAL_HU + 1000.0)) if assessed else []
    points = [*found, *([known_lps] if known_lps is not None else [])]
    return Halo(np.concatenate(points) if points else np.zeros((0, 3)), HALO_MM, assessed)
