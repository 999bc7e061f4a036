"""Malleus, incus, stapes, footplate, and what is left of them."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.shapes import Shape, capsule, ellipsoid, elliptic_cylinder, tube, unit


def malleus_points(layout: Layout) -> dict[str, np.ndarray]:
    """Umbo, lateral process, neck and centre of the head.

    Manubrium 4.95, head and neck 5.00, whole 8.05: Godson et al. (94 mallei).
    """
    umbo = layout.umbo
    process = umbo + 1.7 * layout.rim_normal + 3.7 * layout.rim_superior - 1.15 * layout.rim_posterior
    neck = umbo + np.array([1.3, -0.95, 3.95])
    head = neck + np.array([-0.7, 0.25, 2.0])
    return {"umbo": umbo, "lateral_process": process, "neck": neck, "head": head}


def incus_points(layout: Layout) -> dict[str, np.ndarray]:
    """Body, tip of the long process, contact point, tip of the short process, stapes joint."""
    head = malleus_points(layout)["head"]
    stapes_head = stapes_head_point(layout)
    body = head + np.array([-0.1, 2.1, -0.15])
    # Footplate to the long process 3.79 (0.39): Gong et al. 2024.
    tip = stapes_head + 0.75 * layout.stapes_axis + np.array([0.0, 0.1, -0.1])
    return {
        "body": body,
        "tip": tip,
        "contact": tip + 1.25 * unit(body - tip),
        "short": body + np.array([0.35, 3.4, -0.9]),
        "joint": stapes_head + 0.15 * layout.stapes_axis,
    }


def stapes_head_point(layout: Layout) -> np.ndarray:
    """Top of the stapes arch: stapes height above the footplate's tympanic surface, less the plate's thickness."""
    p = layout.parameters
    return layout.footplate + (p.stapes_height_mm - p.footplate_thickness_mm) * layout.stapes_axis


def footplate_shape(layout: Layout) -> Shape:
    """Footplate: an elliptic disc whose tympanic surface holds the footplate centre."""
    p = layout.parameters
    t = p.footplate_thickness_mm
    axes = np.array([layout.footplate_long, np.cross(layout.stapes_axis, layout.footplate_long), layout.stapes_axis])
    return elliptic_cylinder(
        layout.footplate - 0.5 * t * layout.stapes_axis,
        axes,
        (0.5 * p.footplate_length_mm, 0.5 * p.footplate_width_mm),
        0.5 * t,
    )


def ossicle_elements(layout: Layout) -> list[Element]:
    """Paint the ossicles that are there."""
    p = layout.parameters
    elements: list[Element] = [Element("footplate", "footplate", "footplate", footplate_shape(layout))]
    elements += _stapes(layout)
    elements += _malleus(layout)
    elements += _incus(layout)
    if p.malleus == "present" and p.drum == "conical":
        neck = malleus_points(layout)["neck"]
        from ctmeasure_samples.nerves import cochleariform_point

        tendon = capsule(cochleariform_point(layout), neck, 0.2)
        elements.insert(1, Element("tensor tendon", "soft", "middle ear", tendon))
    return elements


def _stapes(layout: Layout) -> list[Element]:
    p = layout.parameters
    if p.stapes_arch == "absent":
        return []
    top = stapes_head_point(layout)
    s, along = layout.stapes_axis, layout.footplate_long
    height = p.stapes_height_mm - p.footplate_thickness_mm
    elements = []
    for name, side in (("anterior crus", -1.0), ("posterior crus", 1.0)):
        foot = layout.footplate + side * (0.5 * p.footplate_length_mm - 0.3) * along
        waist = layout.footplate + side * (0.5 * p.footplate_length_mm - 0.45) * along + 0.45 * height * s
        neck = layout.footplate + side * 0.2 * along + 0.78 * height * s
        points = np.array([foot - 0.05 * s, waist, neck])
        radius = 0.15 if side < 0 else 0.18
        if p.stapes_arch == "eroded":
            if side < 0:
                continue
            points = np.array([foot - 0.05 * s, foot + 0.5 * s])
        elements.append(Element(name, "ossicle", "ossicle", tube(points, radius)))
    if p.stapes_arch == "present":
        # Head 0.94 x 1.13: Sorge et al. 2018, DOI 10.1055/s-0038-1640619.
        neck = layout.footplate + 0.78 * height * s
        body = capsule(neck, top - 0.42 * s, 0.36, 0.44)
        cap = elliptic_cylinder(top - 0.2 * s, np.array([along, np.cross(s, along), s]), (0.55, 0.46), 0.2)
        elements.append(Element("stapes head", "ossicle", "ossicle", body | cap))
    return elements


def _malleus(layout: Layout) -> list[Element]:
    p = layout.parameters
    if p.malleus == "absent":
        return []
    m = malleus_points(layout)
    head = ellipsoid(m["head"], [1.25, 1.15, 1.4])
    neck = capsule(m["neck"], m["head"], 0.5, 0.75)
    upper = m["neck"] + 0.25 * (m["lateral_process"] - m["neck"])
    # Cross-section under the lateral process 0.84 x 1.02: Otol Neurotol 2009, DOI 10.1097/MAO.0b013e31819e6361.
    tip = m["umbo"] + 0.3 * layout.rim_normal
    middle = 0.5 * tip + 0.5 * upper + 0.15 * layout.rim_normal
    handle = tube([upper, middle, tip], [0.46, 0.38, 0.33])
    process = capsule(upper, m["lateral_process"], 0.45, 0.35)
    if p.malleus == "eroded":
        stump = tube([upper, 0.6 * upper + 0.4 * middle], [0.46, 0.36])
        return [
            Element("malleus head", "ossicle", "ossicle", head.union(neck, 0.4)),
            Element("malleus stump", "ossicle", "ossicle", process.union(stump, 0.2)),
        ]
    return [
        Element("malleus", "ossicle", "ossicle", head.union(neck, 0.4).union(handle.union(process, 0.3), 0.3)),
    ]


def _incus(layout: Layout) -> list[Element]:
    p = layout.parameters
    if p.incus == "absent":
        return []
    i = incus_points(layout)
    m = malleus_points(layout)
    body = ellipsoid(i["body"], [1.3, 1.5, 1.45])
    short = capsule(i["body"], i["short"], 0.95, 0.4)
    body = body.union(short, 0.6)
    parts = [Element("incus body", "ossicle", "ossicle", body - ellipsoid(m["head"], [1.36, 1.26, 1.53]))]
    bend = 0.35 * i["body"] + 0.65 * i["tip"] + np.array([0.15, 0.15, 0.0])
    # Long process 0.90 x 0.65 across, 1.5 mm from its tip: Miklos et al. 2013.
    if p.incus == "present":
        long = tube([i["body"], bend, i["tip"]], [0.75, 0.42, 0.38])
        button = capsule(i["tip"], i["joint"] + 0.2 * layout.stapes_axis, 0.36, 0.36)
        parts.append(Element("incus long process", "ossicle", "ossicle", long.union(button, 0.2)))
    else:
        stop = 0.75 * bend + 0.25 * i["body"]
        parts.append(Element("incus remnant", "ossicle", "ossicle", tube([i["body"], stop], [0.75, 0.35])))
    return parts
