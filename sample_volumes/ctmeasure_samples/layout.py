"""Where things lie in one ear: key points, directions and paths, worked out once from the parameters.

The ear's own frame, the same for left and right ears: origin at the centre of the drum rim, x outwards (lateral),
y posterior, z superior, in millimetres; the plane z = 0 is parallel to the lateral semicircular canal (when that is not
tilted). For a left ear it is a rotation and shift of the patient frame; a right ear is its mirror image in x.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure_samples.parameters import EarParameters
from ctmeasure_samples.shapes import Shape, canal_tube, unit

# The medial straight part of the canal runs from here to here along its axis, depth measured from the rim centre.
STRAIGHT_FROM_MM = -4.0
STRAIGHT_TO_MM = 8.0
PLATE_ANGLES = 72
PLATE_DEPTHS = 19
STEEPEST_PLATE = 1.0
PLATE_ARC_RADIUS_MM = 4.5

# Mean place of the footplate centre; everything of the inner ear is placed relative to it.
FOOTPLATE_HOME = np.array([-4.2, 2.6, 2.8])
STAPES_AXIS = unit([0.95, -0.10, -0.25])


@dataclass(frozen=True, eq=False)
class Layout:
    """Key geometry of one ear (ear frame, mm); see the attributes' names."""

    parameters: EarParameters
    rim_normal: np.ndarray
    rim_posterior: np.ndarray
    rim_superior: np.ndarray
    canal_axis: np.ndarray
    canal_superior: np.ndarray
    canal_posterior: np.ndarray
    canal_centres: np.ndarray
    canal_superiors: np.ndarray
    canal_posteriors: np.ndarray
    canal_semi_axes: np.ndarray
    canal_depths: np.ndarray
    umbo: np.ndarray
    promontory: np.ndarray
    footplate: np.ndarray
    stapes_axis: np.ndarray
    footplate_long: np.ndarray
    footplate_short: np.ndarray
    facial_path: np.ndarray
    facial_radii: np.ndarray
    facial_corners: np.ndarray
    facial_oval_window: np.ndarray
    chorda_path: np.ndarray
    tegmen_level: float

    # --- canal wall -------------------------------------------------------------------------------------------
    def radial(self, angle_deg: float | np.ndarray) -> np.ndarray:
        """Unit direction across the canal axis at a wall angle (0 superior, 90 posterior)."""
        a = np.radians(np.asarray(angle_deg, dtype=np.float64))[..., None]
        return np.cos(a) * self.canal_superior + np.sin(a) * self.canal_posterior

    def rim_point(self, angle_deg: float | np.ndarray) -> np.ndarray:
        """Point of the bony rim at a wall angle: the canal's straight end cut by the rim plane."""
        a = np.radians(np.asarray(angle_deg, dtype=np.float64))
        rs, rp = self.canal_semi_axes[0]
        radius = 1.0 / np.sqrt((np.cos(a) / rs) ** 2 + (np.sin(a) / rp) ** 2)
        across = radius[..., None] * self.radial(angle_deg)
        depth = -(across @ self.rim_normal) / float(self.canal_axis @ self.rim_normal)
        return across + depth[..., None] * self.canal_axis

    def wall_point(self, angle_deg: float, rim_distance_mm: float) -> np.ndarray:
        """Point of the bony canal wall a distance along the wall out from the rim, at a fixed wall angle."""
        rim = self.rim_point(angle_deg)
        start = float(rim @ self.canal_axis)
        steps = np.linspace(0.0, 1.2 * rim_distance_mm + 0.2, 400)
        line = np.array([self.wall_at_depth(angle_deg, start + s) for s in steps])
        arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        return np.array([np.interp(rim_distance_mm, arc, line[:, i]) for i in range(3)])

    def wall_at_depth(self, angle_deg: float, depth_mm: float) -> np.ndarray:
        """Point of the bony canal wall at a wall angle and a depth along the straight axis."""
        semi = [np.interp(depth_mm, self.canal_depths, self.canal_semi_axes[:, i]) for i in range(2)]
        a = np.radians(angle_deg)
        radius = 1.0 / np.sqrt((np.cos(a) / semi[0]) ** 2 + (np.sin(a) / semi[1]) ** 2)
        return depth_mm * self.canal_axis + radius * self.radial(angle_deg)

    @property
    def rim_axes(self) -> np.ndarray:
        """Rows: posterior in the rim plane, superior in the rim plane, outward normal."""
        return np.array([self.rim_posterior, self.rim_superior, self.rim_normal])

    @property
    def rim_semi_axes(self) -> tuple[float, float]:
        """Half width (posterior) and half height (superior) of the rim in its own plane."""
        width = np.linalg.norm(self.rim_point(90.0) - self.rim_point(270.0))
        height = np.linalg.norm(self.rim_point(0.0) - self.rim_point(180.0))
        return 0.5 * float(width), 0.5 * float(height)

    def canal(self, grow_mm: float = 0.0, *, to_depth_mm: float | None = None, plate: bool = False) -> Shape:
        """The canal's bony outline (grown), or with `plate` the bone plate around it."""
        keep = slice(None)
        if to_depth_mm is not None:
            keep = slice(0, max(2, int(np.searchsorted(self.canal_depths, to_depth_mm)) + 1))
        table = self.plate_table() if plate else None
        return canal_tube(
            self.canal_centres[keep],
            self.canal_superiors[keep],
            self.canal_posteriors[keep],
            self.canal_semi_axes[keep] + grow_mm,
            plate_mm=table,
            rim_normal=self.rim_normal,
            rim_offset_mm=float(self.canal_depths[0]),
        )

    def plate_table(self) -> np.ndarray:
        """Bone plate (angle, depth past the rim): what lies behind the canal wall begins beyond it."""
        p = self.parameters
        up, back = p.superior_plate_mm, p.posterior_plate_mm
        anchors = [
            (0.0, up), (40.0, 0.5 * (up + back)), (90.0, back), (135.0, back + 0.8), (165.0, 4.0), (195.0, 4.0),
            (225.0, p.anterior_inferior_wall_mm), (255.0, p.anterior_inferior_wall_mm),
            (285.0, p.anterior_superior_wall_mm), (315.0, p.anterior_superior_wall_mm), (360.0, up),
        ]  # fmt: skip
        angles = np.arange(PLATE_ANGLES) * 360.0 / PLATE_ANGLES
        at_rim = np.interp(angles, [a for a, _ in anchors], [v for _, v in anchors])
        upper = 0.5 * (1.0 + np.cos(np.radians(angles)))
        depth = np.arange(PLATE_DEPTHS, dtype=np.float64)
        table = at_rim[:, None] + upper[:, None] ** 2 * 0.38 * np.minimum(depth, 6.0)[None, :] + 0.05 * depth[None, :]
        for state in p.wall:
            if state.kind not in ("solid", "cellular"):
                continue
            off = np.abs((angles - state.centre_deg + 180.0) % 360.0 - 180.0)
            weight = np.clip((0.5 * state.width_deg + 12.0 - off) / 12.0, 0.0, 1.0)
            rise = 0.12 * depth
            table = table * (1.0 - weight[:, None]) + weight[:, None] * (state.plate_mm + rise[None, :])
        return _no_steep_steps(np.maximum(table, 0.15))

    @property
    def rim_top_z(self) -> float:
        """Height of the rim's upper edge."""
        return float(self.rim_point(0.0)[2])

    @property
    def rim_bottom_z(self) -> float:
        """Height of the rim's lower edge."""
        return float(self.rim_point(180.0)[2])

    def from_footplate(self, x: float, y: float, z: float) -> np.ndarray:
        """Point given relative to the footplate centre of the mean inner ear, at this ear's scale."""
        return self.footplate + self.parameters.inner_ear_scale * np.array([x, y, z])


