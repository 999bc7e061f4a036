"""What surgeons left: earlier holes, a slipped strut, a new handle with two arms under a re-laid drum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.shapes import Shape, axes_from, capsule, ellipsoid, elliptic_cylinder, tube, unit

HOLE_RADIUS_MM = 0.3
WIRE_RADIUS_MM = 0.2
HOLE_LENGTH_MM = 3.0


@dataclass(frozen=True, eq=False)
class Hole:
    """A drilled hole: entry point on the canal wall, direction into the bone, how far it was drilled."""

    entry: np.ndarray
    direction: np.ndarray
    length_mm: float


USUAL_LEAN = 0.45
"""Towards the middle ear for each part out of the wall: 66 degrees off the canal axis."""


def drill_direction(layout: Layout, angle_deg: float, *, lean: float = USUAL_LEAN) -> np.ndarray:
    """Direction a hole is drilled in: out of the canal wall, tipped towards the middle ear."""
    return unit(layout.radial(angle_deg) - lean * layout.canal_axis)


def earlier_holes(layout: Layout) -> list[Hole]:
    """Holes an earlier operation left."""
    return [
        Hole(layout.wall_point(s.centre_deg, s.rim_distance_mm), drill_direction(layout, s.centre_deg), HOLE_LENGTH_MM)
        for s in layout.parameters.wall
        if s.kind == "earlier_hole"
    ]


def handle_holes(layout: Layout) -> list[Hole]:
    """The two holes of the new handle."""
    p = layout.parameters
    if not p.new_handle:
        return []
    return [
        Hole(layout.wall_point(a, p.handle_rim_distance_mm), drill_direction(layout, a), 2.6)
        for a in p.handle_hole_angles_deg
    ]


def handle_points(layout: Layout) -> dict[str, np.ndarray]:
    """Top, tip and contact point of the new handle: the tip 1 mm medial of the rim plane, near the umbo's place."""
    holes = handle_holes(layout)
    top = 0.5 * (holes[0].entry + holes[1].entry) - 1.1 * layout.radial(356.0) - 0.5 * layout.canal_axis
    in_plane = layout.umbo - layout.rim_normal * float(layout.umbo @ layout.rim_normal)
    tip = in_plane - 1.0 * layout.rim_normal + 0.4 * layout.rim_superior
    contact = tip + 0.3 * (top - tip) - WIRE_RADIUS_MM * layout.rim_normal
    return {"top": top, "tip": tip, "contact": contact}


def strut_points(layout: Layout) -> np.ndarray:
    """Two ends of the slipped old strut, lying on the floor of the middle ear."""
    low = layout.rim_point(180.0)
    a = low + np.array([-2.0, 0.4, 1.1])
    return np.array([a, a + np.array([-0.6, 2.2, 2.3])])


def implant_elements(layout: Layout) -> list[Element]:
    """Paint holes, strut and handle."""
    p = layout.parameters
    elements: list[Element] = []
    for number, hole in enumerate(earlier_holes(layout)):
        start = hole.entry - 0.4 * hole.direction
        shape = _drilled(start, hole.entry + hole.length_mm * hole.direction)
        elements.append(Element(f"earlier hole {number + 1}", "scar", "earlier hole", shape))
    if p.old_strut:
        a, b = strut_points(layout)
        shaft = unit(b - a)
        disc = elliptic_cylinder(b, axes_from(shaft, [1.0, 0.0, 0.0]), (1.2, 1.2), 0.1)
        elements.append(Element("old strut", "titanium", "metal", capsule(a, b, 0.3) | disc))
    if p.new_handle:
        elements += _handle(layout)
    return elements


def _drilled(start: np.ndarray, end: np.ndarray) -> Shape:
    middle, length = 0.5 * (start + end), float(np.linalg.norm(end - start))
    return elliptic_cylinder(
        middle, axes_from(end - start, [0.3, 0.5, 0.8]), (HOLE_RADIUS_MM, HOLE_RADIUS_MM), 0.5 * length
    )


def _handle(layout: Layout) -> list[Element]:
    points = handle_points(layout)
    knees = [hole.entry - 0.45 * hole.direction for hole in handle_holes(layout)]
    # Cartilage and scar cover the handle and both fixing points.
    cover = tube([knees[0] + 0.3 * points["top"] - 0.3 * knees[0], points["top"], knees[1]], 0.55)
    cover = cover.union(tube([points["top"], points["tip"]], [0.6, 0.5]), 0.5)
    graft = ellipsoid(
        0.45 * points["top"] + 0.55 * points["tip"] + 0.45 * layout.rim_normal,
        [0.45, 1.7, 2.6],
        axes_from(np.cross(points["top"] - points["tip"], layout.rim_posterior), layout.rim_posterior)[[2, 0, 1]],
    )
    inside = layout.canal(to_depth_mm=8.0)
    elements = [
        Element("cover of the handle", "scar", "drum", cover & inside),
        Element("cartilage on the handle", "cartilage", "drum", graft & inside),
    ]
    for number, hole in enumerate(handle_holes(layout)):
        bore = _drilled(hole.entry - 0.3 * hole.direction, hole.entry + hole.length_mm * hole.direction)
        elements.append(Element(f"handle hole {number + 1}", "soft", "earlier hole", bore))
    metal = tube([points["top"], points["tip"]], [0.26, 0.24])
    for hole, knee in zip(handle_holes(layout), knees, strict=True):
        fixed = hole.entry + 0.8 * hole.length_mm * hole.direction
        metal = metal | tube([fixed, knee, points["top"]], WIRE_RADIUS_MM)
    elements.append(Element("new handle", "titanium", "metal", metal))
    return elements
