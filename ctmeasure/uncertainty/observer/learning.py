"""The learning curve's cumulative sum: has a beginner, who starts outside the acceptable rate, reached it by now?"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from ctmeasure.uncertainty.estimate import EstimateError

ROUNDING = 1e-9
"""Two sums closer than this are one; different counts of successes and failures lie much further apart."""


@dataclass(frozen=True, slots=True)
class LearningDesign:
    """Rates and limit of the test.

    Parameters
    ----------
    acceptable_rate, unacceptable_rate
        Failure rates p0 and p1, p0 below p1.
    attempts
        Over how many attempts `false_competence` holds.
    false_competence
        Greatest probability that a person who fails at the unacceptable rate is called competent within them.

    Raises
    ------
    EstimateError
        When the rates are not ordered or not between 0 and 1, or there is no attempt.

    Notes
    -----
    The null hypothesis is that the person is *not* yet competent, the reverse of `CusumDesign`: the sum of
    log((1 - p0) / (1 - p1)) a success and log(p0 / p1) a failure is held at zero from below, and competence is said at
    the limit. The limit is the smallest whose false competence keeps its bound, from the exact distribution of the sum.

    References
    ----------
    Biau DJ, Porcher R (2010) Stat Med 29:1900, doi:10.1002/sim.3947; scores of binary outcomes: Biau DJ et al. (2008)
    Br J Surg 95:925, doi:10.1002/bjs.6056 (from memory).

    Example
    -------
    >>> design = LearningDesign(0.05, 0.15, attempts=24, false_competence=0.1)
    >>> round(design.success_score, 4), round(design.failure_score, 4)
    (0.1112, -1.0986)
    >>> called_competent(design, 0.15) <= 0.1
    True
    """

    acceptable_rate: float = 0.05
    unacceptable_rate: float = 0.15
    attempts: int = 24
    false_competence: float = 0.1

    def __post_init__(self) -> None:
        rates = 0.0 < self.acceptable_rate < self.unacceptable_rate < 1.0
        if not (rates and self.attempts >= 1 and 0.0 < self.false_competence < 1.0):
            raise EstimateError(
                f"learning CUSUM of rates {self.acceptable_rate:g}, {self.unacceptable_rate:g}, false competence "
                f"{self.false_competence:g} in {self.attempts} attempts",
                expected="0 < acceptable < unacceptable < 1, false competence between 0 and 1, one attempt or more",
            )

    @property
    def success_score(self) -> float:
        """What a success adds."""
        return math.log((1.0 - self.acceptable_rate) / (1.0 - self.unacceptable_rate))

    @property
    def failure_score(self) -> float:
        """What a failure adds; negative."""
        return math.log(self.acceptable_rate / self.unacceptable_rate)

    @property
    def limit(self) -> float:
        """The sum at which competence is said."""
        return _limit(self)


@dataclass(frozen=True, slots=True)
class LearningPath:
    """The sum after every attempt, and the attempts (from 0) at which competence was said; it then starts again."""

    values: tuple[float, ...]
    competent_at: tuple[int, ...]


def learning_path(failures: Sequence[bool], design: LearningDesign) -> LearningPath:
    """The sum over attempts in the order they were made.

    Parameters
    ----------
    failures
        True for each attempt that failed.
    design
        Rates and limit.

    Returns
    -------
    LearningPath

    Raises
    ------
    Nothing.

    Notes
    -----
    Once competence was said, `ctmeasure.uncertainty.observer.cusum` watches over it; this sum starts anew, so that a
    relapse shows as a long way to the next crossing.

    Example
    -------
    >>> learning_path([True, False], LearningDesign()).values[0]
    0.0
    """
    values, reached, limit, counts = [], [], design.limit, NONE
    for at, failed in enumerate(failures):
        counts, total = _next(design, counts, failed)
        values.append(total)
        if total >= limit - ROUNDING:
            reached.append(at)
            counts = NONE
    return LearningPath(tuple(values), tuple(reached))


Counts = tuple[int, int]
NONE: Counts = (0, 0)


def _next(design: LearningDesign, counts: Counts, failed: bool) -> tuple[Counts, float]:
    """Successes and failures since the sum was last zero, one attempt later, and their sum; counts do not round."""
    passed, missed = counts[0] + (not failed), counts[1] + failed
    total = passed * design.success_score + missed * design.failure_score
    return ((passed, missed), total) if total > ROUNDING else (NONE, 0.0)


def called_competent(design: LearningDesign, failure_rate: float) -> float:
    """Probability that a person of this failure rate is called competent at least once within the design's attempts.

    Raises
    ------
    EstimateError
        When the rate is no probability.
    """
    if not 0.0 <= failure_rate <= 1.0:
        raise EstimateError(f"failure rate {failure_rate:g}", expected="between 0 and 1")
    return _crossing(design, design.limit, failure_rate)


def _crossing(design: LearningDesign, limit: float, failure_rate: float) -> float:
    """The same for any limit, by the exact distribution of the counts."""
    states, crossed = {NONE: 1.0}, 0.0
    for _ in range(design.attempts):
        after: dict[Counts, float] = {}
        for counts, weight in states.items():
            for failed, share in ((False, 1.0 - failure_rate), (True, failure_rate)):
                reached, total = _next(design, counts, failed)
                if total >= limit - ROUNDING:
                    crossed += weight * share
                else:
                    after[reached] = after.get(reached, 0.0) + weight * share
        states = after
    return crossed


@lru_cache(maxsize=32)
def _limit(design: LearningDesign) -> float:
    """Smallest sum that can be reached and keeps the bound; where none does, one that nobody reaches."""
    most = design.attempts
    sums = {
        passed * design.success_score + missed * design.failure_score
        for passed in range(1, most + 1)
        for missed in range(most + 1 - passed)
    }
    reachable = [*sorted(total for total in sums if total > 0.0), (most + 1) * design.success_score]
    at = bisect_left(
        reachable,
        True,
        key=lambda limit: _crossing(design, limit, design.unacceptable_rate) <= design.false_competence,
    )
    return reachable[at]
