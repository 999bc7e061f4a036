"""The hearing sheet: audiograms as entered, their four-frequency average and air-bone gap. Nothing is inferred."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Contribution, Estimate

Conduction = Literal["air", "bone"]
When = Literal["before", "after"]
FREQUENCIES_HZ = (250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000)
"""Audiometric frequencies that a table may hold."""
AVERAGED_HZ = (500, 1000, 2000, 3000)
HIGH_TONE_HZ = (1000, 2000, 4000)
GUIDELINE = (
    "average of 0.5, 1, 2 and 3 kHz, air-bone gap from one test: Committee on Hearing and Equilibrium 1995, "
    "Otolaryngol Head Neck Surg 113:186; Gurgel et al. 2012, 147:803"
)
SUBSTITUTE = (
    "3 kHz not tested: mean of 2 and 4 kHz in its place (Gurgel et al. 2012, Otolaryngol Head Neck Surg 147:803; error "
    "0.6 +/- 1.7 dB in 1204 patients, DOI 10.1177/0194599811416318a156)"
)
SUBSTITUTE_U_DB = 1.7
"""Spread of the average with the substitute against the one with 3 kHz (same source)."""
STEP_DB = 5.0
"""Thresholds are tested in steps of 5 dB, known to a rectangular +/- 2.5 dB."""
LOWEST_DB, HIGHEST_DB = -20.0, 130.0
"""A hearing level outside this range is a slip."""
GAP_BANDS_DB = ((10.0, "0 to 10 dB"), (20.0, "11 to 20 dB"), (30.0, "21 to 30 dB"))
"""Bands in which the guideline has gaps reported (bounds from memory); above the last, "more than 30 dB"."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """One hearing threshold; ``level_db`` None means no response (at ``limit_db`` when it was noted)."""

    conduction: Conduction
    frequency_hz: int
    level_db: float | None
    masked: bool | None = None
    limit_db: float | None = None


@dataclass(frozen=True, slots=True)
class Audiogram:
    """One test of one ear, as entered; ``date`` as the user writes it, or empty."""

    when: When
    thresholds: tuple[Threshold, ...]
    transducer: str = ""
    date: str = ""
    note: str = ""

    def threshold(self, conduction: Conduction, frequency_hz: int) -> Threshold | None:
        """One threshold, or None when it was not tested."""
        for item in self.thresholds:
            if item.conduction == conduction and item.frequency_hz == frequency_hz:
                return item
        return None


@dataclass(frozen=True, slots=True)
class HearingNumber:
    """One number of the sheet, or why it cannot be given."""

    words: str
    estimate: Estimate | None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HearingSheet:
    """Averages, gaps and, with a test before and one after, their changes."""

    before: tuple[HearingNumber, ...] = ()
    after: tuple[HearingNumber, ...] = ()
    change: tuple[HearingNumber, ...] = ()
    missing: tuple[str, ...] = ()


def hearing_sheet(audiograms: tuple[Audiogram, ...], settings: Settings) -> HearingSheet:
    """The hearing sheet.

    Parameters
    ----------
    audiograms
        At most one before and one after.
    settings
        Test-retest uncertainty of a threshold.

    Returns
    -------
    HearingSheet
        What cannot be given has no number and says why; ``missing`` holds one line for each such reason.

    Raises
    ------
    Nothing.

    Notes
    -----
    Arithmetic means of decibels, as the guideline has it. "No response" is no number. Negative gaps are kept. A gap
    takes air and bone of the same test only. Standard uncertainty of a threshold: 5 dB steps (rectangular) with the
    test-retest scatter of the settings.

    References
    ----------
    Committee on Hearing and Equilibrium 1995, Otolaryngol Head Neck Surg 113:186; Gurgel et al. 2012, 147:803.
    """
    found: dict[str, dict[str, HearingNumber]] = {}
    for audiogram in audiograms:
        found[audiogram.when] = _numbers(audiogram, settings)
    before, after = found.get("before", {}), found.get("after", {})
    change = _change(before, after) if before and after else ()
    numbers = (*((w, n) for w, numbers in found.items() for n in numbers.values()), *(("", n) for n in change))
    missing = tuple(
        dict.fromkeys(
            f"{when + ', ' if when else ''}{number.words}: {'; '.join(number.flags)}"
            for when, number in numbers
            if number.estimate is None
        )
    )
    return HearingSheet(tuple(before.values()), tuple(after.values()), change, missing)


AIR, BONE, GAP, HIGH = "air conduction, average", "bone conduction, average", "air-bone gap", "bone at 1, 2, 4 kHz"


def _numbers(audiogram: Audiogram, settings: Settings) -> dict[str, HearingNumber]:
    air = average(audiogram, "air", settings)
    bone = average(audiogram, "bone", settings)
    return {
        AIR: air,
        BONE: bone,
        GAP: difference(GAP, air, bone, within_test=True),
        HIGH: _mean(audiogram, "bone", dict.fromkeys(HIGH_TONE_HZ, 1.0 / 3.0), HIGH, settings, ()),
    }


def average(audiogram: Audiogram, conduction: Conduction, settings: Settings) -> HearingNumber:
    """Four-frequency average of one conduction, 3 kHz replaced by the mean of 2 and 4 kHz when it was not tested.

    Parameters
    ----------
    audiogram
        One test.
    conduction
        "air" or "bone".
    settings
        Test-retest uncertainty.

    Returns
    -------
    HearingNumber

    Raises
    ------
    Nothing.

    Example
    -------
    >>> levels = {500: 55.0, 1000: 50.0, 2000: 40.0, 4000: 50.0}
    >>> test = Audiogram("before", tuple(Threshold("air", f, db) for f, db in levels.items()))
    >>> average(test, "air", Settings()).estimate.value
    47.5
    """
    words = AIR if conduction == "air" else BONE
    weights = dict.fromkeys(AVERAGED_HZ, 0.25)
    if audiogram.threshold(conduction, 3000) is None and audiogram.threshold(conduction, 4000) is not None:
        weights = {500: 0.25, 1000: 0.25, 2000: 0.375, 4000: 0.125}
        return _mean(audiogram, conduction, weights, words, settings, (SUBSTITUTE,))
    return _mean(audiogram, conduction, weights, words, settings, ())


def _mean(
    audiogram: Audiogram, conduction: Conduction, weights: dict[int, float], words: str, settings: Settings,
    flags: tuple[str, ...],
) -> HearingNumber:  # fmt: skip
    found = {f: audiogram.threshold(conduction, f) for f in weights}
    untested = [f for f, item in found.items() if item is None]
    silent = [f for f, item in found.items() if item is not None and item.level_db is None]
    if len(untested) == len(found):
        return HearingNumber(words, None, (f"no {conduction} conduction was entered",))
    if untested or silent:
        why = [f"{conduction} conduction not tested at {_khz(untested)}"] if untested else []
        why += [f"no response at {_khz(silent)}: not a number"] if silent else []
        return HearingNumber(words, None, (*why, *flags))
    levels = {f: item.level_db for f, item in found.items() if item is not None and item.level_db is not None}
    value = sum(weights[f] * levels[f] for f in levels)
    one = math.hypot(STEP_DB / math.sqrt(12.0), settings.audiometry_u_db)
    parts = [Contribution("thresholds (5 dB steps, test-retest)", one * math.hypot(*weights.values()))]
    parts += [Contribution("substitute for 3 kHz", SUBSTITUTE_U_DB)] if flags else []
    return HearingNumber(words, _estimate(value, tuple(parts), "mean of thresholds"), flags)


def _khz(frequencies: list[int]) -> str:
    return ", ".join(f"{f / 1000:g}" for f in frequencies) + " kHz"


def _estimate(value: float, parts: tuple[Contribution, ...], method: str) -> Estimate:
    u = math.hypot(*(part.standard_uncertainty for part in parts))
    return Estimate(value, u, value - 1.96 * u, value + 1.96 * u, "dB", method, parts)


def difference(words: str, first: HearingNumber, second: HearingNumber, *, within_test: bool = False) -> HearingNumber:
    """First less second; without one of them the reason why there is none.

    Notes
    -----
    The substitute for 3 kHz leaves out the same frequency on both sides of a gap of one test: its doubt counts once.
    """
    lacking = [number for number in (first, second) if number.estimate is None]
    if lacking:
        why = tuple(f"{number.words} not given ({'; '.join(number.flags)})" for number in lacking)
        return HearingNumber(words, None, why)
    assert first.estimate is not None
    assert second.estimate is not None
    flags = tuple(dict.fromkeys((*first.flags, *second.flags)))
    parts = [*first.estimate.budget, *second.estimate.budget]
    if within_test:
        shared = [part for part in parts if part.source == "substitute for 3 kHz"]
        parts = [part for part in parts if part not in shared] + shared[:1]
    return HearingNumber(
        words, _estimate(first.estimate.value - second.estimate.value, tuple(parts), "difference of averages"), flags
    )


def _change(before: dict[str, HearingNumber], after: dict[str, HearingNumber]) -> tuple[HearingNumber, ...]:
    return (
        difference("gap closed (before less after)", before[GAP], after[GAP]),
        difference("bone at 1, 2, 4 kHz, gained (before less after)", before[HIGH], after[HIGH]),
    )


def gap_band(gap_db: float) -> str:
    """The band in which the guideline has a gap reported; a band, not a verdict.

    Example
    -------
    >>> gap_band(10.0), gap_band(28.75), gap_band(-3.0), gap_band(31.0)
    ('0 to 10 dB', '21 to 30 dB', '0 to 10 dB', 'more than 30 dB')
    """
    return next((words for top, words in GAP_BANDS_DB if gap_db <= top), "more than 30 dB")
