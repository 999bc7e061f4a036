"""The head around the ear: soft tissue, skull, temporal bone, mastoid cells, brain, joint, great vessels."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.parameters import HeadParameters
from ctmeasure_samples.shapes import (
    Shape,
    above,
    axes_from,
    ball,
    box,
    capsule,
    ellipsoid,
    elliptic_cylinder,
    foam,
    half_space,
    tube,
    unit,
)

# The posterior surface of the petrous bone: a point on it and the direction into the posterior fossa.
POSTERIOR_FOSSA_POINT = np.array([-18.0, 6.5, 0.0])
POSTERIOR_FOSSA_OUT = unit([-0.5, 0.87, 0.05])


def middle_fossa(layout: Layout) -> Shape:
    """Everything above the uneven floor of the middle fossa (dura outwards)."""
    level = layout.tegmen_level
    peak = layout.from_footplate(-3.5, 0.9, 8.3)
    rng = np.random.default_rng([31, layout.parameters.seed])
    bumps: list[tuple[float, float, float, float, float]] = [
        # Bone over the superior canal at least 0.9: photon-counting CT of 402 bones, DOI 10.21203/rs.3.rs-7292802/v1.
        (max(peak[2] + 0.5 - level, 0.4), peak[0], peak[1], 4.5, 3.5),
        (-11.0, -12.0, -26.0, 26.0, 13.0),
        (-9.0, -34.0, -12.0, 12.0, 16.0),
    ]
    for _ in range(14):
        bumps.append(
            (
                float(rng.uniform(-0.45, 0.45)), float(rng.uniform(-8, 18)), float(rng.uniform(-8, 18)),
                float(rng.uniform(2.0, 4.5)), float(rng.uniform(2.0, 4.5)),
            )
        )  # fmt: skip
    return above(level, bumps, slope_x=0.02, slope_y=0.03)


def posterior_fossa() -> Shape:
    """Everything behind the posterior surface of the petrous bone."""
    return half_space(POSTERIOR_FOSSA_POINT, -POSTERIOR_FOSSA_OUT)


SIGMOID_RADIUS_MM = 4.2


def sigmoid_path(layout: Layout) -> np.ndarray:
    """Centre-line of the sigmoid sinus, from the sinodural angle down to the jugular bulb."""
    p = layout.parameters
    nerve = layout.facial_corners[5]
    radius = SIGMOID_RADIUS_MM
    front = float(nerve[1]) + p.facial_radius_mm + p.sigmoid_behind_facial_mm
    low = max(front - 1.0, float(layout.facial_corners[6][1]) + 2.5)
    bulb = jugular_bulb_centre(layout)
    path = np.array(
        [
            [11.0, front + radius + 8.0, 12.0],
            [9.5, front + radius + 1.5, 6.0],
            [8.0, front + radius, 0.0],
            [6.0, front + radius + 0.3, -7.0],
            [2.0, low + radius, -14.5],
            [bulb[0] + 0.5, max(bulb[1] + 3.5, low), bulb[2] - 5.5],
            bulb,
        ]
    )
    from ctmeasure_samples.layout import rounded_path

    return rounded_path(path, 4.0, 1.0)


def sigmoid(layout: Layout) -> Shape:
    """Sigmoid sinus."""
    line = sigmoid_path(layout)
    end = min(SIGMOID_RADIUS_MM, layout.parameters.jugular_bulb_radius_mm)
    return tube(line, np.linspace(SIGMOID_RADIUS_MM + 0.3, end, len(line)))


def jugular_bulb_centre(layout: Layout) -> np.ndarray:
    """Centre of the jugular bulb: its dome reaches the given height."""
    p = layout.parameters
    nerve = min(float(layout.facial_corners[5][0]), float(layout.facial_corners[6][0]))
    x = min(-5.6, nerve - p.jugular_bulb_radius_mm - 2.0)
    return np.array([x, 5.2, p.jugular_bulb_top_mm - p.jugular_bulb_radius_mm])


def carotid_path() -> np.ndarray:
    """Centre-line of the carotid canal: vertical part, bend, horizontal part."""
    from ctmeasure_samples.layout import rounded_path

    corners = np.array([[-6.5, -5.5, -22.0], [-7.2, -8.2, -3.8], [-20.0, -15.0, -2.2], [-30.0, -19.0, -1.0]])
    return rounded_path(corners, 4.5, 0.8)


CAROTID_RADIUS_MM = 2.7


def temporal_bone(layout: Layout) -> Shape:
    """Outline of the solid temporal bone before anything is hollowed out of it."""
    p = layout.parameters
    low = 4.0 + p.inferior_wall_mm
    mastoid = ellipsoid([8.5, 12.5, -3.0], [11.5, 13.5, 21.0], axes_from([0.10, -0.25, 1.0], [1.0, 0.0, 0.0]))
    tympanic = ellipsoid([7.0, 1.0, 0.5 * (6.0 - low)], [12.5, 7.5, 0.5 * (6.0 + low) + 1.0])
    upper = ellipsoid([5.0, 4.0, 5.5], [13.5, 13.0, 9.0])
    petrous = capsule([-2.0, 4.5, 1.0], [-30.0, -15.0, 0.5], 11.5, 6.5)
    root = capsule([12.0, -2.0, 7.0], [17.5, -26.0, 3.5], 3.6, 2.6)
    styloid = capsule([1.0, 4.5, -11.0], [-3.0, -3.0, -32.0], 1.8, 1.1)
    body = mastoid.union(tympanic, 3.0).union(upper, 4.0).union(petrous, 5.0).union(root, 3.0)
    return body | styloid


def lateral_of_rim(layout: Layout, overlap_mm: float = 0.0) -> Shape:
    """Half-space on the canal's side of the rim plane."""
    return half_space(-overlap_mm * layout.rim_normal, -layout.rim_normal)


