"""An old prosthesis: its length and sizes, how it stands, and whether it touches footplate and drum."""

from __future__ import annotations

import math

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame, annulus_plane, footplate_plane
from ctmeasure.geometry.frames import Plane
from ctmeasure.imaging.metal.prosthesis import Prosthesis
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import NORMAL_95
from ctmeasure.planning.measurands.registry import CANAL, Context, Found, measurand_term
from ctmeasure.planning.results import Measurement
from ctmeasure.uncertainty.estimate import Contribution, Estimate

CANNOT_TELL_FLAG = "contact cannot be told: the gap is within its own uncertainty"
APART_FLAG = "apart"
PAST_FLAG = "reaches past the surface"
DRUM_REACH_MM = 2.0
"""The drum is marked at its centre only: an end farther than this from there, across, is not compared with it."""
FOOTPLATE_REACH_MM = 2.5
"""A medial end farther than this from the footplate's centre, across, has left it."""
NO_HEAD_FLAG = "not measured: no head shows on it"


def recipes(context: Context) -> list[Found]:
    """Measurements of an old prosthesis."""
    found = context.given.prosthesis
    if found is None:
        why = f"not measured: {context.given.prosthesis_why}"
        sizes = [
            context.not_measured(f"old_prosthesis_{name}", why=why)
            for name in ("length", "head_diameter", "shaft_diameter", "to_footplate", "to_drum")
        ]
        tilts = [
            context.not_measured("old_prosthesis_tilt", where, why=why)
            for where in ("footplate normal", "annulus normal")
        ]
        return [*sizes, *tilts]
    head = context.not_measured("old_prosthesis_head_diameter", why=NO_HEAD_FLAG)
    return [
        _row("old_prosthesis_length", "", found.length),
        _row("old_prosthesis_head_diameter", "", found.head_diameter) if found.head_diameter else head,
        _row("old_prosthesis_shaft_diameter", "", found.shaft_diameter),
        *_towards_footplate(context, found),
        *_towards_drum(context, found),
    ]


def _row(measurand_id: str, qualifier: str, estimate: Estimate) -> Measurement:
    term = measurand_term(measurand_id)
    return Measurement(measurand_id, qualifier, estimate, term.inputs, estimate.flags, term.definition)


def _towards_footplate(context: Context, found: Prosthesis) -> list[Measurement]:
    missing = context.footplate_missing()
    if missing or context.canal is None:
        return [
            context.not_measured("old_prosthesis_tilt", "footplate normal", needs=missing or CANAL),
            context.not_measured("old_prosthesis_to_footplate", needs=missing or CANAL),
        ]
    plane, normal_u_deg, surface = _footplate(context, context.canal)
    tilt = found.tilt(plane.normal_lps, normal_u_deg=normal_u_deg, against="footplate normal")
    foot, u = _medial_end(found, plane)
    gap = _gap(context, "old_prosthesis_to_footplate", foot, (plane, u, surface), FOOTPLATE_REACH_MM)
    return [_row("old_prosthesis_tilt", "footplate normal", tilt), gap]


def _footplate(context: Context, canal: CanalFrame) -> tuple[Plane, float, float]:
    """The footplate as found in the image, else as marked: plane, doubt of its normal (degrees) and height (mm)."""
    seen = context.draws.plane_found("footplate_centre")
    if seen is not None and seen.found_lps is not None and seen.normal_lps is not None:
        normal = np.asarray(seen.normal_lps)
        height_u = math.sqrt(float(normal @ np.asarray(seen.covariance_mm2) @ normal))
        return Plane(np.asarray(seen.found_lps), normal), math.degrees(max(seen.tilt_u_rad or (0.0,))), height_u
    plane = footplate_plane(context.given.landmarks, canal)
    sources = context.footplate_sources()
    noise = max(context.draws.placement_u_mm(i) for i in sources)
    points = np.stack([context.given.landmarks.point_lps(i) for i in sources])
    return plane, plane_u_deg(points, plane, noise), noise / math.sqrt(len(points))


