"""One joint set of draws for all landmarks and structure surfaces of an ear.

Every landmark has its own stream, named by the seed and its id, so that one more landmark changes no other's draws, and
every measurand of the ear sees the same displaced points.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.reader_model import ReaderTerm, moves_as_one, placement_u_mm
from ctmeasure.planning.results import ON_NORMAL, RefinedRecord
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry

Floats = npt.NDArray[np.float64]

BLOCK_DRAWS = 10_000
"""Draws in a block of the adaptive procedure (JCGM 101 clause 7.9.4: at least 10,000)."""
EDGE_OF_FWHM = 0.1
"""An edge is placed to about a tenth of the point spread's FWHM; our choice from common practice, no source."""
FWHM_UNKNOWN_MM = 0.5
"""Point spread assumed for that term when the scan's could not be estimated; our choice, no source."""
FEW_REPEATS = 3
"""With this many repeats or fewer, the t distribution of the mean (degrees of freedom below 3) has no variance."""
NORMAL_95 = 1.959964
"""Half width of a normal 95 % interval in standard deviations."""
SCALE = "scanner scale"
"""Name of the latent input that multiplies every length of a scan."""


@dataclass(frozen=True, eq=False)
class PointDoubt:
    """How well one placed point is known.

    Parameters
    ----------
    mean_lps
        Shape (3,): mean of the placements.
    repeats
        How many placements.
    repeat_u_mm
        Shape (3,), LPS axes: standard uncertainty of the mean from repeats (Type A, before the t scaling), or the
        default placement noise when there is one placement.
    degrees_of_freedom
        Of the Type A part; infinite for the default placement noise.
    rotation_lps_grid
        Shape (3, 3): columns are the directions of the scan's grid.
    voxel_mm
        Shape (3,): voxel size along those directions (rectangular, Delta / sqrt 12).
    edge_u_mm
        Shape (3,): point-spread term along those directions (normal), with what a person stated on top.
    reader_mm2, reader_freedom
        Shape (3, 3), LPS: scale of a multivariate t that stands in for (one placement) or is added to (repeats: the
        bias alone) the Type A part, when the reader has been measured.
    reader_common
        Whether all points of the landmark share one draw of it (a ring lies off as a whole); it is then added.
    """

    mean_lps: Floats
    repeats: int
    repeat_u_mm: Floats
    degrees_of_freedom: float
    rotation_lps_grid: Floats
    voxel_mm: Floats
    edge_u_mm: Floats
    reader_mm2: Floats | None = None
    reader_freedom: float = np.inf
    reader_common: bool = False

    @property
    def covariance_lps(self) -> Floats:
        """Covariance of the point, shape (3, 3), mm^2; infinite where two or three repeats leave it so."""
        nu = self.degrees_of_freedom
        factor = 1.0 if np.isinf(nu) else (nu / (nu - 2.0) if nu > 2.0 else np.inf)
        scaled = np.zeros(3)
        np.multiply(self.repeat_u_mm**2, factor, out=scaled, where=self.repeat_u_mm > 0.0)
        along = self.voxel_mm**2 / 12.0 + self.edge_u_mm**2
        if self.reader_mm2 is not None:
            freedom = self.reader_freedom
            own = self.reader_mm2 * (1.0 if np.isinf(freedom) else freedom / (freedom - 2.0))
            return np.diag(scaled) + own + self.rotation_lps_grid @ np.diag(along) @ self.rotation_lps_grid.T
        return np.diag(scaled) + self.rotation_lps_grid @ np.diag(along) @ self.rotation_lps_grid.T


