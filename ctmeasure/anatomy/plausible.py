"""Marks that cannot be right: swapped canal points, marks of the other ear, structures no ear is without."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Ball, Structure, Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.errors import LandmarkError

MEDIAL_LANDMARKS = ("footplate_centre", "promontory", "round_window", "stapes_head", "pyramidal_eminence")
"""They lie medial of the drum rim in every ear, so they tell which end of the canal axis is which."""
LATERAL_SLACK_MM = 1.0
"""How far lateral of `canal_medial` one of them may come out by the slant of the rim and by how it was placed."""
LANDMARK_REACH_MM = 35.0
"""No landmark of an ear lies farther than this from the middle of its drum rim (our own choice; the ears of a head are
80 mm and more apart)."""
STRUCTURE_REACH_MM = 40.0
"""The nearest point of a structure of this ear is not farther off than this (our own choice)."""


def axis_confirmed(landmarks: LandmarkSet) -> bool:
    """Whether another landmark says that the canal axis points outwards.

    Parameters
    ----------
    landmarks
        Of one ear.

    Returns
    -------
    bool
        False when no landmark can tell.

    Raises
    ------
    LandmarkError
        When a landmark that is medial of the rim in every ear lies lateral of it.

    Example
    -------
    >>> axis_confirmed(LandmarkSet())
    False
    """
    if not landmarks.placed("canal_medial", "canal_lateral"):
        return False
    inner = landmarks.point_lps("canal_medial")
    axis = landmarks.point_lps("canal_lateral") - inner
    axis = axis / max(float(np.linalg.norm(axis)), 1e-9)
    found = [name for name in MEDIAL_LANDMARKS if landmarks.placed(name)]
    for name in found:
        out = float((landmarks.point_lps(name) - inner) @ axis)
        if out > LATERAL_SLACK_MM:
            raise LandmarkError(
                f"'{name}' lies {out:.1f} mm lateral of canal_medial along the canal axis",
                expected="it lies medial of the drum rim in every ear",
                action="canal_medial and canal_lateral may be swapped, or a mark is of the other ear",
            )
    return bool(found)


def check_one_ear(landmarks: LandmarkSet, structures: Iterable[Structure]) -> None:
    """Refuse marks that cannot belong to the ear of the canal axis, and impossible structures.

    Parameters
    ----------
    landmarks, structures
        As marked.

    Raises
    ------
    LandmarkError
        The first mark that is wrong, and what is wrong with it.

    Example
    -------
    >>> from ctmeasure.anatomy.structures import Tube
    >>> check_one_ear(LandmarkSet(), [Tube("facial_nerve", "absent", ())])
    Traceback (most recent call last):
    ...
    ctmeasure.errors.LandmarkError: structure 'facial_nerve' marked absent; expected every ear has one; mark it, or ...
    """
    centre = landmarks.point_lps("canal_medial") if landmarks.placed("canal_medial") else None
    for name, mark in landmarks.items():
        if centre is None or not mark.is_placed:
            continue
        far = float(np.max(np.linalg.norm(mark.points_lps - centre, axis=1)))
        if far > LANDMARK_REACH_MM:
            raise LandmarkError(
                f"landmark '{name}' lies {far:.0f} mm from canal_medial",
                expected=f"within {LANDMARK_REACH_MM:g} mm of it",
                action="give the landmarks of one ear",
            )
    for item in structures:
        term = structure_term(item.id)
        if item.status == "absent" and not term.can_be_absent:
            raise LandmarkError(
                f"structure '{item.id}' marked absent",
                expected="every ear has one",
                action="mark it, or write not_seen",
            )
        if not item.is_marked:
            continue
        near = np.inf if centre is None else float(np.min(np.linalg.norm(item.points_lps - centre, axis=1)))
        if centre is not None and near > STRUCTURE_REACH_MM:
            raise LandmarkError(
                f"structure '{item.id}' lies {near:.0f} mm from canal_medial at its nearest",
                expected=f"within {STRUCTURE_REACH_MM:g} mm of it",
                action="give the structures of this ear, in LPS millimetres",
            )
        largest = _largest_radius_mm(item)
        if largest > term.largest_radius_mm:
            raise LandmarkError(
                f"structure '{item.id}' has a radius of {largest:g} mm",
                expected=f"at most {term.largest_radius_mm:g} mm",
                action="give radii, not diameters, in millimetres",
            )


def _largest_radius_mm(item: Structure) -> float:
    if isinstance(item, Tube):
        return float(np.max(item.radii)) if item.has_radii else 0.0
    return float(item.radius_mm or 0.0) if isinstance(item, Ball) else 0.0