def bony_canal_end(layout: Layout) -> Shape:
    """Half-space medial of the bony canal's outer end."""
    axis = layout.canal_axis
    return half_space(layout.parameters.bony_length_mm * axis, axis)


def head_background(layout: Layout, head: HeadParameters) -> list[Element]:
    """Skin, muscle, skull and the fossae of this half of the head."""
    middle = -head.rim_to_midline_mm
    skin = ellipsoid([middle, -4.0, 5.0], [75.0, 100.0, 130.0])
    fat = skin.grow(-1.8) - skin.grow(-4.6)
    skull_outer = ellipsoid([middle, -6.0, 26.0], [66.5, 94.0, 85.0])
    skull = (skull_outer - skull_outer.grow(-4.5)) & half_space([0, 0, -3.0], [0.0, 0.15, -1.0])
    diploe = skull_outer.grow(-1.6) - skull_outer.grow(-3.0)
    diploe = diploe & half_space([0, 0, 1.0], [0.0, 0.15, -1.0])
    clivus = capsule([middle, -22.0, -14.0], [middle, -20.0, 7.0], 8.0, 9.0)
    occiput = ellipsoid([middle + 16.0, 6.0, -24.0], [14.0, 16.0, 6.0])
    auricle = _auricle(layout)
    return [
        Element("scalp", "soft", "soft tissue", skin),
        Element("subcutaneous fat", "fat", "soft tissue", fat),
        Element("skull", "cortical", "bone", skull),
        Element("diploe", "marrow", "closed cell or marrow", diploe),
        Element("clivus", "cortical", "bone", clivus.union(occiput, 4.0)),
        Element("clivus marrow", "marrow", "closed cell or marrow", clivus.union(occiput, 4.0).grow(-1.4)),
        *auricle,
    ]


def _auricle(layout: Layout) -> list[Element]:
    """A simple auricle: helix and tragus in skin and cartilage around the entrance."""
    entrance = layout.canal_centres[-1]
    rng_free = np.array([[-1.0, 10.0, 13.0], [1.5, 3.0, 19.0], [2.0, 13.0, 16.0], [2.5, 18.0, 6.0], [0.5, 12.0, -9.0]])
    from ctmeasure_samples.layout import rounded_path

    helix = rounded_path(entrance + rng_free, 5.0, 1.5)
    bowl = ellipsoid(entrance + np.array([-1.0, 7.0, 1.0]), [3.2, 8.5, 11.0], axes_from([0.2, -0.25, 1.0], [1, 0, 0]))
    hollow = ellipsoid(entrance + np.array([2.0, 4.5, 0.5]), [3.6, 6.5, 8.0])
    tragus = capsule(entrance + np.array([0.0, -6.0, -2.0]), entrance + np.array([3.0, -4.0, -1.0]), 2.6, 1.8)
    skin = tube(helix, 2.6) | bowl | tragus
    plate = (
        tube(helix, 1.2)
        | bowl.grow(-1.3)
        | capsule(entrance + np.array([-1.0, -6.0, -2.0]), entrance + np.array([2.4, -4.4, -1.2]), 1.2, 0.8)
    )
    return [
        Element("auricle", "soft", "soft tissue", skin - hollow),
        Element("auricular cartilage", "cartilage", "soft tissue", (plate - hollow.grow(1.2))),
    ]


