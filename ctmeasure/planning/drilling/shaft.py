"""The instrument outside the hole: what the angled tip and the shaft pass on their way through the canal."""

from __future__ import annotations

import numpy as np

from ctmeasure.planning.drilling.directions import SHAFT_CHECKED_MM
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.scene import Scene

SHAFT_FLAG = "on the way of the instrument: "
HIDDEN_FLAG = "bur not in sight there along a straight line"


def shaft_contacts(scene: Scene, places: Places) -> list[tuple[str, ...]]:
    """Marked structures that shank or shaft would touch while the bur starts at each place.

    Parameters
    ----------
    scene, places
        The ear and the places.

    Returns
    -------
    list of tuple of str
        Labels, place by place. Bone of the canal itself is asked by the access test.

    Raises
    ------
    GeometryError
        When a path is not finite.

    Notes
    -----
    Two capsules: the shank from the entry point back to the bend, and the shaft from the bend outwards. They turn but
    do not cut, so no margin is asked, only that they do not overlap. What lies in bone can only be met at the entry,
    where the bur's own clearance decides; so the shank is asked from its own radius off the wall on.
    """
    settings = scene.settings
    shank, shaft = settings.instrument_tip_shank_diameter_mm / 2.0, settings.instrument_shaft_diameter_mm / 2.0
    length = settings.instrument_tip_length_mm
    entry, tip = places.entry_lps, places.direction_lps
    knee = entry - length * tip
    start = entry - min(2.0 * shank, length) * tip
    out = knee + SHAFT_CHECKED_MM * places.shaft_lps
    found: list[list[str]] = [[] for _ in range(len(places))]
    if len(places) == 0:
        return []
    for obstacle in scene.obstacles:
        if not obstacle.measured:
            continue
        gap = np.minimum(
            obstacle.gap_within_mm(start, knee, bur_radius_mm=shank, limit_mm=0.0),
            obstacle.gap_within_mm(knee, out, bur_radius_mm=shaft, limit_mm=0.0),
        )
        for row in np.flatnonzero(gap < 0.0):
            found[row].append(obstacle.label)
    return [tuple(words) for words in found]
