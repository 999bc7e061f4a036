"""Every number of a plan with what it was computed from: definition, inputs, budget, and what would narrow it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ctmeasure.anatomy.vocabulary import landmark_terms, structure_terms
from ctmeasure.case.model import Case
from ctmeasure.case.words import probability_words
from ctmeasure.planning.results import VERDICT_WORDS, LengthRow, Measurement, SiteResult
from ctmeasure.uncertainty.estimate import Estimate

HALVED = 0.5
"""What would narrow a number is told as: this input twice as well known."""


@dataclass(frozen=True, slots=True)
class Number:
    """One row of the full table: the question it serves, its name, its value with interval, and its explanation."""

    question: int
    name: str
    value: str
    interval: str
    details: tuple[str, ...]


def numbers(case: Case) -> tuple[Number, ...]:
    """All numbers of a case, question by question.

    Parameters
    ----------
    case
        With or without results.

    Returns
    -------
    tuple of Number
        Those that could not be given are there too, and say why.

    Raises
    ------
    Nothing.
    """
    result = case.results
    if result is None:
        return ()
    found = (
        *(_measured(m) for m in result.measurements),
        *(number for site in result.sites for number in _site(site)),
        *(_length(row) for row in result.lengths),
    )
    return tuple(sorted(found, key=lambda number: not number.interval))  # what is given first


def _question(measurand_id: str) -> int:
    if measurand_id.startswith(("drum", "annulus_d", "annulus_to_canal", "annulus_to_footplate", "anterior")):
        return 2
    if measurand_id.endswith(("footplate", "stapes_head", "tilt")) or measurand_id.startswith(("stapes", "handle")):
        return 4
    return 1 if measurand_id.startswith(("footplate", "oval", "niche")) else 3


def _measured(found: Measurement) -> Number:
    name = " ".join(t for t in (found.id.replace("_", " "), f"({found.qualifier})" if found.qualifier else "") if t)
    details = [f"What it is: {found.definition}."] if found.definition else []
    if found.inputs:
        details.append("From: " + ", ".join(_input_words(i) for i in found.inputs) + ".")
    return _number(_question(found.id), name, found.estimate, details, found.flags)


def _site(site: SiteResult) -> Iterator[Number]:
    name = site.id.replace("_", " ")
    where = [f"Hole {name}: {VERDICT_WORDS[site.verdict]}."]
    yield _number(
        3, f"{name}: bone up to the first gap", site.wall.to_first_gap, where, (site.wall.state, *site.wall.flags)
    )
    for clearance in site.clearances:
        words = [f"Least gap between the bur's way and the {_input_words(clearance.structure)}."]
        if clearance.p_below_margin is not None:
            words.append(
                f"P(under the margin of {clearance.margin_mm:g} mm) {probability_words(clearance.p_below_margin)}, "
                f"accepted {clearance.accepted_risk:g}: {VERDICT_WORDS[clearance.verdict]}."
            )
        yield _number(
            3, f"{name}: to the {_input_words(clearance.structure)}", clearance.estimate, words,
            (VERDICT_WORDS[clearance.verdict], *clearance.flags),
        )  # fmt: skip


def _length(row: LengthRow) -> Number:
    size = f", size {row.size_mm:.2f}" if row.size_mm is not None else ", no size"
    details = [f"From {_input_words(row.lateral_contact)} to {_input_words(row.medial_contact)}, {row.geometry}."]
    if row.p_fits is not None and row.p_short is not None and row.p_long is not None:
        details.append(
            f"P(too short) {probability_words(row.p_short)}, P(fits) {probability_words(row.p_fits)}, "
            f"P(too long) {probability_words(row.p_long)}."
        )
    return _number(4, f"{row.reconstruction}, {row.geometry}{size}", row.needed, details, row.flags)


def _number(question: int, name: str, estimate: Estimate | None, details: list[str], flags: tuple[str, ...]) -> Number:
    said = [*details]
    if estimate is None:
        why = "; ".join(flags) or "could not be given"
        return Number(question, name, "not given", "", (*said, f"Not given: {why}."))
    unit = estimate.unit
    said.append(f"Standard uncertainty {estimate.standard_uncertainty:.2f} {unit}. {estimate.method}.")
    said += budget_lines(estimate)
    if flags:
        said.append("Flags: " + "; ".join(dict.fromkeys((*flags, *estimate.flags))) + ".")
    interval = f"{estimate.low_95:.2f} to {estimate.high_95:.2f}"
    return Number(question, name, f"{estimate.value:.2f} {unit}", interval, tuple(said))


def budget_lines(estimate: Estimate) -> list[str]:
    """The budget, largest part first, and what knowing that part twice as well would give.

    Example
    -------
    >>> from ctmeasure.uncertainty.estimate import Contribution
    >>> parts = (Contribution("placement of umbo", 0.3), Contribution("scanner scale", 0.4))
    >>> budget_lines(Estimate(4.0, 0.5, 3.0, 5.0, "mm", "made up", parts))[-1]
    'What would narrow it: scanner scale known twice as well gives 0.36 mm instead of 0.50 mm.'
    """
    u = estimate.standard_uncertainty
    parts = sorted(estimate.budget, key=lambda part: -part.standard_uncertainty)
    if not parts or u <= 0.0:
        return []
    lines = ["What it is made of (standard uncertainty, share of the variance):"]
    lines += [
        f"    {_source_words(p.source)}: {p.standard_uncertainty:.2f} {estimate.unit}, "
        f"{100.0 * (p.standard_uncertainty / u) ** 2:.0f} %"
        for p in parts
    ]
    first = parts[0]
    rest = max(u**2 - (1.0 - HALVED**2) * first.standard_uncertainty**2, 0.0) ** 0.5
    lines.append(
        f"What would narrow it: {_source_words(first.source)} known twice as well gives {rest:.2f} {estimate.unit} "
        f"instead of {u:.2f} {estimate.unit}."
    )
    return lines


def _source_words(source: str) -> str:
    for lead in ("placement of ", "surface of "):
        if source.startswith(lead):
            return lead + _input_words(source.removeprefix(lead))
    return source


def _input_words(name: str) -> str:
    if name in landmark_terms():
        return landmark_terms()[name].label
    return structure_terms()[name].label if name in structure_terms() else name.replace("_", " ")