def bone_and_cells(layout: Layout) -> list[Element]:
    """Temporal bone, its marrow, the mastoid cells, and the sleeves of solid bone cells never open."""
    p = layout.parameters
    body = temporal_bone(layout)
    inner = body.grow(-1.5)
    # Compact bone around the labyrinth carries no marrow.
    core = ellipsoid(layout.from_footplate(-2.6, 1.8, 1.4), [7.6, 8.6, 8.6])
    elements = [
        Element("temporal bone", "cortical", "bone", body),
        Element("marrow", "marrow", "closed cell or marrow", inner.grow(-0.6).subtract(core.grow(2.5), 2.0)),
        Element(
            "petrous marrow",
            "marrow",
            "closed cell or marrow",
            (inner & half_space([-4.0, 0, 0], [1, 0.3, 0])).subtract(core, 1.5),
        ),
    ]
    reach = 0.45 + 0.62 * p.pneumatisation
    field = ellipsoid(
        [7.0, 11.0, 0.0], [13.0 * reach, 12.5 * reach, 16.0 * reach], axes_from([0.1, -0.2, 1], [1, 0, 0])
    )
    roof = ellipsoid([6.0, 5.0, 7.5], [9.0 * reach, 9.0 * reach, 4.0])
    region = field.union(roof, 2.0) & inner
    elements.append(Element("mastoid bone", "cortical", "bone", region.grow(0.7) & body.grow(-0.2)))
    near = region & ellipsoid([3.0, 10.0, 4.0], [8.5, 8.0, 8.0])
    coarse = foam(
        1.25 * p.cell_mm, p.septum_mm, seed=p.seed + 11, closed_share=0.3 * p.closed_cells, missing_walls=0.12
    )
    fine = foam(0.62 * p.cell_mm, p.septum_mm, seed=p.seed + 12, closed_share=p.closed_cells, missing_walls=0.25)
    middle = foam(p.cell_mm, p.septum_mm, seed=p.seed + 13, closed_share=p.closed_cells, missing_walls=0.22)
    tip = region & ellipsoid([9.0, 14.0, -11.0], [8.0, 8.0, 8.0])
    filled = "mastoid" in p.fills
    air, space = ("scar", "mastoid cell") if filled else ("air", "mastoid cell")
    rest = region - ellipsoid([3.0, 10.0, 4.0], [8.5, 8.0, 8.0]).grow(p.septum_mm)
    rest = rest - ellipsoid([9.0, 14.0, -11.0], [8.0, 8.0, 8.0]).grow(p.septum_mm)
    elements += [
        Element("small mastoid cells", air, space, near & fine),
        Element("mastoid cells", air, space, rest & middle),
        Element("large mastoid cells", air, space, tip & coarse),
    ]
    for number, state in enumerate(s for s in p.wall if s.kind == "cellular"):
        elements.append(_cellular_wall(layout, number, state.centre_deg, state.width_deg))
    return elements


def _cellular_wall(layout: Layout, number: int, centre_deg: float, width_deg: float) -> Element:
    """A layer of small cells right behind the plate in one sector of the canal wall."""
    layer = layout.canal(plate=True).grow(2.6)
    sector = sector_wedge(layout, centre_deg, min(width_deg, 120.0))
    lateral = half_space(0.3 * layout.rim_normal, -layout.rim_normal)
    cells = foam(1.15, 0.3, seed=layout.parameters.seed + 40 + number, closed_share=0.1)
    within = half_space(10.5 * layout.canal_axis, layout.canal_axis)
    return Element(f"wall cells {number + 1}", "air", "mastoid cell", (layer & sector & lateral & within) & cells)


def sector_wedge(layout: Layout, centre_deg: float, width_deg: float) -> Shape:
    """All points whose wall angle lies in a sector (less than 180 degrees wide)."""
    half = 0.5 * width_deg
    first = half_space([0, 0, 0], layout.radial(centre_deg + half + 90.0))
    second = half_space([0, 0, 0], layout.radial(centre_deg - half - 90.0))
    return first & second


