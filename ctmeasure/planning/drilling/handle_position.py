"""Where a handle on two holes would lie, and what it leaves for a later total prosthesis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, annulus_plane, footplate_plane
from ctmeasure.anatomy.landmarks import LandmarkSet, PointLps
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.results import HandlePosition
from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]

NO_PROMONTORY_FLAG = "distance to the promontory not checked, promontory not placed"
NEAR_PROMONTORY_FLAG = "tip nearer to the promontory than set"
NO_FOOTPLATE_FLAG = "no later prosthesis, footplate not placed"
DRUM_OUT_FLAG = "alternative: the drum stays out and the tip is bent out to it"


def handle_position(
    entry_1_lps: PointLps,
    entry_2_lps: PointLps,
    *,
    tip_lps: PointLps,
    landmarks: LandmarkSet,
    canal: CanalFrame,
    settings: Settings,
) -> HandlePosition:
    """The handle between two holes and the planned tip, for the mean points.

    Parameters
    ----------
    entry_1_lps, entry_2_lps, tip_lps
        Entry points of the holes and the planned tip.
    landmarks, canal
        For promontory, footplate, drum and rim; what is not placed stays None and is flagged.
    settings
        Distance to the promontory; how far out a drum may lie.

    Returns
    -------
    HandlePosition

    Raises
    ------
    Nothing.

    Example
    -------
    >>> from ctmeasure.geometry.frames import Frame
    >>> axes = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    >>> canal = CanalFrame(Frame(np.zeros(3), axes, "canal"), "right", "scanner")
    >>> found = handle_position((0, -2, 4), (0, 2, 4), tip_lps=(-1, 0, 0), landmarks=LandmarkSet(), canal=canal,
    ...     settings=Settings())
    >>> round(found.length_mm, 3), found.off_centre_mm
    (4.123, 0.0)
    """
    ends, tip = np.array([entry_1_lps, entry_2_lps], dtype=np.float64), np.array(tip_lps, dtype=np.float64)
    top = ends.mean(axis=0)
    along = ends[1] - ends[0]
    span = float(np.linalg.norm(along))
    length = float(np.linalg.norm(tip - top))
    off_centre = abs(float((tip - top) @ along)) / span if span > 0.0 else 0.0
    flags: list[str] = []
    to_promontory = None
    if landmarks.placed("promontory"):
        to_promontory = float(np.linalg.norm(tip - landmarks.point_lps("promontory")))
        if to_promontory < settings.handle_promontory_mm - 1e-6:
            flags.append(NEAR_PROMONTORY_FLAG)
    else:
        flags.append(NO_PROMONTORY_FLAG)
    axis_deg = total = tilt = None
    try:
        foot = footplate_plane(landmarks, canal)
    except LandmarkError:
        flags.append(NO_FOOTPLATE_FLAG)
    else:
        if length > 0.0:
            axis_deg = abs(90.0 - _degrees(tip - top, foot.normal_lps))
        total = float(np.linalg.norm(tip - foot.point_lps))
        tilt = _degrees(tip - foot.point_lps, foot.normal_lps)
    if _drum_lies_out(landmarks, canal, settings):
        flags.append(DRUM_OUT_FLAG)
    return HandlePosition(
        _point(top), _point(tip), length, off_centre, to_promontory, axis_deg, total, tilt, tuple(flags)
    )


def _drum_lies_out(landmarks: LandmarkSet, canal: CanalFrame, settings: Settings) -> bool:
    if not landmarks.placed("drum_centre", "annulus"):
        return False
    plane = annulus_plane(landmarks, canal)
    return float(plane.signed_distance_mm(landmarks.point_lps("drum_centre"))) > settings.drum_as_it_lies_limit_mm


def _degrees(vector: Floats, axis: Floats) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(vector, axis)), vector @ axis)))


def _point(values: Floats) -> PointLps:
    return (float(values[0]), float(values[1]), float(values[2]))
