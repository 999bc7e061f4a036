"""What edges look like in this scan: point spread in any direction, grey levels of air, soft tissue and bone."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.errors import ScanError
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.volume.quality import ScanFitness

Floats = NDArray[np.float64]

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
ASSUMED_IN_PLANE_MM = 0.50
"""In-plane point spread taken when the scan does not show it (typical temporal-bone kernels; from memory)."""
ASSUMED_THROUGH_MM = 0.60
ASSUMED_RELATIVE_U = 0.25
"""Relative standard uncertainty of an assumed point spread."""
MEASURED_RELATIVE_U = 0.06
"""The same for one measured on this scan's own edges (our choice, no source)."""
READING_SHARE = 0.022
"""What cubic interpolation between voxels h apart adds to the variance of a blurred edge, as a share of h^4 over that
variance, mean over directions (fitted to edges of known width, good to 1 percent from 0.5 voxels of sigma on)."""
LEAST_RELATIVE_U = 0.03
"""No point spread is believed to better than this (our choice, no source)."""
SOFT_TISSUE_HU = 40.0
"""Soft tissue on a calibrated scan. Bone is never taken from the literature: it comes from the same ear."""
SOFT_SHARE = 0.40
"""On uncalibrated scans without a visible soft-tissue mode: this share of the way from air to cortical bone."""
POINT_SPREAD_FLAG = "point spread assumed"
SOFT_LEVEL_FLAG = "soft-tissue level assumed"


@dataclass(frozen=True, slots=True)
class PointSpread:
    """Gaussian point spread of the image as it is read (voxel averaging and cubic interpolation included), FWHM mm.

    Parameters
    ----------
    in_plane_mm, through_plane_mm
        FWHM within a slice and across slices.
    slice_normal_lps
        Unit normal of the slices.
    relative_u
        Relative standard uncertainty of the widths.
    assumed
        True when nothing in the scan told them.

    Example
    -------
    >>> spread = PointSpread(0.471, 0.824, (0.0, 0.0, 1.0))
    >>> spread.sigma_mm([[1.0, 0, 0], [0, 0, 1.0]]).round(2).tolist()
    [0.2, 0.35]
    """

    in_plane_mm: float
    through_plane_mm: float
    slice_normal_lps: tuple[float, float, float]
    relative_u: float = MEASURED_RELATIVE_U
    assumed: bool = False

    def __post_init__(self) -> None:
        if not (0.0 < self.in_plane_mm < math.inf and 0.0 < self.through_plane_mm < math.inf):
            raise ScanError(
                f"point spread {self.in_plane_mm} and {self.through_plane_mm} mm", expected="two widths above zero"
            )

    def sigma_mm(self, directions_lps: ArrayLike) -> Floats:
        """Standard deviation of a blurred edge whose normal is each of these unit directions, shape (...)."""
        across = np.asarray(directions_lps, dtype=np.float64) @ np.asarray(self.slice_normal_lps)
        variance = self.in_plane_mm**2 * (1.0 - across**2) + self.through_plane_mm**2 * across**2
        return np.sqrt(variance) / FWHM_PER_SIGMA

    def fwhm_mm(self, directions_lps: ArrayLike) -> Floats:
        """The same as a full width at half maximum."""
        return self.sigma_mm(directions_lps) * FWHM_PER_SIGMA


@dataclass(frozen=True, slots=True)
class TissueLevels:
    """Grey levels of one ear, in the scan's own unit (HU or uncalibrated).

    ``bone_sd`` is how much the cortical level varies within the ear; ``noise`` the standard deviation of one sample.
    """

    air: float
    soft: float
    bone: float
    bone_sd: float
    noise: float
    flags: tuple[str, ...] = ()

    @property
    def air_soft(self) -> float:
        """Midway between air and soft tissue."""
        return 0.5 * (self.air + self.soft)

    @property
    def bone_like(self) -> float:
        """A peak above this is bone, however thin: out of what soft tissue and its noise can be."""
        return self.soft + max(BONE_LIKE_SHARE * (self.bone - self.soft), 3.5 * self.noise)

    @property
    def drop(self) -> float:
        """A fall by this much leaves the bone: more than its unevenness and the noise."""
        return max(BONE_SHARE * (self.bone - self.soft), 4.0 * self.noise)

    @property
    def gap_below(self) -> float:
        """A fall that stays above this is uneven bone, not a gap."""
        return self.soft + GAP_SHARE * (self.bone - self.soft)

    @property
    def surely_bone(self) -> float:
        """What the scan shows above this is bone: within two standard deviations of what cortical bone varies by."""
        return self.soft + SURE_SHARE * (self.bone - self.soft)

    def with_bone(self, bone: float, bone_sd: float) -> TissueLevels:
        """The same with another cortical level."""
        return replace(self, bone=float(bone), bone_sd=float(bone_sd))


BONE_SHARE = 0.25
"""A fall by this share of the step from soft tissue to bone ends the bone."""
GAP_SHARE = 0.6
"""Bone varies by some 10 percent; what dips under this share of the step from soft tissue to bone is a gap in it."""
SURE_SHARE = 0.85
"""A gap of 0.3 mm takes at least this much of the blurred level away on every scan this is meant for."""
BONE_LIKE_SHARE = 0.12
"""A plate of 0.6 point-spread widths between air still peaks at this share above soft tissue."""


