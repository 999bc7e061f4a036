"""True values of the measurands, from the shapes (ear frame; distances do not depend on the side)."""

from __future__ import annotations

import numpy as np

from ctmeasure_samples import cavity, implants
from ctmeasure_samples.landmarks import TruePoint
from ctmeasure_samples.layout import Layout
from ctmeasure_samples.model import EarModel
from ctmeasure_samples.shapes import tube
from ctmeasure_samples.structures import TrueStructure, surface_along

CANAL_DEPTHS_MM = (2.0, 4.0, 6.0)
CLOCK_ANGLES_DEG = tuple(range(0, 360, 15))

Key = tuple[str, str]

DISTANCES = {
    "drum_to_promontory": (("drum_centre",), "promontory"),
    "drum_to_footplate": (("drum_contact", "drum_centre"), "footplate_centre"),
    "umbo_to_footplate": (("umbo",), "footplate_centre"),
    "handle_to_footplate": (("handle_contact", "handle_tip"), "footplate_centre"),
    "handle_to_stapes_head": (("handle_contact", "handle_tip"), "stapes_head"),
    "drum_to_stapes_head": (("drum_contact", "drum_centre"), "stapes_head"),
    "incus_to_footplate": (("incus_contact", "incus_long_process"), "footplate_centre"),
    "malleus_neck_to_stapes_head": (("malleus_neck",), "stapes_head"),
    "malleus_neck_to_footplate": (("malleus_neck",), "footplate_centre"),
    "stapes_height": (("stapes_head",), "footplate_centre"),
    "handle_to_promontory": (("handle_tip",), "promontory"),
    "footplate_length": (("footplate_anterior",), "footplate_posterior"),
    "footplate_width": (("footplate_superior",), "footplate_inferior"),
    "hole_span": (("anchor_1",), "anchor_2"),
}


def rim_diameters(layout: Layout) -> tuple[float, float]:
    """Largest and smallest diameter of the rim: an exact ellipse, the oblique section of a straight cylinder."""
    rs, rp = layout.canal_semi_axes[0]
    along = float(layout.rim_normal @ layout.canal_axis)
    a = rs * (layout.canal_superior - layout.canal_axis * float(layout.canal_superior @ layout.rim_normal) / along)
    b = rp * (layout.canal_posterior - layout.canal_axis * float(layout.canal_posterior @ layout.rim_normal) / along)
    values = np.linalg.svd(np.array([a, b]), compute_uv=False)
    return 2.0 * float(values[0]), 2.0 * float(values[1])


def _first(marks: dict[str, TruePoint], names: tuple[str, ...]) -> np.ndarray | None:
    for name in names:
        if len(marks[name].points):
            return marks[name].points[0]
    return None


def _nearest(structure: TrueStructure, point: np.ndarray) -> tuple[float, np.ndarray]:
    """Distance to a tube's wall, and the vector from the point to the nearest wall point."""
    a, step = structure.points[:-1], np.diff(structure.points, axis=0)
    t = np.clip(((point - a) * step).sum(axis=1) / (step**2).sum(axis=1), 0.0, 1.0)
    off = a + t[:, None] * step - point
    length = np.linalg.norm(off, axis=1)
    gap = length - (structure.radii[:-1] + t * np.diff(structure.radii))
    best = int(np.argmin(gap))
    return float(gap[best]), off[best] * (gap[best] / length[best])


