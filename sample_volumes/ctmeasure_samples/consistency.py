"""Does an ear contradict itself? Gaps between structures that must not meet, and what is painted at known places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure_samples import inner_ear, nerves, ossicles, skull
from ctmeasure_samples.model import EarModel
from ctmeasure_samples.shapes import Shape, ball, tube


@dataclass(frozen=True, slots=True)
class Clearance:
    """Least gap between two structures (mm, negative: they overlap), and the least that is allowed."""

    first: str
    second: str
    gap_mm: float
    least_mm: float

    @property
    def kept(self) -> bool:
        """Whether the gap is large enough."""
        return self.gap_mm >= self.least_mm


def _gap(path: np.ndarray, radii: np.ndarray | float, other: Shape) -> float:
    """Least gap of a tube to a shape, along points of the tube's centre-line at a quarter of a millimetre."""
    r = np.broadcast_to(np.asarray(radii, dtype=np.float64), (len(path),))
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    even = np.linspace(0.0, arc[-1], max(int(arc[-1] / 0.25), 2))
    points = np.stack([np.interp(even, arc, path[:, i]) for i in range(3)], axis=1)
    return float((other.distance(points) - np.interp(even, arc, r)).min())


def clearances(ear: EarModel) -> list[Clearance]:
    """Gaps between structures of one ear.

    Parameters
    ----------
    ear
        The ear.

    Returns
    -------
    list of Clearance
        One per pair; all should be kept.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> from ctmeasure_samples.model import build_ear
    >>> from ctmeasure_samples.parameters import EarParameters
    >>> all(c.kept for c in clearances(build_ear(EarParameters())))
    True
    """
    layout, p = ear.layout, ear.parameters
    canal_radius = inner_ear.CANAL_RADIUS_MM * p.inner_ear_scale
    duct, duct_radii = inner_ear.cochlea_path(layout)
    labyrinth = {
        "lateral canal": tube(inner_ear.lateral_canal(layout), canal_radius),
        "superior canal": tube(inner_ear.superior_canal(layout), canal_radius),
        "posterior canal": tube(inner_ear.posterior_canal(layout), canal_radius),
        "cochlea": tube(duct, duct_radii),
        "vestibule": inner_ear.vestibule(layout),
    }
    vessels = {
        "jugular bulb": ball(skull.jugular_bulb_centre(layout), p.jugular_bulb_radius_mm),
        "sigmoid sinus": skull.sigmoid(layout),
        "carotid": tube(skull.carotid_path(), skull.CAROTID_RADIUS_MM),
    }
    lumen = layout.canal(to_depth_mm=p.bony_length_mm) & skull.lateral_of_rim(layout)
    facial, radii = layout.facial_path, layout.facial_radii
    out = [Clearance("facial canal", n, _gap(facial, radii, s), 0.1) for n, s in labyrinth.items()]
    out += [Clearance("facial canal", n, _gap(facial, radii, s), 0.4) for n, s in vessels.items()]
    out.append(Clearance("facial canal", "ear canal", _gap(facial, radii, lumen), 0.4))
    out.append(
        Clearance(
            "lateral canal",
            "posterior canal",
            _gap(inner_ear.lateral_canal(layout), canal_radius, labyrinth["posterior canal"]),
            0.05,
        )
    )
    for name, vessel in vessels.items():
        out.append(Clearance("cochlea", name, _gap(duct, duct_radii, vessel), 0.3))
        out.append(
            Clearance("posterior canal", name, _gap(inner_ear.posterior_canal(layout), canal_radius, vessel), 0.3)
        )
    bone_part = nerves.chorda_bone_part(layout)
    out.append(Clearance("chorda in bone", "ear canal", _gap(bone_part, nerves.CHORDA_RADIUS_MM, lumen), 0.02))
    superior = inner_ear.superior_arc(layout)
    out.append(
        Clearance("superior canal", "middle fossa", _gap(superior, canal_radius, skull.middle_fossa(layout)), 0.2)
    )
    out.append(
        Clearance(
            "posterior canal",
            "posterior fossa",
            _gap(inner_ear.posterior_canal(layout), canal_radius, skull.posterior_fossa()),
            0.2,
        )
    )
    if ear.has("malleus"):
        m = ossicles.malleus_points(layout)
        head = np.array([m["head"], m["head"] + np.array([0.0, 0.0, 0.01])])
        out.append(Clearance("malleus head", "middle fossa", _gap(head, 1.4, skull.middle_fossa(layout)), 0.3))
        out.append(Clearance("malleus head", "facial canal", _gap(head, 1.25, tube(facial, radii)), 0.2))
    return out


def open_nerve_share(ear: EarModel) -> float:
    """Share of the facial canal's mastoid wall that is opened by cells: zero in every ear.

    Points 0.15 mm outside the nerve's canal, from below the second genu to above the foramen, must be bone or nerve.
    """
    layout = ear.layout
    first, last = nerves.facial_index(layout, 4) + 2, len(layout.facial_path) - 3
    path, radii = layout.facial_path[first:last], layout.facial_radii[first:last]
    tangents = np.gradient(path, axis=0)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    side = np.cross(tangents, [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(tangents, side)
    angles = np.radians(np.arange(0.0, 360.0, 30.0))
    ring = np.cos(angles)[None, :, None] * side[:, None] + np.sin(angles)[None, :, None] * other[:, None]
    points = path[:, None] + (radii + 0.15)[:, None, None] * ring
    spaces = [e.space if e is not None else "outside" for e in ear.at(points.reshape(-1, 3))]
    opened = [s for s in spaces if s in ("mastoid cell", "closed cell or marrow", "antrum", "ear canal", "outside")]
    return len(opened) / len(spaces)


def painted_places(ear: EarModel) -> dict[str, tuple[str, str]]:
    """What is painted at places whose content is known: name -> (expected space, found space)."""
    layout, p = ear.layout, ear.parameters
    s = layout.stapes_axis
    duct, _ = inner_ear.cochlea_path(layout)
    facial = layout.facial_path
    ring = inner_ear.lateral_canal(layout)
    outermost = ring[int(np.argmax(ring[:, 0]))]
    places = {
        "under the footplate's surface": (layout.footplate - 0.4 * p.footplate_thickness_mm * s, "footplate"),
        "behind the footplate": (layout.footplate - (p.footplate_thickness_mm + 0.3) * s, "inner ear"),
        "vestibule": (layout.from_footplate(-2.15, 0.35, 0.4), "inner ear"),
        "basal turn": (duct[12] + np.array([0.0, 0.0, 0.3]), "inner ear"),
        "lateral canal": (ring[16], "inner ear"),
        "superior canal": (inner_ear.superior_arc(layout)[16], "inner ear"),
        "labyrinthine nerve": (facial[2], "nerve"),
        "tympanic nerve": (facial[nerves.facial_index(layout, 3)], "nerve"),
        "mastoid nerve": (facial[-6], "nerve"),
        "canal": (5.0 * layout.canal_axis, "ear canal"),
        "canal floor": (layout.wall_at_depth(180.0, 6.0) + 0.2 * layout.radial(180.0), "bone"),
        "capsule of the lateral canal": (outermost + np.array([0.85, 0.0, 0.0]), "bone"),
        "jugular bulb": (skull.jugular_bulb_centre(layout), "vein"),
        "middle fossa": (np.array([2.0, 2.0, layout.tegmen_level + 4.0]), "dura"),
    }
    found = ear.at(np.array([point for point, _ in places.values()]))
    return {
        name: (expected, "outside" if e is None else e.space)
        for (name, (_, expected)), e in zip(places.items(), found, strict=True)
    }
