"""The canal-wall map: every cell of wall angle and rim distance with its best direction, bone, risk and verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.cells import empty_cell, wall_cells
from ctmeasure.planning.drilling.exits import MapGrid
from ctmeasure.planning.drilling.places import Places, measure_places
from ctmeasure.planning.drilling.risk import StructureRisk, missing_by_place, structure_risks
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.shaft import shaft_contacts
from ctmeasure.planning.results import ZoneCell
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
        cells = tuple(empty_cell(scene, angle[i], rim[i], str(status[i])) for i in range(len(angle)))
        return Zone(cells, rows, None, ())
    progress("map: directions and bone", 0.05)
    places = measure_places(
        scene, points[rows], normal_lps=normals[rows], wall_angle_deg=angle[rows], rim_distance_mm=rim[rows],
        depth_mm=depth[rows], surface_u_mm=surface_u[rows], direction_lps=None,
        grid=MapGrid(rows, wall),
    )  # fmt: skip
    progress("map: what is marked", 0.3)
    missing = missing_by_place(scene, places)
    lacking = np.array([bool(words) for words in missing]) | bool(scene.barred)
    risks = structure_risks(
        scene, places, missing=lacking, maximum=min(ZONE_DRAWS, scene.settings.draws_maximum),
        progress=part_of(progress, 0.35, 0.95),
    )  # fmt: skip
    touched = shaft_contacts(scene, places)
    made = wall_cells(scene, places, risks, missing=missing, touched=touched, status=status[rows])
    found = dict(zip(rows.tolist(), made, strict=True))
    cells = tuple(
        found[i] if i in found else empty_cell(scene, angle[i], rim[i], str(status[i])) for i in range(len(angle))
    )
    return Zone(cells, rows, places, risks)