def point_doubts(
    landmark: Landmark,
    settings: Settings,
    *,
    geometry: Geometry | None = None,
    psf_fwhm_mm: tuple[float, float] | None = None,
    reader: ReaderTerm | None = None,
) -> tuple[PointDoubt, ...]:
    """The doubt of every index of a landmark, in index order.

    Parameters
    ----------
    landmark
        With coordinates.
    settings
        Holds the default placement noise.
    geometry
        Grid of the scan; None gives neither a voxel nor a point-spread term.
    psf_fwhm_mm
        FWHM in plane and through plane.
    reader
        Measured doubt of whoever placed it; None: the default placement noise.

    Returns
    -------
    tuple of PointDoubt

    Raises
    ------
    LandmarkError
        When the landmark has no coordinates.

    Notes
    -----
    A single point takes its Type A from its own repeats, axis by axis. The points of a ring or list are the same task
    done many times by the same hand, so their scatter about each index's mean is pooled over the indices; that keeps a
    ring that was placed twice from having one degree of freedom a point. A measured reader's error at a ring is how
    far it lies off as a whole: that moves its points together, besides the scatter of each.

    References
    ----------
    JCGM 100:2008, clauses 4.2.3 and 4.2.4 (mean and pooled variance); JCGM 101:2008, clause 6.4.9.2 (scaled and
    shifted t).
    """
    if not landmark.is_placed:
        raise LandmarkError(f"landmark '{landmark.id}' is not placed", expected="coordinates", action="place it")
    if geometry is None:
        rotation, voxel, edge = np.eye(3), np.zeros(3), np.zeros(3)
    else:
        rotation, voxel = geometry.directions_lps.T, np.asarray(geometry.spacing_mm, dtype=np.float64)
        in_plane, through = psf_fwhm_mm or (FWHM_UNKNOWN_MM, FWHM_UNKNOWN_MM)
        edge = EDGE_OF_FWHM * np.array([through, in_plane, in_plane])
    edge = np.hypot(edge, landmark.stated_u_mm)
    repeats = {index: landmark.repeats_lps(index) for index in landmark.indices}
    squares = sum((((r - r.mean(axis=0)) ** 2).sum(axis=0) for r in repeats.values()), np.zeros(3))
    freedom = sum(len(r) - 1 for r in repeats.values())
    common = reader is not None and moves_as_one(landmark.id)
    doubts = []
    for placed in repeats.values():
        if len(placed) > 1:
            u, nu = np.sqrt(squares / freedom / len(placed)), float(freedom)
            own = reader.bias_lps if reader else None
            own_freedom = np.inf
        else:
            u, nu = np.full(3, reader.each_mm if reader else settings.placement_noise_mm), np.inf
            own = reader.scale_lps if reader else None
            own_freedom = reader.degrees_of_freedom if reader else np.inf
        doubts.append(
            PointDoubt(placed.mean(axis=0), len(placed), u, nu, rotation, voxel, edge, own, own_freedom, common)
        )
    return tuple(doubts)


def found_doubts(record: RefinedRecord) -> tuple[PointDoubt, ...]:
    """The doubt of each point found in the image: its own covariance, without placement noise or voxel.

    Raises
    ------
    LandmarkError
        When nothing was found.
    """
    if record.found_lps is None:
        raise LandmarkError(f"'{record.id}' was not found in the image", expected="a point", action="use the click")
    points = record.points_lps or (record.found_lps,)
    covariances = record.covariances_mm2 or (record.covariance_mm2,)
    doubts = []
    for point, covariance in zip(points, covariances, strict=True):
        variances, directions = np.linalg.eigh(np.asarray(covariance, dtype=np.float64))
        u = np.sqrt(np.maximum(variances, 0.0))
        where = np.asarray(point, dtype=np.float64)
        doubts.append(PointDoubt(where, 1, np.zeros(3), np.inf, directions, np.zeros(3), u))
    return tuple(doubts)


