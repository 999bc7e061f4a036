"""The files of a practice set: its manifest, its sealed references, and answers as JSON."""

from __future__ import annotations

import hashlib
import json
import re
import zlib
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.case.document import StructureDocument, structure_from_document, structure_to_document
from ctmeasure.case.store import write_atomically
from ctmeasure.errors import CtmeasureError, OutputError
from ctmeasure.planning.scoring.answers import Answer, Hole, Reference

MANIFEST = "set.json"
SEALED = "sealed"
TASK_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}", re.ASCII)
SEALING = (
    "The references are compressed, and each task names the SHA-256 of its own: a changed reference shows, and none is "
    "read by accident. Sealing is no lock: whoever unpacks the files, or makes a synthetic ear's truth from its "
    "recipe, can know the answers. For an examination keep the folder 'sealed' where only the supervisor reads."
)
"""What sealing can and cannot do, written into every set."""
_Model = TypeVar("_Model", bound=BaseModel)


class SetError(CtmeasureError):
    """A practice set that is damaged, changed, or asks for something it does not hold."""


class TaskDocument(BaseModel):
    """One task: a scan, what is asked, and the hash of its sealed reference."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    id: str
    level: str = ""
    recipe_ear: str = ""
    scan: str = ""
    scan_hash: str = ""
    landmarks: tuple[str, ...]
    structures: tuple[str, ...] = ()
    holes: int = 0
    length: bool = False
    reference: str


class SetDocument(BaseModel):
    """The manifest of a set."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    format: Literal["ctmeasure practice set"] = "ctmeasure practice set"
    schema_version: Literal[1] = 1
    name: str
    origin: Literal["experts", "synthetic"]
    sealing: str = SEALING
    tasks: tuple[TaskDocument, ...]

    def task(self, task_id: str) -> TaskDocument:
        """One task by id.

        Raises
        ------
        SetError
            When the set has none of that id.
        """
        for task in self.tasks:
            if task.id == task_id:
                return task
        known = ", ".join(task.id for task in self.tasks[:6])
        raise SetError(f"no task '{task_id}' in set '{self.name}'", expected=f"one of {known}, ...")


class HoleDocument(BaseModel):
    """A chosen hole."""

    model_config = ConfigDict(extra="forbid")
    id: str
    entry_lps: tuple[float, float, float]
    direction_lps: tuple[float, float, float] | None = None


class AnswerDocument(BaseModel):
    """An answer as stored."""

    model_config = ConfigDict(extra="forbid")
    side: Side
    landmarks: list[Landmark]
    structures: list[StructureDocument] = []
    holes: list[HoleDocument] = []
    length_mm: float | None = None


class ReferenceDocument(BaseModel):
    """A sealed reference: one answer an expert, or the truth of a synthetic ear; and the facts of the case."""

    model_config = ConfigDict(extra="forbid")
    side: Side
    origin: Literal["experts", "synthetic"]
    special: str = ""
    facts: dict[str, Any] = {}
    answers: list[AnswerDocument]


def answer_to_dict(answer: Answer) -> dict[str, Any]:
    """An answer as plain JSON values."""
    document = AnswerDocument(
        side=answer.side,
        landmarks=list(answer.landmarks.values()),
        structures=[structure_to_document(item) for item in answer.structures],
        holes=[HoleDocument(id=h.id, entry_lps=h.entry_lps, direction_lps=h.direction_lps) for h in answer.holes],
        length_mm=answer.length_mm,
    )
    return document.model_dump(mode="json")


def answer_from_dict(data: Any, *, what: str = "the stored answer") -> Answer:
    """An answer from plain JSON values.

    Raises
    ------
    SetError
        When it is not an answer.
    """
    return _answer(_validated(AnswerDocument, data, what))


def _answer(document: AnswerDocument) -> Answer:
    return Answer(
        document.side,
        LandmarkSet(document.landmarks),
        tuple(structure_from_document(item) for item in document.structures),
        tuple(Hole(h.id, h.entry_lps, h.direction_lps) for h in document.holes),
        document.length_mm,
    )


def _validated(model: type[_Model], data: Any, what: str) -> _Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SetError(f"{what}: {where}: {first['msg']}", action="use an undamaged copy") from None
    except CtmeasureError as error:
        raise SetError(f"{what}: {error.found}", expected=error.expected, action="use an undamaged copy") from None