def true_measurands(
    ear: EarModel, marks: dict[str, TruePoint], structures: dict[str, TrueStructure]
) -> dict[Key, float]:
    """Every measurand that exists in this ear, keyed by (id, qualifier).

    Parameters
    ----------
    ear, marks, structures
        The ear and its true landmarks and structures.

    Returns
    -------
    dict
        Millimetres or degrees; what needs an absent structure is left out.

    Raises
    ------
    Nothing.

    Notes
    -----
    Qualifiers: of the drum "medial face perpendicular" and so on; of canal diameters "depth 2 mm"; of the rim's
    distances "90 deg", "90 deg lateral", "90 deg posterior".
    """
    layout = ear.layout
    out: dict[Key, float] = {}
    for name, (starts, end) in DISTANCES.items():
        start, stop = _first(marks, starts), _first(marks, (end,))
        if start is not None and stop is not None:
            out[name, ""] = float(np.linalg.norm(start - stop))
    out |= _drum_values(layout)
    big, small = rim_diameters(layout)
    along = float(layout.rim_normal @ layout.canal_axis)
    out["annulus_diameter_max", ""], out["annulus_diameter_min", ""] = big, small
    out["annulus_to_canal_angle", ""] = float(np.degrees(np.arccos(along)))
    out["annulus_to_footplate", ""] = float(np.linalg.norm(layout.footplate))
    if len(marks["handle_tip"].points):
        out["handle_medialisation", ""] = float(marks["handle_tip"].points[0] @ layout.rim_normal)
    for word, names in (
        ("handle", ("handle_contact",)), ("umbo", ("umbo",)), ("drum", ("drum_contact",)), ("incus", ("incus_contact",))
    ):  # fmt: skip
        contact = _first(marks, names)
        if contact is not None:
            axis = contact - layout.footplate
            cosine = float(axis @ layout.stapes_axis) / float(np.linalg.norm(axis))
            out["prosthesis_axis_tilt", f"{word} to footplate"] = float(np.degrees(np.arccos(min(cosine, 1.0))))
    out |= _niche_values(ear, marks, structures)
    out |= _canal_values(layout)
    out |= _nerve_values(ear, marks, structures)
    out |= _hole_values(ear, marks)
    return out


def _drum_values(layout: Layout) -> dict[Key, float]:
    outer, inner = cavity.drum_profile(layout)
    along = float(layout.rim_normal @ layout.canal_axis)
    return {
        ("drum_lateralisation", "medial face perpendicular"): float(inner[0]),
        ("drum_lateralisation", "medial face along axis"): float(inner[0]) / along,
        ("drum_lateralisation", "lateral face perpendicular"): float(outer[0]),
        ("drum_lateralisation", "lateral face along axis"): float(outer[0]) / along,
        ("drum_thickness", ""): float(outer[0] - inner[0]),
        # Height of the drum's outer face over the rim, where a plain drum lies in the rim plane.
        ("anterior_blunting", ""): max(float(outer[-1]) - float(outer[0] - inner[0]), 0.0),
    }


def _canal_values(layout: Layout) -> dict[Key, float]:
    out: dict[Key, float] = {}
    for depth in CANAL_DEPTHS_MM:
        semi = [float(np.interp(depth, layout.canal_depths, layout.canal_semi_axes[:, i])) for i in range(2)]
        out["canal_diameter_max", f"depth {depth:g} mm"] = 2.0 * max(semi)
        out["canal_diameter_min", f"depth {depth:g} mm"] = 2.0 * min(semi)
    # How far the anterior wall stands inwards of the rim's own radius, seen along the axis.
    rim = layout.rim_point(270.0)
    radius = float(np.linalg.norm(rim - layout.canal_axis * float(rim @ layout.canal_axis)))
    walls = [layout.wall_at_depth(270.0, d) for d in np.arange(float(rim @ layout.canal_axis), 8.0, 0.05)]
    least = min(float(np.linalg.norm(w - layout.canal_axis * float(w @ layout.canal_axis))) for w in walls)
    out["canal_overhang", ""] = radius - least
    return out


