"""The canal wall of a case, ready for the maps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame, RimCurve, canal_frame, rim_curve
from ctmeasure.anatomy.structures import Tube
from ctmeasure.anatomy.vocabulary import landmark_term, structure_term
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import PlanResult
from ctmeasure.report.figures.wall import HoleOnWall, PointOnWall, Shadow, WallScene, project, shadow

WALL_POINTS = ("anterior_tympanic_spine", "posterior_tympanic_spine", "chorda_entry", "scutum")
"""What a surgeon sees on or beside the rim and navigates by."""
FREE_POINTS = ("drum_centre", "umbo", "footplate_centre")
"""Points inside the ring, shown in the view down the canal only."""
SHADOW_STRUCTURES = ("facial_nerve", "chorda_tympani")
PAIRS_SHOWN = 2
SAME_HOLE_MM = 0.25
"""Holes of two pairs closer than this are one circle with two labels."""
LETTERS = 26


def wall_scene(case: Case) -> WallScene | None:
    """Everything the maps draw, or None when the case has no map.

    Parameters
    ----------
    case
        With results.

    Returns
    -------
    WallScene or None
        None without map cells, or when rim or canal axis are not placed.

    Raises
    ------
    Nothing.
    """
    result = case.results
    if result is None or not result.zone:
        return None
    try:
        canal = canal_frame(case.landmarks, case.side)
        rim = rim_curve(case.landmarks, canal)
    except CtmeasureError:
        return None
    settings = case.settings
    rims = sorted({cell.rim_distance_mm for cell in result.zone})
    return WallScene(
        side=case.side,
        cells=result.zone,
        holes=() if case.facts.plan_is_void else _holes(case),
        shadows=_shadows(case, canal, rim),
        points=(*_points(case, canal, rim, WALL_POINTS, False), *_points(case, canal, rim, FREE_POINTS, True)),
        rim_radius_mm=float(np.mean(rim.radii_mm)),
        rim_limits_mm=(rims[0], rims[-1]),
        angle_step_deg=settings.map_angle_step_deg,
        rim_step_mm=settings.map_rim_step_mm,
        hole_band_mm=(settings.rim_distance_low_mm, settings.rim_distance_high_mm),
        clock_flag="; ".join(canal.flags),
        key_words=_key_words(case),
    )


def site_letters(result: PlanResult | None) -> dict[str, str]:
    """Capital letters for the asked-for holes, in the order they were asked; numbers from the 27th on.

    Parameters
    ----------
    result
        A plan, or None.

    Returns
    -------
    dict
        Site id to what the pictures call it.
    """
    sites = result.sites if result else ()
    return {site.id: chr(ord("A") + i) if i < LETTERS else f"S{i + 1}" for i, site in enumerate(sites)}


def _holes(case: Case) -> tuple[HoleOnWall, ...]:
    result = case.results
    assert result is not None
    radius = case.settings.bur_radius_mm
    letters = site_letters(case.results)
    entries: list[tuple[tuple[float, float, float], HoleOnWall]] = []
    for pair in result.pairs[:PAIRS_SHOWN]:
        for letter, entry, angle, rim in zip(
            "ab", (pair.entry_1_lps, pair.entry_2_lps), pair.wall_angles_deg, pair.rim_distances_mm, strict=True
        ):
            hole = HoleOnWall(f"{pair.rank}{letter}", angle, rim, radius, pair.rank == result.pairs[0].rank)
            entries.append((entry, hole))
    for site in result.sites:
        if site.wall_angle_deg is not None and site.rim_distance_mm is not None:
            hole = HoleOnWall(letters[site.id], site.wall_angle_deg, site.rim_distance_mm, radius)
            entries.append((site.entry_lps, hole))
    return _merged(entries)


def _merged(entries: Sequence[tuple[tuple[float, float, float], HoleOnWall]]) -> tuple[HoleOnWall, ...]:
    kept: list[tuple[tuple[float, float, float], HoleOnWall]] = []
    for entry, hole in entries:
        for i, (other, earlier) in enumerate(kept):
            if np.linalg.norm(np.subtract(entry, other)) < SAME_HOLE_MM:
                label = f"{earlier.label}, {hole.label}"
                kept[i] = (
                    other,
                    HoleOnWall(
                        label, earlier.wall_angle_deg, earlier.rim_distance_mm, earlier.radius_mm, earlier.first_pair
                    ),
                )
                break
        else:
            kept.append((entry, hole))
    return tuple(hole for _, hole in kept)


def _shadows(case: Case, canal: CanalFrame, rim: RimCurve) -> tuple[Shadow, ...]:
    found = []
    for structure in case.structures_in_plan:
        if structure.id in SHADOW_STRUCTURES and isinstance(structure, Tube) and structure.is_marked:
            radii = np.nan_to_num(structure.radii, nan=0.0)
            found.append(shadow(structure_term(structure.id).label, structure.points_lps, radii, canal, rim))
    return tuple(found)


def _points(case: Case, canal: CanalFrame, rim: RimCurve, ids: Sequence[str], free: bool) -> tuple[PointOnWall, ...]:
    found = []
    for landmark_id in ids:
        if case.landmarks.placed(landmark_id):
            angle, distance, radius = project(case.landmarks.point_lps(landmark_id)[None, :], canal, rim)
            label = landmark_term(landmark_id).label
            found.append(PointOnWall(label, float(angle[0]), float(distance[0]), float(radius[0]), free))
    return tuple(found)


def _key_words(case: Case) -> str:
    letters = site_letters(case.results)
    if not letters or case.facts.plan_is_void:
        return ""
    return (
        "Holes asked for: " + ", ".join(f"{letter} {site.replace('_', ' ')}" for site, letter in letters.items()) + "."
    )
