"""The canal-wall map: every cell of wall angle and rim distance with its best direction, bone, risk and verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.imaging.wall_path import STATES
from ctmeasure.planning.drilling.clearances import NO_END_FLAG
from ctmeasure.planning.drilling.directions import BLOCKED, UNKNOWN
from ctmeasure.planning.drilling.far_words import names_any
from ctmeasure.planning.drilling.places import SHORT_TIP_FLAG, Places, measure_places
from ctmeasure.planning.drilling.risk import StructureRisk, least_over_margin_mm, missing_by_place, structure_risks
from ctmeasure.planning.drilling.scene import TAKEN_DOWN_FLAG, Scene
from ctmeasure.planning.drilling.shaft import HIDDEN_FLAG, SHAFT_FLAG, shaft_contacts
from ctmeasure.planning.drilling.sites import (
    ACCESS_UNKNOWN_FLAG,
    BRIDGED_FLAG,
    NOT_MARKED,
    UNREACHABLE_FLAG,
)
from ctmeasure.planning.drilling.verdict import (
    ANGLE_FLAG,
    ANGLE_REFUSED_FLAG,
    UNSURE_EXIT_FLAG,
    UNSURE_FAR_SIDES,
    place_verdict,
)
from ctmeasure.planning.results import ThicknessState, ZoneCell
from ctmeasure.progress import Progress, no_progress, part_of

Floats = NDArray[np.float64]

ZONE_DRAWS = 20_000
"""Draws at most for a map cell (sites have more): a cell still undecided then stays "caution"."""


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """The map's cells, and the arrays behind those that have a wall: ``rows`` are their indices among the cells."""

    cells: tuple[ZoneCell, ...]
    rows: NDArray[np.intp]
    places: Places | None
    risks: tuple[StructureRisk, ...]


