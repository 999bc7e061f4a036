"""A route along the canal from click to click: dark-tube measure, fast marching, steepest descent."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import LandmarkError
from ctmeasure.imaging.levels import FWHM_PER_SIGMA, PointSpread
from ctmeasure.imaging.tubes.kinds import TubeKind
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.sampling import in_threads, sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

MARGIN_MM = 7.0
"""The route may leave the box of its two clicks by this much (a genu bulges out of it)."""
FLATNESS = 0.6
"""How much curvature along the tube, as a share of that across it, still counts as a tube."""
FULL_RESPONSE = 0.30
"""Response of an ideal blurred canal of the searched radius, as a share of the step from soft tissue to bone."""
SLOWEST, POWER = 0.012, 1.5
"""Speed off the ridge, and power of the measure on it."""
AIR_SHARE, AIR_SOFTNESS = 0.32, 0.10
"""Below this share of the way from soft tissue to air a voxel counts as air; width of the transition."""
PATIENCE = 2.5
"""First time limit of a front, per mm between the clicks; doubled until it arrives."""
OFF_RIDGE = 0.04
"""Mean speed under which a stretch of route followed no canal."""
STRETCH_MM = 2.0
"""Length over which that mean is taken."""
LOST_DETOUR = 2.5
"""A leg this much longer than its chord, besides a little, went another way."""


@dataclass(frozen=True, slots=True, eq=False)
class Ridge:
    """Speed of the front on a grid along the patient's axes (array axes z, y, x)."""

    origin_lps: Floats
    step_mm: float
    speed: NDArray[np.float32]

    def index(self, points_lps: Floats) -> Floats:
        """Grid positions (..., 3) of points."""
        return ((points_lps - self.origin_lps) / self.step_mm)[..., ::-1]

    def place(self, index: NDArray[np.float64] | NDArray[np.int64]) -> Floats:
        """Points (..., 3), LPS mm, of grid positions."""
        return self.origin_lps + np.asarray(index, dtype=np.float64)[..., ::-1] * self.step_mm

    def at(self, points_lps: Floats) -> Floats:
        """Speed at the nearest voxels; 0 off the grid."""
        index = np.rint(self.index(points_lps)).astype(np.int64)
        inside = ((index >= 0) & (index < self.speed.shape)).all(axis=-1)
        clipped = np.clip(index, 0, np.array(self.speed.shape) - 1)
        return np.where(inside, self.speed[clipped[..., 0], clipped[..., 1], clipped[..., 2]], 0.0).astype(np.float64)


def ridge_speed(
    volume: Volume, points_lps: Floats, *, kind: TubeKind, levels: TubeLevels, spread: PointSpread
) -> Ridge:
    """Dark-tube measure around some points, air suppressed, as the speed of a front.

    Parameters
    ----------
    volume
        The scan.
    points_lps
        Shape (n, 3): the clicks.
    kind
        Radii searched and grid step.
    levels
        Grey levels.
    spread
        Point spread: an ideal tube's best scale is its radius / sqrt 2 less the blur already there.

    Returns
    -------
    Ridge

    Raises
    ------
    ctmeasure.errors.GeometryError
        Never with finite points.

    References
    ----------
    Frangi AF et al. 1998, Multiscale vessel enhancement filtering, DOI 10.1007/BFb0056195 (the ordering of
    eigenvalues; the measure here is the product form for dark tubes).
    """
    from scipy.ndimage import gaussian_filter

    from ctmeasure.kernels.tube_route import ridge

    step = kind.grid_mm
    low, high = points_lps.min(axis=0) - MARGIN_MM, points_lps.max(axis=0) + MARGIN_MM
    counts = np.ceil((high - low) / step).astype(int) + 1
    axes = [low[a] + step * np.arange(counts[a]) for a in range(3)]
    grid = np.stack(np.meshgrid(axes[2], axes[1], axes[0], indexing="ij"), axis=-1)[..., ::-1]
    values = sample(volume, grid, outside=levels.bone).values.astype(np.float32)
    # Air as dark as the canal at most: it must not win by being darker. Dense capsule no brighter than bone.
    clipped = np.clip(values, levels.soft - 0.1 * levels.step, levels.bone)
    response = np.zeros(clipped.shape, np.float32)
    blurred = spread.in_plane_mm / FWHM_PER_SIGMA
    for radius in kind.ridge_radii_mm:
        scale = max(radius / np.sqrt(2.0), 1.1 * blurred)
        extra = max(float(np.sqrt(max(scale**2 - blurred**2, 0.0))), 0.75 * step)
        smooth = gaussian_filter(clipped, extra / step, truncate=3.0)
        total = float(np.hypot(extra, blurred))
        in_threads(
            lambda a, b, smooth=smooth, total=total: ridge(smooth, step, total, FLATNESS, response, a, b),  # type: ignore[misc]
            len(smooth),
            smallest=8,
        )
    calm = gaussian_filter(values, 0.5, truncate=3.0)
    threshold = levels.soft - AIR_SHARE * (levels.soft - levels.air)
    softness = AIR_SOFTNESS * (levels.soft - levels.air)
    kept = 1.0 / (1.0 + np.exp(-np.clip((calm - threshold) / softness, -30.0, 30.0)))
    measure = np.clip(response * kept / (FULL_RESPONSE * levels.step), 0.0, 1.0)
    return Ridge(low, step, (SLOWEST + measure**POWER).astype(np.float32))


