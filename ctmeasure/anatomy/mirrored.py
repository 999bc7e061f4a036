"""The healthy other ear as a prior: a point carried over through the two canal frames, never by flipping a scan."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import CanalFrame, canal_frame
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side

MIRRORED_U_MM = 0.4
"""Standard uncertainty per axis of a carried-over point beyond that of its placement: how far the two ears of one head
and their canal frames differ. Our choice between 0.3 and 0.5 mm, no source."""


def other_side(side: Side) -> Side:
    """The other ear.

    Example
    -------
    >>> other_side("left")
    'right'
    """
    return "right" if side == "left" else "left"


def mirrored_point_lps(landmark_id: str, other_ear: LandmarkSet, canal: CanalFrame) -> npt.NDArray[np.float64] | None:
    """Where a landmark of the other ear would lie in this one.

    Parameters
    ----------
    landmark_id
        The landmark.
    other_ear
        Landmarks of the other ear, with its two canal centres.
    canal
        Canal frame of this ear.

    Returns
    -------
    numpy.ndarray or None
        Shape (3,), LPS mm; None when the other ear does not hold what is needed.

    Raises
    ------
    LandmarkError
        When the other ear's landmarks are not of the other side.

    Notes
    -----
    Wall angle, distance from the axis and depth are the same words in both ears, so carrying them over is the mirror.
    A prior for what is missing, with `MIRRORED_U_MM` per axis; never ground truth.
    """
    if not other_ear.placed(landmark_id, "canal_medial", "canal_lateral"):
        return None
    there = canal_frame(other_ear, other_side(canal.side))
    point = other_ear.point_lps(landmark_id)
    return canal.point_lps(there.wall_angle_deg(point), there.radius_mm(point), there.depth_mm(point))
