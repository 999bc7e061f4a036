"""Points clicked on the bony rim in, the rim's edge out: where the canal wall and the bone's medial face meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.geometry.vectors import as_points, frozen
from ctmeasure.imaging.drum.levels import drum_levels
from ctmeasure.imaging.snaps.snap import snap_to_edge
from ctmeasure.imaging.tubes.tissue import TubeLevels, metal_places
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BLOCK_MM = 4.0
WALL_MM = ((0.6, 1.2), (1.2, 1.8))
"""The canal wall is read this far outside the click along the canal's axis, and prolonged to it: farther out for a
click that lies in the middle ear."""
FACE_MM = (0.4, 0.7)
"""The bone's medial face is read this far outside the wall, away from the canal's axis, and prolonged to the wall."""
STEEPEST = 0.7
"""Wall or face that turns by more than this many millimetres a millimetre is no continuation: the nearer one counts."""
WALL_U_MM, FACE_U_MM = 0.15, 0.22
"""How far the edge of wall and face so found lies from the rim, along either (found on synthetic ears)."""
APART_SD = 3.0
"""An edge farther from its click than this many standard deviations of both is another edge: the click stays."""
METAL_MM = 2.5
LEAST_SHARE = 0.5
"""With the edge seen at fewer of the points than this share, the ring stays as it was clicked."""


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """The rim's points.

    Parameters
    ----------
    points_lps
        Shape (n, 3): as fused from click and edge; the click where no edge was seen.
    covariances
        Shape (n, 3, 3): of each, mm2.
    seen
        Shape (n,): whether the medial edge was seen there.
    flags
        What has to be said.
    """

    points_lps: Floats
    covariances: Floats
    seen: NDArray[np.bool_]
    flags: tuple[str, ...] = ()


def find_rim(
    volume: Volume, ring_lps: ArrayLike, *, covariances: Floats, canal: CanalFrame, fitness: ScanFitness | None = None
) -> Rim:
    """Move clicks on the rim to where the canal wall ends.

    Parameters
    ----------
    volume
        The scan.
    ring_lps
        Shape (n, 3), LPS mm: the clicked ring.
    covariances
        Shape (n, 3, 3), mm2: how well each click is known.
    canal
        Canal frame.
    fitness
        The scan's own point spread and noise.

    Returns
    -------
    Rim

    Raises
    ------
    ctmeasure.errors.ScanError
        When the ring lies outside the scan.
    ctmeasure.errors.LandmarkError
        When the edge is seen at too few of the points.

    Notes
    -----
    In the half plane of each wall angle the wall is read at two depths outside the click and the medial face at two
    distances outside the wall; both are prolonged by straight lines to where they meet. That place is weighed with the
    click by the doubts of both. Along the ring the click is kept. Under scar the same edges are read between scar and
    bone.

    Example
    -------
    >>> find_rim.__name__
    'find_rim'
    """
    ring = as_points(ring_lps, "ring").reshape(-1, 3)
    if not bool(np.all(volume.geometry.contains_lps(ring))):
        raise ScanError("the ring lies outside the scan", expected="the whole rim inside it", action="check the series")
    block = volume.crop_around(ring, margin_mm=BLOCK_MM)
    levels, _ = drum_levels(block, canal, fitness)
    metal = metal_places(block, levels)
    points, doubts, seen = ring.copy(), np.array(covariances, dtype=np.float64), np.zeros(len(ring), dtype=bool)
    for n, click in enumerate(ring):
        if len(metal) and np.linalg.norm(metal - click, axis=1).min() < METAL_MM:
            continue
        out = canal.direction_lps(float(canal.wall_angle_deg(click)))
        points[n], doubts[n], seen[n] = _edge(block, click, doubts[n], levels=levels, out=out, axis=canal.axis_lps)
    count = int(seen.sum())
    if count < LEAST_SHARE * len(ring):
        raise LandmarkError(
            f"the bony rim shows at {count} of {len(ring)} points of the ring only",
            expected="a bony edge near the clicks",
            action="check the ring; its clicks are used",
        )
    flags = () if count == len(ring) else (f"no bony edge near {len(ring) - count} of {len(ring)} clicks",)
    return Rim(frozen(points), frozen(doubts), seen, (*levels.flags, *flags))


def _edge(
    block: Volume, click: Floats, doubt: Floats, *, levels: TubeLevels, out: Floats, axis: Floats
) -> tuple[Floats, Floats, bool]:
    """One point: click and edge weighed, its covariance, and whether the medial edge was seen."""
    for places in WALL_MM:
        wall = _prolonged(block, click, levels, along=out, aside=axis, at_mm=places)
        on_wall = None if wall is None else _weighed(click, doubt, out, wall, WALL_U_MM)
        if wall is None or on_wall is None:
            continue
        face = _prolonged(block, click + wall * out, levels, along=axis, aside=out, at_mm=FACE_MM)
        on_edge = None if face is None else _weighed(*on_wall, axis, face, FACE_U_MM)
        return (*on_wall, False) if on_edge is None else (*on_edge, True)
    return click, doubt, False


def _prolonged(
    block: Volume, point: Floats, levels: TubeLevels, *, along: Floats, aside: Floats, at_mm: tuple[float, float]
) -> float | None:
    """How far along a direction a surface of bone lies at a point, from where it is at two places beside it."""
    places = []
    for distance in at_mm:
        start = point + distance * aside
        snap = snap_to_edge(block, start, along_lps=along, levels=levels)
        places.append(float((snap.point_lps - start) @ along) if snap.found else None)
    near, far = places
    if near is None or far is None or abs(far - near) > STEEPEST * (at_mm[1] - at_mm[0]):
        return near
    return near - (far - near) * at_mm[0] / (at_mm[1] - at_mm[0])


def _weighed(
    point: Floats, covariance: Floats, way: Floats, off_mm: float, u_mm: float
) -> tuple[Floats, Floats] | None:
    """A point known to lie ``off_mm`` along a direction (to ``u_mm``); None where that is another edge."""
    own = float(way @ covariance @ way)
    if abs(off_mm) > APART_SD * float(np.sqrt(own + u_mm**2)):
        return None
    gain = covariance @ way / (own + u_mm**2)
    return point + gain * off_mm, covariance - np.outer(gain, way @ covariance)
