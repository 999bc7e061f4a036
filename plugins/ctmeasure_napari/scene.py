"""What there is to draw of a case, in patient coordinates; made once a case, used by every plane."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.vocabulary import Side, landmark_term, structure_term
from ctmeasure.case.doubts import landmark_doubts
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.geometry.patches import triangulate_patch
from ctmeasure.report.figures.slices import side_words

from .solids import Solid, ball, swept

Floats = npt.NDArray[np.float64]
PointRef = tuple[str, int]
"""A point that can be taken in hand: a landmark's id and index; structures and holes have a prefix before theirs."""
KEEP, HOLE_REF, SUGGESTED = "keep/", "hole/", "suggested/"
"""Prefixes of the ids of structures to keep clear of, of holes that were asked for, and of suggestions."""
HANDLES_UP_TO = 24
"""A structure of more points than this came from elsewhere and is not moved point by point."""

PAIRS_DRAWN = 1
"""Only the first pair of holes is drawn on the planes; the others stand in the report."""


@dataclass(frozen=True, eq=False, slots=True)
class PointMark:
    """One point: where it is and how well it is known (covariance (3, 3), mm^2; None when unknown).

    ``kind`` is what it belongs to.
    """

    ref: PointRef
    label: str
    point_lps: Floats
    covariance: Floats | None
    kind: Literal["landmark", "structure", "hole", "suggested"] = "landmark"


@dataclass(frozen=True, eq=False, slots=True)
class BodyMark:
    """A structure or a hole: centre line (n, 3) and surface; ``solid`` None when its radius is not known yet."""

    label: str
    kind: Literal["tube", "patch", "ball", "hole"]
    line_lps: Floats
    solid: Solid | None


@dataclass(frozen=True, eq=False, slots=True)
class CaseScene:
    """All marks of one case."""

    side: Side
    points: tuple[PointMark, ...]
    bodies: tuple[BodyMark, ...]

    @property
    def title(self) -> str:
        """The side, as every picture writes it."""
        return side_words(self.side)

    def point(self, ref: PointRef) -> PointMark | None:
        """The mark of one landmark point, when it is placed."""
        return next((mark for mark in self.points if mark.ref == ref), None)


def case_scene(case: Case) -> CaseScene:
    """Collect what a case has to draw.

    Parameters
    ----------
    case
        With or without results.

    Returns
    -------
    CaseScene

    Raises
    ------
    Nothing.
    """
    bodies = [
        mark
        for structure in case.structures_in_plan
        if structure.is_marked
        for mark in (_structure(structure),)
        if mark
    ]
    points = (*_points(case), *_structure_points(case), *_hole_points(case), *_suggested(case))
    return CaseScene(case.side, points, (*bodies, *_holes(case)))


def point_label(ref: PointRef) -> str:
    """A landmark point as people call it; points of a ring are counted from 1.

    Example
    -------
    >>> point_label(("umbo", 0)), point_label(("annulus", 2)), point_label(("anchor_1", 1))
    ('umbo', 'drum rim 3', 'hole 1, direction')
    """
    if ref[0].startswith(KEEP):
        return f"{structure_term(ref[0].removeprefix(KEEP)).label} {ref[1] + 1}"
    if ref[0].startswith(SUGGESTED):
        return f"{point_label((ref[0].removeprefix(SUGGESTED), ref[1]))}, suggested"
    if ref[0].startswith(HOLE_REF):
        return _hole_label(ref[0].removeprefix(HOLE_REF))
    term = landmark_term(ref[0])
    if term.kind == "anchor":
        return f"{term.label}, direction" if ref[1] else term.label
    return term.label if term.kind == "point" else f"{term.label} {ref[1] + 1}"


def _points(case: Case) -> Iterator[PointMark]:
    for landmark in case.landmarks.values():
        if not landmark.is_placed:
            continue
        doubts = landmark_doubts(case, landmark)
        for index, doubt in zip(landmark.indices, doubts, strict=True):
            covariance = doubt.covariance_lps
            known = covariance if np.isfinite(covariance).all() else None
            ref = (landmark.id, index)
            yield PointMark(ref, point_label(ref), doubt.mean_lps, known)


def _structure_points(case: Case) -> Iterator[PointMark]:
    """The clicked points of structures, so that they can be moved."""
    for structure in case.structures:
        if len(structure.points) <= HANDLES_UP_TO:
            for index, point in enumerate(structure.points_lps):
                ref = (KEEP + structure.id, index)
                yield PointMark(ref, point_label(ref), point, None, "structure")


def _suggested(case: Case) -> Iterator[PointMark]:
    """Suggested landmarks that nobody has said anything about yet."""
    for item in case.suggestions:
        if item.structure or item.id in case.landmarks:
            continue
        for index, (point, u) in enumerate(zip(item.points_lps, item.u_mm, strict=True)):
            ref = (SUGGESTED + item.id, index)
            yield PointMark(ref, point_label(ref), np.asarray(point, dtype=np.float64), u**2 * np.eye(3), "suggested")


def _hole_points(case: Case) -> Iterator[PointMark]:
    for site in case.sites:
        ref = (HOLE_REF + site.id, 0)
        yield PointMark(ref, point_label(ref), np.asarray(site.entry_lps, dtype=np.float64), None, "hole")


def _structure(structure: Structure) -> BodyMark | None:
    label, points = structure_term(structure.id).label, structure.points_lps
    try:
        if isinstance(structure, Tube):
            solid = swept(points, structure.radii) if structure.has_radii else None
            return BodyMark(label if solid else f"{label} (radius not measured)", "tube", points, solid)
        if isinstance(structure, Ball):
            assert structure.radius_mm is not None
            return BodyMark(label, "ball", points, ball(points[0], structure.radius_mm))
        assert isinstance(structure, Patch)
        mesh = triangulate_patch(points)
        return BodyMark(label, "patch", points, Solid(mesh.vertices_lps, mesh.faces))
    except CtmeasureError:
        # Doubled or folded points: the marked points are still drawn, without a surface.
        return BodyMark(label, "patch" if isinstance(structure, Patch) else "tube", points, None)


def _holes(case: Case) -> Iterator[BodyMark]:
    radius = case.settings.bur_radius_mm
    if case.results is None:
        return
    for site in case.results.sites:
        if site.drill_depth_mm is not None:
            yield _hole(_hole_label(site.id), site.entry_lps, site.direction_lps, site.drill_depth_mm, radius)
    for pair in case.results.pairs[:PAIRS_DRAWN]:
        ends = (
            (pair.entry_1_lps, pair.direction_1_lps, pair.thicknesses_mm[0]),
            (pair.entry_2_lps, pair.direction_2_lps, pair.thicknesses_mm[1]),
        )
        for letter, (entry, direction, thickness) in zip("ab", ends, strict=True):
            yield _hole(f"pair {pair.rank}{letter}", entry, direction, thickness, radius)


def _hole_label(site_id: str) -> str:
    """A user's own id as words; it is called a hole, whatever it is called."""
    words = site_id.replace("_", " ")
    return words if "hole" in words.lower() else f"hole {words}"


def _hole(label: str, entry_lps: object, direction_lps: object, depth_mm: float, radius_mm: float) -> BodyMark:
    entry, direction = np.asarray(entry_lps, dtype=np.float64), np.asarray(direction_lps, dtype=np.float64)
    line = np.stack([entry, entry + max(depth_mm, 1e-3) * direction / np.linalg.norm(direction)])
    return BodyMark(label, "hole", line, swept(line, np.full(2, radius_mm)))
