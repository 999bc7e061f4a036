"""Ear canals made of concentric cylinders whose blurred profile is known in closed form.

The level of a disc of radius R blurred by a Gaussian of standard deviation sigma is, at distance r from its centre,
``ncx2.cdf((R / sigma)**2, 2, (r / sigma)**2)`` (a non-central chi-square with two degrees of freedom), so a canal of
circular layers is rendered exactly at every voxel centre, with no sampling of the shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.stats import ncx2

from ctmeasure.anatomy.frames import CanalFrame, RimCurve, canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

AIR, SOFT, BONE = -1000.0, 40.0, 1700.0
FWHM = 2.3548200450309493


@dataclass(frozen=True)
class Ear:
    volume: Volume
    landmarks: LandmarkSet
    canal: CanalFrame
    rim: RimCurve
    radius_mm: float
    plates: tuple[tuple[float, float, float, float], ...]


def axes(side: str, tilt_deg: float = 12.0) -> np.ndarray:
    """Rows superior, posterior, outwards of an oblique canal; a left ear is the mirror image in x."""
    tilt = np.radians(tilt_deg)
    out = np.array([-np.cos(tilt), 0.35 * np.sin(tilt), -np.sin(tilt) * 0.9])
    out /= np.linalg.norm(out)
    up = np.array([0.0, 0.0, 1.0]) - out[2] * out
    up /= np.linalg.norm(up)
    rows = np.stack([up, np.cross(out, up), out])
    return rows * np.array([-1.0, 1.0, 1.0]) if side == "left" else rows


def blurred_disc(r: np.ndarray, radius: float, sigma: float) -> np.ndarray:
    table_r = np.linspace(0.0, 16.0, 6401)
    return np.interp(r, table_r, ncx2.cdf((radius / sigma) ** 2, 2, (table_r / sigma) ** 2))


def make_ear(
    *,
    side: str = "right",
    radius_mm: float = 3.4,
    lining_mm: float = 0.15,
    plates: tuple[tuple[float, float, float, float], ...] = ((0.0, 360.0, 1.5, AIR),),
    far_width_mm: float = 6.0,
    sigma_mm: float = 0.2,
    spacing_mm: tuple[float, float, float] = (0.3, 0.25, 0.25),
    noise: float = 0.0,
    bone: float = BONE,
    seed: int = 5,
    scale: tuple[float, float] | None = None,
    rim_tilt_mm: float = 1.0,
    centre_lps: tuple[float, float, float] = (3.0, -2.0, 1.0),
    ring_points: int = 12,
) -> Ear:
    """A cylindrical canal in bone. A plate is (start angle, end angle, thickness, level behind).

    Behind a plate lies `far_width_mm` of its level, then bone. ``scale`` = (gain, offset) makes grey values.
    """
    up, back, out = axes(side)
    centre = np.asarray(centre_lps)
    half = np.array([14.0, 14.0, 14.0])
    shape = tuple(int(2 * h / s) + 1 for h, s in zip(half, spacing_mm, strict=True))
    affine = np.array(
        [
            [0, 0, spacing_mm[2], centre[0] - half[2]],
            [0, spacing_mm[1], 0, centre[1] - half[1]],
            [spacing_mm[0], 0, 0, centre[2] - half[0]],
            [0, 0, 0, 1.0],
        ]
    )
    # Keep the canal from the middle ear out to 11 mm inside the block.
    affine[:3, 3] += 4.0 * out
    geometry = Geometry(shape, affine, "1.2.826.0.1.3680043.10.543.1")
    k, j, i = np.meshgrid(*(np.arange(n, dtype=float) for n in shape), indexing="ij")
    points = geometry.to_lps(np.stack([k, j, i], axis=-1)) - centre
    x, y = points @ up, points @ back
    r = np.hypot(x, y)
    angle = np.mod(np.degrees(np.arctan2(y, x)), 360.0)
    values = np.full(shape, float(bone))
    for start, end, thickness, level in plates:
        inside = (angle - start) % 360.0 < (end - start) % 360.0 if end - start < 360.0 else np.ones(shape, bool)
        where = r[inside]
        profile = np.full(where.shape, float(bone))
        outer = radius_mm + thickness
        profile += (level - bone) * (
            blurred_disc(where, outer + far_width_mm, sigma_mm) - blurred_disc(where, outer, sigma_mm)
        )
        values[inside] = profile
    values += (SOFT - bone) * blurred_disc(r, radius_mm, sigma_mm)
    if lining_mm < radius_mm:
        values += (AIR - SOFT) * blurred_disc(r, radius_mm - lining_mm, sigma_mm)
    if noise > 0.0:
        grain = gaussian_filter(np.random.default_rng(seed).standard_normal(shape), 0.6)
        values += grain * noise / grain.std()
    unit = "HU"
    if scale is not None:
        values, unit = values * scale[0] + scale[1], "grey"
    volume = Volume(geometry, values.astype(np.float32), ScanSource(intensity_unit=unit, spacing_mm=spacing_mm))
    ring_angles = np.linspace(0.0, 2 * np.pi, ring_points, endpoint=False)
    ring = (
        centre
        + radius_mm * (np.cos(ring_angles)[:, None] * up + np.sin(ring_angles)[:, None] * back)
        + (rim_tilt_mm * np.cos(ring_angles))[:, None] * out
    )
    landmarks = LandmarkSet(
        [
            point_landmark("canal_medial", centre),
            point_landmark("canal_lateral", centre + 7.0 * out),
            Landmark("annulus", "placed", tuple(Placement(tuple(map(float, p)), index=n) for n, p in enumerate(ring))),
        ]
    )
    canal = canal_frame(landmarks, side)
    return Ear(volume, landmarks, canal, rim_curve(landmarks, canal), radius_mm, plates)


def point_landmark(landmark_id: str, point: np.ndarray) -> Landmark:
    return Landmark(landmark_id, "placed", (Placement(tuple(float(x) for x in point)),))


@dataclass(frozen=True)
class Fitness:
    """What a scan-quality check of this phantom would say."""

    point_spread_in_plane_mm: float | None
    point_spread_through_plane_mm: float | None
    point_spread_in_plane_u_mm: float = 0.01
    point_spread_through_plane_u_mm: float = 0.01


def fitness(sigma_mm: float = 0.2) -> Fitness:
    return Fitness(sigma_mm * FWHM, sigma_mm * FWHM)
