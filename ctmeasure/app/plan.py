"""`plan`: a scan and tables in, a written plan out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ctmeasure.anatomy.facts import CaseFacts, facts_from_mapping
from ctmeasure.anatomy.frames import check_side
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.plausible import axis_confirmed, check_one_ear
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.app.collector import collector_paused
from ctmeasure.app.compute import compute_case
from ctmeasure.case.model import Case, SiteRequest, scan_reference
from ctmeasure.case.store import entry
from ctmeasure.errors import LandmarkError
from ctmeasure.io.folder import check_output_folder, refuse_inputs_inside, replaced_folder
from ctmeasure.planning.hearing import Audiogram
from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.reader_model import ReaderModel
from ctmeasure.planning.results import Attention
from ctmeasure.planning.settings import Settings, settings_from_mapping
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.io.dicom.load import LoadedSeries

SIDE_READ_NOTE = "the side was read from the direction of the canal axis: nobody entered it"


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """What `plan` was asked to do: paths and choices, nothing read yet."""

    scan: Path
    landmarks: Path
    out: Path
    structures: Path | None = None
    other_ear: Path | None = None
    sites: Path | None = None
    side: str | None = None
    facts: Path | None = None
    series_uid: str | None = None
    untilt: bool = False
    catalogues: tuple[Path, ...] = ()
    audiogram: Path | None = None
    settings: Path | None = None
    reader_model: Path | None = None
    seed: int = 1
    force: bool = False


@dataclass(frozen=True, slots=True)
class PlanInputs:
    """The tables of a request, read and checked, before the scan is touched."""

    landmarks: LandmarkSet
    side: Side
    side_entered: bool = True
    structures: tuple[Structure, ...] = ()
    other_ear: LandmarkSet = field(default_factory=LandmarkSet)
    sites: tuple[SiteRequest, ...] = ()
    facts: CaseFacts = field(default_factory=CaseFacts)
    settings: Settings = field(default_factory=Settings)
    catalogues: tuple[Catalogue, ...] = ()
    audiograms: tuple[Audiogram, ...] = ()
    reader_model: ReaderModel | None = None


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """A finished run: the case with its results, where it was written, and what could not be given."""

    case: Case
    out: Path
    attention: tuple[Attention, ...]


def read_inputs(request: PlanRequest) -> PlanInputs:
    """Read every table of a request.

    Parameters
    ----------
    request
        Paths and choices.

    Returns
    -------
    PlanInputs

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        The first thing that is wrong, with its file and line.
    """
    from ctmeasure.app.catalogues import read_catalogues
    from ctmeasure.io.audiogram import read_audiograms
    from ctmeasure.io.reader_model import read_reader_model
    from ctmeasure.io.research import is_research_file
    from ctmeasure.io.tables import read_landmarks, read_sites, read_structures
    from ctmeasure.io.toml import read_toml

    landmarks = read_landmarks(request.landmarks)
    facts = facts_from_mapping(read_toml(request.facts, "facts")) if request.facts else CaseFacts()
    settings = settings_from_mapping(read_toml(request.settings, "settings")) if request.settings else Settings()
    if is_research_file(request.scan) and not (request.side or facts.side):
        raise LandmarkError(
            f"'{request.scan.name}' says nothing of the patient, and nobody entered the side",
            expected="--side left or right, or the side in the facts",
            action="give the side",
        )
    side = _agreed_side(request.side, facts, landmarks)
    return PlanInputs(
        landmarks=landmarks,
        side=side,
        structures=read_structures(request.structures) if request.structures else (),
        side_entered=bool(request.side or facts.side),
        other_ear=read_landmarks(request.other_ear) if request.other_ear else LandmarkSet(),
        sites=read_sites(request.sites) if request.sites else (),
        facts=replace(facts, side=side),
        settings=settings,
        catalogues=read_catalogues(request.catalogues),
        audiograms=read_audiograms(request.audiogram, side=side) if request.audiogram else (),
        reader_model=read_reader_model(request.reader_model) if request.reader_model else None,
    )


def _agreed_side(asked: str | None, facts: CaseFacts, landmarks: LandmarkSet) -> Side:
    """The one side that the option, the facts and the landmarks agree on."""
    from ctmeasure.anatomy.clock import checked_side

    said = checked_side(asked) if asked else None
    if said and facts.side and said != facts.side:
        raise LandmarkError(
            f"--side {said}, and the facts say {facts.side}", expected="one side", action="correct one of them"
        )
    side = said or facts.side
    if not landmarks.placed("canal_medial", "canal_lateral"):
        if side is None:
            raise LandmarkError(
                "the side is not known",
                expected="--side left or right",
                action="give --side, or place the canal centres",
            )
        return side
    confirmed = axis_confirmed(landmarks)
    axis = landmarks.point_lps("canal_lateral") - landmarks.point_lps("canal_medial")
    length = float((axis @ axis) ** 0.5)
    axis = axis / length if length > 0 else axis
    if side is None:
        if not confirmed:
            raise LandmarkError(
                "the side is not entered, and no landmark medial of the rim confirms which way the canal axis points",
                expected="--side left or right",
                action="give --side, or place the footplate or the promontory",
            )
        side = "left" if axis[0] > 0 else "right"
    check_side(axis, side)
    return side


def new_case(loaded: LoadedSeries, inputs: PlanInputs, *, seed: int) -> Case:
    """The case of a scan and its tables, nothing computed yet.

    Parameters
    ----------
    loaded
        The scan as read.
    inputs
        The tables.
    seed
        Seed of every draw.

    Returns
    -------
    Case

    Raises
    ------
    LandmarkError
        When a landmark, structure or site lies outside the scan, or cannot belong to this ear.
    """
    check_inside(loaded.volume, inputs)
    return Case(
        side=inputs.side,
        scan=scan_reference(
            loaded.volume,
            chosen_because=loaded.chosen_because,
            notes=(*loaded.warnings, *([] if inputs.side_entered else [SIDE_READ_NOTE])),
        ),
        facts=inputs.facts,
        landmarks=inputs.landmarks,
        structures=inputs.structures,
        sites=inputs.sites,
        other_ear=inputs.other_ear,
        catalogues=inputs.catalogues,
        audiograms=inputs.audiograms,
        reader_model=inputs.reader_model,
        settings=inputs.settings,
        seed=seed,
    )


def check_inside(volume: Volume, inputs: PlanInputs) -> None:
    """Refuse points outside the scan, with a hint when another axis order would bring them inside.

    Raises
    ------
    LandmarkError
        The first landmark, structure or site outside, or that cannot belong to this ear.
    """
    for name, mark in inputs.landmarks.items():
        if mark.is_placed:
            for index, point in zip(mark.indices, mark.points_lps, strict=True):
                _check_point(
                    volume, f"landmark '{name}' {index}" if len(mark.indices) > 1 else f"landmark '{name}'", point
                )
    for item in inputs.structures:
        for number, point in enumerate(item.points_lps if item.is_marked else ()):
            _check_point(volume, f"structure '{item.id}' {number}", point)
    check_one_ear(inputs.landmarks, inputs.structures)
    for site in inputs.sites:
        _check_point(volume, f"site '{site.id}'", site.entry_lps)


def _check_point(volume: Volume, what: str, point_lps: Any) -> None:
    import itertools

    import numpy as np

    point = np.asarray(point_lps, dtype=np.float64)
    if bool(volume.geometry.contains_lps(point)):
        return
    low, high = (extreme(volume.geometry.corners_lps, axis=0) for extreme in (np.min, np.max))
    hint = "check that the series is whole, and the table's frame: LPS millimetres of this scan"
    if bool(volume.geometry.contains_lps(point * [-1, -1, 1])):
        hint = "x and y seem to be negated (RAS): give LPS"
    elif any(bool(volume.geometry.contains_lps(point[list(p)])) for p in itertools.permutations(range(3))):
        hint = "the axes seem to be swapped: give x,y,z in LPS"
    where = ", ".join(f"{c:.1f}" for c in point)
    span = "; ".join(f"{n} {a:.1f} to {b:.1f}" for n, a, b in zip("xyz", low, high, strict=True))
    raise LandmarkError(f"{what} at ({where}) lies outside the scan", expected=f"inside {span} mm", action=hint)


def run_plan(request: PlanRequest, *, progress: Progress = no_progress) -> PlanOutcome:
    """The whole main job.

    Parameters
    ----------
    request
        Paths and choices.
    progress
        Listener; may cancel.

    Returns
    -------
    PlanOutcome

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When it cannot run; nothing is then written.
    ctmeasure.errors.Cancelled
        When the listener stops it; nothing is then written.
    """
    with collector_paused():
        return _plan(request, progress)


def _plan(request: PlanRequest, progress: Progress) -> PlanOutcome:
    from ctmeasure.io.dicom.load import load_series
    from ctmeasure.report.pictures import key_pictures
    from ctmeasure.report.write import write_pictured

    check_output_folder(request.out, force=request.force)
    tables = (request.landmarks, request.structures, request.other_ear, request.sites)
    texts = (request.facts, *request.catalogues, request.audiogram, request.settings, request.reader_model)
    refuse_inputs_inside(request.out, (request.scan, *tables, *texts))
    progress("reading tables", 0.0)
    inputs = read_inputs(request)
    loaded = load_series(
        request.scan,
        series_uid=request.series_uid,
        side=inputs.side,
        untilt=request.untilt,
        progress=part_of(progress, 0.02, 0.2),
    )
    case = new_case(loaded, inputs, seed=request.seed).with_history(entry("planned", seed=request.seed))
    case = compute_case(case, loaded.volume, progress=part_of(progress, 0.2, 0.68))
    with replaced_folder(request.out, force=request.force) as building:
        pictures = key_pictures(case, loaded.volume, progress=part_of(progress, 0.68, 0.84))
        # The pages are set without the voxels: the typesetter then needs no memory on top of them.
        del loaded
        case = write_pictured(case, pictures, out_dir=building, progress=part_of(progress, 0.84, 1.0))
    assert case.results is not None
    return PlanOutcome(case, request.out, case.results.attention)
