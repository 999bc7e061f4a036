"""What-ifs of the access: how much more could be reached with a part of the overhang drilled away."""

from __future__ import annotations

import numpy as np

from ctmeasure.planning.drilling.directions import BLOCKED, REACHABLE, best_directions
from ctmeasure.planning.drilling.feasible import in_sector
from ctmeasure.planning.drilling.lumen import lumen_of
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.zone import Zone

STEPS_MM = (1.0, 2.0)
"""How much overhang is taken off, at most, one answer each."""
UNSEEN_BEHIND = "what lies behind the overhang itself is not assessed"


def canalplasty_gains(scene: Scene, zone: Zone, *, steps_mm: tuple[float, ...] = STEPS_MM) -> dict[float, int]:
    """How many places of the search area become reachable when so much of the overhang is drilled away.

    Parameters
    ----------
    scene, zone
        The ear and its map.
    steps_mm
        Largest thickness of overhang taken off.

    Returns
    -------
    dict
        mm to number of places that are blocked now and reached then. Empty when nothing is blocked.

    Raises
    ------
    Nothing.

    Notes
    -----
    The overhang is what juts in compared with the widest place deeper in at the same wall angle; it is thought away
    evenly, at most by the step. Places are those within the limits of rim distance and the preferred sector.
    """
    places, settings = zone.places, scene.settings
    if places is None:
        return {}
    rim = (places.rim_distance_mm >= settings.rim_distance_low_mm - 1e-9) & (
        places.rim_distance_mm <= settings.rim_distance_high_mm + 1e-9
    )
    sector = np.array(
        [in_sector(a, settings.sector_start_deg, settings.sector_end_deg) for a in places.wall_angle_deg], np.bool_
    )
    blocked = np.flatnonzero(rim & sector & (places.reachable == BLOCKED) & ~places.tip_too_short)
    if len(blocked) == 0:
        return {}
    gains = {}
    for step in steps_mm:
        lumen = lumen_of(scene.wall, removed_mm=scene.lumen.removed_mm + step)
        access = best_directions(
            lumen, places.entry_lps[blocked], normal_lps=places.normal_lps[blocked], settings=settings
        )
        within = access.angle_to_normal_deg <= settings.angle_refused_deg
        gains[step] = int(((access.reachable == REACHABLE) & within).sum())
    return gains


def canalplasty_words(scene: Scene, zone: Zone) -> tuple[str, ...]:
    """The gains in sentences; none when nothing would be gained.

    Raises
    ------
    Nothing.
    """
    words = []
    if scene.lumen.removed_mm > 0.0:
        words.append(
            f"What-if: access is computed with up to {scene.lumen.removed_mm:g} mm of the canal's overhang drilled "
            f"away; {UNSEEN_BEHIND}."
        )
    words += [
        f"What-if: with up to {step:g} mm of the canal's overhang drilled away, {count} more places of the preferred "
        f"sector can be reached; {UNSEEN_BEHIND}."
        for step, count in canalplasty_gains(scene, zone).items()
        if count > 0
    ]
    return tuple(words)