def seal(folder: Path, document: ReferenceDocument) -> str:
    """Write one reference into a set's folder, named by its hash.

    Returns
    -------
    str
        SHA-256 of the file.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    text = json.dumps(document.model_dump(mode="json"), sort_keys=True, separators=(",", ":"), allow_nan=False)
    content = zlib.compress(text.encode("utf-8"), 9)
    digest = hashlib.sha256(content).hexdigest()
    try:
        (folder / SEALED).mkdir(parents=True, exist_ok=True)
        write_atomically(folder / SEALED / f"{digest}.ref", content)
    except OSError as error:
        raise OutputError(f"'{folder}' cannot be written ({error.strerror})", expected="a folder of ours") from None
    return digest


def reference_hash(folder: Path, task: TaskDocument) -> str:
    """SHA-256 of a task's sealed file as it is now; the file is not unpacked.

    Raises
    ------
    SetError
        When it is missing.
    """
    return hashlib.sha256(_sealed_bytes(folder, task)).hexdigest()


def _sealed_bytes(folder: Path, task: TaskDocument) -> bytes:
    try:
        return (folder / SEALED / f"{task.reference}.ref").read_bytes()
    except OSError:
        raise SetError(
            f"the sealed reference of task '{task.id}' cannot be read",
            expected=f"'{SEALED}/{task.reference[:12]}....ref' in the set",
            action="ask whoever keeps the references; the attempt is kept",
        ) from None


def open_reference(folder: Path, task: TaskDocument) -> ReferenceDocument:
    """Unpack a sealed reference.

    Raises
    ------
    SetError
        When it is missing or not the one that was sealed.
    """
    content = _sealed_bytes(folder, task)
    found = hashlib.sha256(content).hexdigest()
    if found != task.reference:
        raise SetError(
            f"the reference of task '{task.id}' was edited after it was sealed (hash {found[:12]})",
            expected=f"the sealed one (hash {task.reference[:12]})",
            action="put it back; nothing was scored",
        )
    return _validated(ReferenceDocument, json.loads(zlib.decompress(content)), f"the reference of task '{task.id}'")


def reference_of(document: ReferenceDocument) -> Reference:
    """What an attempt is scored against."""
    return Reference(document.side, tuple(_answer(item) for item in document.answers), document.origin)


def write_manifest(folder: Path, document: SetDocument) -> str:
    """Write a set's manifest; returns its hash.

    Raises
    ------
    OutputError
        When it cannot be written or a set is there already.
    """
    if (folder / MANIFEST).exists():
        raise OutputError(f"'{folder}' holds a set already", expected="a new folder", action="choose another --out")
    for task in document.tasks:
        if not TASK_ID.fullmatch(task.id):
            raise SetError(f"task id '{task.id}'", expected="small letters, digits, - and _")
    text = json.dumps(document.model_dump(mode="json"), indent=1, sort_keys=True) + "\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_atomically(folder / MANIFEST, text.encode("utf-8"))
    except OSError as error:
        raise OutputError(f"'{folder}' cannot be written ({error.strerror})", expected="a new folder") from None
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_manifest(folder: Path) -> tuple[SetDocument, str]:
    """A set's manifest and its hash.

    Raises
    ------
    SetError
        When there is none or it is damaged.
    """
    try:
        content = (folder / MANIFEST).read_bytes()
        data = json.loads(content)
    except (OSError, ValueError):
        raise SetError(
            f"no practice set at '{folder}'", expected=f"a folder with {MANIFEST}", action="make one with practice make"
        ) from None
    return _validated(SetDocument, data, f"'{MANIFEST}'"), hashlib.sha256(content).hexdigest()


def write_nifti(volume: Any, path: Path) -> None:
    """Write a volume without any identifier, voxels and place only.

    Parameters
    ----------
    volume
        A `ctmeasure.volume.volume.Volume`.
    path
        ``.nii.gz`` file.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    import nibabel
    import numpy as np

    affine = np.diag([-1.0, -1.0, 1.0, 1.0]) @ volume.geometry.affine_lps
    image = nibabel.Nifti1Image(np.asarray(volume.values), affine)
    image.header.set_xyzt_units("mm")
    image.header.set_dim_info(slice=0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        nibabel.save(image, path)
    except OSError as error:
        raise OutputError(f"'{path}' cannot be written ({error.strerror})", expected="a place to write") from None
