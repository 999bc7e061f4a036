"""Wall angle (internal, the same for both ears) and clock hour (as a surgeon sees it looking into that ear)."""

from __future__ import annotations

from typing import Any, overload

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.vocabulary import SIDES, Side
from ctmeasure.errors import LandmarkError

DEGREES_PER_HOUR = 30.0
WALL_WORDS = (
    (0.0, "upper wall"),
    (45.0, "upper back wall"),
    (90.0, "back wall"),
    (135.0, "lower back wall"),
    (180.0, "lower wall"),
    (225.0, "lower front wall"),
    (270.0, "front wall"),
    (315.0, "upper front wall"),
)


def checked_side(side: str) -> Side:
    """A side that is exactly ``left`` or ``right``.

    Raises
    ------
    LandmarkError
        For anything else.

    Example
    -------
    >>> checked_side("left")
    'left'
    """
    for known in SIDES:
        if side == known:
            return known
    raise LandmarkError(f"side '{side}'", expected="left or right", action="give the side of the ear")


def clock_hour(wall_angle_deg: npt.ArrayLike, side: Side) -> npt.NDArray[np.float64]:
    """Clock hour of a wall angle, in (0, 12].

    Parameters
    ----------
    wall_angle_deg
        0 superior, 90 posterior, 180 inferior, 270 anterior, in either ear.
    side
        The ear: left = angle/30; right = 12 - angle/30 (posterior is 3 o'clock in a left ear, 9 in a right ear).

    Returns
    -------
    numpy.ndarray
        Hours in (0, 12].

    Raises
    ------
    LandmarkError
        If the side is neither left nor right.

    Example
    -------
    >>> float(clock_hour(90.0, "right")), float(clock_hour(90.0, "left")), float(clock_hour(0.0, "left"))
    (9.0, 3.0, 12.0)
    """
    angle = np.mod(np.asarray(wall_angle_deg, dtype=np.float64), 360.0)
    hours = angle / DEGREES_PER_HOUR if checked_side(side) == "left" else 12.0 - angle / DEGREES_PER_HOUR
    hours = np.mod(hours, 12.0)
    return np.where(hours <= 1e-9, 12.0, hours)


def wall_angle_of_clock(hour: npt.ArrayLike, side: Side) -> npt.NDArray[np.float64]:
    """Wall angle in [0, 360) of a clock hour of that ear; the inverse of `clock_hour`.

    Raises
    ------
    LandmarkError
        If the side is neither left nor right.

    Example
    -------
    >>> float(wall_angle_of_clock(9.0, "right"))
    90.0
    """
    degrees = np.asarray(hour, dtype=np.float64) * DEGREES_PER_HOUR
    return np.mod(degrees if checked_side(side) == "left" else -degrees, 360.0)


def clock_words(hour: float) -> str:
    """Clock hour as people write it, to ten minutes.

    Example
    -------
    >>> clock_words(11.17), clock_words(12.0), clock_words(11.99)
    ('11:10', '12:00', '12:00')
    """
    minutes = round(hour * 6.0) * 10
    whole, rest = divmod(minutes, 60)
    whole = (whole - 1) % 12 + 1
    return f"{whole}:{rest:02d}"


def wall_words(wall_angle_deg: float) -> str:
    """Which wall an angle means, in words that hold for both ears.

    Example
    -------
    >>> wall_words(44.0), wall_words(350.0)
    ('upper back wall', 'upper wall')
    """
    return WALL_WORDS[round(wall_angle_deg / 45.0) % 8][1]


@overload
def in_stretch(wall_angle_deg: float, start_deg: float, end_deg: float) -> bool: ...
@overload
def in_stretch(wall_angle_deg: npt.NDArray[np.float64], start_deg: float, end_deg: float) -> npt.NDArray[np.bool_]: ...
def in_stretch(wall_angle_deg: Any, start_deg: float, end_deg: float) -> Any:
    """Whether wall angles lie in a stretch of the wall: start included, end excluded, through 0 where it must.

    A stretch that ends where it starts is the whole turn.

    Parameters
    ----------
    wall_angle_deg
        One angle, or an array of any shape, degrees.
    start_deg, end_deg
        The stretch.

    Returns
    -------
    bool or numpy.ndarray
        The same shape.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> in_stretch(np.array([350.0, 0.0, 30.0]), 330.0, 30.0).tolist(), in_stretch(7.0, 0.0, 360.0)
    ([True, True, False], True)
    """
    turn = (end_deg - start_deg) % 360.0 or 360.0
    return (wall_angle_deg - start_deg) % 360.0 < turn


def clock_range_words(start_deg: float, end_deg: float, side: Side) -> str:
    """A range of wall angles in clock hours of that ear, read clockwise.

    Raises
    ------
    LandmarkError
        If the side is neither left nor right.

    Example
    -------
    >>> clock_range_words(30.0, 75.0, "right"), clock_range_words(30.0, 75.0, "left")
    ("9:30 to 11:00 o'clock", "1:00 to 2:30 o'clock")
    """
    hours = [float(clock_hour(angle, side)) for angle in (start_deg, end_deg)]
    first, last = hours if side == "left" else reversed(hours)
    return f"{clock_words(first)} to {clock_words(last)} o'clock"
