"""The air-filled spaces of the middle ear, and the canal with its lining and drum."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.shapes import (
    Shape,
    axes_from,
    capsule,
    drum_sheet,
    ellipsoid,
    elliptic_cylinder,
    half_space,
    tube,
    unit,
)
from ctmeasure_samples.skull import bony_canal_end, middle_fossa, sector_wedge

DRUM_STEPS = 33


def medial_of_rim(layout: Layout, overlap_mm: float = 0.0) -> Shape:
    """Half-space on the middle-ear side of the rim plane."""
    return half_space(overlap_mm * layout.rim_normal, layout.rim_normal)


def scutum_edge_z(layout: Layout) -> float:
    """Height of the lower edge of the outer attic wall."""
    return layout.rim_top_z


def attic(layout: Layout) -> Shape:
    """Attic: above the rim, out over the canal as far as its upper plate allows."""
    p = layout.parameters
    z = layout.rim_top_z
    centre = np.array([-4.1 + 0.5 * p.attic_width_mm + 0.5, 0.6, z + 2.1])
    hollow = ellipsoid(centre, [0.5 * p.attic_width_mm + 0.5, 4.9, 3.3]).union(
        ellipsoid(centre + np.array([-0.7, -3.6, -0.4]), [2.0, 2.1, 1.9]), 1.0
    )
    return hollow.subtract(middle_fossa(layout).grow(p.tegmen_plate_mm), 0.4)


def antrum(layout: Layout) -> Shape:
    """Aditus and antrum."""
    z = layout.rim_top_z
    return ellipsoid([0.3, 5.8, z + 2.6], [2.5, 3.2, 2.1]).union(
        ellipsoid([2.4, 10.6, z + 3.0], [3.6, 4.6, 3.6]).subtract(
            middle_fossa(layout).grow(layout.parameters.tegmen_plate_mm), 0.4
        ),
        1.5,
    )


def mesotympanum(layout: Layout) -> Shape:
    """Middle ear behind the drum."""
    width, height = layout.rim_semi_axes
    centre = -2.3 * layout.rim_normal + 0.2 * layout.rim_superior
    hollow = ellipsoid(centre, [width + 1.5, height + 1.7, 3.7], layout.rim_axes)
    front = ellipsoid([-3.9, -5.0, 1.4], [2.2, 3.3, 2.7], axes_from([0.1, 0.1, 1.0], [1.0, -0.4, 0.0]))
    return hollow.union(front, 1.2) & medial_of_rim(layout)


def hypotympanum(layout: Layout) -> Shape:
    """Part of the cavity below the rim."""
    p = layout.parameters
    low = layout.rim_point(180.0)
    depth = p.hypotympanum_depth_mm
    centre = low + np.array([-2.2, 0.4, 0.8])
    return ellipsoid(centre, [2.3, 4.0, depth + 0.8]) & medial_of_rim(layout)


def facial_recess(layout: Layout) -> Shape:
    """Recess between the rim with the chorda and the facial canal."""
    rim = layout.rim_point(75.0)
    nerve = layout.facial_corners[4]
    centre = np.array([rim[0] - 1.5, 0.5 * (rim[1] + nerve[1]) - 0.7, 2.2])
    return ellipsoid(centre, [1.15, 1.9, 2.2]) & medial_of_rim(layout)


def sinus_tympani(layout: Layout) -> Shape:
    """Recess medial to the facial canal, behind the windows."""
    a = layout.from_footplate(0.3, 1.9, -1.0)
    b = layout.from_footplate(0.4, 3.6, -1.1)
    return capsule(a, b, 0.95, 0.85)


def sinus_tympani_end(layout: Layout) -> np.ndarray:
    """Deepest (most posterior) point of the sinus tympani."""
    a = layout.from_footplate(0.3, 1.9, -1.0)
    b = layout.from_footplate(0.4, 3.6, -1.1)
    return b + 0.85 * unit(b - a)


def eustachian_tube(layout: Layout) -> Shape:
    """Bony part of the auditory tube."""
    return tube(
        [[-4.3, -6.5, 1.4], [-6.5, -10.5, 0.2], [-10.0, -16.0, -2.2], [-14.0, -22.0, -5.0]], [1.9, 1.2, 0.9, 1.1]
    )


def air_spaces(layout: Layout) -> list[Element]:
    """Paint the middle ear: one smooth cavity, then its named parts over it."""
    p = layout.parameters
    lateral_plate = layout.canal(plate=True, to_depth_mm=p.bony_length_mm) & half_space([0, 0, 0], -layout.rim_normal)
    upper = attic(layout) - lateral_plate
    behind = antrum(layout) - lateral_plate
    meso = mesotympanum(layout)
    whole = meso.union(hypotympanum(layout), 0.8).union(upper, 0.8).union(facial_recess(layout), 0.6)
    whole = whole - lateral_plate
    parts = [
        Element("auditory tube", "air", "middle ear", eustachian_tube(layout)),
        Element("antrum", "air", "antrum", behind),
        Element("tympanic cavity", "air", "middle ear", whole | sinus_tympani(layout)),
        Element("attic", "air", "attic", upper),
        Element("hypotympanum", "air", "hypotympanum", hypotympanum(layout) - meso),
        Element("facial recess", "air", "facial recess", facial_recess(layout) - meso.grow(-0.6)),
    ]
    return parts


def fluid_level(layout: Layout) -> Shape:
    """Half-space below the fluid in the middle ear, level for a patient lying on the back."""
    return half_space([0, -1.0, layout.rim_bottom_z + 3.5], [0.0, -0.35, 0.94])


def fills(layout: Layout) -> list[Element]:
    """Soft tissue or fluid in parts of the cavity; bone, windows and ossicles are painted over it."""
    p = layout.parameters
    lateral_plate = layout.canal(plate=True, to_depth_mm=p.bony_length_mm) & half_space([0, 0, 0], -layout.rim_normal)
    elements = []
    if "attic" in p.fills:
        elements.append(Element("attic soft tissue", "scar", "attic", attic(layout).grow(-0.02) - lateral_plate))
    if "niche" in p.fills:
        blob = ellipsoid(layout.footplate + 0.9 * layout.stapes_axis, [1.6, 2.4, 1.5])
        elements.append(Element("niche soft tissue", "scar", "middle ear", blob & mesotympanum(layout)))
    if "mesotympanum" in p.fills:
        pool = (mesotympanum(layout) | hypotympanum(layout) | sinus_tympani(layout)) & fluid_level(layout)
        elements.append(Element("middle-ear fluid", "fluid", "middle ear", pool))
    return elements


def _scutum_eroded(layout: Layout) -> bool:
    return any(s.kind == "scutum_eroded" for s in layout.parameters.wall)


def notch_height_mm(layout: Layout) -> float:
    """How far the bony edge lies above the rim's curve in the notch."""
    return 3.0 if _scutum_eroded(layout) else 0.9


