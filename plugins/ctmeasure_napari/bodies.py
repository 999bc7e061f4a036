"""What stands in the 3-D picture: bone, canal wall, what to keep clear of, drum, plan. No toolkit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import CanalFrame, annulus_plane, canal_frame, rim_curve
from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.geometry.vectors import orthonormal_basis, unit
from ctmeasure.planning.results import CanalWallMap
from ctmeasure.volume.volume import Volume

from . import looks
from .looks import RGBA
from .patterns import painted
from .scene import CaseScene
from .solids import Solid, swept

Floats = npt.NDArray[np.float64]

REACH_MM = 15.0
"""Half edge of the block of bone that is shown."""
BONE_GRID_MM = 0.6
"""Bone is drawn on a grid about this fine: enough to see by, few enough triangles to turn smoothly."""
BONE_HU = 500.0
"""Where the bone surface is drawn: about half way between soft tissue and dense bone (common practice, no source)."""
SHELL_U = 1.96
"""The shell of a tube is this many standard uncertainties outside its wall."""
WIRE_MM = 0.2
"""Half thickness of a drawn handle arm or prosthesis shaft; for looking at, no maker's."""
HEAD_MM = 1.3
"""Radius of a drawn prosthesis head (our own, for looking at)."""
CELL_PX = 12
BONE_COLOUR: RGBA = (0.86, 0.83, 0.76, 1.0)
DRUM_COLOUR: RGBA = (0.85, 0.62, 0.58, 0.55)
FOOTPLATE_COLOUR: RGBA = (0.97, 0.93, 0.62, 1.0)
PLAN_COLOUR: RGBA = (0.92, 0.92, 0.95, 1.0)


@dataclass(frozen=True, eq=False, slots=True)
class Body:
    """One surface: its triangles, and either one colour or a picture folded onto it (``places`` (n, 2), 0 to 1)."""

    name: str
    solid: Solid
    colour: RGBA
    picture: npt.NDArray[np.uint8] | None = None
    places: Floats | None = None


def bone_body(volume: Volume, centre_lps: Floats, *, keep_lps: Floats | None = None) -> Body | None:
    """The bone around a place.

    Parameters
    ----------
    volume
        The scan.
    centre_lps
        Middle of the block, LPS mm.
    keep_lps
        Unit vector: only what lies to this side of the middle is kept, so that one looks into the ear; None keeps all.

    Returns
    -------
    Body or None
        None where no bone surface is in the block.
    """
    from skimage.measure import marching_cubes

    index_reach = REACH_MM / np.asarray(volume.geometry.spacing_mm)
    middle = volume.geometry.to_kji(centre_lps)
    low = np.maximum(np.floor(middle - index_reach), 0).astype(int)
    high = np.minimum(np.ceil(middle + index_reach) + 1, volume.values.shape).astype(int)
    if (high - low < 4).any():
        return None
    steps = np.maximum(np.round(BONE_GRID_MM / np.asarray(volume.geometry.spacing_mm)), 1).astype(int)
    block = volume.values[tuple(slice(a, b, s) for a, b, s in zip(low, high, steps, strict=True))].astype(np.float32)
    level = BONE_HU if volume.source.intensity_unit == "HU" else float(np.percentile(block, 80.0))
    if min(block.shape) < 3 or not block.min() < level < block.max():
        return None
    corners, faces, _, _ = marching_cubes(block, level)
    points = volume.geometry.to_lps(corners * steps + low)
    if keep_lps is not None:
        kept = ((points - centre_lps) @ keep_lps > 0.0)[faces].all(axis=1)
        faces = faces[kept]
        used, faces = np.unique(faces, return_inverse=True)
        points, faces = points[used], faces.reshape(-1, 3)
    return Body("bone", Solid(points, faces), BONE_COLOUR) if len(faces) else None


def wall_body(case: Case) -> Body | None:
    """The canal wall with the verdict of every cell folded onto it; None before there is a map."""
    result = case.results
    wall = result.wall_map if result else None
    if result is None or wall is None or not result.zone or min(wall.points_lps.shape[:2]) < 3:
        return None
    verdicts = {(round(c.wall_angle_deg, 3), round(c.rim_distance_mm, 3)): c.verdict for c in result.zone}
    words = np.array(
        [
            [verdicts.get((round(float(a), 3), round(float(r), 3)), "") for a in wall.wall_angles_deg]
            for r in wall.rim_distances_mm
        ]
    )
    rows, columns = words.shape
    picture = painted(words, cell_px=(CELL_PX, CELL_PX))
    solid, order = _sheet(wall)
    column, row = np.divmod(order, rows)
    places = np.stack([(column + 0.5) / columns, (row + 0.5) / rows], axis=1)
    return Body("canal wall", solid, (1.0, 1.0, 1.0, 1.0), picture, places)