def map_zone(scene: Scene, *, progress: Progress = no_progress) -> Zone:
    """Compute the map.

    Parameters
    ----------
    scene
        The ear with its wall on the map's grid.
    progress
        May cancel.

    Returns
    -------
    Zone
        Cells by wall angle, then rim distance. Cells without a wall are "not assessed" and say why. With a ring too
        coarse for rim distances there are no cells.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    if scene.rim.coarse:
        return Zone((), np.zeros(0, np.intp), None, ())
    wall = scene.wall
    angle, rim = (a.ravel() for a in np.meshgrid(wall.wall_angles_deg, wall.rim_distances_mm, indexing="ij"))
    points, normals = wall.points_lps.reshape(-1, 3), wall.normals_lps.reshape(-1, 3)
    depth, surface_u, status = wall.depth_mm.ravel(), wall.u_mm.ravel(), wall.status.ravel()
    there = np.isfinite(points).all(axis=1) & np.isfinite(normals).all(axis=1)
    rows = np.flatnonzero(there)
    if len(rows) == 0:
        cells = tuple(_empty(scene, angle[i], rim[i], str(status[i])) for i in range(len(angle)))
        return Zone(cells, rows, None, ())
    progress("map: directions and bone", 0.05)
    places = measure_places(
        scene, points[rows], normal_lps=normals[rows], wall_angle_deg=angle[rows], rim_distance_mm=rim[rows],
        depth_mm=depth[rows], surface_u_mm=surface_u[rows], direction_lps=None,
    )  # fmt: skip
    progress("map: what is marked", 0.3)
    missing = missing_by_place(scene, places)
    lacking = np.array([bool(words) for words in missing]) | bool(scene.barred)
    risks = structure_risks(
        scene, places, missing=lacking, maximum=min(ZONE_DRAWS, scene.settings.draws_maximum),
        progress=part_of(progress, 0.35, 0.95),
    )  # fmt: skip
    touched = shaft_contacts(scene, places)
    riskiest = np.argmax([r.badness() for r in risks], axis=0) if risks else np.zeros(len(rows), np.intp)
    found = {
        int(row): _cell(scene, places, risks, n, int(riskiest[n]), missing[n], touched[n], str(status[row]))
        for n, row in enumerate(rows)
    }
    cells = tuple(
        found[i] if i in found else _empty(scene, angle[i], rim[i], str(status[i])) for i in range(len(angle))
    )
    return Zone(cells, rows, places, risks)


def _empty(scene: Scene, angle: float, rim: float, status: str) -> ZoneCell:
    state: ThicknessState = "not assessed" if status == "outside scan" else "no wall found"
    return ZoneCell(
        float(angle), float(clock_hour(angle, scene.canal.side)), float(rim), None, None, None, None, None,
        state, None, "not assessed", None, "", None, None, None, "not assessed", (*scene.barred, status),
    )  # fmt: skip


def _cell(
    scene: Scene,
    places: Places,
    risks: tuple[StructureRisk, ...],
    n: int,
    riskiest: int,
    missing: tuple[str, ...],
    touched: tuple[str, ...],
    status: str,
) -> ZoneCell:
    settings, angle = scene.settings, float(places.wall_angle_deg[n])
    psi, ends = float(places.angle_to_normal_deg[n]), bool(places.ends[n])
    finding = scene.finding_flags(angle)
    flags = [*scene.barred, *(NOT_MARKED + words for words in missing)]
    reachable = {BLOCKED: False, UNKNOWN: None}.get(int(places.reachable[n]), True)
    for word, applies in (
        (NO_END_FLAG, not ends),
        (ANGLE_REFUSED_FLAG, psi > settings.angle_refused_deg),
        (ANGLE_FLAG, settings.angle_caution_deg < psi <= settings.angle_refused_deg),
        (UNREACHABLE_FLAG, reachable is False),
        (ACCESS_UNKNOWN_FLAG, reachable is None),
        (SHORT_TIP_FLAG, bool(places.tip_too_short[n])),
        (UNSURE_EXIT_FLAG, names_any(str(places.far_side[n]), UNSURE_FAR_SIDES)),
        (TAKEN_DOWN_FLAG, scene.taken_down(angle)),
        (BRIDGED_FLAG, status == "gap"),
        ("under soft tissue", status == "soft tissue"),
        (HIDDEN_FLAG, places.in_sight[n] == 0),
    ):
        if applies:
            flags.append(word)
    flags += [*places.paths.flags(n), *finding, *(SHAFT_FLAG + words for words in touched)]
    verdict = place_verdict(
        tuple(r.verdicts[n] for r in risks if r.counts(n)), missing=bool(missing), end_known=ends,
        far_side=str(places.far_side[n]), steep=psi > settings.angle_caution_deg,
        refused=psi > settings.angle_refused_deg,
        barred=bool(scene.barred) or scene.taken_down(angle),
        limited=bool(finding) or status == "gap" or bool(places.paths.ambiguous[n]) or bool(touched),
    )  # fmt: skip
    risk = risks[riskiest] if risks and ends else None
    if risk is not None:
        flags += list(risk.flags(n))
    thickness, to_exit = float(places.paths.to_first_gap_mm[n]), float(places.paths.to_exit_mm[n])
    return ZoneCell(
        angle,
        float(clock_hour(angle, scene.canal.side)),
        float(places.rim_distance_mm[n]),
        float(places.depth_mm[n]),
        _point(places.entry_lps[n]),
        _point(places.direction_lps[n]),
        psi,
        _given(thickness),
        STATES[int(places.state[n])],  # type: ignore[arg-type]
        _given(to_exit),
        str(places.far_side[n]),
        reachable,
        risk.obstacle.id if risk else "",
        _given(float(risk.central_mm[n])) if risk else None,
        _given(float(risk.p_contact[n])) if risk else None,
        _given(float(risk.p_below[n])) if risk else None,
        verdict,
        tuple(dict.fromkeys(flags)),
        {0: False, 1: True}.get(int(places.in_sight[n])),
        _given(float(places.freedom[n])),
        _given(least_over_margin_mm(risks, n)),
    )


def _given(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _point(values: Floats) -> PointLps:
    return (float(values[0]), float(values[1]), float(values[2]))