def snap(ridge: Ridge, points_lps: Floats, *, reach_mm: float) -> tuple[Floats, Floats]:
    """Move clicks to the ridge.

    Parameters
    ----------
    ridge
        From `ridge_speed`.
    points_lps
        Shape (n, 3), LPS mm.
    reach_mm
        No click moves farther.

    Returns
    -------
    tuple
        Moved points (n, 3) and the speed there (n,).

    Raises
    ------
    ctmeasure.errors.GeometryError
        Never.

    Notes
    -----
    The place of the largest speed, weighted by a Gaussian of the distance whose standard deviation is the reach: of two
    ridges in reach the nearer one wins unless it is much weaker.
    """
    cells = int(np.ceil(reach_mm / ridge.step_mm))
    around = np.arange(-cells, cells + 1)
    offsets = np.stack(np.meshgrid(around, around, around, indexing="ij"), axis=-1).reshape(-1, 3)
    moved, found = points_lps.copy(), np.zeros(len(points_lps))
    for n, point in enumerate(points_lps):
        places = ridge.place(np.rint(ridge.index(point)) + offsets)
        distance = np.linalg.norm(places - point, axis=1)
        speed = ridge.at(places)
        score = np.where(distance <= reach_mm, speed * np.exp(-0.5 * (distance / reach_mm) ** 2), -1.0)
        best = int(np.argmax(score))
        moved[n], found[n] = places[best], speed[best]
    return moved, found


def route(ridge: Ridge, points_lps: Floats) -> Floats:
    """Fastest route through points in order, shape (n, 3), LPS mm, neighbours one voxel apart.

    Parameters
    ----------
    ridge
        From `ridge_speed`.
    points_lps
        Shape (m, 3), m >= 2.

    Returns
    -------
    numpy.ndarray

    Raises
    ------
    LandmarkError
        When a point is off the grid or two neighbours are in one place.

    References
    ----------
    Sethian JA 1996, A fast marching level set method, DOI 10.1073/pnas.93.4.1591; Cohen LD, Kimmel R 1997, Global
    minimum for active contour models: a minimal path approach, DOI 10.1023/A:1007922224810.
    """
    return joined(legs(ridge, points_lps))


def legs(ridge: Ridge, points_lps: Floats) -> list[Floats]:
    """The same, one piece (n, 3) from each point to the next."""
    return [_leg(ridge, start, end) for start, end in pairwise(points_lps)]


def joined(pieces: list[Floats]) -> Floats:
    """Pieces that follow each other as one route."""
    return np.concatenate([pieces[0], *(piece[1:] for piece in pieces[1:])])


def off_ridge(ridge: Ridge, path_lps: Floats, *, spacing_mm: float) -> NDArray[np.bool_]:
    """Where a path follows no canal, shape (n,): the speed's running mean over 2 mm is next to nothing."""
    from scipy.ndimage import uniform_filter1d

    width = max(round(STRETCH_MM / spacing_mm), 1)
    return np.asarray(uniform_filter1d(ridge.at(path_lps), width, mode="nearest") < OFF_RIDGE)


def astray(ridge: Ridge, piece: Floats, *, kind: TubeKind) -> bool:
    """Whether a leg left its canal for longer than a bare stretch, or went a long way round, to get to its click."""
    length = float(np.linalg.norm(np.diff(piece, axis=0), axis=1).sum())
    chord = float(np.linalg.norm(piece[-1] - piece[0]))
    lost = off_ridge(ridge, piece, spacing_mm=ridge.step_mm)
    return bool(lost.mean() * length > kind.bridge_mm or length > LOST_DETOUR * chord + STRETCH_MM)


def _leg(ridge: Ridge, start: Floats, end: Floats) -> Floats:
    a, b = (np.rint(ridge.index(p)).astype(np.int64) for p in (start, end))
    if np.array_equal(a, b) or not all(((p >= 0) & (p < ridge.speed.shape)).all() for p in (a, b)):
        raise LandmarkError("two clicks in one place", expected="clicks along the canal", action="move one of them")
    margin = int(np.ceil(MARGIN_MM / ridge.step_mm))
    low = np.maximum(np.minimum(a, b) - margin, 0)
    high = np.minimum(np.maximum(a, b) + margin + 1, ridge.speed.shape)
    part = ridge.speed[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    from ctmeasure.kernels.tube_route import descend

    # A front on a ridge arrives before it has gone far beside it: stop it early, and wait longer only where it must.
    patience = PATIENCE * float(np.linalg.norm(end - start))
    while True:
        arrival = travel_time(part, a - low, step_mm=ridge.step_mm, until=patience)
        if np.isfinite(arrival[tuple(b - low)]):
            break
        patience *= 2.0
    back = descend(arrival, b - low, sum(part.shape) * 4)
    return ridge.place(back[::-1] + low)


def travel_time(
    speed: NDArray[np.float32], source_kji: NDArray[np.int64], *, step_mm: float, until: float = 0.0
) -> Floats:
    """Arrival time of a front from one voxel (second-order fast marching).

    Parameters
    ----------
    speed
        Block of speeds, above 0.
    source_kji
        The voxel it starts from.
    step_mm
        Edge of a voxel.
    until
        Time at which the front stops; 0 fills the block.

    Returns
    -------
    numpy.ndarray
        Shape of the block, in mm over the unit of speed; infinite where the front did not come.

    Raises
    ------
    ValueError
        When the source is outside the block.

    Notes
    -----
    Times count from half a voxel off the source's centre (scikit-fmm's zero contour): early by half a voxel over the
    local speed.
    """
    import skfmm

    phi = np.ones(speed.shape)
    phi[tuple(source_kji)] = -1.0
    time = skfmm.travel_time(phi, np.asarray(speed, dtype=np.float64), dx=step_mm, order=2, narrow=until)
    time = np.ma.filled(time, np.inf)
    time[tuple(source_kji)] = -1.0
    return np.ascontiguousarray(time, dtype=np.float64)
