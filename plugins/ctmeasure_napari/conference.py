"""Conference: key views with captions, and two readers side by side with what their differences change. No toolkit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.anatomy.vocabulary import landmark_term
from ctmeasure.app.live import LiveNumber, live_numbers
from ctmeasure.case.model import Case
from ctmeasure.volume.geometry import Geometry

UNNAMED = "reader without a name"


@dataclass(frozen=True, slots=True)
class KeyView:
    """One saved view: its caption and how the window looks."""

    caption: str
    look: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Stepper:
    """The key views of a conference and which one is shown; stepping stops at both ends."""

    views: tuple[KeyView, ...] = ()
    at: int = 0

    def step(self, by: int) -> Stepper:
        """The view before or after."""
        return replace(self, at=int(np.clip(self.at + by, 0, max(len(self.views) - 1, 0))))

    def with_view(self, view: KeyView) -> Stepper:
        """One more view at the end, shown."""
        return Stepper((*self.views, view), len(self.views))

    def without_view(self) -> Stepper:
        """Without the one that is shown."""
        views = self.views[: self.at] + self.views[self.at + 1 :]
        return Stepper(views, max(min(self.at, len(views) - 1), 0))

    def moved(self, by: int) -> Stepper:
        """With the view that is shown one place earlier or later; it stays shown."""
        to = int(np.clip(self.at + by, 0, max(len(self.views) - 1, 0)))
        rest = [*self.views[: self.at], *self.views[self.at + 1 :]]
        return Stepper((*rest[:to], *self.views[self.at : self.at + 1], *rest[to:]), to)

    def named(self, caption: str) -> Stepper:
        """With another caption for the view that is shown."""
        views = [replace(v, caption=caption) if n == self.at else v for n, v in enumerate(self.views)]
        return replace(self, views=tuple(views))

    @property
    def words(self) -> str:
        """The caption with its number; empty without views."""
        return f"{self.at + 1} of {len(self.views)}: {self.views[self.at].caption}" if self.views else ""

    def plain(self) -> list[dict[str, Any]]:
        """As plain data."""
        return [{"caption": view.caption, "look": view.look} for view in self.views]

    @classmethod
    def from_plain(cls, records: Any) -> Stepper:
        """Back from plain data; what is no view is left out."""
        good = [r for r in records or () if isinstance(r, dict) and isinstance(r.get("look"), dict)]
        return cls(tuple(KeyView(str(r.get("caption", "")), r["look"]) for r in good))


@dataclass(frozen=True, slots=True)
class Difference:
    """How far apart two readers placed one point, mm."""

    label: str
    distance_mm: float


@dataclass(frozen=True, slots=True)
class Consequence:
    """What a number is from each reader's points, mm with its 95 % interval."""

    name: str
    first: LiveNumber
    second: LiveNumber

    @property
    def difference_mm(self) -> float:
        """Second less first."""
        return self.second.value_mm - self.first.value_mm


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two readers of one case."""

    readers: tuple[str, str]
    differences: tuple[Difference, ...]
    consequences: tuple[Consequence, ...]


def readers(case: Case) -> tuple[str, ...]:
    """Pseudonyms of everybody who placed landmarks, in order of the alphabet.

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Placement
    >>> mark = Landmark("umbo", "placed", (Placement((0, 0, 0), 0, "b"), Placement((0, 0, 1), 0, "a", 1)))
    >>> from types import SimpleNamespace
    >>> readers(SimpleNamespace(landmarks=LandmarkSet([mark])))
    ('a', 'b')
    """
    return tuple(sorted({p.observer for mark in case.landmarks.values() for p in mark.placements}))


def of_reader(case: Case, reader: str) -> Case:
    """The case as one reader alone placed it; what only others placed is not there."""
    kept = []
    for mark in case.landmarks.values():
        own = tuple(p for p in mark.placements if p.observer == reader)
        if not mark.placements:
            kept.append(mark)
        elif {p.index for p in own} == {p.index for p in mark.placements}:
            kept.append(Landmark(mark.id, mark.status, own))
    return replace(case, landmarks=LandmarkSet(kept), results=None, pictures=())


def compare(case: Case, first: str, second: str, *, geometry: Geometry) -> Comparison:
    """Two readers' placements side by side.

    Parameters
    ----------
    case
        Holds the placements of both.
    first, second
        Their pseudonyms.
    geometry
        Grid of the scan.

    Returns
    -------
    Comparison
        Points that both placed, the farthest apart first, and the numbers that follow from each reader's points.

    Raises
    ------
    Nothing.
    """
    one, two = of_reader(case, first), of_reader(case, second)
    differences = []
    for name in one.landmarks:
        if one.landmarks.placed(name) and two.landmarks.placed(name):
            a, b = one.landmarks[name].points_lps, two.landmarks[name].points_lps
            worst = float(np.linalg.norm(a - b, axis=1).max())
            differences.append(Difference(landmark_term(name).label, worst))
    twos = {(n.id, n.qualifier): n for n in live_numbers(two, geometry)}
    consequences = [
        Consequence(f"{n.id.replace('_', ' ')} {n.qualifier}".strip(), n, twos[(n.id, n.qualifier)])
        for n in live_numbers(one, geometry)
        if (n.id, n.qualifier) in twos
    ]
    return Comparison(
        (first or UNNAMED, second or UNNAMED),
        tuple(sorted(differences, key=lambda d: -d.distance_mm)),
        tuple(sorted(consequences, key=lambda c: -abs(c.difference_mm))),
    )
