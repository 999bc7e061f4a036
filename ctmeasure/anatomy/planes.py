"""The standard planes of temporal-bone radiology, each a saved recipe from landmarks to a reformat."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import (
    SUPERIOR_LPS,
    CanalFrame,
    footplate_plane,
    lateral_canal_plane,
)
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.errors import LandmarkError
from ctmeasure.geometry.fits import fit_plane
from ctmeasure.geometry.vectors import unit
from ctmeasure.volume.reformat import PlaneSpec

Floats = npt.NDArray[np.float64]

LEFT_LPS = np.array([1.0, 0.0, 0.0])
POSTERIOR_LPS = np.array([0.0, 1.0, 0.0])
TAUGHT_PETROUS_ANGLE_DEG = 45.0
"""Angle of the petrous ridge to the mid-sagittal plane as it is taught (from memory; 36.8 degrees was measured for the
superior canal, Della Santina et al. 2005, PMC2504595); used only when the superior canal is not marked, and flagged."""

Recipe = Callable[[LandmarkSet, CanalFrame], PlaneSpec]


def _in_plane(direction: Floats, normal: Floats) -> Floats:
    return unit(direction - (direction @ normal) * normal)


def _spec(name: str, recipe: str, origin: Floats, right: Floats, down: Floats, **size: Any) -> PlaneSpec:
    options: dict[str, Any] = {"width_mm": 40.0, "height_mm": 32.0, "pixel_mm": 0.1} | size
    return PlaneSpec(name=name, recipe=recipe, origin_lps=origin, right_lps=right, down_lps=down, **options)


def _upright(name: str, recipe: str, origin: Floats, horizontal: Floats, up: Floats, **size: Any) -> PlaneSpec:
    """Picture with ``up`` towards its top and the patient's left towards its right, as radiologists hang it."""
    right = _in_plane(horizontal, up)
    if right @ LEFT_LPS < 0:
        right = -right
    return _spec(name, recipe, origin, right, -up, **size)


def _ear_centre(landmarks: LandmarkSet, canal: CanalFrame) -> Floats:
    for landmark_id in ("footplate_centre", "drum_centre"):
        if landmarks.placed(landmark_id):
            return landmarks.point_lps(landmark_id)
    return canal.frame.origin_lps


