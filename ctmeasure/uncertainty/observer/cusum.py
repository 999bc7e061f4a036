"""Cumulative sums of failures: is a person still within the rate that was agreed on?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ctmeasure.uncertainty.estimate import EstimateError


@dataclass(frozen=True, slots=True)
class CusumDesign:
    """A sequential probability ratio test drawn as a cumulative sum.

    Parameters
    ----------
    acceptable_rate, unacceptable_rate
        Failure rates p0 and p1, p0 below p1.
    false_alarm, missed_alarm
        alpha: an acceptable person is called unacceptable; beta: the reverse.

    Raises
    ------
    EstimateError
        When the rates are not ordered or not between 0 and 1.

    Notes
    -----
    The sum starts from nothing being known. It is not a proof of competence for a beginner, who starts outside the
    acceptable rate: the early upward run then says "not yet", not "got worse". After each crossing the sum starts
    again, since relapses occur after a limit was passed.

    References
    ----------
    Biau DJ et al. (2007) Qual Saf Health Care 16:203 (review, doi from memory: 10.1136/qshc.2006.020776); Wald A (1945)
    Ann Math Stat 16:117, doi:10.1214/aoms/1177731118.

    Example
    -------
    >>> design = CusumDesign(0.05, 0.15, false_alarm=0.1, missed_alarm=0.1)
    >>> round(design.success_step, 4), round(design.upper_limit, 3), design.straight_passes
    (0.0919, 1.816, 20)
    """

    acceptable_rate: float = 0.05
    unacceptable_rate: float = 0.15
    false_alarm: float = 0.1
    missed_alarm: float = 0.1

    def __post_init__(self) -> None:
        rates = 0.0 < self.acceptable_rate < self.unacceptable_rate < 1.0
        if not (rates and 0.0 < self.false_alarm < 0.5 and 0.0 < self.missed_alarm < 0.5):
            raise EstimateError(
                f"CUSUM of rates {self.acceptable_rate:g}, {self.unacceptable_rate:g} and errors "
                f"{self.false_alarm:g}, {self.missed_alarm:g}",
                expected="0 < acceptable < unacceptable < 1, errors between 0 and 0.5",
            )

    @property
    def _log_odds(self) -> float:
        p0, p1 = self.acceptable_rate, self.unacceptable_rate
        return math.log(p1 / p0) + math.log((1.0 - p0) / (1.0 - p1))

    @property
    def success_step(self) -> float:
        """By how much a success lowers the sum; a failure raises it by one less this."""
        return math.log((1.0 - self.acceptable_rate) / (1.0 - self.unacceptable_rate)) / self._log_odds

    @property
    def upper_limit(self) -> float:
        """Crossing it upwards: the failure rate is unacceptable."""
        return math.log((1.0 - self.missed_alarm) / self.false_alarm) / self._log_odds

    @property
    def lower_limit(self) -> float:
        """Crossing it downwards (it is negative): the failure rate is acceptable."""
        return -math.log((1.0 - self.false_alarm) / self.missed_alarm) / self._log_odds

    @property
    def straight_passes(self) -> int:
        """Successes in a row, from the start, that cross the lower limit."""
        return math.ceil(-self.lower_limit / self.success_step - 1e-12)


@dataclass(frozen=True, slots=True)
class CusumPath:
    """The sum after every attempt (before it starts again), and the attempts (from 0) at which a limit was crossed."""

    values: tuple[float, ...]
    unacceptable_at: tuple[int, ...]
    acceptable_at: tuple[int, ...]


def cusum_path(failures: Sequence[bool], design: CusumDesign) -> CusumPath:
    """The cumulative sum over attempts in the order they were made.

    Parameters
    ----------
    failures
        True for each attempt that failed.
    design
        Rates and limits.

    Returns
    -------
    CusumPath
        The sum starts again from zero after each crossing.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> cusum_path([False] * 20, CusumDesign()).acceptable_at
    (19,)
    """
    values, up, down, total = [], [], [], 0.0
    step = design.success_step
    for i, failed in enumerate(failures):
        total += 1.0 - step if failed else -step
        values.append(total)
        if total >= design.upper_limit:
            up.append(i)
            total = 0.0
        elif total <= design.lower_limit + 1e-12:
            down.append(i)
            total = 0.0
    return CusumPath(tuple(values), tuple(up), tuple(down))
