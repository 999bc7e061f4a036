"""True surfaces of the structures to keep clear of, in the ear's own frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ctmeasure_samples import implants, inner_ear, nerves, skull
from ctmeasure_samples.landmarks import Status
from ctmeasure_samples.model import EarModel
from ctmeasure_samples.shapes import Shape

StructureShape = Literal["tube", "patch", "ball"]


@dataclass(frozen=True, eq=False)
class TrueStructure:
    """One structure: tube (centre-line with a radius per vertex), patch (surface points) or ball (centre, radius)."""

    id: str
    shape: StructureShape
    status: Status
    points: np.ndarray
    radii: np.ndarray

    @property
    def length_mm(self) -> float:
        """Length of a tube's centre-line."""
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Signed distance to a tube or ball, least distance to a patch's points (n,)."""
        from ctmeasure_samples.shapes import tube

        if self.shape == "patch":
            gaps = np.linalg.norm(np.asarray(points)[:, None, :] - self.points[None], axis=2)
            return gaps.min(axis=1)
        return tube(self.points, self.radii).distance(points)


def surface_along(shape: Shape, starts: np.ndarray, directions: np.ndarray, far_mm: float) -> np.ndarray:
    """First crossing of a shape's surface along rays from inside it (or towards it, when outside), by bisection."""
    steps = np.linspace(0.0, far_mm, 81)
    along = starts[:, None, :] + steps[None, :, None] * directions[:, None, :]
    d = shape.distance(along)
    change = np.sign(d) != np.sign(d[:, :1])
    index = np.argmax(change, axis=1)
    hit = change.any(axis=1)
    low, high = steps[np.maximum(index - 1, 0)], steps[index]
    sign = np.sign(d[:, 0])
    for _ in range(44):
        middle = 0.5 * (low + high)
        same = np.sign(shape.distance(starts + middle[:, None] * directions)) == sign
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    points = starts + (0.5 * (low + high))[:, None] * directions
    return points[hit]


def _tegmen(ear: EarModel) -> np.ndarray:
    """Points of the floor of the middle fossa over attic, antrum and canal, on a 1 mm lattice."""
    x, y = np.meshgrid(np.arange(-6.0, 16.5), np.arange(-8.0, 16.5), indexing="ij")
    starts = np.stack([x.ravel(), y.ravel(), np.full(x.size, ear.layout.tegmen_level - 12.0)], axis=1)
    up = np.tile([0.0, 0.0, 1.0], (len(starts), 1))
    points = surface_along(skull.middle_fossa(ear.layout), starts, up, 24.0)
    above = ear.at(points + np.array([0.0, 0.0, 0.05]))
    return points[np.array([e is not None and e.space == "dura" for e in above])]


def _joint(ear: EarModel) -> np.ndarray:
    """Points of the joint's surface that faces the canal: where rays across the canal first meet it."""
    layout = ear.layout
    points = []
    for depth in np.arange(0.5, 15.0, 1.0):
        centre = np.array([np.interp(depth, layout.canal_depths, layout.canal_centres[:, i]) for i in range(3)])
        for angle in np.arange(195.0, 346.0, 7.5):
            direction = layout.radial(angle)
            for element, begin, _end in ear.runs(centre, direction, 14.0):
                if element is not None and element.name == "joint":
                    points.append(centre + begin * direction)
                    break
    return np.array(points).reshape(-1, 3)


