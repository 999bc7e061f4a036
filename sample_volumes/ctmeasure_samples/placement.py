"""From an ear's own frame to the patient frame LPS: side and head pose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ctmeasure_samples.parameters import HeadParameters

Side = Literal["left", "right"]


@dataclass(frozen=True, eq=False)
class Placement:
    """Rigid placement of an ear in the scanner; a right ear is mirrored, so its matrix has determinant -1.

    Attributes
    ----------
    side
        left or right.
    tf_lps_ear
        (4, 4): ear frame to LPS.
    """

    side: Side
    tf_lps_ear: np.ndarray

    def to_lps(self, points_ear: np.ndarray) -> np.ndarray:
        """Points (..., 3) of the ear's frame in LPS."""
        return np.asarray(points_ear, dtype=np.float64) @ self.tf_lps_ear[:3, :3].T + self.tf_lps_ear[:3, 3]

    def from_lps(self, points_lps: np.ndarray) -> np.ndarray:
        """Points (..., 3) of LPS in the ear's frame."""
        return (np.asarray(points_lps, dtype=np.float64) - self.tf_lps_ear[:3, 3]) @ self.tf_lps_ear[:3, :3]

    def directions_to_lps(self, directions_ear: np.ndarray) -> np.ndarray:
        """Directions (..., 3) of the ear's frame in LPS."""
        return np.asarray(directions_ear, dtype=np.float64) @ self.tf_lps_ear[:3, :3].T

    def directions_from_lps(self, directions_lps: np.ndarray) -> np.ndarray:
        """Directions (..., 3) of LPS in the ear's frame."""
        return np.asarray(directions_lps, dtype=np.float64) @ self.tf_lps_ear[:3, :3]


def _turn(axis: int, degrees: float) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_euler("xyz"[axis], degrees, degrees=True).as_matrix()


def head_pose(head: HeadParameters) -> np.ndarray:
    """Head frame (midline origin, x left, y posterior, z superior) to LPS, (4, 4)."""
    tf = np.eye(4)
    tf[:3, :3] = _turn(2, head.yaw_deg) @ _turn(0, head.pitch_deg) @ _turn(1, head.roll_deg)
    tf[:3, 3] = head.centre_lps
    return tf


def place_ear(head: HeadParameters, side: Side) -> Placement:
    """Place one ear of a head.

    Parameters
    ----------
    head
        Pose and common dimensions.
    side
        left or right.

    Returns
    -------
    Placement
        Ear frame to LPS.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> place_ear(HeadParameters(), "right").to_lps(np.zeros(3)).tolist()
    [-46.0, 0.0, 0.0]
    """
    tf = np.eye(4)
    tf[:3, :3] = _turn(0, -head.lateral_canal_pitch_deg)
    tf[0, 3] = head.rim_to_midline_mm
    if side == "right":
        tf = np.diag([-1.0, 1.0, 1.0, 1.0]) @ tf
    return Placement(side, head_pose(head) @ tf)
