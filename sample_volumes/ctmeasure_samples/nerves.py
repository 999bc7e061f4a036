"""Facial canal and chorda: thin bony walls and what runs inside them."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.shapes import Shape, capsule, tube
from ctmeasure_samples.skull import temporal_bone

FACIAL_WALL_MM = 0.28
CHORDA_RADIUS_MM = 0.27
DEHISCENT_BULGE_MM = 0.2


def facial_index(layout: Layout, corner: int) -> int:
    """Vertex of the facial path nearest to one of its corner points."""
    return int(np.argmin(np.linalg.norm(layout.facial_path - layout.facial_corners[corner], axis=1)))


def dehiscent_range(layout: Layout) -> tuple[int, int]:
    """First and last vertex of the bare stretch above the oval window (empty: equal)."""
    half = 0.5 * layout.parameters.facial_dehiscence_mm
    middle = facial_index(layout, 3)
    step = float(np.linalg.norm(np.diff(layout.facial_path[middle : middle + 2], axis=0)))
    count = round(half / step)
    return (middle - count, middle + count) if half > 0.0 else (middle, middle)


def chorda_bone_part(layout: Layout) -> np.ndarray:
    """The chorda's path inside bone: from the facial canal to where it enters the middle ear."""
    rim = layout.rim_point(np.linspace(45.0, 135.0, 181))
    distance = np.linalg.norm(layout.chorda_path[:, None, :] - rim[None], axis=2).min(axis=1)
    return layout.chorda_path[: int(np.argmin(distance)) + 1]


def facial_wall_shape(layout: Layout) -> Shape:
    """Bony wall of the facial canal in its free course, open where it is dehiscent."""
    first = facial_index(layout, 1)
    path, radii = layout.facial_path[first:], layout.facial_radii[first:]
    wall = tube(path, radii + FACIAL_WALL_MM)
    a, b = dehiscent_range(layout)
    if b > a:
        # The bare side looks down and out, towards the footplate.
        off = np.array([0.35, 0.0, -0.95]) * (layout.parameters.facial_radius_mm + 0.25)
        wall = wall - tube(layout.facial_path[a : b + 1] + off, 0.62)
    return wall & temporal_bone(layout)


def nerve_walls(layout: Layout) -> list[Element]:
    """Bone around the nerve where it crosses air, the pyramid, the process of the tensor."""
    genu = layout.facial_corners[4]
    tip = layout.from_footplate(2.1, 2.6, -0.3)
    root = np.array([genu[0] - 0.2, genu[1] - 0.5, genu[2] - 1.6])
    pyramid = capsule(root, tip, 1.0, 0.42)
    hook_root = layout.facial_path[facial_index(layout, 3) - 7] + np.array([0.1, -0.2, -0.9])
    hook = capsule(hook_root, hook_root + np.array([1.3, 0.0, -0.35]), 0.55, 0.42)
    elements = [
        Element("facial canal wall", "cortical", "bone", facial_wall_shape(layout)),
        Element("pyramid", "cortical", "bone", pyramid),
        Element("cochleariform process", "cortical", "bone", hook),
    ]
    return elements


def cochleariform_point(layout: Layout) -> np.ndarray:
    """Tip of the cochleariform process."""
    root = layout.facial_path[facial_index(layout, 3) - 7] + np.array([0.1, -0.2, -0.9])
    return root + np.array([1.3 + 0.42, 0.0, -0.35])


def pyramid_point(layout: Layout) -> np.ndarray:
    """Tip of the pyramidal eminence."""
    genu = layout.facial_corners[4]
    tip = layout.from_footplate(2.1, 2.6, -0.3)
    root = np.array([genu[0] - 0.2, genu[1] - 0.5, genu[2] - 1.6])
    return tip + 0.42 * (tip - root) / np.linalg.norm(tip - root)


def nerve_elements(layout: Layout) -> list[Element]:
    """Facial nerve filling its canal, the chorda in bone and in air, the tensor tendon."""
    elements = [Element("facial nerve", "nerve", "nerve", tube(layout.facial_path, layout.facial_radii))]
    a, b = dehiscent_range(layout)
    if b > a:
        off = np.array([0.35, 0.0, -0.95]) * DEHISCENT_BULGE_MM
        bulge = tube(layout.facial_path[a : b + 1] + off, layout.facial_radii[a : b + 1])
        elements.append(Element("bulging nerve", "nerve", "nerve", bulge))
    below = layout.facial_path[-1]
    elements.append(
        Element(
            "nerve below the foramen", "nerve", "nerve", capsule(below, below + np.array([2.5, -3.5, -6.0]), 0.9, 0.8)
        )
    )
    if layout.parameters.chorda == "present":
        elements.append(Element("chorda", "nerve", "nerve", tube(layout.chorda_path, CHORDA_RADIUS_MM)))
    return elements