def notch(layout: Layout) -> Shape:
    """The gap of the rim at the top, between the two spines."""
    size = [2.4, 3.4, 3.0] if _scutum_eroded(layout) else [0.8, 2.1, 0.9]
    axes = np.array([layout.rim_normal, layout.rim_posterior, layout.rim_superior])
    return ellipsoid(layout.rim_point(8.0), size, axes)


def canal_elements(layout: Layout) -> list[Element]:
    """Cartilage, lining and air of the canal, out to the concha."""
    p = layout.parameters
    skin = p.canal_skin_mm
    medial = half_space(-1.2 * layout.rim_normal, -layout.rim_normal)
    bony = layout.canal(to_depth_mm=p.bony_length_mm + 0.5)
    outer = half_space((p.bony_length_mm - 1.0) * layout.canal_axis, -layout.canal_axis)
    soft_part = layout.canal() & outer
    cartilage = layout.canal(2.6) & half_space((p.bony_length_mm + 1.0) * layout.canal_axis, -layout.canal_axis)
    incisure = sector_wedge(layout, 20.0, 110.0)
    lumen_in = layout.canal(-skin, to_depth_mm=p.bony_length_mm + 1.5) & medial
    lumen_out = layout.canal(-0.9) & half_space((p.bony_length_mm + 0.2) * layout.canal_axis, -layout.canal_axis)
    end = layout.canal_centres[-1]
    beyond = capsule(end - 1.0 * layout.canal_axis, end + np.array([8.0, 1.5, -0.5]), 3.0, 5.0)
    return [
        Element("canal cartilage", "cartilage", "soft tissue", cartilage - incisure),
        Element(
            "canal skin, outer",
            "soft",
            "canal lining",
            layout.canal(0.8)
            & outer
            & half_space(14.0 * layout.canal_axis, -layout.canal_axis) - bony_canal_end(layout),
        ),
        Element("canal lining", "soft", "canal lining", (bony & half_space([0, 0, 0], -layout.rim_normal)) | soft_part),
        Element("canal air", "air", "ear canal", lumen_in.union(lumen_out, 0.8) | beyond),
    ]


def canal_defects(layout: Layout) -> list[Element]:
    """Notch, eroded scutum, a wall that was taken down: air where the wall would be (before lining and drum)."""
    p = layout.parameters
    elements = [Element("notch", "air", "attic", notch(layout))]
    for state in p.wall:
        if state.kind == "taken_down":
            opened = ellipsoid([5.0, 6.0, 5.2], [6.5, 5.5, 4.2]).union(ellipsoid([4.0, 9.0, 6.5], [5.0, 5.0, 3.5]), 2.0)
            opened = opened - middle_fossa(layout).grow(1.0)
            sleeve = tube(layout.facial_path, layout.facial_radii + 0.6)
            elements.append(Element("operated cavity", "air", "antrum", opened - sleeve))
    return elements