def _nerve_values(ear: EarModel, marks: dict[str, TruePoint], structures: dict[str, TrueStructure]) -> dict[Key, float]:
    layout = ear.layout
    facial, chorda = structures["facial_nerve"], structures["chorda_tympani"]
    out: dict[Key, float] = {("footplate_to_facial_nerve", ""): _nearest(facial, layout.footplate)[0]}
    for name, tube_truth in (("annulus_to_facial_nerve", facial), ("annulus_to_chorda", chorda)):
        if not len(tube_truth.points):
            continue
        for angle in CLOCK_ANGLES_DEG:
            gap, vector = _nearest(tube_truth, layout.rim_point(float(angle)))
            out[name, f"{angle} deg"] = gap
            out[name, f"{angle} deg lateral"] = float(vector @ layout.rim_normal)
            out[name, f"{angle} deg posterior"] = float(vector @ layout.canal_posterior)
    if len(marks["chorda_entry"].points):
        out["facial_recess_width", ""] = _nearest(facial, marks["chorda_entry"].points[0])[0]
    deepest = marks["sinus_tympani"].points[0]
    gap, _ = _nearest(facial, deepest)
    at = int(np.argmin(np.linalg.norm(facial.points - deepest, axis=1)))
    out["sinus_tympani_depth", "to facial canal"] = gap
    out["sinus_tympani_depth", "past facial canal"] = float(deepest[1] - (facial.points[at][1] - facial.radii[at]))
    scutum = marks["scutum"].points[0]
    from ctmeasure_samples.skull import middle_fossa

    roof = surface_along(middle_fossa(layout), scutum[None, :], layout.canal_superior[None, :], 25.0)
    if len(roof):
        out["tegmen_height", ""] = float(np.linalg.norm(roof[0] - scutum))
    return out


def _niche_values(ear: EarModel, marks: dict[str, TruePoint], structures: dict[str, TrueStructure]) -> dict[Key, float]:
    """Niche in the plane of the footplate's normal and short axis: from the facial canal's wall to the promontory."""
    layout = ear.layout
    normal, short, centre = layout.stapes_axis, layout.footplate_short, layout.footplate
    facial = structures["facial_nerve"]
    wall = tube(facial.points, facial.radii)
    best: tuple[float, float] | None = None
    heights = np.arange(0.3, 2.01, 0.1)
    starts = centre + heights[:, None] * normal
    for height, start, gap in zip(heights, starts, wall.distance(starts), strict=True):
        floor = next((b for e, b, _ in ear.runs(start, -short, 4.0) if e is not None and e.is_bone), None)
        ceiling = surface_along(wall, start[None, :], short[None, :], 4.0) if gap < 3.0 else np.zeros((0, 3))
        if floor is None or not len(ceiling):
            continue
        total = floor + float(np.linalg.norm(ceiling[0] - start))
        if best is None or total < best[0]:
            best = (total, float(height))
    out: dict[Key, float] = {}
    if best is not None:
        out["oval_window_niche_height", "from the scan"] = best[0]
        out["niche_depth", "from the scan"] = best[1]
    contact = _first(marks, ("drum_contact",))
    if contact is not None:
        line = centre + np.linspace(0.0, 1.0, 400)[:, None] * (contact - centre)
        out["facial_overhang", ""] = -float(wall.distance(line).min())
    return out


def _hole_values(ear: EarModel, marks: dict[str, TruePoint]) -> dict[Key, float]:
    out: dict[Key, float] = {}
    ends = []
    if ear.parameters.new_handle:
        # The holes are there and filled: no wall is left to be measured.
        return out
    for number in (1, 2):
        entry, beyond = marks[f"anchor_{number}"].points
        direction = (beyond - entry) / np.linalg.norm(beyond - entry)
        reading = ear.wall_along(entry, direction)
        out["wall_thickness", f"anchor_{number} to_first_gap"] = reading.to_first_gap_mm
        out["wall_thickness", f"anchor_{number} to_exit"] = reading.to_exit_mm
        ends.append((entry, entry + direction * reading.to_exit_mm))
    out["bone_bridge", "at entry"] = float(np.linalg.norm(ends[0][0] - ends[1][0])) - 2.0 * implants.HOLE_RADIUS_MM
    if np.isfinite(ends[0][1]).all() and np.isfinite(ends[1][1]).all():
        out["bone_bridge", "at exit"] = float(np.linalg.norm(ends[0][1] - ends[1][1])) - 2.0 * implants.HOLE_RADIUS_MM
    return {k: v for k, v in out.items() if np.isfinite(v)}
