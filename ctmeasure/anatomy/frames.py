"""Frames and planes of one ear, each built from landmarks by a named recipe so that it can be rebuilt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import RING_FULL_POINTS, LandmarkSet
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import LandmarkError
from ctmeasure.geometry.fits import fit_plane
from ctmeasure.geometry.frames import Frame, Plane

Floats = npt.NDArray[np.float64]

SUPERIOR_LPS = np.array([0.0, 0.0, 1.0])
"""The scanner's upward direction, used only when no lateral-semicircular-canal ring is marked."""
LEVEL_WITHIN_DEG = 50.0
"""The lateral canal is level to about 30 degrees in a usual pose; a ring tilted by more than this is one only if the
superior canal, which stands across it, confirms it (our own choice)."""
ACROSS_WITHIN_DEG = 25.0
"""The two canals stand at right angles to within this."""
CLOCK_FLAG = "clock may be off by an hour"
"""Carried by every clock hour when "superior" comes from the scanner."""
SIDE_MINIMUM_COSINE = 0.2
"""The canal axis must point to its own side by at least this much (about 78 degrees from the side) to be believed."""
AXIS_MINIMUM_MM = 2.0
"""Two canal centres closer than this do not give a direction."""
RIM_KNOT_ANGLES_DEG = np.arange(0.0, 360.0, 1.0)
"""Angles at which the rim curve is tabulated."""
WIDEST_RIM_GAP_DEG = 110.0
"""A ring with a wider stretch than this without a point (the notch apart) lacks a quadrant."""


@dataclass(frozen=True, eq=False)
class CanalFrame:
    """The canal frame of one ear: origin ``canal_medial``, third axis u outwards along the canal.

    The axes are the rows (superior, u x superior, u) and right-handed in either ear. "Posterior" is a named function
    of the side: u x superior points backwards in a right ear and forwards in a left ear.
    """

    frame: Frame
    side: Side
    superior_from: str
    flags: tuple[str, ...] = ()

    @property
    def axis_lps(self) -> Floats:
        """Unit vector u out of the ear along the canal axis, shape (3,)."""
        return self.frame.axes_lps[2]

    @property
    def superior_lps(self) -> Floats:
        """Unit vector of wall angle 0, shape (3,)."""
        return self.frame.axes_lps[0]

    @property
    def posterior_lps(self) -> Floats:
        """Unit vector of wall angle 90, shape (3,)."""
        return self.frame.axes_lps[1] if self.side == "right" else -self.frame.axes_lps[1]

    def depth_mm(self, points_lps: npt.ArrayLike) -> Floats:
        """Distance along u from ``canal_medial``; outwards positive. Shape (...)."""
        return (np.asarray(points_lps, dtype=np.float64) - self.frame.origin_lps) @ self.axis_lps

    def radius_mm(self, points_lps: npt.ArrayLike) -> Floats:
        """Distance from the straight canal axis. Shape (...)."""
        offset = np.asarray(points_lps, dtype=np.float64) - self.frame.origin_lps
        return np.hypot(offset @ self.superior_lps, offset @ self.posterior_lps)

    def wall_angle_deg(self, points_lps: npt.ArrayLike) -> Floats:
        """Wall angle in [0, 360): 0 superior, 90 posterior, in right and left ears alike. Shape (...)."""
        offset = np.asarray(points_lps, dtype=np.float64) - self.frame.origin_lps
        return np.mod(np.degrees(np.arctan2(offset @ self.posterior_lps, offset @ self.superior_lps)), 360.0)

    def direction_lps(self, wall_angle_deg: npt.ArrayLike) -> Floats:
        """Unit vector across the axis at a wall angle. Shape (..., 3)."""
        angle = np.radians(np.asarray(wall_angle_deg, dtype=np.float64))[..., None]
        return np.cos(angle) * self.superior_lps + np.sin(angle) * self.posterior_lps

    def point_lps(self, wall_angle_deg: npt.ArrayLike, radius_mm: npt.ArrayLike, depth_mm: npt.ArrayLike) -> Floats:
        """Point at a wall angle, a distance from the straight axis and a depth. Shape (..., 3)."""
        radius = np.asarray(radius_mm, dtype=np.float64)[..., None]
        depth = np.asarray(depth_mm, dtype=np.float64)[..., None]
        return self.frame.origin_lps + radius * self.direction_lps(wall_angle_deg) + depth * self.axis_lps


def check_side(axis_lps: npt.ArrayLike, side: Side) -> None:
    """Refuse a side that the canal axis contradicts.

    Parameters
    ----------
    axis_lps
        Direction out of the ear, shape (3,), LPS.
    side
        The side that was claimed.

    Raises
    ------
    LandmarkError
        When the axis points to the other side, or to neither.

    Notes
    -----
    LPS +x points to the patient's left, so a left canal opens towards +x. The position in the scan is never used:
    a cropped scan has no middle.

    Example
    -------
    >>> check_side([0.9, 0.1, 0.1], "left")
    """
    along_x = float(np.asarray(axis_lps, dtype=np.float64)[0])
    found = "left" if along_x > 0 else "right"
    if abs(along_x) < SIDE_MINIMUM_COSINE:
        raise LandmarkError(
            f"the canal axis is nearly across left and right (x component {along_x:+.2f})",
            expected="an axis out of the ear",
            action="check canal_medial and canal_lateral for swapped coordinates",
        )
    if found != side:
        raise LandmarkError(
            f"the canal axis points out of a {found} ear, the side given is {side}",
            expected="landmarks and side of the same ear",
            action=f"use --side {found}, or check that canal_medial and canal_lateral are not swapped",
        )


