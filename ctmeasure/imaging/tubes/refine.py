"""From a route of voxels to a smooth centre line and radius: sections, smoothing, again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.polylines import arc_lengths_mm, resample_polyline, vertex_tangents
from ctmeasure.imaging.levels import PointSpread
from ctmeasure.imaging.tubes.disc import Sections, fit_sections
from ctmeasure.imaging.tubes.kinds import TubeKind
from ctmeasure.imaging.tubes.smooth import difference_penalty, smooth_path, smooth_values
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

SPACING_MM = 0.25
ROUNDS = 3
"""Sections are laid across the path this often, each time across the better one."""
PATH_LENGTH_MM, RADIUS_LENGTH_MM = 0.5, 0.7
"""Bends shorter than about 2 pi times this are noise (our choice; the genua bend over 2 to 3 mm)."""
REFERENCE_NOISE_MM = 0.03
ROUTE_U_MM = 0.25
"""Standard deviation of the voxel route about the canal's axis, per direction."""
NEIGHBOURS = 2.5
"""Neighbouring sections see mostly the same voxels: this many count as one."""


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """Centre line with radius, their doubt from noise and shape, and the last sections."""

    path_lps: Floats
    radius_mm: Floats
    covariance: Floats
    radius_u_mm: Floats
    sections: Sections
    bone: Floats


def refine(volume: Volume, route_lps: Floats, *, kind: TubeKind, levels: TubeLevels, spread: PointSpread) -> Refined:
    """Refine a route.

    Parameters
    ----------
    volume
        The scan.
    route_lps
        Shape (m, 3), LPS mm: voxels along the canal.
    kind, levels, spread
        What is known of the tube, the tissue and the blur.

    Returns
    -------
    Refined
        Vertices about 0.25 mm apart.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the route has no length.
    """
    path = resample_polyline(route_lps, SPACING_MM)
    path = _smoothed(path, np.tile(np.eye(3) / ROUTE_U_MM**2, (len(path), 1, 1)), length_mm=0.8)[0]
    radius = np.full(len(path), kind.radius_mm)
    bone = np.full(len(path), levels.bone)
    cov: Floats | None = None
    radius_u = np.zeros(len(path))
    for number in range(ROUNDS):
        last = number == ROUNDS - 1
        sections = fit_sections(volume, path, radius_mm=radius, kind=kind, levels=levels, spread=spread, bone=bone)
        centres, information = _measured(path, sections)
        path, cov = _smoothed(centres, information, length_mm=PATH_LENGTH_MM, covariance=last)
        radius, radius_u = _radii(sections, radius, kind)
        bone = _bone(sections, levels)
        if not last:
            count = len(path)
            path = resample_polyline(path, SPACING_MM)
            if len(path) != count:
                old = np.linspace(0.0, 1.0, count)
                new = np.linspace(0.0, 1.0, len(path))
                radius, bone = np.interp(new, old, radius), np.interp(new, old, bone)
    assert cov is not None
    return Refined(path, radius, cov, radius_u, sections, bone)


def _measured(path: Floats, sections: Sections) -> tuple[Floats, Floats]:
    axes = sections.frames[:, :2]
    centres = path + np.einsum("na,nax->nx", sections.offset_mm, axes)
    cov = sections.covariance[:, :2, :2] * NEIGHBOURS * np.maximum(sections.rms_mm / 0.05, 1.0)[:, None, None] ** 2
    information = np.einsum("nax,nab,nby->nxy", axes, np.linalg.inv(cov), axes)
    information[~sections.valid] = 0.0
    centres[~sections.valid] = path[~sections.valid]
    return centres, information


def _smoothed(
    centres: Floats, information: Floats, *, length_mm: float, covariance: bool = False
) -> tuple[Floats, Floats | None]:
    spacing = float(arc_lengths_mm(centres)[-1]) / (len(centres) - 1)
    penalty = difference_penalty(
        len(centres), order=3, spacing_mm=spacing, length_mm=length_mm, noise_mm=REFERENCE_NOISE_MM
    )
    # A whisper of the route itself keeps long stretches without a wall from wandering.
    loose = np.eye(3) / (2.0 * ROUTE_U_MM) ** 2
    return smooth_path(
        centres, information + loose, tangents=vertex_tangents(centres), penalty=penalty, covariance=covariance
    )


def _radii(sections: Sections, before: Floats, kind: TubeKind) -> tuple[Floats, Floats]:
    variance = sections.covariance[:, 2, 2] * NEIGHBOURS * np.maximum(sections.rms_mm / 0.05, 1.0) ** 2
    weights = np.where(sections.valid, 1.0 / variance, 1e-6)
    weights = weights + 1.0 / (4.0 * kind.radius_sd_mm) ** 2
    penalty = difference_penalty(
        len(before), order=2, spacing_mm=SPACING_MM, length_mm=RADIUS_LENGTH_MM, noise_mm=REFERENCE_NOISE_MM
    )
    return smooth_values(np.where(sections.valid, sections.radius_mm, before), weights, penalty=penalty)


def _bone(sections: Sections, levels: TubeLevels) -> Floats:
    """Bone level along the tube, from its own thick walls; the ear's where none shows it."""
    known = np.isfinite(sections.bone)
    if known.sum() < 3:
        return np.full(len(sections.bone), levels.bone)
    penalty = difference_penalty(len(known), order=1, spacing_mm=SPACING_MM, length_mm=2.0, noise_mm=1.0)
    values = np.where(known, sections.bone, levels.bone)
    return smooth_values(values, np.where(known, 1.0, 0.05), penalty=penalty)[0]
