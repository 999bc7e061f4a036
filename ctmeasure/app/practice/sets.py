"""Make a practice set from the shipped recipe of ears or from experts' cases, and open one with its scans."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.anatomy.facts import facts_to_mapping
from ctmeasure.anatomy.vocabulary import landmark_term, needed_landmarks, structure_term
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Answer, Hole
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure_samples.practice import PracticeEar

    from ctmeasure.case.model import Case
    from ctmeasure.io.practice import AnswerDocument, SetDocument, TaskDocument

SCANS = "scans"
ASKED_BESIDE = (
    "umbo", "malleus_lateral_process", "incus_long_process", "stapes_head", "footplate_anterior",
    "footplate_posterior", "scutum", "chorda_entry", "second_genu", "promontory", "round_window",
    "lateral_semicircular_canal",
)  # fmt: skip
"""Landmarks a task asks for besides the needed ones, unless it says otherwise."""
ASKED_STRUCTURES = ("facial_nerve", "chorda_tympani", "tegmen", "jugular_bulb")
ASKED_HOLES = 2
MARGIN_MM = 14.0
"""Kept around the experts' marks when a scan is copied into a set: enough to find one's way."""


@dataclass(frozen=True, slots=True)
class PracticeSet:
    """An opened set: where it is, its manifest, and the hash of that."""

    folder: Path
    document: SetDocument
    set_hash: str

    @property
    def name(self) -> str:
        """Name of the set."""
        return self.document.name

    def task(self, task_id: str) -> TaskDocument:
        """One task by id; unknown ids are refused."""
        return self.document.task(task_id)


def asked_landmarks() -> tuple[str, ...]:
    """The landmarks a task asks for by default."""
    return tuple(dict.fromkeys((*needed_landmarks(), *ASKED_BESIDE)))


@dataclass(frozen=True, slots=True)
class Asked:
    """What the tasks of a set ask for: landmarks to place, structures to trace or mark, holes and a length to choose.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        For an id that is not in the vocabulary.
    ctmeasure.errors.CtmeasureError
        When nothing at all is asked, or more than two holes.
    """

    landmarks: tuple[str, ...] = field(default_factory=lambda: asked_landmarks())
    structures: tuple[str, ...] = ASKED_STRUCTURES
    holes: int = ASKED_HOLES
    length: bool = True

    def __post_init__(self) -> None:
        for name in self.landmarks:
            landmark_term(name)
        for name in self.structures:
            structure_term(name)
        if not 0 <= self.holes <= ASKED_HOLES:
            raise CtmeasureError(f"a task of {self.holes} holes", expected=f"0 to {ASKED_HOLES}")
        if not (self.landmarks or self.structures or self.holes or self.length):
            raise CtmeasureError("a task that asks for nothing", expected="a landmark, a structure, a hole or a length")


def open_set(folder: Path) -> PracticeSet:
    """Open a set.

    Raises
    ------
    ctmeasure.io.practice.SetError
        When there is none, or its manifest is damaged.
    """
    from ctmeasure.io.practice import read_manifest

    document, digest = read_manifest(folder)
    return PracticeSet(folder, document, digest)


def make_recipe_set(
    out: Path,
    *,
    name: str = "first ears",
    levels: Sequence[str] = (),
    asked: Asked | None = None,
    progress: Progress = no_progress,
) -> PracticeSet:
    """Make a set of the shipped synthetic ears; each is scanned when somebody opens it.

    Parameters
    ----------
    out
        New folder.
    name
        Name of the set.
    levels
        Only these levels (easy, middle, hard); all when empty.
    asked
        What the tasks ask for; everything when None.
    progress
        Listener; may cancel.

    Returns
    -------
    PracticeSet

    Raises
    ------
    ctmeasure.io.practice.SetError
        When no ear is of the levels asked for.
    ctmeasure.errors.OutputError
        When the folder cannot be written or holds a set.
    """
    from ctmeasure_samples.practice import LEVELS, practice_ears

    from ctmeasure.io.practice import ReferenceDocument, SetDocument, SetError, TaskDocument, seal, write_manifest

    ears = [ear for ear in practice_ears() if not levels or ear.level in levels]
    if not ears or set(levels) - set(LEVELS):
        raise SetError(f"levels {', '.join(levels)}", expected=" or ".join(LEVELS))
    _refuse_set(out)
    wanted, tasks = asked or Asked(), []
    for n, ear in enumerate(ears):
        progress(f"sealing {ear.id}", n / len(ears))
        answer, facts = _truth(ear)
        reference = ReferenceDocument(
            side=answer.side, origin="synthetic", special=ear.special, facts=facts, answers=[_document(answer)]
        )
        tasks.append(
            TaskDocument(
                id=ear.id, level=ear.level, recipe_ear=ear.id, landmarks=wanted.landmarks,
                structures=wanted.structures, holes=wanted.holes, length=wanted.length, reference=seal(out, reference),
            )
        )  # fmt: skip
    write_manifest(out, SetDocument(name=name, origin="synthetic", tasks=tuple(tasks)))
    return open_set(out)


def _refuse_set(out: Path) -> None:
    from ctmeasure.errors import OutputError

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise OutputError(f"'{out}' is not empty", expected="a new folder", action="choose another --out")


def _document(answer: Answer) -> AnswerDocument:
    from ctmeasure.io.practice import AnswerDocument, answer_to_dict

    return AnswerDocument.model_validate(answer_to_dict(answer))


def _truth(ear: PracticeEar) -> tuple[Answer, dict[str, Any]]:
    """What is true of a synthetic ear, through the same tables everybody uses."""
    from ctmeasure_samples.catalog import case_grid, case_truths
    from ctmeasure_samples.tables import write_tables

    from ctmeasure.io.tables import read_landmarks, read_structures
    from ctmeasure.io.toml import read_toml

    truth = case_truths(ear.case)[ear.case.side]
    with tempfile.TemporaryDirectory() as words:
        folder = Path(words)
        write_tables(truth, folder, grid=case_grid(ear.case))
        answer = Answer(
            ear.case.side, read_landmarks(folder / "landmarks.csv"), read_structures(folder / "structures.csv")
        )
        return answer, read_toml(folder / "facts.toml", "facts")


def make_case_set(
    out: Path,
    pairs: Sequence[tuple[Path, Path]],
    *,
    name: str,
    level: str = "",
    asked: Asked | None = None,
    progress: Progress = no_progress,
) -> PracticeSet:
    """Make a set from experts' saved cases.

    Parameters
    ----------
    out
        New folder.
    pairs
        Case and its scan, one an expert; cases of one scan are several experts at one task.
    name
        Name of the set.
    level
        How hard its ears are said to be: easy, middle, hard, or nothing.
    asked
        What the tasks ask for, of what the experts' cases hold; everything when None.
    progress
        Listener; may cancel.

    Returns
    -------
    PracticeSet

    Raises
    ------
    ctmeasure.io.practice.SetError
        When there is no case, or one lacks what a reference needs.
    ctmeasure.errors.CtmeasureError
        When a case or scan cannot be read, or the folder cannot be written.

    Notes
    -----
    Of each scan only the block around the marks is kept, without any identifier; it is still a person's scan.
    """
    from ctmeasure.app.opened import open_case

    _refuse_set(out)
    return make_open_set(
        out,
        (
            open_case(path, scan=scan, progress=part_of(progress, n / len(pairs), (n + 1) / len(pairs)))
            for n, (path, scan) in enumerate(pairs)
        ),
        name=name,
        level=level,
        asked=asked,
    )


def make_open_set(
    out: Path, cases: Iterable[tuple[Case, Volume]], *, name: str, level: str = "", asked: Asked | None = None
) -> PracticeSet:
    """Make a set of cases that are open, each with its scan; cases of one ear are its experts.

    Parameters, results and errors as `make_case_set`.
    """
    from ctmeasure.io.practice import SetDocument, SetError, write_manifest

    _refuse_set(out)
    groups: dict[str, list[Case]] = {}
    volumes: dict[str, Volume] = {}
    for case, volume in cases:
        key = case.scan.content_hash + case.side
        groups.setdefault(key, []).append(case)
        volumes.setdefault(key, volume)
    if not groups:
        raise SetError("no case to make a set of", expected="one or more cases with their scans")
    tasks = tuple(
        _case_task(out, f"case-{n:02d}", groups[key], volumes[key], level=level, asked=asked or Asked())
        for n, key in enumerate(sorted(groups), 1)
    )
    write_manifest(out, SetDocument(name=name, origin="experts", tasks=tasks))
    return open_set(out)


def _case_task(
    out: Path, task_id: str, cases: Sequence[Case], volume: Volume, *, level: str, asked: Asked
) -> TaskDocument:
    from ctmeasure.io.practice import ReferenceDocument, SetError, TaskDocument, seal, write_nifti
    from ctmeasure.io.research import load_research

    answers = [case_answer(case) for case in cases]
    marks = [mark.points_lps for case in cases for mark in case.landmarks.values() if mark.is_placed]
    if not marks:
        raise SetError(f"{task_id}: a case in which nothing is placed", expected="an expert's landmarks")
    file = out / SCANS / task_id / "scan.nii.gz"
    write_nifti(volume.crop_around(np.concatenate(marks), margin_mm=MARGIN_MM), file)
    kept = load_research(file, side=cases[0].side).volume
    landmarks = tuple(name for name in asked.landmarks if any(name in answer.landmarks for answer in answers))
    structures = tuple(s for s in asked.structures if any(answer.structure(s) is not None for answer in answers))
    reference = ReferenceDocument(
        side=cases[0].side, origin="experts", facts=facts_to_mapping(cases[0].facts),
        answers=[_document(answer) for answer in answers],
    )  # fmt: skip
    return TaskDocument(
        id=task_id, level=level, scan=f"{SCANS}/{task_id}/scan.nii.gz", scan_hash=kept.source.content_hash,
        landmarks=landmarks, structures=structures, holes=asked.holes, length=asked.length,
        reference=seal(out, reference),
    )  # fmt: skip


def case_answer(case: Case) -> Answer:
    """What a case holds, as an answer: from experts' cases, and from the window's.

    Example
    -------
    >>> case_answer.__name__
    'case_answer'
    """
    holes = tuple(Hole(site.id, site.entry_lps, site.direction_lps) for site in case.sites)
    return Answer(case.side, case.landmarks, case.structures, holes)


def scan_path(opened: PracticeSet, task_id: str, *, progress: Progress = no_progress) -> Path:
    """Where the scan of a task is; a synthetic ear is scanned the first time.

    Parameters
    ----------
    opened, task_id
        The set and the task.
    progress
        Listener; may cancel, and then nothing is left behind.

    Returns
    -------
    Path
        DICOM folder, or research file.

    Raises
    ------
    ctmeasure.io.practice.SetError
        When the task or its scan is not there.
    ctmeasure.errors.OutputError
        When the set's folder cannot be written.
    """
    from ctmeasure_samples.practice import practice_ears, write_scan

    from ctmeasure.errors import OutputError
    from ctmeasure.io.practice import SetError

    task = opened.task(task_id)
    if not task.recipe_ear:
        place = opened.folder / task.scan
        inside = opened.folder.resolve() in place.resolve().parents
        if not inside or not place.exists():
            raise SetError(f"the scan of task '{task_id}' is not there", expected=f"'{task.scan}' in the set")
        return place
    place = opened.folder / SCANS / task_id
    if place.is_dir():
        return place
    ear = next((e for e in practice_ears() if e.id == task.recipe_ear), None)
    if ear is None:
        raise SetError(f"no ear '{task.recipe_ear}' in the recipe", action="use the program version that made the set")
    try:
        place.parent.mkdir(exist_ok=True)
        building = Path(tempfile.mkdtemp(prefix=f".{task_id}-", dir=place.parent))
        try:
            write_scan(ear, building, progress=progress)
            building.chmod(0o755)
            if not place.is_dir():  # somebody else may have been quicker
                building.replace(place)
        finally:
            shutil.rmtree(building, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f"'{opened.folder}' cannot be written ({error.strerror})", expected="a set on a disk you may write to"
        ) from None
    return place


def task_volume(opened: PracticeSet, task_id: str, side: str, *, progress: Progress = no_progress) -> Volume:
    """The scan of a task, loaded.

    Raises
    ------
    ctmeasure.io.practice.SetError
        When its voxels are not those the set was made with.
    """
    from ctmeasure.io.dicom.load import load_series
    from ctmeasure.io.practice import SetError

    place = scan_path(opened, task_id, progress=part_of(progress, 0.0, 0.8))
    volume = load_series(place, side=side, progress=part_of(progress, 0.8, 1.0)).volume
    task = opened.task(task_id)
    if task.scan_hash and volume.source.content_hash != task.scan_hash:
        raise SetError(
            f"the scan of task '{task_id}' was changed (hash {volume.source.content_hash[:12]})",
            expected=f"the voxels it was made with (hash {task.scan_hash[:12]})",
            action="use an undamaged copy of the set",
        )
    return volume