def _sheet(wall: CanalWallMap) -> tuple[Solid, npt.NDArray[np.intp]]:
    """The wall's grid as triangles, closed around, without places that have no wall; and each corner's grid place."""
    columns, rows = wall.points_lps.shape[:2]
    points = np.concatenate([wall.points_lps, wall.points_lps[:1]]).reshape(-1, 3)
    c, r = (a.ravel() for a in np.meshgrid(np.arange(columns), np.arange(rows - 1), indexing="ij"))
    a, b = c * rows + r, (c + 1) * rows + r
    faces = np.concatenate([np.stack([a, b, b + 1], axis=1), np.stack([a, b + 1, a + 1], axis=1)])
    faces = faces[np.isfinite(points).all(axis=1)[faces].all(axis=1)]
    used, faces = np.unique(faces, return_inverse=True)
    return Solid(points[used], faces.reshape(-1, 3)), used


def case_bodies(case: Case, scene: CaseScene) -> tuple[Body, ...]:
    """Everything of a case but the bone.

    Parameters
    ----------
    case, scene
        The case and its marks.

    Returns
    -------
    tuple of Body
        Opaque ones first, so that shells are drawn over them.
    """
    found = [*_opt(wall_body(case)), *_marked(scene), *_drum(case), *_footplate(case), *_plan(case)]
    return (*found, *_shells(case))


def _opt(body: Body | None) -> tuple[Body, ...]:
    return (body,) if body is not None else ()


def _marked(scene: CaseScene) -> Iterator[Body]:
    for mark in scene.bodies:
        if mark.solid is not None:
            colour = looks.HOLE if mark.kind == "hole" else looks.STRUCTURE
            colour = looks.faded(colour, 0.5) if mark.kind == "patch" else colour
            yield Body(mark.label, mark.solid, colour)


def _shells(case: Case) -> Iterator[Body]:
    """Around each tube, how far out its wall may be with 95 %."""
    for structure in case.structures_in_plan:
        grown = _grown(structure, case)
        if grown is not None:
            try:
                solid = swept(structure.points_lps, grown)
            except CtmeasureError:
                continue
            yield Body(f"{structure_term(structure.id).label}, 95 %", solid, looks.faded(looks.STRUCTURE, 0.22))


def _grown(structure: Structure, case: Case) -> Floats | None:
    if not isinstance(structure, Tube) or not structure.has_radii:
        return None
    u = structure.surface_u_mm
    if u is None:
        u = case.settings.tube_surface_u_mm if structure.confirmed_by else case.settings.unconfirmed_tube_u_mm
    return structure.radii + SHELL_U * u


def _frame(case: Case) -> CanalFrame | None:
    try:
        return canal_frame(case.landmarks, case.side)
    except CtmeasureError:
        return None


def _drum(case: Case) -> Iterator[Body]:
    """From the rim to the drum's centre: how far out it lies, not how it is shaped."""
    canal = _frame(case)
    if canal is None or not case.landmarks.placed("annulus", "drum_centre"):
        return
    try:
        rim = rim_curve(case.landmarks, canal).point_lps(np.arange(0.0, 360.0, 10.0))
    except CtmeasureError:
        return
    rings = [case.landmarks.point_lps("drum_centre") + s * (rim - case.landmarks.point_lps("drum_centre"))
             for s in (0.02, 1.0)]  # fmt: skip
    n = len(rim)
    i = np.arange(n)
    j = (i + 1) % n
    faces = np.concatenate([np.stack([i, j, j + n], axis=1), np.stack([i, j + n, i + n], axis=1)])
    yield Body("drum", Solid(np.concatenate(rings), faces), DRUM_COLOUR)


