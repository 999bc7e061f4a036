"""A small practice set of invented points, without any scan, and readers who miss by known amounts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from ear_marks import place, right_ear

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.app.practice.sets import PracticeSet, open_set
from ctmeasure.io.practice import (
    MANIFEST,
    AnswerDocument,
    ReferenceDocument,
    SetDocument,
    TaskDocument,
    answer_to_dict,
    seal,
    write_manifest,
    write_nifti,
)
from ctmeasure.io.research import load_research
from ctmeasure.planning.scoring.answers import Answer
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

ASKED = ("stapes_head", "drum_centre")
OUT, UP = np.array([-1.0, 0, 0]), np.array([0, 0, 1.0])
ROLL = np.radians(5.0)
BACK_R = np.array([0, np.cos(ROLL), -np.sin(ROLL)])
UP_R = np.array([0, np.sin(ROLL), np.cos(ROLL)])
ROWS = np.stack([OUT, BACK_R, UP_R])
"""Lateral, posterior and superior of the invented ear: its canal runs along -x and its lateral canal is rolled."""


def grey_block() -> Volume:
    """Noise around the invented ear: voxels with a place, and nothing to see."""
    affine = np.array([[0.0, 0, 0.5, -65], [0, 0.5, 0, -15], [0.6, 0, 0, 40], [0, 0, 0, 1]])
    values = np.random.default_rng(401).integers(-1000, 2000, (70, 100, 100)).astype(np.int16)
    return Volume(Geometry((70, 100, 100), affine), values, ScanSource(content_hash="ab" * 32))


def scanned_set(folder: Path, volume: Volume | None = None, truth: LandmarkSet | None = None) -> PracticeSet:
    """A set of one right ear with a scan that can be opened; opened when it is there already."""
    if not (folder / MANIFEST).exists():
        file = folder / "scans" / "ear-00.nii.gz"
        write_nifti(volume or grey_block(), file)
        content_hash = load_research(file, side="right").volume.source.content_hash
        answer = Answer("right", truth or right_ear())
        document = ReferenceDocument(
            side="right", origin="synthetic", special="nothing special",
            answers=[AnswerDocument.model_validate(answer_to_dict(answer))],
        )  # fmt: skip
        task = TaskDocument(
            id="ear-00", level="easy", landmarks=(*ASKED, "umbo", "annulus"), structures=("facial_nerve",), holes=2,
            length=True, reference=seal(folder, document), scan="scans/ear-00.nii.gz", scan_hash=content_hash,
        )  # fmt: skip
        write_manifest(folder, SetDocument(name="scanned", origin="synthetic", tasks=(task,)))
    return open_set(folder)


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
