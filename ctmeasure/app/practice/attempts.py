"""Start an attempt, keep its clicks, hand it in, score it; the window and the command line use the same calls."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ctmeasure import __version__
from ctmeasure.app.practice.sets import PracticeSet, task_volume
from ctmeasure.app.practice.steps import Kept
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Answer, Hole, Reference
from ctmeasure.planning.scoring.score import Score, advice, point_words, score_attempt, worst_points
from ctmeasure.planning.scoring.terms import practice_terms
from ctmeasure.progress import Progress, no_progress, part_of

if TYPE_CHECKING:
    from ctmeasure.case.model import Case
    from ctmeasure.store.attempts import AttemptRecord
    from ctmeasure.store.database import Store

Plans = Literal["none", "asked", "whole"]
LIBRARIES = ("sqlalchemy", "alembic")
INSTALL = "install the extra 'practice' (pip install 'ctmeasure[practice]')"


def open_store(address: str | Path) -> Store:
    """The practice database.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the extra is not installed, or the database cannot be opened.
    """
    check_extra()
    from ctmeasure.store.database import Store

    return Store(address)


def check_extra() -> None:
    """Refuse to go on without the database libraries.

    Raises
    ------
    CtmeasureError
        With what to install.
    """
    from importlib.util import find_spec

    missing = [name for name in LIBRARIES if find_spec(name) is None]
    if missing:
        raise CtmeasureError(f"practice needs {' and '.join(missing)}, which is not installed", action=INSTALL)


@dataclass(frozen=True, slots=True)
class HandedIn:
    """A handed-in attempt: its record, the score, and (when plans were made) both cases for pictures."""

    record: AttemptRecord
    score: Score
    reference: Reference
    attempt_case: Case | None = None
    reference_case: Case | None = None


def start(store: Store, opened: PracticeSet, task_id: str, reader: str, *, again: bool = False) -> AttemptRecord:
    """Start an attempt, or go on with the open one; nothing of the reference is unpacked.

    Parameters
    ----------
    store, opened, task_id, reader
        Database, set, task and pseudonym.
    again
        One more attempt at a task that was handed in.

    Returns
    -------
    ctmeasure.store.attempts.AttemptRecord

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        As `ctmeasure.store.attempts.begin`, or when set or task are not there.
    """
    from ctmeasure.io.practice import reference_hash
    from ctmeasure.store.attempts import begin, check_reference

    task = opened.task(task_id)
    found = reference_hash(opened.folder, task)
    check_reference(task.reference, found, task_id)
    return begin(
        store, reader, set_name=opened.name, set_hash=opened.set_hash, task=task_id, reference_hash=found, again=again
    )


def hand_in(
    store: Store,
    opened: PracticeSet,
    attempt: AttemptRecord,
    answer: Answer,
    *,
    plans: Plans = "asked",
    progress: Progress = no_progress,
) -> HandedIn:
    """Hand in once, then open the reference, score, and keep the score.

    Parameters
    ----------
    store, opened, attempt
        Database, set, and the open attempt.
    answer
        What is handed in.
    plans
        What is planned from both sets of marks for the consequences: ``asked`` the lengths and the chosen holes,
        ``whole`` maps and pairs of holes as well (takes as long as two plans), ``none`` nothing.
    progress
        Listener; may cancel the planning, and the attempt is then handed in without a score yet.

    Returns
    -------
    HandedIn

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When it was handed in before, the set or reference was changed, an asked number of holes is exceeded, or the
        database does not answer; nothing is then changed.
    """
    from ctmeasure.io.practice import answer_to_dict, reference_hash
    from ctmeasure.store import attempts as book

    task = opened.task(attempt.task)
    _check_answer(answer, task.holes, attempt.task)
    found = reference_hash(opened.folder, task)
    book.check_reference(task.reference, found, attempt.task)
    done = book.hand_in(store, attempt.id, answer_to_dict(answer), reference_hash=found)
    return _scored(store, opened, done, plans, progress)


def _check_answer(answer: Answer, holes: int, task_id: str) -> None:
    if len(answer.holes) > holes:
        raise CtmeasureError(
            f"{len(answer.holes)} holes for task '{task_id}'", expected=f"at most {holes}", action="choose among them"
        )
    if answer.length_mm is not None and not 0.0 < answer.length_mm < 20.0:
        raise CtmeasureError(f"a length of {answer.length_mm:g} mm", expected="between 0 and 20 mm")


def score_again(
    store: Store, opened: PracticeSet, done: AttemptRecord, *, plans: Plans = "asked", progress: Progress = no_progress
) -> HandedIn:
    """Score a handed-in attempt and keep the score beside earlier ones; the first one goes on counting.

    Parameters
    ----------
    store, opened, done
        Database, set, and an attempt that was handed in.
    plans, progress
        As `hand_in`.

    Returns
    -------
    HandedIn

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When it is not handed in, or the reference is not the one it was made with.
    """
    from ctmeasure.io.practice import reference_hash
    from ctmeasure.store.attempts import check_reference

    check_reference(done.reference_hash, reference_hash(opened.folder, opened.task(done.task)), done.task)
    return _scored(store, opened, done, plans, progress)


def _scored(store: Store, opened: PracticeSet, done: AttemptRecord, plans: Plans, progress: Progress) -> HandedIn:
    """Open the reference and score; `open_reference` checks the very bytes it unpacks, so they need no second look."""
    from ctmeasure.app.practice.compare import plan_both
    from ctmeasure.io.practice import answer_from_dict, open_reference, reference_of
    from ctmeasure.store import attempts as book

    task = opened.task(done.task)
    book.note_opened(store, done.id, done.reference_hash)
    document = open_reference(opened.folder, task)
    reference, answer = reference_of(document), answer_from_dict(done.answer)
    result, mine, true = None, None, None
    if plans != "none":
        volume = task_volume(opened, done.task, reference.side, progress=part_of(progress, 0.0, 0.3))
        result, mine, true = plan_both(
            answer, reference, volume, facts=document.facts, map_holes=plans == "whole",
            progress=part_of(progress, 0.3, 1.0),
        )  # fmt: skip
    score = score_attempt(answer, reference, landmarks=task.landmarks, structures=task.structures, consequences=result)
    content = score_to_dict(score, special=document.special, level=task.level, origin=document.origin)
    book.add_score(store, done.id, content, version=__version__)
    return HandedIn(done, score, reference, mine, true)


def score_to_dict(score: Score, *, special: str, level: str, origin: str) -> dict[str, Any]:
    """A score as plain JSON values, with its sentences."""
    data = asdict(score)
    data["failed"] = score.failed
    data["sentences"] = list(score.consequences.sentences()) if score.consequences else []
    return data | {"special": special, "level": level, "origin": origin}


def feedback_lines(handed: HandedIn, *, special: str = "") -> tuple[str, ...]:
    """What a trainee reads after handing in: consequences first, then dangers, then the points worth a second look.

    Example
    -------
    >>> feedback_lines.__name__
    'feedback_lines'
    """
    score = handed.score
    lines = [f"task {handed.record.task}   time {minutes(handed.record.active_s)}   {_overall(score)}"]
    lines += [f"DANGEROUS: {words}" for words in score.dangers]
    lines += list(score.consequences.sentences()) if score.consequences else []
    for point in worst_points(score):
        hint = advice(point)
        shown = f"; look in the {practice_terms()[point.id].plane.replace('_', ' ')} plane" if hint else ""
        lines.append(point_words(point) + (f". {hint}{shown}" if hint else ""))
    lines += [f"{flag}" for flag in handed.record.flags]
    if special:
        lines.append(f"this ear: {special}")
    return tuple(lines)


def _overall(score: Score) -> str:
    from ctmeasure.uncertainty.observer.radial import radial_errors

    if not score.radial_mm:
        return "no landmark to measure"
    found = radial_errors(score.radial_mm)
    rates = ", ".join(f"{s.within}/{s.count} within {s.radius_mm:g}" for s in found.success)
    composite = f"   score {score.composite:.0f}" if score.composite is not None else ""
    return f"mean error {found.mean_mm:.2f} mm ({rates} mm){composite}"


def minutes(seconds: float) -> str:
    """Time at a task as people read it.

    Example
    -------
    >>> minutes(75.0)
    '1:15 min'
    """
    return f"{int(seconds // 60)}:{int(seconds % 60):02d} min"


def read_answer(
    side: str | None,
    landmarks: Path | None,
    *,
    kept: Kept | None = None,
    structures: Path | None = None,
    sites: Path | None = None,
    length_mm: float | None = None,
) -> Answer:
    """An answer from tables, and for what there is no table from what was kept.

    Parameters
    ----------
    side
        ``left`` or ``right``, as the trainee says; None: as was said in the window.
    landmarks, structures, sites
        Tables as of ``plan``.
    kept
        What the steps of the attempt led to.
    length_mm
        The chosen length; None: as kept.

    Returns
    -------
    Answer

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        For a table that is wrong, with its line, or when nobody said which ear it is.
    """
    from ctmeasure.anatomy.clock import checked_side
    from ctmeasure.io.tables import read_landmarks, read_sites, read_structures

    state = kept or Kept()
    said = side or state.side
    if said is None:
        raise CtmeasureError("nobody said which ear it is", expected="left or right", action="add --side")
    if landmarks is not None:
        state = replace(state, landmarks=read_landmarks(landmarks))
    if structures is not None:
        state = replace(state, structures=read_structures(structures))
    if sites is not None:
        state = replace(state, holes=tuple(Hole(s.id, s.entry_lps, s.direction_lps) for s in read_sites(sites)))
    if length_mm is not None:
        state = replace(state, length_mm=length_mm)
    return state.answer(checked_side(said))
