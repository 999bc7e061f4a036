"""Placing one thing click by click: which command each click makes, and what stays a draft until it is enough."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.app.commands import Command, MoveLandmark, PlaceAgain, PlaceRing, SetStructure
from ctmeasure.case.model import Case

from .checklist import Item
from .scene import HANDLES_UP_TO

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Placing:
    """What is being placed, the clicks that are not enough yet, and those taken back.

    ``again`` places a landmark once more beside its earlier placements instead of moving it.
    """

    item: Item
    draft: tuple[PointLps, ...] = ()
    taken_back: tuple[PointLps, ...] = field(default=())
    again: bool = False

    def clicked(self, case: Case, point_lps: Floats, *, observer: str = "") -> tuple[Placing, Command | None]:
        """What a click does.

        Parameters
        ----------
        case
            As it stands.
        point_lps
            Where, LPS mm.
        observer
            Pseudonym of who places.

        Returns
        -------
        placing, command
            The next state, and what to do to the case; None while the clicks are not enough.
        """
        point: PointLps = (float(point_lps[0]), float(point_lps[1]), float(point_lps[2]))
        item = self.item
        if item.what == "landmark" and not item.many:
            if self.again and case.landmarks.placed(item.id):
                return self, PlaceAgain(item.id, 0, point, observer)
            return self, MoveLandmark(item.id, 0, point, observer)
        points = (*self._placed(case), *self.draft, point)
        if len(points) < item.fewest:
            return Placing(item, (*self.draft, point)), None
        done = Placing(item)
        if item.what == "landmark":
            return done, PlaceRing(item.id, points, observer)
        return done, SetStructure(_structure(item.id, points))

    def step_back(self) -> Placing | None:
        """Without the last click of the draft; None when there is none."""
        if not self.draft:
            return None
        return Placing(self.item, self.draft[:-1], (*self.taken_back, self.draft[-1]))

    def step_forth(self) -> Placing | None:
        """With the click that was taken back last; None when there is none."""
        if not self.taken_back:
            return None
        return Placing(self.item, (*self.draft, self.taken_back[-1]), self.taken_back[:-1])

    def clicks(self, case: Case) -> int:
        """How many clicks there are, with those already in the case."""
        return len(self._placed(case)) + len(self.draft)

    def drafted_before(self, before: Case, after: Case) -> Placing | None:
        """The draft that stood when the case went from ``after`` to ``before``: undo of the click that made it whole.

        Parameters
        ----------
        before, after
            The case with and without the last click.

        Returns
        -------
        Placing or None
            None when that click did not make it whole.
        """
        if not self.item.many and self.item.what == "landmark":
            return None
        points = _points(before, self.item)
        if points and not _points(after, self.item):
            return Placing(self.item, points[: self.item.fewest - 1])
        return None

    def _placed(self, case: Case) -> tuple[PointLps, ...]:
        """The points that clicks are added to: none of a structure that was made elsewhere, which is begun anew."""
        if self.item.what == "structure":
            found = next((s for s in case.structures if s.id == self.item.id), None)
            if isinstance(found, Ball) or (isinstance(found, Tube) and found.has_radii):
                return ()
            if found is not None and len(found.points) > HANDLES_UP_TO:
                return ()
        return _points(case, self.item)


def _points(case: Case, item: Item) -> tuple[PointLps, ...]:
    if item.what == "landmark":
        mark = case.landmarks.get(item.id)
        points = mark.points_lps if mark is not None and mark.is_placed else np.empty((0, 3))
        return tuple((float(x), float(y), float(z)) for x, y, z in points)
    found = next((s for s in case.structures if s.id == item.id), None)
    return found.points if found is not None else ()


def _structure(structure_id: str, points: tuple[PointLps, ...]) -> Structure:
    shape = structure_term(structure_id).shape
    if shape == "tube":
        return Tube(structure_id, "placed", points, radii_mm=(None,) * len(points))
    if shape == "patch":
        return Patch(structure_id, "placed", points)
    radius = float(np.linalg.norm(np.subtract(points[1], points[0])))
    return Ball(structure_id, "placed", points[:1], radius_mm=radius)