def canal_frame(landmarks: LandmarkSet, side: Side) -> CanalFrame:
    """Build the canal frame from ``canal_medial``, ``canal_lateral`` and, where marked, the lateral semicircular canal.

    Parameters
    ----------
    landmarks
        The ear's landmarks.
    side
        The ear's side.

    Returns
    -------
    CanalFrame
        Flagged when "superior" comes from the scanner.

    Raises
    ------
    LandmarkError
        When a canal centre is missing, both lie together, or the axis contradicts the side.
    """
    medial = landmarks.point_lps("canal_medial")
    lateral = landmarks.point_lps("canal_lateral")
    length = float(np.linalg.norm(lateral - medial))
    if length < AXIS_MINIMUM_MM:
        raise LandmarkError(
            f"canal_medial and canal_lateral are {length:.1f} mm apart",
            expected="6 to 8 mm",
            action="place canal_lateral further out",
        )
    axis = (lateral - medial) / length
    check_side(axis, side)
    superior, source = _superior(landmarks)
    across = superior - (superior @ axis) * axis
    if float(np.linalg.norm(across)) < SIDE_MINIMUM_COSINE:
        raise LandmarkError(
            "the canal axis runs up and down",
            expected="an axis across the superior direction",
            action="check canal_medial and canal_lateral, and the pose of the head",
        )
    up = across / np.linalg.norm(across)
    flags = () if source == "lateral semicircular canal" else (CLOCK_FLAG,)
    frame = Frame(origin_lps=medial, axes_lps=np.stack([up, np.cross(axis, up), axis]), name="canal")
    return CanalFrame(frame, side, source, flags)


def _superior(landmarks: LandmarkSet) -> tuple[Floats, str]:
    if not landmarks.placed("lateral_semicircular_canal"):
        return SUPERIOR_LPS, "scanner"
    normal = lateral_canal_plane(landmarks).normal_lps
    tilt = math.degrees(math.acos(min(abs(float(normal @ SUPERIOR_LPS)), 1.0)))
    if tilt > LEVEL_WITHIN_DEG and not _stands_across(normal, landmarks):
        raise LandmarkError(
            f"the ring 'lateral_semicircular_canal' is tilted {tilt:.0f} degrees from level",
            expected=f"at most {LEVEL_WITHIN_DEG:g} degrees, or a superior canal that stands across it",
            action="it may be another canal: place it again, or confirm it by 'superior_semicircular_canal'",
        )
    return normal, "lateral semicircular canal"


def _stands_across(normal_lps: Floats, landmarks: LandmarkSet) -> bool:
    ring = "superior_semicircular_canal"
    if not landmarks.placed(ring) or len(landmarks[ring].points_lps) < 3:
        return False
    other = fit_plane(landmarks[ring].points_lps, towards_lps=SUPERIOR_LPS).plane.normal_lps
    return abs(float(normal_lps @ other)) <= math.sin(math.radians(ACROSS_WITHIN_DEG))


def lateral_canal_plane(landmarks: LandmarkSet) -> Plane:
    """Plane of the lateral semicircular canal, normal towards the top of the head.

    Raises
    ------
    LandmarkError
        When the ring is not placed.
    """
    return _ring_plane(landmarks, "lateral_semicircular_canal", SUPERIOR_LPS)


def _ring_plane(landmarks: LandmarkSet, ring: str, towards_lps: Floats) -> Plane:
    if not landmarks.placed(ring):
        raise LandmarkError(f"ring '{ring}' is not placed", expected="3 or more points", action=f"place '{ring}'")
    return fit_plane(landmarks[ring].points_lps, towards_lps=towards_lps).plane


def rim_points_lps(landmarks: LandmarkSet, canal: CanalFrame) -> Floats:
    """Ring points of the bony rim, those in the notch between the two tympanic spines left out; shape (n, 3).

    Raises
    ------
    LandmarkError
        When ``annulus`` is not placed.
    """
    if not landmarks.placed("annulus"):
        raise LandmarkError("'annulus' is not placed", expected="8 or more points on the rim", action="place 'annulus'")
    points = landmarks["annulus"].points_lps
    if not landmarks.placed("anterior_tympanic_spine", "posterior_tympanic_spine"):
        return points
    centre = _about_ring_centre(points, canal)
    front = canal.wall_angle_deg(centre + landmarks.point_lps("anterior_tympanic_spine"))
    back = canal.wall_angle_deg(centre + landmarks.point_lps("posterior_tympanic_spine"))
    width = (back - front) % 360.0
    if width > 180.0:  # the notch is the short way between the spines
        front, width = back, 360.0 - width
    inside = ((canal.wall_angle_deg(centre + points) - front) % 360.0 > 1e-6) & (
        (canal.wall_angle_deg(centre + points) - front) % 360.0 < width - 1e-6
    )
    kept = points[~inside]
    return kept if len(kept) >= 4 else points


