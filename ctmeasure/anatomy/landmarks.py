"""Landmarks as placed by people: one or more placements each, with a status and a doubt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.vocabulary import Status, landmark_term
from ctmeasure.errors import LandmarkError

Floats = npt.NDArray[np.float64]
PointLps = tuple[float, float, float]

RING_MINIMUM_POINTS = 4
"""Fewer points than this do not make a ring worth fitting a rim plane to."""
RING_FULL_POINTS = 8
"""From this many points on, with all quadrants, rim distances are given; below it the ring is coarse."""
LARGEST_STATED_MM = 5.0
"""Who is less sure of a point than this has not seen it; our choice, no source."""
CURVE_MINIMUM_POINTS = 3
"""A semicircular-canal ring needs three points to define its plane."""


@dataclass(frozen=True, slots=True)
class Placement:
    """One click: where, by whom, which repeat.

    ``position_lps`` in mm; ``index`` counts along a ring, list or anchor; ``observer`` is a pseudonym.
    """

    position_lps: PointLps
    index: int = 0
    observer: str = ""
    repeat: int = 0


@dataclass(frozen=True, slots=True)
class Landmark:
    """A vocabulary landmark with its placements.

    Parameters
    ----------
    id
        Vocabulary id.
    status
        ``placed``, ``partial``, ``absent`` (it is not there) or ``not_seen`` (the scan does not show it).
    placements
        The clicks; repeated placements of one index are averaged as points.
    stated_u_mm
        Standard uncertainty per axis, mm, that a person states on top of what the placing gives: "I am not sure of it".

    Raises
    ------
    LandmarkError
        If the id is unknown, a coordinate is not finite, or status and placements contradict each other.

    Example
    -------
    >>> umbo = Landmark("umbo", "placed", (Placement((1.0, 2.0, 3.0)), Placement((1.2, 2.0, 3.0), repeat=1)))
    >>> umbo.point_lps.round(2).tolist()
    [1.1, 2.0, 3.0]
    """

    id: str
    status: Status
    placements: tuple[Placement, ...] = ()
    stated_u_mm: float = 0.0

    def __post_init__(self) -> None:
        term = landmark_term(self.id)
        if not 0.0 <= self.stated_u_mm <= LARGEST_STATED_MM:
            raise LandmarkError(
                f"landmark '{self.id}' is called unsure by {self.stated_u_mm} mm",
                expected=f"0 to {LARGEST_STATED_MM:g} mm",
                action="a point that may lie farther off is not seen",
            )
        if self.status in ("absent", "not_seen"):
            if self.placements:
                raise LandmarkError(
                    f"landmark '{self.id}' has status {self.status} and coordinates",
                    expected="no coordinates for an absent or not seen landmark",
                    action="delete the coordinates or set the status to placed",
                )
            return
        if not self.placements:
            raise LandmarkError(
                f"landmark '{self.id}' has no coordinates",
                expected="coordinates, or status absent or not_seen",
                action="place it or set its status",
            )
        if not np.isfinite([p.position_lps for p in self.placements]).all():
            raise LandmarkError(
                f"landmark '{self.id}' has a coordinate that is not a number",
                expected="finite LPS millimetres",
                action="correct the row",
            )
        count = len({p.index for p in self.placements})
        if self.id == "annulus" and count < RING_MINIMUM_POINTS:
            raise LandmarkError(
                f"ring '{self.id}' of {count} points",
                expected=f"at least {RING_MINIMUM_POINTS} (from {RING_FULL_POINTS} on rim distances are given)",
                action="place more points around the rim",
            )
        if term.kind == "ring" and count < CURVE_MINIMUM_POINTS:
            raise LandmarkError(
                f"ring '{self.id}' of {count} points",
                expected=f"at least {CURVE_MINIMUM_POINTS}",
                action="place more points along the canal",
            )
        if term.kind == "point" and count != 1:
            raise LandmarkError(
                f"landmark '{self.id}' has indices {sorted({p.index for p in self.placements})}",
                expected="one point (index 0)",
                action="use the repeat column for repeated placements",
            )

    @property
    def is_placed(self) -> bool:
        """Whether there are coordinates to measure from."""
        return bool(self.placements)

    @property
    def indices(self) -> tuple[int, ...]:
        """The indices present, in order."""
        return tuple(sorted({p.index for p in self.placements}))

    @property
    def points_lps(self) -> Floats:
        """Mean position per index, shape (n, 3), LPS mm, in index order."""
        return np.array([self.repeats_lps(i).mean(axis=0) for i in self.indices]).reshape(-1, 3)

    @property
    def point_lps(self) -> Floats:
        """Mean position of the first index, shape (3,), LPS mm."""
        return self.repeats_lps(self.indices[0]).mean(axis=0)

    def repeats_lps(self, index: int) -> Floats:
        """All placements of one index, shape (repeats, 3), LPS mm."""
        return np.array([p.position_lps for p in self.placements if p.index == index], dtype=np.float64).reshape(-1, 3)


class LandmarkSet(Mapping[str, Landmark]):
    """All landmarks of one ear, by id; immutable.

    Raises
    ------
    LandmarkError
        If an id appears twice.

    Example
    -------
    >>> marks = LandmarkSet([Landmark("umbo", "absent")])
    >>> marks.status("umbo"), marks.status("scutum"), marks.placed("umbo")
    ('absent', None, False)
    """

    __slots__ = ("_items",)

    def __init__(self, landmarks: Iterable[Landmark] = ()) -> None:
        items: dict[str, Landmark] = {}
        for landmark in landmarks:
            if landmark.id in items:
                raise LandmarkError(
                    f"landmark '{landmark.id}' given twice",
                    expected="one entry a landmark",
                    action="use index, repeat or observer for repeated placements",
                )
            items[landmark.id] = landmark
        self._items = items

    def __getitem__(self, key: str) -> Landmark:
        return self._items[key]

    def __iter__(self):  # type: ignore[no-untyped-def]
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, LandmarkSet) and self._items == other._items

    def __hash__(self) -> int:
        return hash(tuple(sorted((k, v) for k, v in self._items.items())))

    def placed(self, *ids: str) -> bool:
        """Whether every one of these has coordinates."""
        return all(i in self._items and self._items[i].is_placed for i in ids)

    def status(self, landmark_id: str) -> Status | None:
        """Status of one landmark; None when nobody has said anything about it."""
        landmark = self._items.get(landmark_id)
        return landmark.status if landmark else None

    def point_lps(self, landmark_id: str) -> Floats:
        """Mean position of one placed point landmark, shape (3,), LPS mm.

        Raises
        ------
        LandmarkError
            If it is not placed.
        """
        if not self.placed(landmark_id):
            raise LandmarkError(
                f"landmark '{landmark_id}' is not placed", expected="coordinates", action=f"place '{landmark_id}'"
            )
        return self._items[landmark_id].point_lps

    def with_landmark(self, landmark: Landmark) -> LandmarkSet:
        """A new set in which this landmark replaces the one of the same id."""
        return LandmarkSet([*(v for k, v in self._items.items() if k != landmark.id), landmark])
