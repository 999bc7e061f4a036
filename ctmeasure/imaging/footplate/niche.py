"""The oval-window niche above a found footplate: from the facial canal across to the promontory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.geometry.vectors import as_points, frozen
from ctmeasure.imaging.footplate.result import Footplate
from ctmeasure.imaging.levels import point_spread
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

HEIGHTS_MM = np.arange(0.3, 2.01, 0.1)
"""The niche is looked across at these heights over the plate."""
REACH_MM = 4.0
STEP_MM = 0.04
EDGE_U_MM = 0.05
"""An edge between niche and bone is placed to about this (our choice, see the canal wall's)."""


@dataclass(frozen=True, slots=True, eq=False)
class Niche:
    """The narrowest way across the niche in the plane of the plate's normal and short axis.

    Parameters
    ----------
    facial_rim_lps, promontory_rim_lps
        Shape (3,): on the facial canal's wall and on the promontory.
    height_mm, depth_mm
        Distance between the two; height of that place over the plate.
    u_mm
        Standard uncertainty of each rim along the line between them.
    flags
        What has to be said.
    """

    facial_rim_lps: Floats
    promontory_rim_lps: Floats
    height_mm: float
    depth_mm: float
    u_mm: float
    flags: tuple[str, ...] = ()


def find_niche(
    volume: Volume,
    plate: Footplate,
    *,
    facial_lps: ArrayLike,
    radius_mm: ArrayLike,
    surface_u_mm: float = 0.1,
    fitness: ScanFitness | None = None,
) -> Niche | None:
    """Measure the niche across, from the facial canal's wall to the promontory.

    Parameters
    ----------
    volume
        The scan.
    plate
        Footplate found in it.
    facial_lps, radius_mm
        Shape (n, 3) LPS mm and (n,) mm: facial canal, traced.
    surface_u_mm
        Standard uncertainty of the facial canal's wall.
    fitness
        Gives the point spread.

    Returns
    -------
    Niche or None
        None where no facial canal lies above the plate, or no promontory below it.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the canal's points are not of shape (n, 3).

    Notes
    -----
    At heights from 0.3 to 2.0 mm over the plate a line along its short axis runs from the normal through the centre up
    to the facial canal's wall and down to bone; the shortest of these lines counts. The bone's edge lies midway between
    the level in the niche and that of the bone around the plate.

    Example
    -------
    >>> find_niche.__name__
    'find_niche'
    """
    line, radii = as_points(facial_lps, "facial canal").reshape(-1, 3), np.asarray(radius_mm, dtype=np.float64)
    up, normal = plate.axes_lps[1], plate.axes_lps[2]
    starts = plate.centre_lps + HEIGHTS_MM[:, None] * normal
    along = np.arange(0.0, REACH_MM, STEP_MM)
    down = starts[:, None] - along[None, :, None] * up
    values = sample(volume, down, outside=plate.content_level).values
    floor = _first(values > 0.5 * (plate.content_level + plate.bone), along)
    above = starts[:, None] + along[None, :, None] * up
    roof = _first(_gap_mm(above.reshape(-1, 3), line, radii).reshape(len(starts), -1) <= 0.0, along)
    total = floor + roof
    if not np.isfinite(total).any():
        return None
    best = int(np.nanargmin(np.where(np.isfinite(total), total, np.nan)))
    spread = point_spread(volume, fitness)
    edge_u = float(np.hypot(EDGE_U_MM, 0.1 * float(spread.fwhm_mm(up))))
    flags = ("niche filled: its rims are edges against soft tissue",) if plate.niche != "air" else ()
    return Niche(
        frozen(starts[best] + roof[best] * up), frozen(starts[best] - floor[best] * up), float(total[best]),
        float(HEIGHTS_MM[best]), max(edge_u, surface_u_mm), flags,
    )  # fmt: skip


def _first(where: NDArray[np.bool_], along: Floats) -> Floats:
    """First place of each row where something is true; infinite where it never is."""
    return np.where(where.any(axis=1), along[np.argmax(where, axis=1)], np.inf)


def _gap_mm(points: Floats, line: Floats, radii: Floats) -> Floats:
    """Distance of points from a tube's wall, negative inside."""
    step = np.diff(line, axis=0)
    share = np.einsum("nsx,sx->ns", points[:, None] - line[:-1], step) / np.maximum((step**2).sum(axis=1), 1e-12)
    share = np.clip(share, 0.0, 1.0)
    off = points[:, None] - (line[:-1] + share[..., None] * step)
    return (np.linalg.norm(off, axis=2) - (radii[:-1] + share * np.diff(radii))).min(axis=1)
