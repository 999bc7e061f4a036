"""The words of the window: what the five answers say before, between and after computing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.app.live import LiveNumber
from ctmeasure.case.answers import five_answers, header_line
from ctmeasure.case.model import Case
from ctmeasure.case.words import mm, with_interval
from ctmeasure.report.figures.slices import side_words

COMPUTED = "Computed from the points as they stand."
OUT_OF_DATE = "Not computed since the last change."
NEVER = "Not computed yet."
COMPUTED_QUESTIONS = (2, 3, 4)
"""Questions whose answer is a computed result; the others come from what was entered."""
MISSING_WORDS = {3: "not assessed", 4: "notes"}
"""What the line under an answer is called; "missing" for the others."""


@dataclass(frozen=True, slots=True)
class QuestionText:
    """One question as the panel shows it; ``missing`` is for one line (it starts with what it is and how many),
    ``all_missing`` the whole list."""

    number: int
    question: str
    answer: str
    missing: str = ""
    all_missing: str = ""


def state_words(case: Case, *, changed: bool) -> str:
    """Whether the results belong to the points.

    Parameters
    ----------
    case
        With or without results.
    changed
        Whether something was changed in this window.

    Returns
    -------
    str
    """
    if case.results is not None:
        return COMPUTED
    return OUT_OF_DATE if changed else NEVER


def question_texts(case: Case, *, changed: bool) -> tuple[QuestionText, ...]:
    """The five questions with their answers.

    Parameters
    ----------
    case
        With or without results: without, a computed answer is never a number of before.
    changed
        Whether something was changed in this window.

    Returns
    -------
    tuple of QuestionText
    """
    texts = []
    for answer in five_answers(case):
        said = ". ".join(answer.sentences) if answer.number in COMPUTED_QUESTIONS else "; ".join(answer.sentences)
        missing = answer.missing
        if answer.number in COMPUTED_QUESTIONS and case.results is None:
            said = state_words(case, changed=changed).lower().rstrip(".")
            missing = tuple(m for m in missing if m.startswith("place")) if answer.number == 2 else ()
        shown = ""
        if missing:
            count = f" ({len(missing)})" if len(missing) > 1 else ""
            shown = f"{MISSING_WORDS.get(answer.number, 'missing')}{count}: {'; '.join(missing)}"
        texts.append(QuestionText(answer.number, answer.question, said, shown, "\n".join(missing)))
    return tuple(texts)


def brief_texts(case: Case, live: Sequence[LiveNumber], *, state: str) -> tuple[str, ...]:
    """The five answers in the few words and numbers that matter, one each.

    Parameters
    ----------
    case
        With or without results.
    live
        The numbers as the points stand right now; used where nothing is computed.
    state
        What to say of an answer that is not there: "being computed", "not computed since the last change".

    Returns
    -------
    tuple of str
    """
    result = case.results
    answers = five_answers(case)
    left = "; ".join(answers[0].sentences)
    drum = answers[1].sentences[0]
    if result is None:
        drum = _live_words(live, "drum_lateralisation", "medial face perpendicular", "outside the rim") or state
    return (left, drum, _brief_holes(case, state), _brief_length(case, live, state), "; ".join(answers[4].sentences))


def _live_words(live: Sequence[LiveNumber], measurand: str, qualifier: str, words: str) -> str:
    found = next((n for n in live if n.id == measurand and n.qualifier == qualifier), None)
    if found is None:
        return ""
    return f"{mm(found.value_mm)} mm {words} ({mm(found.low_95)} to {mm(found.high_95)}), preliminary"


def _brief_holes(case: Case, state: str) -> str:
    result = case.results
    if result is None:
        return state
    if case.facts.plan_is_void or not result.pairs:
        return five_answers(case)[2].sentences[0]
    kept = [pair for pair in result.pairs if pair.verdict == "clear"]
    pair = (kept or list(result.pairs))[0]
    lead = (
        f"{len(kept)} pairs keep every margin" if kept else f"no pair keeps every margin; {len(result.pairs)} caution"
    )
    hours = " and ".join(clock_words(hour) for hour in pair.clock_hours)
    near = ""
    if pair.clearance is not None:
        near = f", least gap {with_interval(pair.clearance)}"
    return f"{lead}. First: {hours} o'clock{near}"


def _brief_length(case: Case, live: Sequence[LiveNumber], state: str) -> str:
    result = case.results
    if result is None:
        words = _live_words(live, "drum_to_footplate", "", "drum to footplate")
        return f"{words}; sizes: {state}" if words else state
    whole = five_answers(case)[3].sentences[0]
    # the contacts stand in the whole answer; everything with a number stays
    lead, colon, numbers = re.sub(r" \(a tie of [^)]*\)", "", whole).partition(": ")
    kind = ", ".join(lead.split(", ")[:2])
    return f"{kind}{colon}{numbers}" if colon else whole


def title_words(case: Case) -> str:
    """Title of the window: side first.

    Raises
    ------
    Nothing.
    """
    return f"{side_words(case.side)} - {case.scan.pseudonym or 'no pseudonym'} - ctmeasure"


def scan_words(case: Case) -> tuple[str, str]:
    """What stands under the side: pseudonym and grid, and the whole header line for who points at it.

    Raises
    ------
    Nothing.
    """
    _, pseudonym, grid, *_ = header_line(case).split("   ")
    return f"{pseudonym}\n{grid}", header_line(case)
