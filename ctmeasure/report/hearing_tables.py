"""The hearing sheet on paper: thresholds as entered, averages and gaps by the guideline. Nothing is inferred."""

from __future__ import annotations

from ctmeasure.case.model import Case
from ctmeasure.planning.hearing import (
    AIR,
    BONE,
    FREQUENCIES_HZ,
    GAP,
    GUIDELINE,
    HIGH,
    Audiogram,
    HearingNumber,
    HearingSheet,
    Threshold,
    gap_band,
    hearing_sheet,
)
from ctmeasure.report.content import Column, Table
from ctmeasure.report.figures import hearing
from ctmeasure.report.figures.canvas import Image
from ctmeasure.report.figures.slices import side_words
from ctmeasure.report.numbers import fixed, flag_words, interval

NOT_TESTED = "not tested"


def hearing_tables(case: Case) -> tuple[Table, ...]:
    """Thresholds, and the numbers of the guideline; empty without an audiogram.

    Parameters
    ----------
    case
        Any case.

    Returns
    -------
    tuple of Table
    """
    if not case.audiograms:
        return ()
    return (_thresholds(case.audiograms), _numbers(hearing_sheet(case.audiograms, case.settings)))


def _thresholds(audiograms: tuple[Audiogram, ...]) -> Table:
    """One row a test and conduction, one column a frequency that any test has."""
    tested = sorted({item.frequency_hz for test in audiograms for item in test.thresholds})
    shown = [hz for hz in FREQUENCIES_HZ if hz in tested]
    columns = (Column("Hearing, dB HL", share=2.2), *(Column(f"{hz / 1000:g} kHz", numeric=True) for hz in shown))
    rows = []
    for test in audiograms:
        for conduction in ("air", "bone"):
            cells = [level_words(test.threshold(conduction, hz)) for hz in shown]
            date = f" ({test.date})" if test.date else ""
            rows.append((f"{test.when}{date}, {conduction} conduction", *cells))
    told = [
        f"{test.when}: {'; '.join(part for part in (test.transducer, test.note) if part)}"
        for test in audiograms
        if test.transducer or test.note
    ]
    note = ". ".join((*told, "m: masked")) + "."
    return Table("audiograms", "Hearing as entered", columns, tuple(rows), note)


def level_words(threshold: Threshold | None) -> str:
    """One threshold as printed.

    Example
    -------
    >>> level_words(Threshold("bone", 500, 15.0, True)), level_words(None)
    ('15 m', 'not tested')
    >>> level_words(Threshold("air", 500, None, None, 110.0))
    'no response at 110'
    """
    if threshold is None:
        return NOT_TESTED
    if threshold.level_db is None:
        return "no response" + (f" at {threshold.limit_db:g}" if threshold.limit_db is not None else "")
    return f"{fixed(threshold.level_db, 0)}{' m' if threshold.masked else ''}"


def _numbers(sheet: HearingSheet) -> Table:
    columns = (
        Column("By the guideline, dB", share=2.4),
        Column("Before (95 %)", share=1.7),
        Column("After (95 %)", share=1.7),
        Column("What goes with it", share=3.2),
    )
    rows = []
    for words in (AIR, BONE, GAP, HIGH):
        before, after = _of(sheet.before, words), _of(sheet.after, words)
        if before is not None or after is not None:
            flags = [flag for number in (before, after) if number is not None for flag in number.flags]
            rows.append((words, _cell(before, words), _cell(after, words), flag_words(flags)))
    rows += [(number.words, "", _cell(number, number.words), flag_words(number.flags)) for number in sheet.change]
    note = (
        f"{GUIDELINE}. Arithmetic means of decibels; no response is no number. Bands are those in which the guideline "
    )
    note += "has gaps reported (bounds from memory). Nothing is inferred from hearing, and nothing is predicted."
    if sheet.missing:
        note = f"INCOMPLETE. {note}"
    return Table("hearing", "Hearing by the guideline", columns, tuple(rows), note)


def _of(numbers: tuple[HearingNumber, ...], words: str) -> HearingNumber | None:
    return next((number for number in numbers if number.words == words), None)


def _cell(number: HearingNumber | None, words: str) -> str:
    if number is None:
        return "no test"
    if number.estimate is None:
        return "not given"
    band = f"; band {gap_band(number.estimate.value)}" if words == GAP else ""
    return f"{fixed(number.estimate.value, 1)} ({interval(number.estimate, 1)}){band}"


def hearing_charts(case: Case) -> tuple[Image, ...]:
    """The audiogram as a small chart; empty without one."""
    if not case.audiograms:
        return ()
    words = "; ".join(
        f"{test.when}, {item.conduction} {item.frequency_hz} Hz {level_words(item)}"
        for test in case.audiograms
        for item in test.thresholds
    )
    caption = "Hearing thresholds as entered. Full lines and large signs: after; broken lines and small signs: before."
    return (
        Image(
            "hearing-1.svg",
            hearing.audiogram_chart(case.audiograms, side=case.side),
            f"{side_words(case.side)}, audiogram. {words}.",
            caption,
            hearing.WIDTH_MM,
        ),
    )