def _about_ring_centre(points: Floats, canal: CanalFrame) -> Floats:
    """Offset that moves the ring's centre onto the canal axis, so that angles are taken about the ring's own centre."""
    return canal.frame.origin_lps - points.mean(axis=0)


def annulus_plane(landmarks: LandmarkSet, canal: CanalFrame) -> Plane:
    """Least-squares plane of the rim without the notch; normal outwards (along u).

    Raises
    ------
    LandmarkError
        When ``annulus`` is not placed.
    """
    return fit_plane(rim_points_lps(landmarks, canal), towards_lps=canal.axis_lps).plane


@dataclass(frozen=True, eq=False)
class RimCurve:
    """The bony rim as a closed curve over the wall angle; the notch is bridged.

    ``coarse``: fewer than eight points or a quadrant without one; then no rim distances are given.
    """

    canal: CanalFrame
    radii_mm: Floats
    depths_mm: Floats
    coarse: bool

    def point_lps(self, wall_angle_deg: npt.ArrayLike) -> Floats:
        """Rim point at a wall angle. Shape (..., 3)."""
        angle = np.mod(np.asarray(wall_angle_deg, dtype=np.float64), 360.0)
        knots = np.append(RIM_KNOT_ANGLES_DEG, 360.0)
        radius = np.interp(angle, knots, np.append(self.radii_mm, self.radii_mm[0]))
        depth = np.interp(angle, knots, np.append(self.depths_mm, self.depths_mm[0]))
        return self.canal.point_lps(angle, radius, depth)


def rim_curve(landmarks: LandmarkSet, canal: CanalFrame) -> RimCurve:
    """Closed curve through the ring points, in the cylinder coordinates of the canal frame.

    Parameters
    ----------
    landmarks
        With ``annulus`` placed.
    canal
        The canal frame.

    Returns
    -------
    RimCurve

    Raises
    ------
    LandmarkError
        When ``annulus`` is not placed, its points coincide in angle or leave half of the way round the axis free.

    Notes
    -----
    Radius and depth are interpolated over the wall angle by a periodic monotone cubic, so a bridged notch never
    overshoots the points beside it.
    """
    from scipy.interpolate import PchipInterpolator

    points = rim_points_lps(landmarks, canal)
    angle = canal.wall_angle_deg(points)
    order = np.argsort(angle)
    angle, points = angle[order], points[order]
    distinct = np.append(True, np.diff(angle) > 1e-3)
    angle, points = angle[distinct], points[distinct]
    gaps = np.diff(np.append(angle, angle[0] + 360.0))
    if len(angle) < 4 or gaps.max() >= 180.0:
        raise LandmarkError(
            "the points of 'annulus' do not go round the canal axis",
            expected="points in all quadrants",
            action="check canal_medial and the ring",
        )
    coarse = len(landmarks["annulus"].indices) < RING_FULL_POINTS or bool(np.sort(gaps)[-1] > WIDEST_RIM_GAP_DEG)
    wrapped = np.concatenate([angle - 360.0, angle, angle + 360.0])
    values = np.stack([canal.radius_mm(points), canal.depth_mm(points)], axis=1)
    curve = PchipInterpolator(wrapped, np.tile(values, (3, 1)))(RIM_KNOT_ANGLES_DEG)
    return RimCurve(canal, curve[:, 0], curve[:, 1], coarse)


def footplate_plane(landmarks: LandmarkSet, canal: CanalFrame) -> Plane:
    """Plane of the footplate's tympanic surface from its centre and rim, normal into the middle ear.

    Parameters
    ----------
    landmarks
        With ``footplate_centre`` and at least two rim points that do not lie in line with it.
    canal
        The canal frame (tells which way the middle ear lies).

    Returns
    -------
    Plane
        Through ``footplate_centre``.

    Raises
    ------
    LandmarkError
        When the centre or the rim is missing.
    """
    rim = [i for i in ("anterior", "posterior", "superior", "inferior") if landmarks.placed(f"footplate_{i}")]
    if not landmarks.placed("footplate_centre") or len(rim) < 3:
        raise LandmarkError(
            f"footplate marked by {len(rim)} rim points",
            expected="footplate_centre and at least three rim points",
            action="place footplate_anterior, footplate_posterior, footplate_superior and footplate_inferior",
        )
    centre = landmarks.point_lps("footplate_centre")
    points = np.stack([centre, *(landmarks.point_lps(f"footplate_{i}") for i in rim)])
    return Plane(centre, fit_plane(points, towards_lps=canal.frame.origin_lps - centre).plane.normal_lps)
