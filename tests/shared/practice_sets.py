"""A small practice set of invented points, without any scan, and readers who miss by known amounts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from ear_marks import place, right_ear

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.app.practice.sets import PracticeSet, open_set
from ctmeasure.io.practice import (
    AnswerDocument,
    ReferenceDocument,
    SetDocument,
    TaskDocument,
    answer_to_dict,
    seal,
    write_manifest,
)
from ctmeasure.planning.scoring.answers import Answer

ASKED = ("stapes_head", "drum_centre")
OUT, UP = np.array([-1.0, 0, 0]), np.array([0, 0, 1.0])
ROLL = np.radians(5.0)
BACK_R = np.array([0, np.cos(ROLL), -np.sin(ROLL)])
UP_R = np.array([0, np.sin(ROLL), np.cos(ROLL)])
ROWS = np.stack([OUT, BACK_R, UP_R])
"""Lateral, posterior and superior of the invented ear: its canal runs along -x and its lateral canal is rolled."""


def small_set(folder: Path, *, tasks: int = 2, name: str = "invented", origin: str = "synthetic") -> PracticeSet:
    """A set whose every task is the same invented right ear."""
    truth = Answer("right", right_ear())
    made = []
    for n in range(tasks):
        document = ReferenceDocument(
            side="right", origin=origin, special=f"nothing special {n}",  # type: ignore[arg-type]
            answers=[AnswerDocument.model_validate(answer_to_dict(truth))],
        )  # fmt: skip
        made.append(TaskDocument(id=f"ear-{n:02d}", level="easy", landmarks=ASKED, reference=seal(folder, document)))
    write_manifest(folder, SetDocument(name=name, origin=origin, tasks=tuple(made)))  # type: ignore[arg-type]
    return open_set(folder)


def missed(*errors_mm: np.ndarray) -> LandmarkSet:
    """The asked landmarks, each off by lateral, posterior and superior errors."""
    marks = right_ear()
    for name, error in zip(ASKED, errors_mm, strict=True):
        marks = marks.with_landmark(place(name, marks[name].points_lps + np.asarray(error) @ ROWS))
    return marks
