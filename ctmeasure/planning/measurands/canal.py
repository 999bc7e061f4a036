"""The bony canal: its width at given depths, and the anterior hump that hides the rim."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.errors import GeometryError
from ctmeasure.geometry.ellipses import EllipseFit, fit_ellipse_2d
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import EDGE_OF_FWHM, FWHM_UNKNOWN_MM, NORMAL_95
from ctmeasure.planning.measurands.published import range_flag
from ctmeasure.planning.measurands.registry import CANAL, Context, measurand_term
from ctmeasure.planning.results import CanalWallMap, Measurement
from ctmeasure.uncertainty.estimate import Contribution, Estimate, combined_budget

DEPTHS_MM = (2.0, 4.0, 6.0)
"""Depths from ``canal_medial`` at which the lumen is measured."""
PUBLISHED_DEPTH_MM = 2.0
"""The published diameters are those of the medial end."""
LEAST_SHARE = 0.5
"""At least this part of the wall angles must have a wall point at a depth, or no diameter is given there."""
ANTERIOR_DEG = (225.0, 315.0)
"""Wall angles of the anterior wall, where the hump is."""
MAP_METHOD = "ellipse through the canal wall found in the scan, first order"


def measurements(context: Context) -> list[Measurement]:
    """Canal diameters and overhang from the canal-wall map; without one, the reason why not."""
    wall, canal = context.given.wall_map, context.canal
    if canal is None or wall is None:
        needs = context.missing(*CANAL)
        why = "not measured: needs the canal wall found in the scan"
        names = [(f"canal_diameter_{which}", f"depth {d:g} mm") for d in DEPTHS_MM for which in ("max", "min")]
        return [context.not_measured(i, q, needs=needs, why=why) for i, q in (*names, ("canal_overhang", ""))]
    found = [item for depth in DEPTHS_MM for item in _diameters(context, canal, wall, depth)]
    return [*found, _overhang(context, canal, wall)]


def _edge_u_mm(context: Context) -> float:
    in_plane = context.given.psf_fwhm_mm[0] if context.given.psf_fwhm_mm else FWHM_UNKNOWN_MM
    return EDGE_OF_FWHM * in_plane


def wall_section(canal: CanalFrame, wall: CanalWallMap, depth_mm: float) -> Floats:
    """Wall points at one depth in the plane across u: columns superior, posterior; shape (n, 2), mm.

    Angles whose wall does not reach that depth, or was not found, are left out.
    """
    rows = []
    for points in wall.points_lps:
        depth = canal.depth_mm(points)
        kept = np.flatnonzero(np.isfinite(depth))
        crossing = [(i, j) for i, j in pairwise(kept) if j == i + 1 and depth[i] <= depth_mm <= depth[j]]
        if crossing:
            i, j = crossing[0]
            share = 0.0 if depth[j] == depth[i] else (depth_mm - depth[i]) / (depth[j] - depth[i])
            point = points[i] + share * (points[j] - points[i]) - canal.frame.origin_lps
            rows.append([point @ canal.superior_lps, point @ canal.posterior_lps])
    return np.array(rows).reshape(-1, 2)


def _diameters(context: Context, canal: CanalFrame, wall: CanalWallMap, depth_mm: float) -> list[Measurement]:
    ids, qualifier = ("canal_diameter_max", "canal_diameter_min"), f"depth {depth_mm:g} mm"
    section = wall_section(canal, wall, depth_mm)
    fit: EllipseFit | None = None
    if len(section) >= max(LEAST_SHARE * len(wall.wall_angles_deg), 5):
        try:
            fit = fit_ellipse_2d(section)
        except GeometryError:
            fit = None
    if fit is None:
        why = f"not measured: wall found at {len(section)} of {len(wall.wall_angles_deg)} angles at this depth"
        return [context.not_measured(i, qualifier, why=why) for i in ids]
    scatter = 2.0 * fit.rms_mm * math.sqrt(2.0 / len(section))
    values = (fit.diameter_max_mm, fit.diameter_min_mm)
    return [
        _measured(context, i, qualifier, value=value, scatter_mm=scatter, edges=2.0)
        for i, value in zip(ids, values, strict=True)
    ]


def _overhang(context: Context, canal: CanalFrame, wall: CanalWallMap) -> Measurement:
    angles = np.mod(wall.wall_angles_deg, 360.0)
    best: tuple[float, float] | None = None
    for index in np.flatnonzero((angles >= ANTERIOR_DEG[0]) & (angles <= ANTERIOR_DEG[1])):
        rim = wall.rim_lps[index]
        points = wall.points_lps[index]
        points = points[np.isfinite(points).all(axis=1)]
        points = points[canal.depth_mm(points) > canal.depth_mm(rim)] if len(points) else points
        if not np.isfinite(rim).all() or not len(points):
            continue
        hump = float(canal.radius_mm(rim) - canal.radius_mm(points).min())
        if best is None or hump > best[0]:
            best = (hump, float(angles[index]))
    if best is None:
        return context.not_measured("canal_overhang", why="not measured: no anterior wall found in the scan")
    at = f"at {best[1]:.0f} deg"
    return _measured(context, "canal_overhang", at, value=best[0], scatter_mm=0.0, edges=math.sqrt(2.0))


def _measured(
    context: Context, measurand: str, qualifier: str, *, value: float, scatter_mm: float, edges: float
) -> Measurement:
    """A length read between edges of the scan; ``edges`` weighs their common doubt (2: both sides err alike)."""
    budget = [
        Contribution("edges in the scan", edges * _edge_u_mm(context)),
        Contribution("scatter of the wall round the ellipse", scatter_mm),
        Contribution("scanner scale", abs(value) * context.given.settings.scanner_scale_u),
    ]
    budget = [line for line in budget if line.standard_uncertainty > 0.0]
    u = combined_budget(budget)
    estimate = Estimate(
        value, u, value - NORMAL_95 * u, value + NORMAL_95 * u, "mm", MAP_METHOD, tuple(budget), seed=context.given.seed
    )
    flags = context.clock_flags() if measurand == "canal_overhang" else ()
    if qualifier == f"depth {PUBLISHED_DEPTH_MM:g} mm":
        flags = tuple(flag for flag in (range_flag(measurand, value),) if flag)
    inputs = ("scan", *context.canal_sources())
    return Measurement(measurand, qualifier, estimate, inputs, flags, measurand_term(measurand).definition)