def _sigmoid(ear: EarModel) -> np.ndarray:
    """Points of the sinus wall that faces the canal."""
    shape = skull.sigmoid(ear.layout)
    path = skull.sigmoid_path(ear.layout)
    tangents = np.gradient(path, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    starts, directions = [], []
    for vertex, tangent in zip(path, tangents, strict=True):
        towards = np.array([2.0, 2.0, 0.0]) - vertex
        first = towards - tangent * float(towards @ tangent)
        first /= np.linalg.norm(first)
        second = np.cross(tangent, first)
        for angle in np.radians(np.arange(-70.0, 71.0, 14.0)):
            starts.append(vertex)
            directions.append(np.cos(angle) * first + np.sin(angle) * second)
    points = surface_along(shape, np.array(starts), np.array(directions), 8.0)
    return points[(points[:, 2] < ear.layout.tegmen_level) & (points[:, 2] > -14.0)]


def _remnants(ear: EarModel) -> np.ndarray:
    """Surface points of what is left of malleus, incus and stapes arch."""
    names = [e for e in ear.elements if e.space == "ossicle"]
    points = []
    for element in names:
        low, high = element.shape.box
        centre = _inside_point(element.shape, low, high)
        if centre is None:
            continue
        grid = _sphere(64)
        points.append(
            surface_along(element.shape, np.tile(centre, (len(grid), 1)), grid, float(np.linalg.norm(high - low)))
        )
    return np.concatenate(points) if points else np.zeros((0, 3))


def _inside_point(shape: Shape, low: np.ndarray, high: np.ndarray) -> np.ndarray | None:
    lattice = np.stack(np.meshgrid(*[np.linspace(a, b, 15) for a, b in zip(low, high, strict=True)], indexing="ij"), -1)
    flat = lattice.reshape(-1, 3)
    d = shape.distance(flat)
    best = int(np.argmin(d))
    return flat[best] if d[best] < 0.0 else None


def _sphere(count: int) -> np.ndarray:
    i = np.arange(count) + 0.5
    z = 1.0 - 2.0 * i / count
    turn = np.pi * (1.0 + 5.0**0.5) * i
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def facial_radii_with_bulge(ear: EarModel) -> np.ndarray:
    """Radius of the bony facial canal; in a dehiscent stretch of the nerve with its bulge."""
    radii = ear.layout.facial_radii.copy()
    first, last = nerves.dehiscent_range(ear.layout)
    if last > first:
        radii[first : last + 1] += nerves.DEHISCENT_BULGE_MM
    return radii


def true_structures(ear: EarModel) -> dict[str, TrueStructure]:
    """Every structure of the vocabulary, present or not.

    Parameters
    ----------
    ear
        The ear.

    Returns
    -------
    dict
        By structure id; absent ones have no points.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> from ctmeasure_samples.model import build_ear
    >>> from ctmeasure_samples.parameters import EarParameters
    >>> true_structures(build_ear(EarParameters()))["jugular_bulb"].shape
    'ball'
    """
    layout, p = ear.layout, ear.parameters
    none = np.zeros((0, 3))
    lateral = inner_ear.lateral_canal(layout)
    carotid = skull.carotid_path()
    holes = [*implants.earlier_holes(layout), *implants.handle_holes(layout)]
    hole = np.array([holes[0].entry, holes[0].entry + holes[0].length_mm * holes[0].direction]) if holes else none
    strut = implants.strut_points(layout) if p.old_strut or p.strut is not None else none
    angles = np.radians(np.arange(0.0, 360.0, 22.5))
    rim = (
        layout.footplate
        + 0.5 * p.footplate_length_mm * np.cos(angles)[:, None] * layout.footplate_long
        + 0.5 * p.footplate_width_mm * np.sin(angles)[:, None] * layout.footplate_short
    )
    sutures = [e.shape for e in ear.elements if e.space == "suture"]
    cleft = np.zeros((0, 3))
    if sutures:
        centre = sutures[0].box.mean(axis=0)
        state = next(s for s in p.wall if s.kind == "suture")
        radial = layout.radial(state.centre_deg)
        span = np.linspace(-1.0, 1.0, 7)
        cleft = np.array([centre + 6.0 * a * layout.canal_axis + 1.8 * b * radial for a in span for b in span])
    chorda = layout.chorda_path if p.chorda == "present" else none
    remnants = _remnants(ear)

    def tube_of(name: str, points: np.ndarray, radii: np.ndarray | float) -> TrueStructure:
        return TrueStructure(
            name, "tube", "placed" if len(points) else "absent", points, np.broadcast_to(radii, (len(points),)).copy()
        )

    def patch_of(name: str, points: np.ndarray) -> TrueStructure:
        return TrueStructure(name, "patch", "placed" if len(points) else "absent", points, np.zeros(len(points)))

    found = [
        tube_of("facial_nerve", layout.facial_path, facial_radii_with_bulge(ear)),
        tube_of("chorda_tympani", chorda, nerves.CHORDA_RADIUS_MM),
        tube_of("carotid_canal", carotid, skull.CAROTID_RADIUS_MM),
        tube_of("lateral_semicircular_canal", lateral, inner_ear.CANAL_RADIUS_MM * p.inner_ear_scale),
        patch_of("tegmen", _tegmen(ear)),
        patch_of("joint_fossa", _joint(ear)),
        patch_of("sigmoid_sinus", _sigmoid(ear)),
        TrueStructure(
            "jugular_bulb",
            "ball",
            "placed",
            skull.jugular_bulb_centre(layout)[None, :],
            np.array([p.jugular_bulb_radius_mm]),
        ),
        patch_of("ossicle_remnant", remnants),
        patch_of("footplate", np.concatenate([layout.footplate[None, :], rim])),
        tube_of("old_prosthesis", strut, 0.3),
        tube_of("earlier_hole", hole, implants.HOLE_RADIUS_MM),
        patch_of("suture_or_gap", cleft),
    ]
    return {s.id: s for s in found}