def _towards_drum(context: Context, found: Prosthesis) -> list[Measurement]:
    missing = context.missing("drum_centre", "annulus", *CANAL)
    if context.missing("annulus", *CANAL) or context.canal is None:
        tilt = context.not_measured("old_prosthesis_tilt", "annulus normal", needs=missing)
    else:
        normal = annulus_plane(context.given.landmarks, context.canal).normal_lps
        ring = context.given.landmarks["annulus"].points_lps
        plane = Plane(ring.mean(axis=0), normal)
        doubt = plane_u_deg(ring, plane, context.draws.placement_u_mm("annulus"))
        tilt = _row(
            "old_prosthesis_tilt",
            "annulus normal",
            found.tilt(normal, normal_u_deg=doubt, against="annulus normal"),
        )
    if missing or context.canal is None:
        return [tilt, context.not_measured("old_prosthesis_to_drum", needs=missing)]
    inwards = -annulus_plane(context.given.landmarks, context.canal).normal_lps
    drum = Plane(context.given.landmarks.point_lps("drum_centre"), inwards)
    top, u = _medial_end(found, Plane(drum.point_lps, -inwards))
    # the end that is not medial is the lateral one
    top, u = (found.top_lps, found.top_u_mm) if top is found.foot_lps else (found.foot_lps, found.foot_u_mm)
    noise = context.draws.placement_u_mm("drum_centre")
    return [tilt, _gap(context, "old_prosthesis_to_drum", top, (drum, u, noise), DRUM_REACH_MM)]


def _medial_end(found: Prosthesis, plane: Plane) -> tuple[Floats, float]:
    """The end that lies lower over a plane whose normal points outwards, and its uncertainty along the axis."""
    foot, top = plane.signed_distance_mm(np.stack([found.foot_lps, found.top_lps]))
    return (found.foot_lps, found.foot_u_mm) if foot <= top else (found.top_lps, found.top_u_mm)


def _gap(
    context: Context, measurand_id: str, end: Floats, surface: tuple[Plane, float, float], reach_mm: float
) -> Measurement:
    """Gap of an end over a marked surface, and what may be said of contact."""
    plane, end_u, surface_u = surface
    height = float(plane.signed_distance_mm(end))
    across = float(np.linalg.norm(end - plane.point_lps - height * plane.normal_lps))
    if across > reach_mm:
        return context.not_measured(
            measurand_id, why=f"not measured: the end lies {across:.1f} mm beside the marked centre"
        )
    u = math.hypot(end_u, surface_u)
    low, high = height - NORMAL_95 * u, height + NORMAL_95 * u
    said = APART_FLAG if low > 0.0 else PAST_FLAG if high < 0.0 else CANNOT_TELL_FLAG
    budget = (Contribution("end of the metal", end_u), Contribution("marked surface", surface_u))
    method = "end of the fitted metal over the marked surface, along its normal"
    return _row(measurand_id, "", Estimate(height, u, low, high, "mm", method, budget, (said,)))


def plane_u_deg(points_lps: Floats, plane: Plane, noise_mm: float) -> float:
    """Standard uncertainty of the direction of a plane through points that are each off by some noise, degrees.

    Example
    -------
    >>> square = np.array([[1.0, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]])
    >>> round(plane_u_deg(square, Plane(np.zeros(3), np.array([0.0, 0, 1])), 0.1), 2)
    2.86
    """
    off = points_lps - points_lps.mean(axis=0)
    flat = off - np.outer(off @ plane.normal_lps, plane.normal_lps)
    spread = np.sort(np.linalg.eigvalsh(flat.T @ flat))[1:]
    return math.degrees(noise_mm * math.sqrt(0.5 * float((1.0 / np.maximum(spread, 1e-6)).sum())))
