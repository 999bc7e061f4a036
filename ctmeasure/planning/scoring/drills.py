"""Short drills that need no scan: clock hours of right and left ears, and what lies behind a place of the wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ctmeasure.anatomy.clock import clock_hour, clock_words, wall_words
from ctmeasure.anatomy.sectors import sector_of
from ctmeasure.anatomy.vocabulary import SIDES, structure_terms
from ctmeasure.errors import CtmeasureError

DrillKind = Literal["clock", "behind"]
DRILL_KINDS: tuple[DrillKind, ...] = ("clock", "behind")
PLACES_DEG = tuple(float(a) for a in range(0, 360, 45))
"""Places that have a name of their own ("upper back wall")."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question with the answers that count as right, and why."""

    kind: DrillKind
    text: str
    right: tuple[str, ...]
    explanation: str


@dataclass(frozen=True, slots=True)
class DrillOutcome:
    """Questions, what was answered, and which answers were right."""

    questions: tuple[Question, ...]
    answers: tuple[str, ...]
    right: tuple[bool, ...]

    @property
    def share(self) -> float:
        """Share of right answers."""
        return sum(self.right) / len(self.right)


def questions(kind: str, count: int, *, seed: int) -> tuple[Question, ...]:
    """Questions of one drill.

    Parameters
    ----------
    kind
        ``clock`` (which hour is this place of this ear) or ``behind`` (what must be looked for behind it).
    count
        How many, at least one.
    seed
        Same seed, same questions.

    Returns
    -------
    tuple of Question

    Raises
    ------
    CtmeasureError
        For an unknown kind or a count below one.

    Example
    -------
    >>> questions("clock", 1, seed=1)[0].kind
    'clock'
    """
    if kind not in DRILL_KINDS:
        raise CtmeasureError(f"drill '{kind}'", expected=" or ".join(DRILL_KINDS))
    if count < 1:
        raise CtmeasureError(f"{count} questions", expected="one or more")
    rng = np.random.default_rng([77, seed])
    make = _clock_question if kind == "clock" else _behind_question
    return tuple(make(rng) for _ in range(count))


def _clock_question(rng: np.random.Generator) -> Question:
    side = SIDES[int(rng.integers(2))]
    angle = float(rng.choice(np.arange(0.0, 360.0, 30.0)))
    hour = float(clock_hour(angle, side))
    words = f"{side} ear, {_place_words(angle)}: which hour?"
    right = str(round(hour))
    why = f"in a {side} ear backwards is {'3' if side == 'left' else '9'} o'clock, so this is {clock_words(hour)}"
    return Question("clock", words, (right, f"{right}:00", clock_words(hour)), why)


def _place_words(angle_deg: float) -> str:
    if angle_deg % 90.0 == 0.0:
        return f"straight {('up', 'back', 'down', 'forward')[int(angle_deg // 90)]}"
    quadrant = int(angle_deg // 90)
    first, second = (("up", "back"), ("back", "down"), ("down", "forward"), ("forward", "up"))[quadrant]
    within = angle_deg % 90.0
    return f"{within:.0f} degrees from straight {first} towards {second}"


def _behind_question(rng: np.random.Generator) -> Question:
    side = SIDES[int(rng.integers(2))]
    angle = PLACES_DEG[int(rng.integers(len(PLACES_DEG)))]
    needs = sector_of(angle).needs
    names = tuple(dict.fromkeys(need.structure for need in needs if need.structure in structure_terms()))
    labels = tuple(structure_terms()[name].label for name in names)
    hour = clock_words(float(clock_hour(angle, side)))
    text = f"{side} ear, {wall_words(angle)} ({hour}): name one thing that must be looked for behind it"
    return Question("behind", text, (*names, *labels), f"behind the {wall_words(angle)}: {', '.join(labels)}")


def grade(asked: Sequence[Question], answers: Sequence[str]) -> DrillOutcome:
    """Which answers are right; an answer that was not given is wrong.

    Parameters
    ----------
    asked
        The questions.
    answers
        In their order; may be fewer.

    Returns
    -------
    DrillOutcome

    Raises
    ------
    CtmeasureError
        When there are more answers than questions.

    Example
    -------
    >>> grade(questions("clock", 2, seed=1), []).share
    0.0
    """
    if len(answers) > len(asked):
        raise CtmeasureError(f"{len(answers)} answers to {len(asked)} questions", expected="one a question")
    padded = (*answers, *[""] * (len(asked) - len(answers)))
    right = tuple(
        _plain(answer) in {_plain(r) for r in question.right} for question, answer in zip(asked, padded, strict=True)
    )
    return DrillOutcome(tuple(asked), padded, right)


def _plain(text: str) -> str:
    return " ".join(text.lower().replace("_", " ").replace("o'clock", "").split())