def lateral_canal_axial(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Plane of the lateral semicircular canal through the middle ear.

    Raises
    ------
    LandmarkError
        When the ring is not placed.
    """
    up = lateral_canal_plane(landmarks).normal_lps
    right = _in_plane(LEFT_LPS, up)
    down = np.cross(up, right)
    down = down if down @ POSTERIOR_LPS > 0 else -down
    recipe = "plane fitted to the lateral semicircular canal, moved to the footplate (else the drum)"
    return _spec("lateral-canal plane", recipe, _ear_centre(landmarks, canal), right, down)


def lateral_canal_coronal(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Coronal of the lateral-semicircular-canal plane, through the footplate.

    Raises
    ------
    LandmarkError
        When the ring is not placed.
    """
    up = lateral_canal_plane(landmarks).normal_lps
    recipe = "perpendicular to the lateral-canal plane, left to right, through the footplate (else the drum)"
    return _upright("coronal to the lateral canal", recipe, _ear_centre(landmarks, canal), LEFT_LPS, up)


def _superior_and_petrous(landmarks: LandmarkSet, canal: CanalFrame) -> tuple[Floats, Floats, str]:
    """Upward direction, direction along the petrous ridge, and how the latter was found."""
    up = lateral_canal_plane(landmarks).normal_lps if landmarks.placed("lateral_semicircular_canal") else SUPERIOR_LPS
    if landmarks.placed("superior_semicircular_canal"):
        ridge = fit_plane(landmarks["superior_semicircular_canal"].points_lps).plane.normal_lps
        return up, _in_plane(ridge, up), "plane of the superior canal as marked"
    medial = _in_plane(-canal.axis_lps * [1, 0, 0], up)
    forwards = _in_plane(-POSTERIOR_LPS, up)
    angle = np.radians(TAUGHT_PETROUS_ANGLE_DEG)
    return up, unit(np.sin(angle) * medial + np.cos(angle) * forwards), "superior canal not marked: taught angle of 45"


def poschl(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Pöschl plane: along the superior semicircular canal.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the marked ring has no plane.
    """
    up, ridge, how = _superior_and_petrous(landmarks, canal)
    centre = _ring_or_ear_centre(landmarks, canal, "superior_semicircular_canal")
    return _upright("Pöschl plane", f"along the superior canal ({how})", centre, np.cross(up, ridge), up)


def stenvers(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Stenvers plane: across the superior canal, along the petrous ridge.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the marked ring has no plane.
    """
    up, ridge, how = _superior_and_petrous(landmarks, canal)
    recipe = f"at right angles to the Pöschl plane ({how})"
    return _upright("Stenvers plane", recipe, _ear_centre(landmarks, canal), ridge, up)


def _ring_or_ear_centre(landmarks: LandmarkSet, canal: CanalFrame, ring: str) -> Floats:
    return landmarks[ring].points_lps.mean(axis=0) if landmarks.placed(ring) else _ear_centre(landmarks, canal)


def oval_window(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Oval-window plane: contains the footplate normal and its long axis.

    Raises
    ------
    LandmarkError
        When the footplate's centre or rim is missing.
    """
    plane = footplate_plane(landmarks, canal)
    if not landmarks.placed("footplate_anterior", "footplate_posterior"):
        raise LandmarkError("footplate long axis not placed", expected="footplate_anterior and footplate_posterior")
    along = landmarks.point_lps("footplate_posterior") - landmarks.point_lps("footplate_anterior")
    recipe = "through the footplate centre, along its normal and its long axis"
    return _double_oblique("oval-window plane", recipe, plane.point_lps, plane.normal_lps, along)


def stapes_axial(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Stapes-axial plane: contains the footplate centre, the stapes head and the footplate's long axis.

    Raises
    ------
    LandmarkError
        When one of them is not placed.
    """
    centre = landmarks.point_lps("footplate_centre")
    outward = landmarks.point_lps("stapes_head") - centre
    along = landmarks.point_lps("footplate_posterior") - landmarks.point_lps("footplate_anterior")
    recipe = "through the footplate centre, the stapes head and the footplate's long axis"
    return _double_oblique("stapes-axial plane", recipe, centre, unit(outward), along)


def _double_oblique(name: str, recipe: str, centre: Floats, outward: Floats, along: Floats) -> PlaneSpec:
    """Picture hung like an axial one: patient's left to the right, backwards down, as far as the plane allows."""
    first = outward if outward @ LEFT_LPS > 0 else -outward
    down = _in_plane(along, first)
    down = down if down @ POSTERIOR_LPS > 0 else -down
    return _spec(name, recipe, centre, first, down, width_mm=20.0, height_mm=16.0, pixel_mm=0.05)


def canal_upright(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Plane along the canal axis and superior: upper and lower wall in one picture.

    Raises
    ------
    LandmarkError
        Never; the canal frame is all it needs.
    """
    recipe = "along the canal axis and superior"
    return _upright("canal, upright", recipe, canal.frame.origin_lps, canal.axis_lps, canal.superior_lps)


def canal_level(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Plane along the canal axis and posterior: front and back wall in one picture.

    Raises
    ------
    LandmarkError
        Never; the canal frame is all it needs.
    """
    right = canal.axis_lps if canal.axis_lps @ LEFT_LPS > 0 else -canal.axis_lps
    return _spec(
        "canal, level", "along the canal axis and posterior", canal.frame.origin_lps, right, canal.posterior_lps
    )


def canal_across(landmarks: LandmarkSet, canal: CanalFrame) -> PlaneSpec:
    """Plane across the canal axis, 2 mm outside the rim, as the surgeon looks into the ear.

    Raises
    ------
    LandmarkError
        Never; the canal frame is all it needs.
    """
    origin = canal.frame.origin_lps + 2.0 * canal.axis_lps
    up, looking = canal.superior_lps, -canal.axis_lps
    recipe = "across the canal axis, 2 mm outside canal_medial, seen from outside"
    return _spec("canal, across", recipe, origin, np.cross(looking, up), -up, width_mm=20.0, height_mm=20.0)


RECIPES: dict[str, Recipe] = {
    "canal_upright": canal_upright,
    "canal_level": canal_level,
    "canal_across": canal_across,
    "lateral_canal_axial": lateral_canal_axial,
    "lateral_canal_coronal": lateral_canal_coronal,
    "poschl": poschl,
    "stenvers": stenvers,
    "stapes_axial": stapes_axial,
    "oval_window": oval_window,
}
"""Every named plane; a new plane is a new function and a new line here."""


def standard_planes(landmarks: LandmarkSet, canal: CanalFrame) -> tuple[dict[str, PlaneSpec], dict[str, str]]:
    """All planes that the placed landmarks allow.

    Parameters
    ----------
    landmarks, canal
        The ear's landmarks and canal frame.

    Returns
    -------
    planes, missing
        Recipe name to plane, and recipe name to what is missing for it.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When marked points do not define the plane they were placed for.
    """
    planes: dict[str, PlaneSpec] = {}
    missing: dict[str, str] = {}
    for name, recipe in RECIPES.items():
        try:
            planes[name] = recipe(landmarks, canal)
        except LandmarkError as error:
            missing[name] = str(error)
    return planes, missing
