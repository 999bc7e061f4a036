"""The volume a bur sweeps: a capsule around the path of its centre."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]

STEEPEST_OPENING_DEG = 80.0
"""Beyond this angle to the normal the opening term r(1 + tan psi) has no meaning; such holes are refused anyway."""


def over_travel_mm(angle_to_normal_deg: ArrayLike, settings: Settings) -> Floats:
    """How far the bur's centre travels past the exit: the opening term r(1 + tan psi) and the plunge.

    Parameters
    ----------
    angle_to_normal_deg
        Angle psi between drill direction and wall normal.
    settings
        Bur radius (run-out included) and plunge.

    Returns
    -------
    numpy.ndarray
        mm, same shape.

    Raises
    ------
    ValueError
        When the angle is not numeric.

    Notes
    -----
    At an exit face met at psi, the bur's rim has left the bone all round once its centre is r tan psi past the face,
    and the whole ball r more.

    Example
    -------
    >>> round(float(over_travel_mm(45.0, Settings())), 6)
    1.6
    """
    psi = np.radians(np.clip(np.asarray(angle_to_normal_deg, dtype=np.float64), 0.0, STEEPEST_OPENING_DEG))
    return np.asarray(settings.bur_radius_mm * (1.0 + np.tan(psi)) + settings.plunge_mm)


def drill_depth_mm(to_exit_mm: ArrayLike, angle_to_normal_deg: ArrayLike, *, settings: Settings) -> Floats:
    """How far the bur's centre travels from the entry point: to the exit, and the over-travel past it.

    Parameters
    ----------
    to_exit_mm
        Bone and small gaps along the direction; NaN where there is no exit.
    angle_to_normal_deg
        Angle between drill direction and wall normal.
    settings
        Bur and plunge.

    Returns
    -------
    numpy.ndarray
        mm; NaN where there is no exit.

    Raises
    ------
    ValueError
        When an argument is not numeric.

    Example
    -------
    >>> round(float(drill_depth_mm(1.5, 0.0, settings=Settings())), 6)
    2.8
    """
    return np.asarray(np.asarray(to_exit_mm, dtype=np.float64) + over_travel_mm(angle_to_normal_deg, settings))


def opening_width_mm(angle_to_normal_deg: ArrayLike, *, settings: Settings) -> Floats:
    """Longest width of the opening a bur leaves on the wall: diameter over cos psi.

    Parameters
    ----------
    angle_to_normal_deg
        Angle between drill direction and wall normal.
    settings
        Bur.

    Returns
    -------
    numpy.ndarray
        mm.

    Raises
    ------
    ValueError
        When the angle is not numeric.

    Example
    -------
    >>> [round(float(opening_width_mm(a, settings=Settings())), 3) for a in (30.0, 45.0, 60.0)]
    [0.693, 0.849, 1.2]
    """
    psi = np.radians(np.clip(np.asarray(angle_to_normal_deg, dtype=np.float64), 0.0, STEEPEST_OPENING_DEG))
    return np.asarray(2.0 * settings.bur_radius_mm / np.cos(psi))