def _no_steep_steps(table: np.ndarray) -> np.ndarray:
    """Lower thick places beside thin ones, so that the plate changes by at most STEEPEST_PLATE per millimetre round."""
    step = STEEPEST_PLATE * 2.0 * np.pi / PLATE_ANGLES * PLATE_ARC_RADIUS_MM
    for _ in range(PLATE_ANGLES // 2):
        table = np.minimum(table, np.minimum(np.roll(table, 1, axis=0), np.roll(table, -1, axis=0)) + step)
    return table


def rounded_path(corners: np.ndarray, rounding_mm: float, step_mm: float = 0.5) -> np.ndarray:
    """Polyline with its corners rounded; points at about equal steps."""
    p = np.asarray(corners, dtype=np.float64)
    pieces = [p[:1]]
    for before, here, after in zip(p[:-2], p[1:-1], p[2:], strict=True):
        a, b = np.linalg.norm(here - before), np.linalg.norm(after - here)
        cut_a, cut_b = min(rounding_mm, 0.48 * a), min(rounding_mm, 0.48 * b)
        start = here + (before - here) * cut_a / a
        end = here + (after - here) * cut_b / b
        t = np.linspace(0.0, 1.0, 9)[:, None]
        pieces.append((1 - t) ** 2 * start + 2 * t * (1 - t) * here + t**2 * end)
    pieces.append(p[-1:])
    line = np.concatenate(pieces)
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    even = np.linspace(0.0, arc[-1], int(np.ceil(arc[-1] / step_mm)) + 1)
    return np.stack([np.interp(even, arc, line[:, i]) for i in range(3)], axis=1)


def _canal_path(p: EarParameters, axis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre-line and depth (arc length from the rim centre) of the canal."""
    from scipy.interpolate import CubicHermiteSpline

    end = p.canal_length_mm
    bony = p.bony_length_mm
    shift = p.bend_mm
    knots = np.array([STRAIGHT_TO_MM, bony, bony + 5.0, max(end - 3.0, bony + 7.0), max(end, bony + 10.0)])
    straight = knots[:, None] * axis
    sideways = np.array([[0, 0, 0], [0, -0.15, 0.1], [0, -1.0, 0.0], [0, -0.8, -0.25], [0, -0.5, -0.35]]) * shift
    slopes = np.tile(axis, (5, 1)) + np.array(
        [[0, 0, 0], [0, -0.1, 0], [0, -0.06, -0.03], [0, 0.08, -0.03], [0, 0.1, 0]]
    )
    curve = CubicHermiteSpline(knots, straight + sideways, slopes)
    depth = np.concatenate(
        [[STRAIGHT_FROM_MM, 0.0, 2.5, 3.5, 4.5, 5.5, 6.5, 7.25], np.linspace(STRAIGHT_TO_MM, knots[-1], 24)]
    )
    line = np.where(depth[:, None] <= STRAIGHT_TO_MM, depth[:, None] * axis, curve(np.maximum(depth, STRAIGHT_TO_MM)))
    return line, depth


def _cross_section(
    p: EarParameters, normal: np.ndarray, axis: np.ndarray, superior: np.ndarray, posterior: np.ndarray
) -> tuple[float, float]:
    """Superior and posterior half axis of the canal's end whose oblique cut is nearest to the wanted rim ellipse."""
    from scipy.optimize import least_squares

    along = float(normal @ axis)
    up = superior - axis * float(superior @ normal) / along
    back = posterior - axis * float(posterior @ normal) / along
    wanted = 0.5 * np.array([max(p.rim_height_mm, p.rim_width_mm), min(p.rim_height_mm, p.rim_width_mm)])

    def miss(half: np.ndarray) -> np.ndarray:
        return np.linalg.svd(np.array([half[0] * up, half[1] * back]), compute_uv=False) - wanted

    start = wanted / np.array([np.linalg.norm(up), np.linalg.norm(back)])
    found = least_squares(miss, start, bounds=(2.6, 5.0)).x
    return float(found[0]), float(found[1])


def _facial_corners(
    p: EarParameters, rim_normal: np.ndarray, bottom_z: float, back_y: float, footplate: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Corner points of the facial canal, and its axis point above the oval window."""
    from scipy.optimize import brentq

    radius = p.facial_radius_mm
    above_window = footplate + (p.footplate_to_facial_mm + radius) * unit([0.36, 0.05, 0.93])
    y = back_y + p.posterior_wall_to_facial_mm + radius
    x = (p.facial_beyond_rim_plane_mm - rim_normal[1] * y - rim_normal[2] * bottom_z) / rim_normal[0]
    crossing = np.array([x, y, bottom_z])
    behind = 0.47 * p.tympanic_length_mm

    def forward(descent: float) -> np.ndarray:
        return unit([0.31 * np.cos(descent), 0.95 * np.cos(descent), -np.sin(descent)])

    def miss(descent: float) -> float:
        genu = above_window + behind * forward(descent)
        inner = float(np.degrees(np.arccos(-forward(descent) @ unit(crossing - genu))))
        return inner - p.second_genu_deg

    low, high = np.radians(8.0), np.radians(46.0)
    descent = low if miss(low) > 0.0 else high if miss(high) < 0.0 else brentq(miss, low, high)
    ahead = forward(descent)
    second_genu = above_window + behind * ahead
    upper = float(np.linalg.norm(crossing - second_genu))
    down = unit(unit(crossing - second_genu) + np.array([0.10, -0.06, -0.1]))
    foramen = crossing + max(p.mastoid_length_mm - upper, 3.5) * down
    first_genu = above_window - (p.tympanic_length_mm - behind) * ahead
    fossa = first_genu + p.geniculate_length_mm * unit([-0.85, -0.12, 0.12])
    fundus = fossa - p.labyrinthine_length_mm * unit([0.85, -0.5, 0.25])
    return np.array([fundus, fossa, first_genu, above_window, second_genu, crossing, foramen]), above_window


def _facial_radii(p: EarParameters, path: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Radius along the facial canal: narrow labyrinthine part, wide fossa, then widening to the chorda's origin."""
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = [arc[int(np.argmin(np.linalg.norm(path - c, axis=1)))] for c in corners]
    r = p.facial_radius_mm
    lab = 0.8 * r
    # Width grows labyrinthine < at the stapes < cochleariform < pyramidal < chorda exit (Acta Otolaryngol 2013,
    # DOI 10.3109/00016489.2013.816443); geniculate fossa 2.07 across (Fondjo et al.).
    knots = [0.0, at[0] + 0.7 * (at[1] - at[0]), 0.5 * (at[1] + at[2]), at[2] + 1.5, at[3], at[4], at[5], arc[-1]]
    values = [lab, lab, 1.55 * r, 1.08 * r, r, 1.12 * r, 1.18 * r, 1.25 * r]
    return np.interp(arc, knots, values)


def make_layout(p: EarParameters) -> Layout:
    """Work out where things lie.

    Parameters
    ----------
    p
        The ear.

    Returns
    -------
    Layout
        Key points and paths.

    Raises
    ------
    ValueError
        When a path cannot be built from the parameters.

    Example
    -------
    >>> layout = make_layout(EarParameters())
    >>> abs(float(layout.rim_normal @ layout.rim_point(40.0))) < 1e-9
    True
    """
    down, forward = np.radians(p.rim_facing_down_deg), np.radians(p.rim_facing_forward_deg)
    normal = unit([1.0, -np.tan(forward), -np.tan(down)])
    superior = unit(np.array([0.0, 0.0, 1.0]) - normal[2] * normal)
    posterior = np.cross(superior, normal)
    axis = unit([1.0, np.tan(np.radians(p.canal_back_deg)), np.tan(np.radians(p.canal_up_deg))])
    canal_superior = unit(np.array([0.0, 0.0, 1.0]) - axis[2] * axis)
    canal_posterior = np.cross(canal_superior, axis)

    line, depth = _canal_path(p, axis)
    tangents = np.gradient(line, depth, axis=0)
    tangents[depth <= STRAIGHT_TO_MM] = axis
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    sups = np.array([0.0, 0.0, 1.0]) - tangents * tangents[:, 2:3]
    sups /= np.linalg.norm(sups, axis=1, keepdims=True)
    posts = np.cross(sups, tangents)
    along = float(normal @ axis)
    rs, rp = _cross_section(p, normal, axis, canal_superior, canal_posterior)
    from scipy.interpolate import PchipInterpolator

    bony = p.bony_length_mm
    knots = [STRAIGHT_FROM_MM, 3.2, 10.0, bony, bony + 4.0, depth[-1]]
    # Bony-cartilaginous junction 7.88 x 6.22, entry 7.75 x 6.1: El-Anwar et al. 2023, DOI 10.1055/s-0042-1758213.
    semi = np.stack(
        [
            PchipInterpolator(knots, [rs, rs, 0.5 * p.isthmus_height_mm, 3.94, 3.9, 3.9])(depth),
            PchipInterpolator(knots, [rp, rp, 0.5 * p.isthmus_width_mm, 3.11, 3.1, 3.3])(depth),
        ],
        axis=1,
    )

    umbo = -p.umbo_depth_mm * normal - 0.5 * superior - 0.3 * posterior
    promontory = umbo + p.umbo_to_promontory_mm * unit([-0.75, 0.6, 0.25])
    footplate = FOOTPLATE_HOME + STAPES_AXIS * (
        (-p.footplate_depth_mm - float(normal @ FOOTPLATE_HOME)) / float(normal @ STAPES_AXIS)
    )
    long_axis = unit(np.array([0.12, 1.0, -0.08]) - STAPES_AXIS * float(STAPES_AXIS @ np.array([0.12, 1.0, -0.08])))
    short_axis = np.cross(STAPES_AXIS, long_axis)

    rim_low = float(-rs * canal_superior[2] + (rs * float(normal @ canal_superior) / along) * axis[2])
    back_y = rp * canal_posterior[1] - (rp * float(normal @ canal_posterior) / along) * axis[1]
    corners, above_window = _facial_corners(p, normal, rim_low, back_y, footplate)
    facial = rounded_path(corners, 2.2)
    radii = _facial_radii(p, facial, corners)

    top_z = -rim_low
    entry_z = rim_low + p.chorda_entry_share * (top_z - rim_low)
    draft = Layout(
        p, normal, posterior, superior, axis, canal_superior, canal_posterior, line, sups, posts, semi, depth, umbo,
        promontory, footplate, STAPES_AXIS, long_axis, short_axis, facial, radii, corners, above_window,
        np.zeros((2, 3)), top_z + p.tegmen_height_mm,
    )  # fmt: skip
    angles = np.linspace(30.0, 140.0, 221)
    rim = draft.rim_point(angles)
    entry_angle = float(angles[int(np.argmin(np.abs(rim[:, 2] - entry_z)))])
    entry = draft.rim_point(entry_angle) + 0.55 * draft.radial(entry_angle) - 0.25 * normal
    from_end = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(facial[::-1], axis=0), axis=1))])
    origin = facial[::-1][int(np.searchsorted(from_end, p.chorda_origin_above_foramen_mm))]
    bow = 0.5 * origin + 0.5 * entry + np.array([0.9, 0.5, 0.0])
    neck = umbo + np.array([1.15, -0.8, 3.65])
    chorda = rounded_path(
        np.array(
            [
                origin, bow, entry, entry + np.array([-1.0, -1.2, 1.0]), neck + np.array([-0.75, 1.6, -0.55]),
                neck + np.array([-0.75, -0.3, -0.65]), np.array([-1.1, -back_y - 1.6, 2.6]),
                np.array([-2.2, -back_y - 4.5, 1.0]),
            ]
        ),
        2.0,
    )  # fmt: skip
    from dataclasses import replace

    return replace(draft, chorda_path=chorda)
