"""The ear in many draws at once: points, frames and planes, each computed once and only when somebody asks."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import SUPERIOR_LPS, canal_frame, rim_points_lps
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.draws import BLOCK_DRAWS, SCALE, JointDraws
from ctmeasure.planning.results import RefinedRecord

Floats = npt.NDArray[np.float64]
_Kept = TypeVar("_Kept")

FOOTPLATE_NORMAL = "footplate normal found in the image"
"""Latent input: how well the plane's direction was found."""
FOOTPLATE_RIM = ("footplate_anterior", "footplate_posterior", "footplate_superior", "footplate_inferior")


@lru_cache(maxsize=1)
def _drawers() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=2, thread_name_prefix="draws")


class Scene:
    """One view of the ear: the mean points (``block`` None), or a block of draws in which all or some inputs vary.

    Parameters
    ----------
    landmarks, side
        The ear.
    draws
        Its joint draws.
    block
        Which block; None for the mean points.
    only
        Let only this input vary (for a budget); None lets all vary.
    count
        Draws in the block.
    mean
        The scene of the mean points, where there is one already: what holds for all draws is taken from it.

    Notes
    -----
    An input that does not vary has a first axis of length 1 and broadcasts against the others.
    """

    def __init__(
        self,
        landmarks: LandmarkSet,
        side: Side,
        *,
        draws: JointDraws,
        block: int | None = None,
        only: str | None = None,
        count: int = BLOCK_DRAWS,
        mean: Scene | None = None,
    ) -> None:
        self.landmarks = landmarks
        self.side = side
        self.draws = draws
        self.block = block
        self.only = only
        self.count = count
        self.mean = mean
        self._kept: dict[str, object] = {}

    def varies(self, source: str) -> bool:
        """Whether an input is displaced in this scene."""
        return self.block is not None and self.only in (None, source)

    def keep(self, name: str, compute: Callable[[], _Kept]) -> _Kept:
        """The result of a computation, done once a scene."""
        if name not in self._kept:
            self._kept[name] = compute()
        return self._kept[name]  # type: ignore[return-value]

    def points(self, landmark_id: str) -> Floats:
        """Points of a ring, list or anchor, shape (draws, n, 3), LPS mm."""
        return self.keep(f"points of {landmark_id}", lambda: self._points(landmark_id))

    def _points(self, landmark_id: str) -> Floats:
        if self.varies(landmark_id):
            return self.draws.points_lps(landmark_id, self.block or 0, count=self.count)
        return self.draws.means_lps(landmark_id)

    def draw_ahead(self, landmark_ids: Iterable[str]) -> None:
        """Draw several landmarks at once, on two threads; the result is the same as one after the other."""
        wanted = sorted(i for i in set(landmark_ids) if i in self.draws.doubts)
        for landmark_id, points in zip(wanted, _drawers().map(self._points, wanted), strict=True):
            self._kept[f"points of {landmark_id}"] = points

    def point(self, landmark_id: str) -> Floats:
        """First point of a landmark, shape (draws, 3), LPS mm."""
        return self.points(landmark_id)[:, 0]

    def surface(self, structure_id: str) -> Floats:
        """How far a structure's surface lies outside where it was marked, shape (draws,), mm."""
        if self.varies(structure_id):
            return self.keep(
                f"surface of {structure_id}",
                lambda: self.draws.surface_mm(structure_id, self.block or 0, count=self.count),
            )
        return np.zeros(1)

    def scale(self) -> Floats:
        """Length scale (1 + epsilon) of the scanner, shape (draws,)."""
        if self.varies(SCALE):
            return self.keep(SCALE, lambda: self.draws.scale(self.block or 0, count=self.count))
        return np.ones(1)

    def normals(self, name: str, size: int) -> Floats:
        """Standard normal draws of a further named input, shape (draws, size); zeros where it does not vary."""
        if self.varies(name):
            return self.draws.normals(name, self.block or 0, size=(self.count, size))
        return np.zeros((1, size))

    def canal(self) -> batch.Canals:
        """Canal frames, as `ctmeasure.anatomy.frames.canal_frame` builds them."""
        return self.keep("canal", self._canal)

    def _canal(self) -> batch.Canals:
        if self.landmarks.placed("lateral_semicircular_canal"):
            superior = batch.fit_planes(self.points("lateral_semicircular_canal"), SUPERIOR_LPS).normal_lps
        else:
            superior = SUPERIOR_LPS[None]
        medial, lateral = self.point("canal_medial"), self.point("canal_lateral")
        return batch.canals(medial, lateral, superior, right=self.side == "right")

    def rim_indices(self) -> npt.NDArray[np.intp]:
        """Which ring points lie on the bony rim (the notch between the spines left out), from the mean points."""
        return self.mean.rim_indices() if self.mean else self.keep("rim indices", self._rim_indices)

    def _rim_indices(self) -> npt.NDArray[np.intp]:
        ring = self.landmarks["annulus"].points_lps
        kept = rim_points_lps(self.landmarks, canal_frame(self.landmarks, self.side))
        return np.flatnonzero((ring[:, None] == kept[None]).all(axis=2).any(axis=1))

    def rim(self) -> Floats:
        """Ring points on the bony rim, shape (draws, n, 3)."""
        return self.keep("rim", self._rim)

    def _rim(self) -> Floats:
        ring, kept = self.points("annulus"), self.rim_indices()
        return ring if len(kept) == ring.shape[1] else ring.transpose(1, 0, 2)[kept].transpose(1, 0, 2)

    def annulus_plane(self) -> batch.Planes:
        """Least-squares planes of the rim, normals outwards."""
        return self.keep("annulus plane", self._annulus_plane)

    def _annulus_plane(self) -> batch.Planes:
        plane = self.keep("rim planes", lambda: batch.fit_planes(self.rim(), self._mean_axis()))
        axis = self.canal().axis_lps
        point, normal, axis = np.broadcast_arrays(plane.point_lps, plane.normal_lps, axis)
        return batch.Planes(point, batch.facing(normal, axis))

    def _mean_axis(self) -> Floats:
        medial, lateral = (self.draws.means_lps(f"canal_{end}")[0, 0] for end in ("medial", "lateral"))
        return batch.unit(lateral - medial)

    def _plane_found(self, found: RefinedRecord) -> batch.Planes:
        """A plane found in the image, its normal tipped along its two axes."""
        assert found.normal_lps is not None
        assert found.tilt_u_rad is not None
        tips = self.normals(FOOTPLATE_NORMAL, 2) * np.asarray(found.tilt_u_rad)
        normal = batch.unit(np.asarray(found.normal_lps) + tips @ np.asarray(found.across_lps))
        point, normal = np.broadcast_arrays(self.point("footplate_centre"), normal)
        return batch.Planes(point, normal)

    def footplate_plane(self) -> batch.Planes:
        """Planes of the footplate through its centre, normals into the middle ear."""
        return self.keep("footplate plane", self._footplate_plane)

    def _footplate_plane(self) -> batch.Planes:
        found = self.draws.plane_found("footplate_centre")
        if found is not None:
            return self._plane_found(found)
        ids = ["footplate_centre", *(i for i in FOOTPLATE_RIM if self.landmarks.placed(i))]
        points = np.stack(np.broadcast_arrays(*(self.point(i) for i in ids)), axis=1)
        centre, outwards = np.broadcast_arrays(
            self.point("footplate_centre"), self.point("canal_medial") - self.point("footplate_centre")
        )
        plane = batch.fit_planes(points, np.zeros(3))
        normal, centre, outwards = np.broadcast_arrays(plane.normal_lps, centre, outwards)
        return batch.Planes(centre, batch.facing(normal, outwards))
