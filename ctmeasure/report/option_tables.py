"""Which reconstruction: the open options, what lies along each shaft, staged lengths, published risk scores."""

from __future__ import annotations

from ctmeasure.case.model import Case
from ctmeasure.planning.lengths.shaft import (
    DRUM_TILT,
    FACIAL_GAP,
    FOOTPLATE_TILT,
    NICHE_GAP,
    NICHE_HEIGHT,
    PROMONTORY_GAP,
    SHOE_ROOM,
    STRAIGHT_FLAG,
)
from ctmeasure.planning.measurands.evaluate import FEW_FLAG
from ctmeasure.planning.results import PlanResult, ShaftCheck
from ctmeasure.planning.risk_scores import NO_PREDICTION, risk_scores
from ctmeasure.report.content import Column, Table
from ctmeasure.report.numbers import fixed, flag_words, interval, probability, unit_words
from ctmeasure.report.words import in_words
from ctmeasure.uncertainty.estimate import Estimate

STATE_WORDS = {"open": "open", "needs": "open once", "not open": "not open", "always": "always open"}
NOT_ASSESSED = "not assessed"


def option_tables(case: Case, result: PlanResult) -> tuple[Table, ...]:
    """Options, shafts, staged lengths and scores.

    Parameters
    ----------
    case
        For the score items.
    result
        The plan.

    Returns
    -------
    tuple of Table
    """
    return (_options(result), _shafts(result), _niche(result), _staged(result), *_scores(case))


def _options(result: PlanResult) -> Table:
    columns = (
        Column("Reconstruction", share=2.0),
        Column("State", share=0.9),
        Column("Needs first", share=3.0),
        Column("Against; gates", share=3.0),
    )
    rows = []
    for option in result.options.options:
        against = [f"against: {in_words(words)}" for words in option.against]
        gates = [f"gate, {words}" for words in option.gates]
        needs = "; ".join(in_words(words) for words in option.needs) or "nothing else"
        rows.append((option.words, STATE_WORDS[option.state], needs, "; ".join((*against, *gates)) or "none entered"))
    note = (
        f"Class {result.options.ossicle_class} ({result.options.class_source}). "
        if result.options.ossicle_class
        else ""
    )
    note += "No option is recommended, and no result is predicted."
    if result.options.contradictions:
        note = f"CONTRADICTORY FINDINGS: {'; '.join(result.options.contradictions)}. {note}"
    return Table("options", "Which reconstruction", columns, tuple(rows), note)


def _span_words(reconstruction: str, geometry: str, lateral: str, medial: str) -> str:
    return f"{reconstruction}, {geometry}: {in_words(lateral)} to {in_words(medial)}"


SHAFT_COLUMNS = (FOOTPLATE_TILT, DRUM_TILT, FACIAL_GAP, PROMONTORY_GAP, NICHE_GAP)


def _shafts(result: PlanResult) -> Table:
    """One row a shaft: its tilts, and the gap to what it passes with the probability that it touches."""
    columns = (
        Column("Shaft", share=2.2),
        Column("Tilt to footplate normal", share=1.1),
        Column("Tilt to drum's rim normal", share=1.1),
        Column("Gap to facial canal, mm (95 %)", share=1.4),
        Column("Gap to promontory, mm (95 %)", share=1.4),
        Column("Gap to niche rims, mm (95 %)", share=1.4),
    )
    found: dict[str, dict[str, ShaftCheck]] = {}
    for check in result.shafts:
        if check.what in SHAFT_COLUMNS:
            span = _span_words(check.reconstruction, check.geometry, check.lateral_contact, check.medial_contact)
            found.setdefault(span, {})[check.what] = check
    rows = [(span, *(_checked(checks.get(what)) for what in SHAFT_COLUMNS)) for span, checks in found.items()]
    notes = ["A straight shaft from medial to lateral contact; along it nothing was looked at but what is listed"]
    shown = [checks[what] for checks in found.values() for what in SHAFT_COLUMNS if what in checks]
    notes += dict.fromkeys(
        in_words(flag) for check in shown for flag in check.flags if flag != STRAIGHT_FLAG and not _of_the_value(flag)
    )
    empty = "no reconstruction with a shaft"
    return Table("shafts", "Along the shaft", columns, tuple(rows), "; ".join(notes) + ".", empty=empty)