def plates_and_sleeves(layout: Layout) -> list[Element]:
    """Solid bone that cells and marrow never open: canal plate, facial sleeve, vessel walls, fossa plates."""
    p = layout.parameters
    body = temporal_bone(layout)
    lateral = half_space([0, 0, 0], -layout.rim_normal)
    plate = layout.canal(plate=True, to_depth_mm=p.bony_length_mm + 1.0) & lateral & bony_canal_end(layout) & body
    sleeve = tube(layout.facial_path, layout.facial_radii + 0.8) & body
    chorda = tube(layout.chorda_path[: len(layout.chorda_path) // 2], 0.75) & body
    vessels = tube(carotid_path(), CAROTID_RADIUS_MM + 0.7) | sigmoid(layout).grow(0.6)
    vessels = vessels | ball(jugular_bulb_centre(layout), p.jugular_bulb_radius_mm + 0.7)
    roof = body & middle_fossa(layout).grow(p.tegmen_plate_mm)
    back = body & posterior_fossa().grow(0.8)
    return [
        Element("tegmen plate", "cortical", "bone", roof),
        Element("posterior fossa plate", "cortical", "bone", back),
        Element("canal plate", "cortical", "bone", plate),
        Element("facial sleeve", "cortical", "bone", sleeve),
        Element("chorda sleeve", "cortical", "bone", chorda),
        Element("vessel walls", "cortical", "bone", vessels & body),
    ]


def brain_vessels_joint(layout: Layout, head: HeadParameters) -> list[Element]:
    """What lies around the bone: brain, sinus, bulb, carotid, jaw joint."""
    p = layout.parameters
    inside = ellipsoid([-head.rim_to_midline_mm, -6.0, 26.0], [62.0, 89.5, 80.5])
    fossa = middle_fossa(layout) & inside
    behind = posterior_fossa() & inside & half_space([0, 0, -15.0], [0, 0, -1])
    stem = ellipsoid([-head.rim_to_midline_mm, 6.0, 0.0], [14.0, 16.0, 60.0])
    elements = [
        Element("middle fossa", "brain", "dura", fossa),
        Element("posterior fossa", "brain", "dura", behind),
        Element("basal cistern", "fluid", "dura", (behind | fossa) & stem.grow(3.5)),
        Element("brain stem", "brain", "dura", (behind | fossa) & stem),
        Element("sigmoid sinus", "blood", "vein", sigmoid(layout)),
        Element("jugular bulb", "blood", "vein", ball(jugular_bulb_centre(layout), p.jugular_bulb_radius_mm)),
        Element("carotid artery", "blood", "carotid", tube(carotid_path(), CAROTID_RADIUS_MM)),
    ]
    elements += _joint(layout)
    return elements


def joint_cavity(layout: Layout) -> Shape:
    """Soft space of the jaw joint; the anterior canal wall's plate stands against it."""
    fossa = ellipsoid([8.2, -11.3, -3.3], [11.0, 8.0, 8.8], axes_from([0.0, -0.1, 1.0], [1.0, 0.15, 0.0]))
    plate = layout.canal(plate=True, to_depth_mm=layout.parameters.bony_length_mm + 1.0)
    return fossa.subtract(plate, 0.8)


def _joint(layout: Layout) -> list[Element]:
    cavity = joint_cavity(layout)
    condyle = ellipsoid([10.5, -12.3, -6.5], [8.2, 4.2, 5.0], axes_from([0.0, -0.15, 1.0], [1.0, 0.22, 0.0]))
    neck = capsule([11.5, -11.8, -9.0], [13.0, -9.5, -34.0], 4.2, 3.4)
    jaw = condyle.union(neck, 2.0)
    below = half_space([0, 0, -11.0], [0, 0, 1])
    return [
        Element("joint", "soft", "joint", cavity),
        Element(
            "soft tissue below the joint", "soft", "joint", ellipsoid([11.0, -14.0, -20.0], [9.0, 8.0, 13.0]) & below
        ),
        Element("condyle", "cortical", "bone", jaw),
        Element("condyle marrow", "marrow", "closed cell or marrow", jaw.grow(-1.1)),
    ]


def tegmen_defect(layout: Layout) -> list[Element]:
    """A hole in the roof of the attic with soft tissue hanging into it."""
    if not layout.parameters.tegmen_defect:
        return []
    place = np.array([0.5, 2.5, layout.tegmen_level - 0.5])
    return [Element("tegmen defect", "soft", "dura", elliptic_cylinder(place, np.eye(3), (1.6, 1.2), 1.6))]


def sutures(layout: Layout) -> list[Element]:
    """Narrow soft-tissue clefts that run from the canal surface into the bone."""
    elements = []
    for number, state in enumerate(s for s in layout.parameters.wall if s.kind == "suture"):
        radial = layout.radial(state.centre_deg)
        across = np.cross(layout.canal_axis, radial)
        start = layout.wall_at_depth(
            state.centre_deg, float(layout.rim_point(state.centre_deg) @ layout.canal_axis) + 7.0
        )
        centre = start + 1.2 * radial
        shape = box(centre, np.array([layout.canal_axis, radial, across]), [6.0, 1.8, 0.1])
        elements.append(Element(f"suture {number + 1}", "soft", "suture", shape))
    return elements