class JointDraws:
    """Draws of every input of an ear, block by block, each input from its own stream.

    Parameters
    ----------
    landmarks
        Those without coordinates are skipped.
    settings
        Placement noise and the scanner scale's uncertainty.
    seed
        Seed of the whole set.
    geometry, psf_fwhm_mm
        For the voxel and point-spread terms.
    surfaces_u_mm
        Structure id to the standard uncertainty of its surface.
    refined
        Landmarks found in the image; those that are used take the place of what was placed.
    readers
        Landmark id to the measured doubt of whoever placed it.

    Raises
    ------
    LandmarkError
        When something is asked of a landmark that is not placed.

    Notes
    -----
    Nothing is remembered between calls; equal arguments give equal bits, whatever else the ear holds.
    """

    def __init__(
        self,
        landmarks: LandmarkSet,
        settings: Settings,
        *,
        seed: int,
        geometry: Geometry | None = None,
        psf_fwhm_mm: tuple[float, float] | None = None,
        surfaces_u_mm: Mapping[str, float] | None = None,
        refined: Iterable[RefinedRecord] = (),
        readers: Mapping[str, ReaderTerm] | None = None,
    ) -> None:
        self.seed = int(seed)
        self.settings = settings
        self.surfaces_u_mm = dict(surfaces_u_mm or {})
        self.readers = dict(readers or {})
        self.doubts = {
            key: point_doubts(mark, settings, geometry=geometry, psf_fwhm_mm=psf_fwhm_mm, reader=self.readers.get(key))
            for key, mark in landmarks.items()
            if mark.is_placed
        }
        self.found = {
            item.id: item for item in refined if item.used and (item.id in self.doubts or item.id == ON_NORMAL)
        }
        for item in self.found.values():
            self.doubts[item.id] = found_doubts(item)

    def means_lps(self, landmark_id: str) -> Floats:
        """Mean points of a landmark, shape (1, n, 3), LPS mm: one "draw" without any noise."""
        return np.stack([doubt.mean_lps for doubt in self._of(landmark_id)])[None]

    def points_lps(self, landmark_id: str, block: int, *, count: int = BLOCK_DRAWS) -> Floats:
        """Displaced points of a landmark in one block, shape (count, n, 3), LPS mm."""
        doubts = self._of(landmark_id)
        out = np.empty((len(doubts), count, 3))  # one point's draws lie together: that is how they are used
        for position, doubt in enumerate(doubts):
            out[position] = _displaced(doubt, self._stream(f"{landmark_id}:{position}", block), count)
        if doubts[0].reader_common:
            out += _reader_draws(doubts[0], self._stream(f"{landmark_id}: as a whole", block), count)
        return out.transpose(1, 0, 2)

    def surface_mm(self, structure_id: str, block: int, *, count: int = BLOCK_DRAWS) -> Floats:
        """How far a structure's surface lies outside where it was marked, shape (count,), mm; one number a draw."""
        u = self.surfaces_u_mm.get(structure_id, 0.0)
        return u * self._stream(f"surface of {structure_id}", block).standard_normal(count)

    def scale(self, block: int, *, count: int = BLOCK_DRAWS) -> Floats:
        """The scanner's length scale (1 + epsilon), shape (count,)."""
        return 1.0 + self.settings.scanner_scale_u * self._stream(SCALE, block).standard_normal(count)

    def normals(self, name: str, block: int, *, size: tuple[int, ...]) -> Floats:
        """Standard normal draws of any further named input."""
        return self._stream(name, block).standard_normal(size)

    def plane_found(self, landmark_id: str) -> RefinedRecord | None:
        """The record of a landmark whose plane was found in the image and is used."""
        record = self.found.get(landmark_id)
        return record if record is not None and record.normal_lps is not None and record.tilt_u_rad else None

    def placement_u_mm(self, landmark_id: str) -> float:
        """Standard uncertainty per axis of one placement of a landmark by whoever places here, mm."""
        return placement_u_mm(landmark_id, self.readers, noise_mm=self.settings.placement_noise_mm)

    def few_repeats(self, landmark_id: str) -> bool:
        """Whether the draws of a landmark have no finite variance (two or three repeats)."""
        return any(d.degrees_of_freedom < FEW_REPEATS for d in self.doubts.get(landmark_id, ()))

    def _of(self, landmark_id: str) -> tuple[PointDoubt, ...]:
        if landmark_id not in self.doubts:
            raise LandmarkError(f"landmark '{landmark_id}' is not placed", expected="coordinates", action="place it")
        return self.doubts[landmark_id]

    def _stream(self, name: str, block: int) -> np.random.Generator:
        key = int.from_bytes(hashlib.sha256(name.encode()).digest()[:16], "big")
        return np.random.Generator(np.random.PCG64(np.random.SeedSequence([self.seed % 2**64, key, block])))


def _displaced(doubt: PointDoubt, stream: np.random.Generator, count: int) -> Floats:
    """Draws of one point: repeats or placement noise along LPS axes, voxel and edge terms along the grid."""
    shape = (count, 3)
    grid = (stream.random(shape) - 0.5) * doubt.voxel_mm if np.any(doubt.voxel_mm > 0.0) else np.zeros(shape)
    if doubt.reader_mm2 is not None and not doubt.reader_common:
        grid = grid + _reader_draws(doubt, stream, count) @ doubt.rotation_lps_grid
    if np.isinf(doubt.degrees_of_freedom):  # alike along every axis: one normal draw serves placement and edge
        grid += stream.standard_normal(shape) * np.hypot(doubt.repeat_u_mm, doubt.edge_u_mm)
        return grid @ doubt.rotation_lps_grid.T + doubt.mean_lps
    grid += stream.standard_normal(shape) * doubt.edge_u_mm
    repeats = stream.standard_t(doubt.degrees_of_freedom, shape) * doubt.repeat_u_mm
    return repeats + grid @ doubt.rotation_lps_grid.T + doubt.mean_lps


def _reader_draws(doubt: PointDoubt, stream: np.random.Generator, count: int) -> Floats:
    """Multivariate t draws of the reader's own doubt, shape (count, 3), LPS mm."""
    assert doubt.reader_mm2 is not None
    values, axes = np.linalg.eigh(doubt.reader_mm2)
    drawn = stream.standard_normal((count, 3)) * np.sqrt(np.clip(values, 0.0, None))
    if np.isfinite(doubt.reader_freedom):
        nu = doubt.reader_freedom
        drawn *= np.sqrt(nu / stream.chisquare(nu, count))[:, None]
    return drawn @ axes.T
