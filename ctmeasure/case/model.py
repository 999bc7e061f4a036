"""Case: everything about one ear but the voxels. Immutable; a change makes the next case."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import LandmarkSet, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.suggestions import Suggestion
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import CaseError
from ctmeasure.planning.hearing import Audiogram
from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.reader_model import ReaderModel
from ctmeasure.planning.results import PlanResult
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

SCHEMA_VERSION = 1
"""Version of case.json; every older version keeps a sample file and must load forever."""


@dataclass(frozen=True, slots=True)
class ScanReference:
    """Which scan a case belongs to: identifiers, hash and grid, but no voxels and no identity.

    ``chosen_because`` says why this series was taken, ``notes`` what was noticed while reading it.
    """

    series_uid: str
    study_uid: str
    frame_of_reference_uid: str
    content_hash: str
    description: str
    kernel: str
    modality: str
    intensity_unit: str
    date: str
    pseudonym: str
    shape_kji: tuple[int, int, int]
    spacing_mm: tuple[float, float, float]
    slice_thickness_mm: float | None
    affine_lps: tuple[tuple[float, ...], ...]
    chosen_because: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteRequest:
    """A candidate hole: entry point on or near the canal wall; a direction, or None for the best reachable."""

    id: str
    entry_lps: PointLps
    direction_lps: PointLps | None = None


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One step: when, what, with which arguments. Times stand only here."""

    when: str
    action: str
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Picture:
    """A stored key picture: file name (in ``figures/``), what it shows, and the hash of what it was made from."""

    file: str
    title: str
    caption: str
    made_from: str
    recipe: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Case:
    """The saved document of one ear; ``suggestions`` are proposals that nothing is computed from."""

    side: Side
    scan: ScanReference
    facts: CaseFacts
    landmarks: LandmarkSet
    structures: tuple[Structure, ...] = ()
    sites: tuple[SiteRequest, ...] = ()
    other_ear: LandmarkSet = field(default_factory=LandmarkSet)
    catalogues: tuple[Catalogue, ...] = ()
    audiograms: tuple[Audiogram, ...] = ()
    settings: Settings = field(default_factory=Settings)
    fitness: ScanFitness | None = None
    results: PlanResult | None = None
    pictures: tuple[Picture, ...] = ()
    history: tuple[HistoryEntry, ...] = ()
    seed: int = 0
    reader_model: ReaderModel | None = None
    schema_version: int = SCHEMA_VERSION
    suggestions: tuple[Suggestion, ...] = ()

    @property
    def structures_in_plan(self) -> tuple[Structure, ...]:
        """The structures as the plan kept clear of them: a tube traced through the scan in place of its clicks."""
        traced = {record.id: record for record in self.results.traced} if self.results else {}
        return tuple(traced[s.id].structure() if s.id in traced else s for s in self.structures)

    def with_history(self, entry: HistoryEntry) -> Case:
        """The same case with one more step in its history."""
        return replace(self, history=(*self.history, entry))


def scan_reference(volume: Volume, *, chosen_because: str = "", notes: tuple[str, ...] = ()) -> ScanReference:
    """What a case remembers of a volume.

    Example
    -------
    >>> scan_reference.__name__
    'scan_reference'
    """
    source, grid = volume.source, volume.geometry
    return ScanReference(
        series_uid=source.series_uid,
        study_uid=source.study_uid,
        frame_of_reference_uid=grid.frame_of_reference_uid,
        content_hash=source.content_hash,
        description=source.description,
        kernel=source.kernel,
        modality=source.modality,
        intensity_unit=source.intensity_unit,
        date=source.date,
        pseudonym=source.patient_pseudonym,
        shape_kji=grid.shape_kji,
        spacing_mm=tuple(float(s) for s in grid.spacing_mm),  # type: ignore[arg-type]
        slice_thickness_mm=source.slice_thickness_mm,
        affine_lps=tuple(tuple(float(x) for x in row) for row in grid.affine_lps),
        chosen_because=chosen_because,
        notes=notes,
    )


def check_scan_belongs(case: Case, volume: Volume) -> None:
    """Refuse a scan that is not the one the case was made from.

    Raises
    ------
    CaseError
        When series UID and content hash both differ, or the hash differs under the same UID.

    Notes
    -----
    The content hash is over decoded values, so a recompressed copy of the same series is accepted.
    """
    if volume.source.content_hash == case.scan.content_hash:
        return
    if volume.source.series_uid == case.scan.series_uid:
        raise CaseError(
            f"this scan has the case's series UID but other voxels (hash {volume.source.content_hash[:12]})",
            expected=f"the voxels the case was made from (hash {case.scan.content_hash[:12]})",
            action="use the unchanged series, or start a new case",
        )
    raise CaseError(
        f"this scan is another series ({volume.source.series_uid[-12:]}, hash {volume.source.content_hash[:12]})",
        expected=f"the series of the case ({case.scan.series_uid[-12:]}, hash {case.scan.content_hash[:12]})",
        action="give the scan this case was made from",
    )
