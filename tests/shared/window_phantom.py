"""A made-up ear of simple shapes, for the window's tests: its truth is the shapes themselves."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.case.model import Case, scan_reference
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

Floats = npt.NDArray[np.float64]

SPACING_MM = 0.4
SHAPE_KJI = (80, 90, 100)
CENTRE_LPS = np.array([0.0, 10.0, 100.0])
"""Middle of the drum rim."""
AIR_HU, BONE_HU, MARKER_HU = -1000, 1100, 2800
CANAL_RADIUS_MM, RIM_RADIUS_MM = 4.0, 4.4


def outwards(side: Side) -> Floats:
    """Out of the ear: towards the patient's left (+x) in a left ear."""
    return np.array([1.0 if side == "left" else -1.0, 0.0, 0.0])


def phantom_volume(side: Side = "right") -> Volume:
    """Bone with an air canal, a middle ear, a drum between them, and a dense ball that marks the front."""
    affine = np.eye(4)
    affine[:3, :3] = SPACING_MM * np.array([[0, 0, 1], [0, 1, 0], [1, 0, 0]])
    affine[:3, 3] = CENTRE_LPS - 0.5 * SPACING_MM * (np.array(SHAPE_KJI)[::-1] - 1)
    grid = Geometry(SHAPE_KJI, affine, "1.2.3")
    index = np.stack(np.meshgrid(*[np.arange(n) for n in SHAPE_KJI], indexing="ij"), axis=-1)
    offset = grid.to_lps(index) - CENTRE_LPS
    depth = offset @ outwards(side)
    radius = np.hypot(offset[..., 1], offset[..., 2])
    values = np.full(SHAPE_KJI, BONE_HU, np.int16)
    values[(radius < CANAL_RADIUS_MM) & (depth > 0)] = AIR_HU
    values[(np.linalg.norm(offset + 4.0 * outwards(side), axis=-1) < 4.5) & (depth <= 0)] = AIR_HU
    values[(radius < RIM_RADIUS_MM) & (np.abs(depth) < 0.5)] = 40
    values[np.linalg.norm(offset - [0.0, -9.0, 3.0], axis=-1) < 1.5] = MARKER_HU
    source = ScanSource(
        series_uid="1.2.3.4", study_uid="1.2.3.5", content_hash="a" * 64, spacing_mm=(SPACING_MM,) * 3, modality="CT",
        description="made-up shapes", patient_pseudonym="SAMPLE-TEST",
    )  # fmt: skip
    return Volume(grid, values, source)


def point(landmark_id: str, offset_mm: npt.ArrayLike, side: Side) -> Landmark:
    """One placed landmark: offset is outwards, posterior, superior of the rim's middle, mm."""
    return Landmark(landmark_id, "placed", (Placement(place(offset_mm, side)),))


def place(offset_mm: npt.ArrayLike, side: Side) -> tuple[float, float, float]:
    """LPS position of an offset outwards, posterior and superior of the rim's middle."""
    out, posterior, superior = np.asarray(offset_mm, dtype=np.float64)
    x, y, z = CENTRE_LPS + out * outwards(side) + [0.0, posterior, superior]
    return float(x), float(y), float(z)


def phantom_case(volume: Volume, side: Side = "right") -> Case:
    """The case that belongs to it: landmarks on the shapes, a nerve, a chorda, a tegmen and a jugular bulb."""
    turn = np.radians(np.arange(0.0, 360.0, 30.0))
    ring = [(0.0, RIM_RADIUS_MM * np.sin(a), RIM_RADIUS_MM * np.cos(a)) for a in turn]
    rim = Landmark("annulus", "placed", tuple(Placement(place(o, side), i) for i, o in enumerate(ring)))
    canal = [(-7.0 + 3.0 * np.cos(a), 6.0 + 3.0 * np.sin(a), 5.0) for a in turn[::3]]
    lateral = Landmark(
        "lateral_semicircular_canal", "placed", tuple(Placement(place(o, side), i) for i, o in enumerate(canal))
    )
    landmarks = LandmarkSet(
        [
            rim,
            lateral,
            point("canal_medial", (0.0, 0.0, 0.0), side),
            point("canal_lateral", (7.0, 0.0, 0.0), side),
            point("drum_centre", (0.5, 0.0, -0.3), side),
            point("footplate_centre", (-6.0, 2.0, 1.5), side),
            point("promontory", (-5.0, 1.0, -2.0), side),
            Landmark("umbo", "absent"),
            Landmark("incus_long_process", "absent"),
            Landmark("stapes_head", "not_seen"),
        ]
    )
    nerve = tuple(place(o, side) for o in ((-6, -3, 3.2), (-6, 2, 3.4), (-5, 6, 1.0), (-4, 7, -4), (-3, 7.5, -11)))
    chorda = tuple(place(o, side) for o in ((-3.5, 7.2, -8.0), (-1.0, 5.6, -2.0), (-0.4, 4.6, 1.5)))
    tegmen = tuple(place((out, p, 7.5), side) for out in (-5.0, 0.0, 5.0) for p in (-6.0, 0.0, 6.0))
    structures = (
        Tube("facial_nerve", "placed", nerve, confirmed_by="reader-1", radii_mm=(0.7,) * len(nerve)),
        Tube("chorda_tympani", "placed", chorda, confirmed_by="reader-1", radii_mm=(0.3,) * len(chorda)),
        Patch("tegmen", "placed", tegmen),
        Ball("jugular_bulb", "placed", (place((-4.0, 1.0, -11.0), side),), radius_mm=3.5),
    )
    return Case(side, scan_reference(volume), CaseFacts(side=side), landmarks, structures)
