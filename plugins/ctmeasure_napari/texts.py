"""The words of the window: what the five answers say before, between and after computing."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.case.answers import five_answers, header_line
from ctmeasure.case.model import Case
from ctmeasure.report.figures.slices import side_words

COMPUTED = "Computed from the points as they stand."
OUT_OF_DATE = "Not computed since the last change."
NEVER = "Not computed yet."
COMPUTED_QUESTIONS = (2, 3, 4)
"""Questions whose answer is a computed result; the others come from what was entered."""
MISSING_WORDS = {3: "not assessed", 4: "note"}
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
