"""Which planes a case offers: the patient's own three and every standard plane its landmarks allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import canal_frame
from ctmeasure.anatomy.planes import RECIPES, standard_planes
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.reformat import PlaneSpec

Floats = npt.NDArray[np.float64]

PATIENT_AXES: dict[str, tuple[str, tuple[float, float, float], tuple[float, float, float]]] = {
    "axial": ("axial", (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
    "coronal": ("coronal", (1.0, 0.0, 0.0), (0.0, 0.0, -1.0)),
    "sagittal": ("sagittal", (0.0, 1.0, 0.0), (0.0, 0.0, -1.0)),
}
"""Key to words, towards the picture's right, towards its bottom (LPS): as radiologists hang them."""
FIRST_SET = ("canal_upright", "canal_level", "canal_across")
"""The planes a case opens with when its canal axis is known: along the canal twice, and down it."""
EAR_WIDTH_MM, EAR_HEIGHT_MM = 40.0, 32.0
LARGEST_WIDTH_MM = 200.0
PIXELS_ACROSS = 400


@dataclass(frozen=True, slots=True)
class Choice:
    """One entry of the plane chooser; ``plane`` is None when something is missing for it, and ``missing`` says what."""

    key: str
    words: str
    plane: PlaneSpec | None
    missing: str = ""


def plane_choices(case: Case, geometry: Geometry) -> dict[str, Choice]:
    """Every plane of the chooser, in order.

    Parameters
    ----------
    case
        Its landmarks decide which standard planes there are.
    geometry
        Grid of the scan.

    Returns
    -------
    dict
        Key to choice. The patient's planes are always there.

    Raises
    ------
    Nothing.
    """
    planes: dict[str, PlaneSpec] = {}
    missing: dict[str, str] = {}
    try:
        planes, missing = standard_planes(case.landmarks, canal_frame(case.landmarks, case.side))
    except CtmeasureError as error:
        missing = dict.fromkeys(RECIPES, str(error))
    found = {
        key: Choice(
            key, planes[key].name if key in planes else key.replace("_", " "), planes.get(key), missing.get(key, "")
        )
        for key in RECIPES
    }
    centre, near = _centre(case, geometry)
    for key in PATIENT_AXES:
        found[key] = Choice(
            key, f"{PATIENT_AXES[key][0]} (patient axes)", patient_plane(key, geometry, centre, close=near)
        )
    return found


def first_planes(choices: dict[str, Choice]) -> tuple[str, str, str]:
    """Keys of the large plane and the two beside it when a case is opened.

    Raises
    ------
    Nothing.
    """
    canal = all(choices[key].plane is not None for key in FIRST_SET)
    return FIRST_SET if canal else ("axial", "coronal", "sagittal")


def patient_plane(key: str, geometry: Geometry, centre_lps: Floats, *, close: bool) -> PlaneSpec:
    """A plane along the patient's axes.

    Parameters
    ----------
    key
        ``axial``, ``coronal`` or ``sagittal``.
    geometry
        Grid of the scan.
    centre_lps
        Where the picture is centred.
    close
        Whether to show just the ear; else the whole scan.

    Returns
    -------
    PlaneSpec

    Raises
    ------
    KeyError
        For another key.
    """
    words, right, down = PATIENT_AXES[key]
    width, height = EAR_WIDTH_MM, EAR_HEIGHT_MM
    if not close:
        reach = np.abs(geometry.corners_lps - centre_lps).max(axis=0) * 2.0
        width, height = (float(min(reach @ np.abs(v), LARGEST_WIDTH_MM)) for v in (right, down))
    pixel = max(0.1, max(width, height) / PIXELS_ACROSS)
    recipe = f"patient axes, {words}"
    return PlaneSpec(
        words,
        recipe,
        np.asarray(centre_lps),
        np.asarray(right),
        np.asarray(down),
        max(width, 1.0),
        max(height, 1.0),
        pixel,
    )


def _centre(case: Case, geometry: Geometry) -> tuple[Floats, bool]:
    for landmark_id in ("footplate_centre", "drum_centre", "canal_medial"):
        if case.landmarks.placed(landmark_id):
            return case.landmarks.point_lps(landmark_id), True
    placed = [mark.points_lps for mark in case.landmarks.values() if mark.is_placed]
    return (np.concatenate(placed).mean(axis=0), True) if placed else (geometry.centre_lps, False)