def drum_profile(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Heights of the drum's two faces over the rim plane, from the umbo (first) to the rim (last)."""
    p = layout.parameters
    s = np.linspace(0.0, 1.0, DRUM_STEPS)
    t = p.drum_thickness_mm
    if p.drum == "lateralised":
        # Outer face a shallow saucer; inner face falls to the rim over a skirt of scar.
        inner = p.drum_lateralisation_mm + 0.10 * s**2
        skirt = np.clip((s - 0.45) / 0.55, 0.0, 1.0)
        inner = inner - (inner + 0.3) * (3 * skirt**2 - 2 * skirt**3)
        outer = p.drum_lateralisation_mm + t + 0.35 * s**2
        return outer, inner
    depth = p.umbo_depth_mm if p.drum == "conical" else 0.5 * p.umbo_depth_mm
    # A cone with slightly bulging flanks, rounded at its tip.
    cone = depth * ((1.0 - s) - 0.32 * s * (1.0 - s))
    cone = np.minimum(cone, depth - 0.02 * s)
    inner = -cone
    outer = inner + t
    if p.anterior_blunting_mm > 0.0:
        edge = np.clip((s - 0.7) / 0.3, 0.0, 1.0)
        outer = outer + 0.6 * p.anterior_blunting_mm * edge**2
    if p.drum == "relaid":
        # Cartilage of about half a millimetre under its upper part is painted with the implant; the sheet is thick.
        outer = inner + max(t, 0.45)
    return outer, inner


def umbo_share(layout: Layout) -> tuple[float, float]:
    """Place of the umbo in the rim ellipse, in units of its half axes (posterior, superior)."""
    width, height = layout.rim_semi_axes
    if layout.parameters.drum == "lateralised":
        return 0.0, 0.0
    return float(layout.umbo @ layout.rim_posterior) / width, float(layout.umbo @ layout.rim_superior) / height


def drum_shape(layout: Layout) -> Shape:
    """The drum (with its scar, when lateralised), cut to the canal and the notch."""
    outer, inner = drum_profile(layout)
    sheet = drum_sheet(np.zeros(3), layout.rim_axes, layout.rim_semi_axes, umbo_share(layout), outer, inner)
    return sheet & (layout.canal(to_depth_mm=7.0).grow(0.02) | notch(layout).grow(0.1))


def drum_elements(layout: Layout) -> list[Element]:
    """Air medial of a lateralised drum, then the drum itself."""
    p = layout.parameters
    _, inner = drum_profile(layout)
    # Between drum and rim (lateralised: also in the canal) lies middle-ear air.
    depth = np.full(DRUM_STEPS, -0.6 if p.drum == "lateralised" else -2.6)
    space = drum_sheet(np.zeros(3), layout.rim_axes, layout.rim_semi_axes, umbo_share(layout), inner + 0.01, depth)
    space = space & layout.canal(to_depth_mm=7.0)
    elements = [Element("air behind the drum", "air", "middle ear", space)]
    if "mesotympanum" in p.fills:
        elements.append(Element("fluid behind the drum", "fluid", "middle ear", space & fluid_level(layout)))
    material = "scar" if p.drum != "conical" else "soft"
    elements.append(Element("drum", material, "drum", drum_shape(layout)))
    return elements


def windows(layout: Layout) -> list[Element]:
    """Niches of the oval and the round window, hollowed out of the capsule."""
    p = layout.parameters
    axes = np.array([layout.footplate_long, np.cross(layout.stapes_axis, layout.footplate_long), layout.stapes_axis])
    niche = elliptic_cylinder(
        layout.footplate + 0.9 * layout.stapes_axis,
        axes,
        (0.5 * p.footplate_length_mm + 0.25, 0.5 * p.footplate_width_mm + 0.22),
        0.9,
        0.14,
    )
    membrane, outwards = round_window(layout)
    opening = capsule(membrane + 0.5 * outwards, membrane + 2.6 * outwards, 0.75, 1.15)
    oval, low = ("scar" if "niche" in p.fills else "air"), ("fluid" if "mesotympanum" in p.fills else "air")
    return [
        Element("oval-window niche", oval, "middle ear", niche),
        Element("round-window niche", low, "middle ear", opening),
    ]


def round_window(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Centre of the round-window membrane and the direction out of its niche."""
    return layout.from_footplate(-0.35, 1.35, -3.0), unit([0.62, 0.62, -0.48])
