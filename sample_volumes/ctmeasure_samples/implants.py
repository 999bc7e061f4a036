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


@dataclass(frozen=True, eq=False)
class TrueStrut:
    """An old prosthesis: ends of the metal on its axis (foot first), head, sizes; ear frame, mm."""

    foot: np.ndarray
    top: np.ndarray
    shaft_radius_mm: float
    head_radius_mm: float
    head_thickness_mm: float
    round_ends: bool

    @property
    def axis(self) -> np.ndarray:
        """Unit direction from foot to head."""
        return unit(self.top - self.foot)

    @property
    def length_mm(self) -> float:
        """Metal from end to end along the axis."""
        return float(np.linalg.norm(self.top - self.foot))


def true_strut(layout: Layout) -> TrueStrut | None:
    """The old prosthesis of an ear, or None."""
    p = layout.parameters
    low = layout.rim_point(180.0)
    if p.strut is not None:
        s = p.strut
        start = layout.footplate + s.gap_mm * layout.stapes_axis
        out = layout.stapes_axis
        if s.place == "slipped":
            start, out = low + np.array([-2.0, 0.4, 0.9]), unit([-0.6, 2.2, 2.3])
        across = np.cross(out, layout.footplate_long)
        axis = unit(out + s.lean[0] * layout.footplate_long - s.lean[1] * across)
        return TrueStrut(
            start, start + s.length_mm * axis, s.shaft_radius_mm, s.head_radius_mm, s.head_thickness_mm, False
        )
    if p.old_strut:
        a = low + np.array([-2.0, 0.4, 1.1])
        b = a + np.array([-0.6, 2.2, 2.3])
        shaft = unit(b - a)
        return TrueStrut(a - 0.3 * shaft, b + 0.3 * shaft, 0.3, 1.2, 0.2, True)
    return None


def strut_points(layout: Layout) -> np.ndarray:
    """Two ends of the axis of the old strut (of a round-ended one, the centres of its ends), foot first."""
    strut = true_strut(layout)
    assert strut is not None
    if strut.round_ends:
        a = layout.rim_point(180.0) + np.array([-2.0, 0.4, 1.1])
        return np.array([a, a + np.array([-0.6, 2.2, 2.3])])
    return np.array([strut.foot, strut.top])


def implant_elements(layout: Layout) -> list[Element]:
    """Paint holes, strut and handle."""
    p = layout.parameters
    elements: list[Element] = []
    for number, hole in enumerate(earlier_holes(layout)):
        start = hole.entry - 0.4 * hole.direction
        shape = _drilled(start, hole.entry + hole.length_mm * hole.direction)
        elements.append(Element(f"earlier hole {number + 1}", "scar", "earlier hole", shape))
    if p.strut is not None:
        elements.append(Element("old strut", "titanium", "metal", _flat_strut(layout)))
    elif p.old_strut:
        a, b = strut_points(layout)
        shaft = unit(b - a)
        disc = elliptic_cylinder(b, axes_from(shaft, [1.0, 0.0, 0.0]), (1.2, 1.2), 0.1)
        elements.append(Element("old strut", "titanium", "metal", capsule(a, b, 0.3) | disc))
    if p.new_handle:
        elements += _handle(layout)
    return elements


def _flat_strut(layout: Layout) -> Shape:
    strut = true_strut(layout)
    assert strut is not None
    axes = axes_from(strut.axis, [0.3, 0.5, 0.8])
    r = strut.shaft_radius_mm
    rod = elliptic_cylinder(0.5 * (strut.foot + strut.top), axes, (r, r), 0.5 * strut.length_mm)
    if strut.head_radius_mm <= 0.0:
        return rod
    half, big = 0.5 * strut.head_thickness_mm, strut.head_radius_mm
    return rod | elliptic_cylinder(strut.top - half * strut.axis, axes, (big, big), half)


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
