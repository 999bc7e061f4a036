"""An invented ear of points, built from shapes, for tests of frames and planes."""

from __future__ import annotations

import numpy as np

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement

RIM_RADIUS_MM = 4.4
RIM_TILT_DEG = 50.0
CONE_MM = 1.6
CENTRE_LPS = np.array([-40.0, 10.0, 60.0])


def place(name: str, points: np.ndarray) -> Landmark:
    """Landmark with one placement an index."""
    rows = np.atleast_2d(points)
    return Landmark(name, "placed", tuple(Placement(tuple(float(c) for c in row), i) for i, row in enumerate(rows)))


def right_ear() -> LandmarkSet:
    """A right ear: canal along -x, rim tilted, lateral canal level with the scanner but rolled by 5 degrees."""
    out, back, up = np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0])
    roll = np.radians(5.0)
    up_r = np.cos(roll) * up + np.sin(roll) * back
    back_r = np.cos(roll) * back - np.sin(roll) * up
    angles = np.radians(np.arange(30.0, 331.0, 25.0))
    tilt = np.radians(90.0 - RIM_TILT_DEG)
    rim = []
    for a in angles:
        across = RIM_RADIUS_MM * (np.cos(a) * up_r + np.sin(a) * back_r)
        rim.append(CENTRE_LPS + across - out * (across @ up_r) * -np.tan(tilt) * 0.5)
    marks = {
        "canal_medial": CENTRE_LPS,
        "canal_lateral": CENTRE_LPS + 7.0 * out,
        "annulus": np.array(rim),
        "drum_centre": CENTRE_LPS - CONE_MM * out,
        "footplate_centre": CENTRE_LPS - 6.0 * out + 1.0 * up_r + 2.0 * back_r,
        "footplate_anterior": CENTRE_LPS - 6.0 * out + 1.0 * up_r + 0.55 * back_r,
        "footplate_posterior": CENTRE_LPS - 6.0 * out + 1.0 * up_r + 3.45 * back_r,
        "footplate_superior": CENTRE_LPS - 6.0 * out + 1.7 * up_r + 2.0 * back_r,
        "footplate_inferior": CENTRE_LPS - 6.0 * out + 0.3 * up_r + 2.0 * back_r,
        "stapes_head": CENTRE_LPS - 2.7 * out + 1.0 * up_r + 2.0 * back_r,
        "lateral_semicircular_canal": np.array(
            [
                CENTRE_LPS - 8.0 * out + 4.0 * up_r + 3.0 * (np.cos(t) * back_r + np.sin(t) * out)
                for t in np.radians([0, 60, 120, 180, 240])
            ]
        ),
    }
    return LandmarkSet([place(name, points) for name, points in marks.items()])


def moved(marks: LandmarkSet, matrix: np.ndarray, shift: np.ndarray) -> LandmarkSet:
    """The same points after a linear map and a shift."""
    return LandmarkSet([place(name, mark.points_lps @ matrix.T + shift) for name, mark in marks.items()])
