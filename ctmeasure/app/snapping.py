"""Where the image shows what somebody clicked: offered, never forced; which kind of snap a landmark takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.snaps.snap import Snap

Floats = npt.NDArray[np.float64]

RIM_IDS = ("annulus", "anterior_tympanic_spine", "posterior_tympanic_spine", "scutum", "spine_of_henle")
MEDIAL_IDS = ("promontory", "cochleariform_process", "pyramidal_eminence")
ON_BONE = frozenset((*RIM_IDS, *MEDIAL_IDS, "anchor_1", "anchor_2", "tegmen", "joint_fossa", "sigmoid_sinus"))
"""What lies on a surface of bone."""
IN_THE_CANAL = frozenset({"canal_medial", "canal_lateral"})
TUBE_RADII_MM = {"facial_nerve": 0.7, "chorda_tympani": 0.35}
"""About how wide the bony canals are (used only to look for a wall beside the middle; common practice, no source)."""
AROUND_MM = 8.0
"""Grey levels are taken this far around the click."""
WAYS = 24
"""Directions in the picture in which the surface of bone is looked for."""


def snapped(case: Case, volume: Volume, item_id: str, point_lps: npt.ArrayLike, *, looking_lps: npt.ArrayLike) -> Snap:
    """Find what was clicked in the image near the click.

    Parameters
    ----------
    case
        Its landmarks give the canal axis; nothing of it is changed.
    volume
        Its scan.
    item_id
        Landmark or structure that was clicked.
    point_lps
        Shape (3,), LPS mm.
    looking_lps
        Shape (3,): normal of the picture it was clicked in.

    Returns
    -------
    Snap
        ``found`` False with the reason when there is nothing to snap to; the point is then the click.

    Raises
    ------
    Nothing.

    Notes
    -----
    A point on bone moves within the picture to the nearest surface of bone; a canal centre moves across the canal axis
    to the middle of the air; a click on a nerve's canal moves within the picture to the middle of the dark tube.
    """
    from ctmeasure.imaging.snaps.snap import nothing, snap_to_canal_centre, snap_to_ridge
    from ctmeasure.imaging.tubes.tissue import tube_levels

    point = np.asarray(point_lps, dtype=np.float64)
    normal = np.asarray(looking_lps, dtype=np.float64)
    if item_id not in ON_BONE | IN_THE_CANAL | TUBE_RADII_MM.keys():
        return nothing(point, "the image has no edge of its own for it")
    try:
        levels = tube_levels(volume.crop_around(point[None], margin_mm=AROUND_MM), case.fitness)
    except CtmeasureError as error:
        return nothing(point, str(error))
    if item_id in IN_THE_CANAL:
        return snap_to_canal_centre(volume, point, axis_lps=_canal_axis(case), levels=levels)
    if item_id in TUBE_RADII_MM:
        return snap_to_ridge(volume, point, along_lps=normal, radius_mm=TUBE_RADII_MM[item_id], levels=levels)
    return _nearest_bone(volume, point, normal, levels)


def _nearest_bone(volume: Volume, point: Floats, normal: Floats, levels: object) -> Snap:
    from ctmeasure.geometry.vectors import orthonormal_basis
    from ctmeasure.imaging.snaps.snap import snap_to_edge

    basis = orthonormal_basis(normal)
    turn = np.arange(WAYS) * 2.0 * np.pi / WAYS
    tries = [
        snap_to_edge(volume, point, along_lps=np.cos(a) * basis[0] + np.sin(a) * basis[1], levels=levels)  # type: ignore[arg-type]
        for a in turn
    ]
    return min(tries, key=lambda snap: (not snap.found, snap.moved_mm))


def _canal_axis(case: Case) -> Floats:
    marks = case.landmarks
    if marks.placed("canal_medial", "canal_lateral"):
        axis = marks.point_lps("canal_lateral") - marks.point_lps("canal_medial")
        if np.linalg.norm(axis) > 1.0:
            return np.asarray(axis / np.linalg.norm(axis))
    return np.array([1.0 if case.side == "left" else -1.0, 0.0, 0.0])
