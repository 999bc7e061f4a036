"""The labyrinth (cochlea, vestibule, semicircular canals), its dense capsule, and the internal auditory canal."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples.cavity import round_window
from ctmeasure_samples.elements import Element
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.shapes import Shape, axes_from, capsule, ellipsoid, elliptic_cylinder, smooth_path, tube, unit
from ctmeasure_samples.skull import posterior_fossa, temporal_bone

COCHLEAR_TURNS = 2.6
COCHLEAR_AXIS = unit([0.70, -0.70, -0.12])  # base to apex
CANAL_RADIUS_MM = 0.52
CAPSULE_MM = 1.15


def cochlea_path(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Centre-line of the cochlear duct from the round window to the apex, and its radius."""
    scale = layout.parameters.inner_ear_scale
    axis = COCHLEAR_AXIS
    outwards = unit([0.7, 0.7, 0.0])
    up = np.cross(axis, outwards)
    up = up if up[2] > 0 else -up
    start = np.radians(-18.0)
    middle = layout.from_footplate(-0.75, 0.45, -2.75) - 4.1 * scale * (np.cos(start) * outwards + np.sin(start) * up)
    t = np.linspace(0.0, COCHLEAR_TURNS * 2.0 * np.pi, 84)
    # Spiral that narrows by about half per turn; height 5.1 (4.4-5.9): Purcell et al. 2006.
    radius = scale * (0.55 + 3.55 * np.exp(-0.155 * t)) * np.where(t > 0, 1.0, 1.0)
    height = scale * 3.1 * (t / t[-1]) ** 0.9
    turn = start - t
    line = middle + radius[:, None] * (np.cos(turn)[:, None] * outwards + np.sin(turn)[:, None] * up)
    line = line + height[:, None] * axis
    return line, scale * np.interp(t, [0.0, np.pi, 4 * np.pi, t[-1]], [0.98, 0.88, 0.62, 0.5])


def modiolus(layout: Layout) -> Shape:
    """Bony core the turns wind round."""
    line, _ = cochlea_path(layout)
    base = line[:33].mean(axis=0)
    return capsule(base - 0.8 * COCHLEAR_AXIS, base + 2.6 * COCHLEAR_AXIS, 1.1, 0.4)


def vestibule(layout: Layout) -> Shape:
    """Vestibule, reaching the inner face of the footplate and the base of the cochlea."""
    p = layout.parameters
    s = p.inner_ear_scale
    body = ellipsoid(layout.from_footplate(-2.15, 0.35, 0.4), np.array([1.75, 2.3, 2.4]) * s)
    utricle = ellipsoid(layout.from_footplate(-2.1, 1.2, 2.5), np.array([1.25, 1.7, 1.25]) * s)
    axes = np.array([layout.footplate_long, np.cross(layout.stapes_axis, layout.footplate_long), layout.stapes_axis])
    window = elliptic_cylinder(
        layout.footplate - (p.footplate_thickness_mm + 0.6) * layout.stapes_axis,
        axes,
        (0.5 * p.footplate_length_mm - 0.12, 0.5 * p.footplate_width_mm - 0.08),
        0.6,
    )
    line, _ = cochlea_path(layout)
    hook = capsule(layout.from_footplate(-1.6, 0.9, -1.0), line[0], 0.9, 0.9)
    return body.union(utricle, 0.6).union(hook, 0.4) | window


def _arc(
    centre: np.ndarray, first: np.ndarray, second: np.ndarray, radius: float, start: float, end: float
) -> np.ndarray:
    a = np.radians(np.linspace(start, end, 33))[:, None]
    return centre + radius * (np.cos(a) * first + np.sin(a) * second)


def lateral_canal(layout: Layout) -> np.ndarray:
    """Centre-line of the lateral semicircular canal (bony island 3.7: Purcell et al. 2006)."""
    scale = layout.parameters.inner_ear_scale
    tip_x, tip_y = np.radians(layout.parameters.lateral_canal_tilt_deg)
    first = unit([1.0, 0.0, np.tan(tip_x)])
    second = unit(np.array([0.0, 1.0, np.tan(tip_y)]) - first * first[2] * np.tan(tip_y))
    return _arc(layout.from_footplate(-1.1, 3.4, 3.35), first, second, 2.4 * scale, -85.0, 205.0)


