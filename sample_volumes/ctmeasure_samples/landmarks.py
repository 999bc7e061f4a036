"""True places of every landmark of the vocabulary, in the ear's own frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ctmeasure_samples import cavity, implants, inner_ear, nerves, ossicles
from ctmeasure_samples.layout import Layout

Status = Literal["placed", "partial", "absent", "not_seen"]

# The notch between the spines has no bony rim: wall angles from the anterior to the posterior spine.
NOTCH_FROM_DEG, NOTCH_TO_DEG = 333.0, 35.0
RIM_POINTS = 16
# `canal_lateral` is clicked 6 to 8 mm further out.
CANAL_LATERAL_MM = 7.0


@dataclass(frozen=True, eq=False)
class TruePoint:
    """One landmark: its status and its points (n, 3), ear frame, mm (none when it is not there)."""

    id: str
    status: Status
    points: np.ndarray
    ring: bool = False


def drum_contact(layout: Layout) -> np.ndarray:
    """Where the footplate's normal meets the drum's medial surface."""
    from scipy.optimize import brentq

    _, inner = cavity.drum_profile(layout)
    width, height = layout.rim_semi_axes
    ua, ub = cavity.umbo_share(layout)
    steps = np.linspace(0.0, 1.0, len(inner))

    def over(t: float) -> float:
        p = layout.footplate + t * layout.stapes_axis
        va, vb = p @ layout.rim_posterior / width - ua, p @ layout.rim_superior / height - ub
        r = float(np.hypot(va, vb))
        half = (ua * va + ub * vb) / max(r, 1e-9)
        reach = -half + float(np.sqrt(max(half * half + 1.0 - ua * ua - ub * ub, 1e-6)))
        return float(p @ layout.rim_normal) - float(np.interp(min(r / reach, 1.0), steps, inner))

    grid = np.linspace(1.0, 12.0, 221)
    values = np.array([over(t) for t in grid])
    first = int(np.argmax(values >= 0.0))
    return layout.footplate + brentq(over, grid[first - 1], grid[first]) * layout.stapes_axis


def anchor_angles(layout: Layout) -> tuple[float, float]:
    """Wall angles of the two holes."""
    return layout.parameters.handle_hole_angles_deg


def _ossicle_points(layout: Layout) -> dict[str, tuple[bool, np.ndarray]]:
    p = layout.parameters
    m, i = ossicles.malleus_points(layout), ossicles.incus_points(layout)
    head = ossicles.stapes_head_point(layout)
    long_incus = p.incus == "present"
    return {
        "umbo": (p.malleus == "present", m["umbo"]),
        "malleus_lateral_process": (p.malleus != "absent", m["lateral_process"]),
        "malleus_neck": (p.malleus != "absent", m["neck"]),
        "incus_long_process": (long_incus, i["tip"]),
        "incus_contact": (long_incus, i["contact"]),
        "incus_short_process": (p.incus != "absent", i["short"]),
        "incudostapedial_joint": (long_incus and p.stapes_arch == "present", i["joint"]),
        "stapes_head": (p.stapes_arch == "present", head),
    }


def true_landmarks(layout: Layout) -> dict[str, TruePoint]:
    """Every landmark of the vocabulary, present or not.

    Parameters
    ----------
    layout
        The ear.

    Returns
    -------
    dict
        By landmark id; structures that are not there have status ``absent`` and no points.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> from ctmeasure_samples.layout import make_layout
    >>> from ctmeasure_samples.parameters import EarParameters
    >>> true_landmarks(make_layout(EarParameters()))["annulus"].points.shape
    (16, 3)
    """
    p = layout.parameters
    plate = layout.footplate
    half_l, half_w = 0.5 * p.footplate_length_mm, 0.5 * p.footplate_width_mm
    short = layout.footplate_short
    _, inner = cavity.drum_profile(layout)
    centre = layout.umbo - layout.rim_normal * float(layout.umbo @ layout.rim_normal)
    if p.drum == "lateralised":
        centre = np.zeros(3)
    rim = layout.rim_point(np.linspace(NOTCH_TO_DEG + 5.0, NOTCH_FROM_DEG - 5.0, RIM_POINTS))
    edge = cavity.notch_height_mm(layout)
    membrane, outwards = cavity.round_window(layout)
    sure: dict[str, np.ndarray] = {
        "canal_medial": np.zeros(3),
        "canal_lateral": CANAL_LATERAL_MM * layout.canal_axis,
        "drum_centre": centre + inner[0] * layout.rim_normal,
        "drum_contact": drum_contact(layout),
        "footplate_centre": plate,
        "footplate_anterior": plate - half_l * layout.footplate_long,
        "footplate_posterior": plate + half_l * layout.footplate_long,
        "footplate_superior": plate + half_w * short,
        "footplate_inferior": plate - half_w * short,
        "scutum": layout.rim_point(8.0) + edge * layout.rim_superior,
        "anterior_tympanic_spine": layout.rim_point(NOTCH_FROM_DEG),
        "posterior_tympanic_spine": layout.rim_point(NOTCH_TO_DEG),
        "cochleariform_process": nerves.cochleariform_point(layout),
        "pyramidal_eminence": nerves.pyramid_point(layout),
        "second_genu": layout.facial_path[nerves.facial_index(layout, 4)],
        "sinus_tympani": cavity.sinus_tympani_end(layout),
        "spine_of_henle": _spine_of_henle(layout),
        "round_window": membrane + 0.9 * outwards,
        "promontory": layout.promontory,
    }
    marks = {name: TruePoint(name, "placed", point[None, :]) for name, point in sure.items()}
    marks["annulus"] = TruePoint("annulus", "placed", rim, ring=True)
    for name, line in (
        ("lateral_semicircular_canal", inner_ear.lateral_canal(layout)),
        ("superior_semicircular_canal", inner_ear.superior_arc(layout)),
    ):
        picks = np.linspace(0.06, 0.94, 8) * (len(line) - 1)
        marks[name] = TruePoint(name, "placed", line[np.rint(picks).astype(int)], ring=True)
    for name, (there, point) in _ossicle_points(layout).items():
        marks[name] = TruePoint(name, "placed" if there else "absent", point[None, :] if there else np.zeros((0, 3)))
    entry = chorda_entry(layout)
    chorda = p.chorda == "present"
    marks["chorda_entry"] = TruePoint(
        "chorda_entry", "placed" if chorda else "absent", entry[None, :] if chorda else np.zeros((0, 3))
    )
    handle = implants.handle_points(layout) if p.new_handle else {}
    for name in ("top", "tip", "contact"):
        points = handle[name][None, :] if handle else np.zeros((0, 3))
        marks[f"handle_{name}"] = TruePoint(f"handle_{name}", "placed" if handle else "absent", points)
    has_strut = p.old_strut or p.strut is not None
    strut = implants.strut_points(layout) if has_strut else np.zeros((0, 3))
    marks["old_prosthesis"] = TruePoint("old_prosthesis", "placed" if has_strut else "absent", strut)
    for number, angle in enumerate(anchor_angles(layout), start=1):
        entry_point = layout.wall_point(angle, p.handle_rim_distance_mm)
        along = entry_point + 3.0 * implants.drill_direction(layout, angle)
        marks[f"anchor_{number}"] = TruePoint(f"anchor_{number}", "placed", np.array([entry_point, along]))
    return marks


def chorda_entry(layout: Layout) -> np.ndarray:
    """Point of the chorda's path nearest to the posterior rim: where it enters the middle ear."""
    return nerves.chorda_bone_part(layout)[-1]


def _spine_of_henle(layout: Layout) -> np.ndarray:
    """Bony edge of the canal's outer end, above and behind."""
    i = int(np.argmin(np.abs(layout.canal_depths - layout.parameters.bony_length_mm)))
    semi = layout.canal_semi_axes[i]
    a = np.radians(50.0)
    radius = 1.0 / np.sqrt((np.cos(a) / semi[0]) ** 2 + (np.sin(a) / semi[1]) ** 2)
    across = np.cos(a) * layout.canal_superiors[i] + np.sin(a) * layout.canal_posteriors[i]
    return layout.canal_centres[i] + radius * across