def point_spread(volume: Volume, fitness: ScanFitness | None = None) -> PointSpread:
    """Point spread of a scan: measured where its fitness tells, else assumed and flagged.

    Parameters
    ----------
    volume
        The scan.
    fitness
        What the scan-quality check found; None when it was not run.

    Returns
    -------
    PointSpread
        As profiles read by cubic interpolation show it, wider than in the voxels (`as_read_mm`).

    Raises
    ------
    ScanError
        When the fitness holds a width that is not above zero.
    """
    normal = volume.geometry.directions_lps[0]
    spacing = volume.geometry.spacing_mm
    in_plane = getattr(fitness, "point_spread_in_plane_mm", None)
    through = getattr(fitness, "point_spread_through_plane_mm", None)
    where = (float(normal[0]), float(normal[1]), float(normal[2]))
    if in_plane is not None and through is not None:
        in_plane_u = getattr(fitness, "point_spread_in_plane_u_mm", None) or 0.0
        through_u = getattr(fitness, "point_spread_through_plane_u_mm", None) or 0.0
        relative = max(in_plane_u / float(in_plane), through_u / float(through), LEAST_RELATIVE_U)
        widths = (as_read_mm(float(in_plane), max(spacing[1:])), as_read_mm(float(through), spacing[0]))
        return PointSpread(*widths, where, relative)
    if in_plane is not None:
        through = max(ASSUMED_THROUGH_MM, 1.2 * spacing[0], float(in_plane))
        return PointSpread(as_read_mm(float(in_plane), max(spacing[1:])), through, where, ASSUMED_RELATIVE_U, True)
    pixel = max(spacing[1], spacing[2])
    return PointSpread(
        max(ASSUMED_IN_PLANE_MM, 1.5 * pixel),
        max(ASSUMED_THROUGH_MM, 1.2 * spacing[0]),
        where,
        ASSUMED_RELATIVE_U,
        True,
    )


def as_read_mm(fwhm_mm: float, step_mm: float) -> float:
    """Width of an edge as cubic interpolation reads it, from its width in voxels that are a step apart.

    Example
    -------
    >>> round(as_read_mm(0.45, 0.3), 2)
    0.48
    """
    if fwhm_mm <= 0.0:
        return fwhm_mm
    variance = (max(fwhm_mm, step_mm) / FWHM_PER_SIGMA) ** 2
    return math.hypot(fwhm_mm, FWHM_PER_SIGMA * math.sqrt(READING_SHARE * step_mm**4 / variance))


def canal_levels(volume: Volume, canal: CanalFrame) -> TissueLevels:
    """First estimate of the grey levels around an ear canal, from the voxels there.

    Parameters
    ----------
    volume
        The scan.
    canal
        The canal frame.

    Returns
    -------
    TissueLevels
        The bone level is only a start; thick stretches of the canal wall refine it.

    Raises
    ------
    ScanError
        When too little of the canal lies inside the scan, or there is no contrast.
    """
    angle, radius, depth = np.meshgrid(
        np.arange(0.0, 360.0, 15.0), np.arange(0.25, 10.0, 0.5), np.arange(-2.0, 12.0, 0.5), indexing="ij"
    )
    values, inside = sample(volume, canal.point_lps(angle, radius, depth))
    seen = values[inside & np.isfinite(values)]
    if seen.size < 500:
        raise ScanError(
            "the ear canal lies outside the scan",
            expected="the canal and its bony wall inside the scan",
            action="check the landmarks and the series",
        )
    low, high = np.percentile(seen, [1.0, 97.0])
    contrast = float(high - low)
    if contrast < 1e-6:
        raise ScanError("no contrast around the ear canal", expected="air and bone", action="check the landmarks")
    air_like = seen[seen < low + 0.2 * contrast]
    air = float(np.median(air_like))
    noise = 1.4826 * float(np.median(np.abs(air_like - air)))
    bone = float(np.median(seen[seen > low + 0.8 * contrast]))
    soft, flags = _soft_level(seen, air, bone, volume.source.intensity_unit)
    noise = min(max(noise, 0.01 * (bone - air)), 0.1 * (bone - air))
    return TissueLevels(air, soft, bone, 0.08 * (bone - soft), noise, flags)


def _soft_level(seen: Floats, air: float, bone: float, unit: str) -> tuple[float, tuple[str, ...]]:
    """Mode of what is neither air nor bone; calibrated scans know it, others may have to assume it."""
    if unit == "HU":
        return SOFT_TISSUE_HU, ()
    low, high = air + 0.22 * (bone - air), air + 0.58 * (bone - air)
    between = seen[(seen > low) & (seen < high)]
    counts, edges = np.histogram(between, bins=18, range=(low, high))
    smooth = np.convolve(counts, [0.25, 0.5, 0.25], mode="same")[1:-1]
    top = int(np.argmax(smooth))
    if smooth[top] < 1.6 * max(float(np.median(smooth)), 1.0):
        return air + SOFT_SHARE * (bone - air), (SOFT_LEVEL_FLAG,)
    return float(0.5 * (edges[top + 1] + edges[top + 2])), ()
