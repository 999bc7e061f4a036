"""What a trainee hands in, and what a reference holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import LandmarkSet, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import Side, landmark_term
from ctmeasure.errors import LandmarkError

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Hole:
    """A chosen hole: entry point and drill direction (None: the best reachable)."""

    id: str
    entry_lps: PointLps
    direction_lps: PointLps | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """An attempt as handed in: what was placed, marked, chosen. ``length_mm`` None when no length was chosen."""

    side: Side
    landmarks: LandmarkSet
    structures: tuple[Structure, ...] = ()
    holes: tuple[Hole, ...] = ()
    length_mm: float | None = None

    def structure(self, structure_id: str) -> Structure | None:
        """The structure of that id, marked or with a status, or None when nothing was said about it."""
        return next((item for item in self.structures if item.id == structure_id), None)


@dataclass(frozen=True, slots=True)
class Reference:
    """What an attempt is compared with.

    Parameters
    ----------
    side
        The ear.
    answers
        One an expert; a single one without scatter when the truth is known (a synthetic ear).
    origin
        ``experts`` or ``synthetic``.

    Raises
    ------
    LandmarkError
        When there is no answer, or experts worked on different sides.
    """

    side: Side
    answers: tuple[Answer, ...]
    origin: str = "experts"
    names: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if not self.answers:
            raise LandmarkError("a reference without any answer", expected="one or more experts' placements")
        if any(answer.side != self.side for answer in self.answers):
            raise LandmarkError("experts' answers of both ears", expected=f"the {self.side} ear")

    @property
    def first(self) -> Answer:
        """The answer whose structures, and where experts differ nothing else, are used for the consequences."""
        return self.answers[0]

    def status(self, landmark_id: str) -> str | None:
        """Status most experts gave; None when none said anything, or when as many said something else."""
        said = [s for answer in self.answers if (s := answer.landmarks.status(landmark_id)) is not None]
        return _most(said)

    def structure_status(self, structure_id: str) -> str | None:
        """The same for a structure."""
        items = (answer.structure(structure_id) for answer in self.answers)
        return _most([item.status for item in items if item is not None])

    def spread(self, landmark_id: str) -> tuple[Floats, float, float] | None:
        """Mean points, experts' standard deviation per axis, and its degrees of freedom.

        Parameters
        ----------
        landmark_id
            A landmark.

        Returns
        -------
        points_lps, sd_mm, degrees_of_freedom
            Points of shape (n, 3); sd 0 with no degree of freedom for one expert. None when nobody placed it. The
            scatter is pooled over axes and points, since few experts do not give a covariance.
        """
        term = landmark_term(landmark_id)
        placed = [a.landmarks[landmark_id].points_lps for a in self.answers if a.landmarks.placed(landmark_id)]
        if not placed:
            return None
        if term.kind in ("ring", "list") or len({len(p) for p in placed}) > 1:
            return placed[0], 0.0, 0.0
        stack = np.stack([p[:1] for p in placed]) if term.kind == "anchor" else np.stack(placed)
        freedom = 3.0 * (len(stack) - 1) * stack.shape[1]
        if freedom == 0.0:
            return stack.mean(axis=0), 0.0, 0.0
        squares = float(((stack - stack.mean(axis=0)) ** 2).sum())
        return stack.mean(axis=0), (squares / freedom) ** 0.5, freedom

    def mean_landmarks(self) -> LandmarkSet:
        """All experts' placements together, as repeated placements of one set; statuses by majority."""
        from ctmeasure.anatomy.landmarks import Landmark, Placement

        ids = dict.fromkeys(name for answer in self.answers for name in answer.landmarks)
        found = []
        for name in ids:
            status = self.status(name)
            marks = [a.landmarks[name] for a in self.answers if a.landmarks.placed(name)]
            if status in ("placed", "partial") and marks:
                ring = landmark_term(name).kind in ("ring", "list", "anchor")
                used = marks[:1] if ring else marks
                clicks = tuple(
                    Placement(p.position_lps, p.index, p.observer or f"expert-{n + 1}", p.repeat)
                    for n, mark in enumerate(used)
                    for p in mark.placements
                )
                found.append(Landmark(name, status, clicks))  # type: ignore[arg-type]
            elif status in ("absent", "not_seen"):
                found.append(Landmark(name, status))  # type: ignore[arg-type]
        return LandmarkSet(found)


def _most(said: Sequence[str]) -> str | None:
    """The word most people said; None for no words or a tie."""
    counts = {word: said.count(word) for word in dict.fromkeys(said)}
    best = sorted(counts.values(), reverse=True)
    if not best or (len(best) > 1 and best[0] == best[1]):
        return None
    return max(counts, key=lambda word: counts[word])