def superior_arc(layout: Layout) -> np.ndarray:
    """The plane, circular part of the superior semicircular canal."""
    scale = layout.parameters.inner_ear_scale
    return _arc(
        layout.from_footplate(-3.5, 0.9, 4.4),
        unit([0.59, -0.79, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        3.0 * scale,
        -30.0,
        200.0,
    )


def superior_canal(layout: Layout) -> np.ndarray:
    """Centre-line of the superior semicircular canal, from the vestibule over the top to the common crus."""
    line = superior_arc(layout)
    return smooth_path(
        np.concatenate([[layout.from_footplate(-2.4, -0.3, 1.6)], line, [layout.from_footplate(-4.0, 2.0, 1.6)]]), 0.4
    )


def posterior_canal(layout: Layout) -> np.ndarray:
    """Centre-line of the posterior semicircular canal, from the common crus back and down to the vestibule."""
    scale = layout.parameters.inner_ear_scale
    line = _arc(
        layout.from_footplate(-3.3, 5.5, 1.7),
        unit([0.70, 0.71, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        3.0 * scale,
        145.0,
        -125.0,
    )
    return smooth_path(
        np.concatenate([[layout.from_footplate(-4.4, 2.6, 2.6)], line, [layout.from_footplate(-2.4, 1.9, -0.6)]]), 0.4
    )


def labyrinth(layout: Layout) -> Shape:
    """All fluid spaces of the inner ear."""
    line, radii = cochlea_path(layout)
    r = CANAL_RADIUS_MM * layout.parameters.inner_ear_scale
    canals = tube(lateral_canal(layout), r) | tube(superior_canal(layout), r) | tube(posterior_canal(layout), r)
    ampulla = ellipsoid(lateral_canal(layout)[2], [0.85, 0.85, 0.8])
    return tube(line, radii) | vestibule(layout) | canals | ampulla


def internal_canal(layout: Layout) -> Shape:
    """Internal auditory canal."""
    fundus = layout.from_footplate(-6.5, -2.2, 1.6)
    return tube([fundus, fundus + np.array([-4.5, 1.6, -0.3]), fundus + np.array([-11.5, 4.6, -0.6])], [1.55, 2.0, 2.9])


def cochlear_nerve_gate(layout: Layout) -> Shape:
    """Way of the cochlear nerve from the fundus into the modiolus."""
    line, _ = cochlea_path(layout)
    base = line[:33].mean(axis=0)
    fundus = layout.from_footplate(-6.5, -2.2, 1.6)
    return capsule(fundus, base - 0.3 * COCHLEAR_AXIS, 0.9, 0.6)


def vestibular_aqueduct(layout: Layout) -> np.ndarray:
    """Centre-line of the vestibular aqueduct."""
    return np.array(
        [
            layout.from_footplate(-3.9, 1.9, 2.2),
            layout.from_footplate(-5.4, 4.6, 2.6),
            layout.from_footplate(-5.6, 8.2, -0.8),
        ]
    )


def promontory_bump(layout: Layout) -> Shape:
    """Bone of the promontory: its most lateral point is the landmark."""
    return ellipsoid(layout.promontory - np.array([2.1, 0.0, 0.0]), [2.1, 2.2, 2.0])


def capsule_elements(layout: Layout) -> list[Element]:
    """Dense bone around the labyrinth, with the promontory."""
    shell = labyrinth(layout).grow(CAPSULE_MM)
    fundus = layout.from_footplate(-6.5, -2.2, 1.6)
    sleeve = tube(
        [fundus, fundus + np.array([-4.5, 1.6, -0.3]), fundus + np.array([-11.5, 4.6, -0.6])], [2.3, 2.8, 3.6]
    )
    return [
        Element("canal sleeve", "cortical", "bone", (sleeve & temporal_bone(layout)) - posterior_fossa()),
        Element("otic capsule", "capsule", "bone", shell.union(promontory_bump(layout), 0.7)),
    ]


def fluid_elements(layout: Layout) -> list[Element]:
    """Fluid of labyrinth and internal canal, nerves in it, the spiral lamina and the round-window membrane."""
    line, radii = cochlea_path(layout)
    membrane, outwards = round_window(layout)
    lamina = tube(line[5:], 0.06)
    canal = internal_canal(layout)
    fundus = layout.from_footplate(-6.5, -2.2, 1.6)
    nerve = capsule(fundus + np.array([-1.0, 0.8, -0.5]), fundus + np.array([-16.0, 6.2, -0.9]), 0.9, 1.2)
    disc = elliptic_cylinder(membrane + 0.05 * outwards, axes_from(outwards, [0.0, 0.0, 1.0]), (0.95, 0.85), 0.06)
    return [
        Element("internal auditory canal", "fluid", "dura", canal),
        Element("eighth nerve", "nerve", "dura", nerve & canal.grow(4.0)),
        Element("cochlear nerve gate", "nerve", "inner ear", cochlear_nerve_gate(layout)),
        Element("labyrinth", "fluid", "inner ear", labyrinth(layout)),
        Element("vestibular aqueduct", "fluid", "inner ear", tube(vestibular_aqueduct(layout), 0.33)),
        Element("modiolus", "capsule", "bone", modiolus(layout) - tube(line, radii).grow(-0.05)),
        Element("spiral lamina", "capsule", "bone", lamina),
        Element("round-window membrane", "soft", "inner ear", disc),
    ]