def _footplate(case: Case) -> Iterator[Body]:
    marks = case.landmarks
    ends = ("footplate_anterior", "footplate_posterior", "footplate_superior", "footplate_inferior")
    if not marks.placed("footplate_centre", *ends):
        return
    anterior, posterior, superior, inferior = (marks.point_lps(i) for i in ends)
    turn = np.radians(np.arange(0.0, 360.0, 15.0))[:, None]
    ring = marks.point_lps("footplate_centre") + 0.5 * (
        np.cos(turn) * (anterior - posterior) + np.sin(turn) * (superior - inferior)
    )
    points = np.concatenate([marks.point_lps("footplate_centre")[None], ring])
    i = np.arange(len(ring))
    faces = np.stack([np.zeros_like(i), 1 + i, 1 + (i + 1) % len(ring)], axis=1)
    yield Body("footplate", Solid(points, faces), FOOTPLATE_COLOUR)


def _plan(case: Case) -> Iterator[Body]:
    """The planned handle on the first pair of holes and the prosthesis under it, to size."""
    result = case.results
    if result is None or not result.pairs or case.facts.plan_is_void:
        return
    pair = result.pairs[0]
    if pair.handle_tip_lps is None:
        return
    tip = np.asarray(pair.handle_tip_lps)
    for number, entry in enumerate((pair.entry_1_lps, pair.entry_2_lps), start=1):
        yield Body(f"planned arm {number}", swept(np.stack([np.asarray(entry), tip]), np.full(2, WIRE_MM)), PLAN_COLOUR)
    if case.landmarks.placed("footplate_centre"):
        foot = case.landmarks.point_lps("footplate_centre")
        yield Body("prosthesis", swept(np.stack([foot, tip]), np.full(2, WIRE_MM)), PLAN_COLOUR)
        first, second, _ = orthonormal_basis(unit(tip - foot))
        turn = np.radians(np.arange(0.0, 360.0, 20.0))[:, None]
        ring = tip + HEAD_MM * (np.cos(turn) * first + np.sin(turn) * second)
        i = np.arange(len(ring))
        faces = np.stack([np.zeros_like(i), 1 + i, 1 + (i + 1) % len(ring)], axis=1)
        yield Body("prosthesis head", Solid(np.concatenate([tip[None], ring]), faces), PLAN_COLOUR)


LIGHTS_LPS = np.array([[0.35, -0.8, 0.5], [-0.75, 0.3, 0.6]])
"""Two lamps, in front and behind; they stay with the patient, so that a shade never depends on how one looks."""
AMBIENT = 0.35
"""How bright a surface is that no lamp strikes."""


def shaded(body: Body) -> Floats:
    """Colour of every corner under the lamps, shape (n, 3); both faces of a surface are lit alike.

    Parameters
    ----------
    body
        With one colour.

    Returns
    -------
    numpy.ndarray
        0 to 1.
    """
    points, faces = body.solid.vertices_lps, body.solid.faces
    normals = np.zeros_like(points)
    across = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    for corner in range(3):
        np.add.at(normals, faces[:, corner], across)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    lamps = LIGHTS_LPS / np.linalg.norm(LIGHTS_LPS, axis=1, keepdims=True)
    lit = AMBIENT + (1.0 - AMBIENT) * np.abs(normals @ lamps.T).max(axis=1)
    return np.clip(lit[:, None] * np.asarray(body.colour[:3]), 0.0, 1.0)


@dataclass(frozen=True, eq=False, slots=True)
class Eye:
    """From where the 3-D picture is looked at: middle, direction of looking, up, and mm from edge to edge."""

    centre_lps: Floats
    looking_lps: Floats
    up_lps: Floats
    height_mm: float = 2.0 * REACH_MM


FRONT = Eye(np.zeros(3), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))


def eyes(case: Case, centre_lps: Floats) -> dict[str, Eye]:
    """The ways to look at an ear: from the front, from outside, from behind, and down the speculum.

    Raises
    ------
    Nothing.
    """
    out = np.array([1.0 if case.side == "left" else -1.0, 0.0, 0.0])
    front = replace(FRONT, centre_lps=centre_lps)
    found = {
        "from the front": front,
        "from outside": replace(front, looking_lps=-out),
        "from behind": replace(front, looking_lps=-FRONT.looking_lps),
    }
    canal = _frame(case)
    if canal is not None:
        middle = canal.frame.origin_lps
        with suppress(CtmeasureError):
            middle = annulus_plane(case.landmarks, canal).point_lps
        found["down the speculum"] = Eye(middle, -canal.axis_lps, canal.superior_lps, 16.0)
    return found
