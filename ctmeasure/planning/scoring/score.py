"""The score of one attempt: points, structures, statuses, dangers; nothing here looks at voxels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.consequences import Consequences, hole_label
from ctmeasure.planning.scoring.points import OUTCOME_SCORES, PointScore, axes_of, point_score
from ctmeasure.planning.scoring.structures import StructureScore, structure_score
from ctmeasure.planning.scoring.terms import practice_terms

WORTH_SAYING = 3
"""How many of the worst landmarks the feedback dwells on."""

FAILURES = ("missed", "invented", "mistaken", "unanswered")
"""Answers without a distance that fail an attempt; "partly" and "open" do not."""


@dataclass(frozen=True, slots=True)
class Score:
    """How one attempt went.

    Parameters
    ----------
    side_expected, side_given
        The ear.
    axes_source
        Where lateral, posterior and superior come from.
    points, structures
        One score each, in the order of the vocabulary.
    status_share
        Mean score of the status answers, 0 to 1; None when nothing could be judged.
    composite
        100 times the mean over landmarks of exp(-(error / limit)^2 / 2): 100 without any error, 61 at the limit within
        which 95 % of experts lie, and 0 for a landmark that is there and was not placed. None without landmarks.
    dangers
        Dangerous errors, a sentence each; counted apart from the composite, which does not see them.
    consequences
        None when no plan was made.
    """

    side_expected: str
    side_given: str
    axes_source: str
    points: tuple[PointScore, ...]
    structures: tuple[StructureScore, ...]
    status_share: float | None
    composite: float | None
    dangers: tuple[str, ...]
    consequences: Consequences | None = None

    @property
    def radial_mm(self) -> tuple[float, ...]:
        """Distances of the landmarks that both placed."""
        return tuple(p.radial_mm for p in self.points if p.radial_mm is not None)

    @property
    def failed(self) -> bool:
        """Whether the attempt counts as a failure: any dangerous error, or a landmark outside its limit or not answered
        as it is (missed, invented, mistaken, or left out)."""
        return bool(self.dangers) or any(p.inside is False or p.outcome in FAILURES for p in self.points)


def score_attempt(
    answer: Answer,
    reference: Reference,
    *,
    landmarks: Sequence[str],
    structures: Sequence[str] = (),
    consequences: Consequences | None = None,
) -> Score:
    """Score an attempt.

    Parameters
    ----------
    answer, reference
        What was handed in, and what it is compared with.
    landmarks, structures
        Ids the task asked for.
    consequences
        Of the two plans, where they were computed.

    Returns
    -------
    Score

    Raises
    ------
    LandmarkError
        For an id of neither vocabulary.
    """
    axes = axes_of(reference.mean_landmarks(), reference.side)
    points = tuple(point_score(name, answer, reference, axes) for name in landmarks)
    marked = tuple(structure_score(name, answer, reference, axes) for name in structures)
    outcomes = [*(point.outcome for point in points), *(item.outcome for item in marked)]
    judged = [OUTCOME_SCORES.get(word, 0.0) for word in outcomes if word != "open"]
    return Score(
        reference.side,
        answer.side,
        axes.source,
        points,
        marked,
        sum(judged) / len(judged) if judged else None,
        _composite(points),
        _dangers(answer, reference, points, marked, consequences),
        consequences,
    )


def _composite(points: Sequence[PointScore]) -> float | None:
    shares = []
    for point in points:
        if point.radial_mm is not None and point.limit_mm is not None:
            shares.append(math.exp(-0.5 * (point.radial_mm / point.limit_mm) ** 2))
        elif point.outcome in ("missed", "unanswered", "invented"):
            shares.append(0.0)
    return 100.0 * sum(shares) / len(shares) if shares else None


def _dangers(
    answer: Answer,
    reference: Reference,
    points: Sequence[PointScore],
    structures: Sequence[StructureScore],
    consequences: Consequences | None,
) -> tuple[str, ...]:
    """The errors that could harm a patient, whatever the millimetres say."""
    found = []
    if answer.side != reference.side:
        found.append(f"left for right: the ear is the {reference.side} one, you said {answer.side}")
    found += [
        "a stapes head was marked that is not there"
        for point in points
        if point.id == "stapes_head" and point.outcome == "invented"
    ]
    unmarked = {s.id for s in structures if s.outcome in ("missed", "unanswered")}
    for hole in consequences.holes if consequences else ():
        for name in hole.met:
            label = structure_terms()[name].label
            which = hole_label(hole.hole)
            if name in unmarked or answer.structure(name) is None:
                found.append(f"{label} was not marked, and hole '{which}' would meet it")
            else:
                found.append(f"hole '{which}' would meet the {label}")
    return tuple(dict.fromkeys(found))


def point_words(point: PointScore) -> str:
    """One landmark's result as a sentence.

    Example
    -------
    >>> point_words(PointScore("umbo", "absent", "placed"))
    'umbo: you placed it; it is absent'
    """
    label = landmark_terms()[point.id].label
    if point.radial_mm is None:
        said = {"placed": "you placed it", "partial": "you marked it as partial", "absent": "you said absent",
                "not_seen": "you said not seen", None: "you did not answer"}[point.given]  # fmt: skip
        if point.expected is None:
            return f"{label}: not judged, the experts disagree or did not say"
        is_so = {"placed": "it is there", "partial": "it is partly there", "absent": "it is absent",
                 "not_seen": "the scan does not show it"}[point.expected]  # fmt: skip
        joint = ", and" if point.outcome == "agreed" else ";"
        return f"{label}: {said}{joint} {is_so}"
    ways = (
        (point.lateral_mm, "lateral", "medial"),
        (point.posterior_mm, "behind", "in front"),
        (point.superior_mm, "above", "below"),
    )
    parts = [f"{abs(v):.1f} {more if v > 0 else less}" for v, more, less in ways if v is not None and abs(v) >= 0.05]
    along = ""
    if point.along_mm is not None and abs(point.along_mm) >= 0.05:
        along = f", {abs(point.along_mm):.1f} of it along the structure"
    where = "inside" if point.inside else "outside"
    split = f" ({', '.join(parts)}{along})" if parts else ""
    return f"{label}: {point.radial_mm:.2f} mm off{split}, {where} the experts' {point.limit_mm:.2f} mm"


def worst_points(score: Score, count: int = WORTH_SAYING) -> tuple[PointScore, ...]:
    """The landmarks worth looking at again: wrong statuses first, then by how far beyond their limit."""
    wrong = [p for p in score.points if p.outcome in ("missed", "invented", "unanswered", "mistaken")]
    placed = [p for p in score.points if p.radial_mm is not None and p.limit_mm]
    placed.sort(key=lambda p: -(p.radial_mm or 0.0) / (p.limit_mm or 1.0))
    return tuple((*wrong, *placed)[:count])


def advice(point: PointScore) -> str:
    """The common mistake at a landmark, where this attempt may have made it; empty when it was well placed."""
    good = point.outcome == "agreed" or point.inside
    return "" if good or point.outcome == "open" else practice_terms()[point.id].mistake
