"""Feedback after a hand-in: words, the five answers twice, and pictures of the points, as a folder or one by one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ctmeasure.anatomy.frames import canal_frame
from ctmeasure.anatomy.planes import RECIPES
from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.app.practice.attempts import HandedIn, feedback_lines
from ctmeasure.app.practice.sets import PracticeSet, task_volume
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError, OutputError
from ctmeasure.planning.cautions import CAUTIONS
from ctmeasure.planning.drilling.plan import ASKED_ONLY
from ctmeasure.planning.results import VERDICT_WORDS
from ctmeasure.planning.scoring.answers import Answer
from ctmeasure.planning.scoring.consequences import hole_label
from ctmeasure.planning.scoring.points import PointScore
from ctmeasure.planning.scoring.score import worst_points
from ctmeasure.planning.scoring.terms import practice_terms
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.volume import Volume

SAME_PLANE = "canal_level"
"""The plane in which every point is shown, beside the one that would have shown it."""
UNKNOWN_LIMIT_MM = 0.84
"""Limit of one expert or the truth: 2.795 times the allowance; drawn where nothing was placed to compare."""
PICTURE_KEY = (
    "on the pictures: 1 is the reference, in the ellipse that holds 95 % of experts in that plane; 2 is your point, "
    "drawn along the normal when it lies off the plane"
)


def check_folder(out: Path) -> None:
    """Refuse a feedback folder that is there already.

    Raises
    ------
    OutputError
        When it holds anything.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise OutputError(f"'{out}' is not empty", expected="a new folder", action="choose another --out")


def write_file(out: Path, name: str, data: bytes) -> None:
    """Write one file into a folder that is made when missing.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / name).write_bytes(data)
    except OSError as error:
        raise OutputError(f"'{out}' cannot be written ({error.strerror})", expected="a place to write") from None


def write_feedback(
    handed: HandedIn, answer: Answer, opened: PracticeSet, out: Path, *, progress: Progress = no_progress
) -> tuple[str, ...]:
    """Write the words, the two sets of five answers, and two pictures of each point worth a second look.

    Parameters
    ----------
    handed, answer, opened
        What was handed in and scored, and the set it belongs to.
    out
        New folder.
    progress
        Listener; may cancel.

    Returns
    -------
    tuple of str
        Names of the files.

    Raises
    ------
    OutputError
        When the folder cannot be written.
    """
    check_folder(out)
    lines = [*feedback_lines(handed), PICTURE_KEY, *five_answers_twice(handed), *CAUTIONS]
    write_file(out, "feedback.txt", ("\n".join(lines) + "\n").encode())
    return ("feedback.txt", *_pictures(handed, answer, opened, out, progress))


def five_answers_twice(handed: HandedIn) -> tuple[str, ...]:
    """The five questions from the attempt's points, then from the reference's; empty when nothing was planned.

    Example
    -------
    >>> five_answers_twice.__name__
    'five_answers_twice'
    """
    lines: list[str] = []
    for title, case in (("from your points", handed.attempt_case), ("from the reference", handed.reference_case)):
        if case is not None:
            lines += ["", title, *(f"  {words}" for words in _five_answers(case))]
    return (*lines, "") if lines else ()


def _five_answers(case: Case) -> Iterator[str]:
    """The five answers; where only the chosen holes were assessed, the third is about them."""
    from ctmeasure.case.answers import five_answers

    for answer in five_answers(case):
        words = answer.sentences
        if answer.number == 3 and case.results is not None and case.results.pairs_reason == ASKED_ONLY:
            words = tuple(f"hole '{hole_label(s.id)}' {VERDICT_WORDS[s.verdict]}" for s in case.results.sites) or (
                "none was chosen",
            )
        yield f"{answer.question} {'; '.join(words)}"


@dataclass(frozen=True, slots=True)
class PointPicture:
    """One point of the feedback on one plane, as a PNG file."""

    landmark: str
    plane: str
    png: bytes


def can_be_shown(handed: HandedIn, landmark_id: str) -> bool:
    """Whether a landmark has one reference point that a plane can be laid through."""
    ring = landmark_terms()[landmark_id].kind in ("ring", "list")
    return not ring and handed.reference.spread(landmark_id) is not None


def point_pictures(handed: HandedIn, answer: Answer, volume: Volume, point: PointScore) -> Iterator[PointPicture]:
    """The attempt's point and the reference on the same plane, then on the plane that would have shown it.

    Parameters
    ----------
    handed, answer
        What was handed in and scored.
    volume
        The scan of the task.
    point
        Which landmark.

    Yields
    ------
    PointPicture
        None when the landmark is a curve, nobody placed it, or the reference has no canal to lay planes by.
    """
    from ctmeasure.report.practice import point_picture

    reference = handed.reference
    marks, spread = reference.mean_landmarks(), reference.spread(point.id)
    if spread is None or not can_be_shown(handed, point.id):
        return
    try:
        canal = canal_frame(marks, reference.side)
    except CtmeasureError:
        return
    yours = answer.landmarks[point.id].points_lps[0] if answer.landmarks.placed(point.id) else None
    for plane in dict.fromkeys((SAME_PLANE, practice_terms()[point.id].plane)):
        try:
            spec = RECIPES[plane](marks, canal)
        except CtmeasureError:
            continue
        png = point_picture(
            volume, spec, side=reference.side, yours_lps=yours, reference_lps=spread[0][0],
            limit_mm=point.limit_mm or UNKNOWN_LIMIT_MM,
        )  # fmt: skip
        yield PointPicture(point.id, plane, png)


def _pictures(handed: HandedIn, answer: Answer, opened: PracticeSet, out: Path, progress: Progress) -> tuple[str, ...]:
    wanted = [point for point in worst_points(handed.score) if can_be_shown(handed, point.id)]
    if not wanted:
        return ()
    volume = task_volume(opened, handed.record.task, handed.reference.side, progress=progress)
    names = []
    for point in wanted:
        for picture in point_pictures(handed, answer, volume, point):
            names.append(f"{picture.landmark}-{picture.plane}.png")
            write_file(out, names[-1], picture.png)
    return tuple(names)