def _checked(check: ShaftCheck | None) -> str:
    if check is None or check.estimate is None:
        return NOT_ASSESSED
    chance = [_chance(check)] if check.p_bad is not None else []
    return "; ".join((_value(check.estimate), *chance, *(flag for flag in check.flags if _of_the_value(flag))))


def _of_the_value(flag: str) -> bool:
    """Whether a flag is about one number, and not about how all of them were got."""
    return flag.startswith(("shorter than", "smaller than", FEW_FLAG))


def _niche(result: PlanResult) -> Table:
    """The niche against the published cut-offs, and the shoe in it."""
    columns = (
        Column("Niche", share=2.2),
        Column("Value (95 %)", share=1.6),
        Column("Probability", share=1.8),
        Column("What goes with it", share=4.4),
    )
    rows = [
        (f"{check.reconstruction}: {check.what}", _value(check.estimate), _chance(check), flag_words(check.flags))
        for check in result.shafts
        if check.what in (NICHE_HEIGHT, SHOE_ROOM)
    ]
    return Table("niche", "Does the shoe fit the niche", columns, tuple(rows), empty="no reconstruction on a footplate")


def _value(estimate: Estimate | None) -> str:
    if estimate is None:
        return NOT_ASSESSED
    decimals = 0 if estimate.unit == "deg" else 2
    return f"{fixed(estimate.value, decimals)} {unit_words(estimate.unit)} ({interval(estimate, decimals)})"


def _chance(check: ShaftCheck) -> str:
    if check.estimate is None:
        return NOT_ASSESSED
    return f"P({check.p_bad_words}) {probability(check.p_bad)}" if check.p_bad is not None else ""


def _staged(result: PlanResult) -> Table:
    columns = (
        Column("Length", share=2.4),
        Column("Now, mm (95 %)", share=1.4),
        Column("u now", numeric=True, share=0.8),
        Column("Expected once settled, mm (95 %)", share=1.6),
        Column("u then", numeric=True, share=0.8),
        Column("Assumption", share=3.2),
    )
    rows = []
    for item in result.staged:
        later = item.later
        rows.append(
            (
                f"{item.reconstruction}: {in_words(item.lateral_contact)} to {in_words(item.medial_contact)}",
                f"{fixed(item.now.value)} ({interval(item.now)})",
                fixed(item.now.standard_uncertainty),
                f"{fixed(later.value)} ({interval(later)})" if later else "none",
                fixed(later.standard_uncertainty) if later else "none",
                item.assumption,
            )
        )
    note = "Expected values are assumptions, not measurements, until a scan of the settled handle replaces them."
    return Table("staged", "In two stages", columns, tuple(rows), note, empty="no length can be given")


def _scores(case: Case) -> tuple[Table, ...]:
    """One table a score of which an item was entered; one line when none was."""
    entered = [score for score in risk_scores(case.facts.risk_items) if score.entered]
    columns = (Column("Item", share=2.4), Column("As entered", share=2.4), Column("Points", numeric=True, share=0.8))
    if not entered:
        return (Table("scores", "Risk scores", columns, (), empty="no item of a published score was entered"),)
    tables = []
    for score in entered:
        rows = [
            (item.words, item.state or "not entered", "none" if item.points is None else str(item.points))
            for item in score.items
        ]
        most = " or ".join(str(number) for number in score.maxima)
        total = (
            f"{score.total} of {most}" if score.total is not None else f"not given: items missing, {len(score.missing)}"
        )
        rows.append(("Sum", total, "" if score.total is None else str(score.total)))
        notes = [score.source, score.maximum_note, f"bands: {score.bands}" if score.bands else "", NO_PREDICTION]
        notes += [f"{item.words}: {item.note}" for item in score.items if item.note]
        doubtful = [item.words for item in score.items if "memory" in item.how_found]
        notes += [f"points from memory: {', '.join(doubtful)}"] if doubtful else []
        title = f"Risk score: {score.words}"
        tables.append(Table(f"score-{score.id}", title, columns, tuple(rows), ". ".join(n for n in notes if n) + "."))
    return tuple(tables)
