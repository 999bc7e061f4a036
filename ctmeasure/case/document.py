"""The JSON form of a case, its schema and its checks (pydantic stands here, at the file edge, and nowhere deeper)."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from ctmeasure.anatomy.facts import facts_from_mapping, facts_to_mapping
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, PointLps
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.suggestions import Suggestion
from ctmeasure.anatomy.vocabulary import Side, Status
from ctmeasure.case.inputs import (
    INPUTS,
    NOT_KEPT,
    UNCHECKED_WARNING,
    input_hashes,
    refuse_other_inputs,
    refuse_other_side,
)
from ctmeasure.case.json_lines import json_lines
from ctmeasure.case.model import SCHEMA_VERSION, Case, HistoryEntry, Picture, ScanReference, SiteRequest
from ctmeasure.errors import CaseError, CtmeasureError
from ctmeasure.planning.hearing import Audiogram
from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.reader_model import ReaderModel
from ctmeasure.planning.results import PlanResult
from ctmeasure.planning.settings import Settings, settings_from_mapping
from ctmeasure.volume.quality import ScanFitness


class StructureDocument(BaseModel):
    """A tube, patch or ball as saved."""

    model_config = ConfigDict(extra="forbid")
    id: str
    shape: Literal["tube", "patch", "ball"]
    status: Status
    points_lps: list[PointLps]
    radii_mm: list[float | None] = []
    surface_u_mm: float | None = None
    confirmed_by: str = ""
    bulges_mm: list[float] = []


class CaseDocument(BaseModel):
    """case.json, schema version 1. Lengths in mm, coordinates in LPS, angles in degrees."""

    model_config = ConfigDict(extra="forbid")
    schema_version: Literal[1]
    side: Side
    scan: ScanReference
    facts: dict[str, Any]
    landmarks: list[Landmark]
    other_ear: list[Landmark]
    structures: list[StructureDocument]
    sites: list[SiteRequest]
    catalogues: list[Catalogue] = []
    audiograms: list[Audiogram] = []
    reader_model: ReaderModel | None = None
    settings: dict[str, float | int | str]
    seed: int
    fitness: ScanFitness | None
    results: PlanResult | None
    pictures: list[Picture]
    history: list[HistoryEntry]
    suggestions: list[Suggestion] = []


def structure_to_document(structure: Structure) -> StructureDocument:
    radii: list[float | None] = []
    if isinstance(structure, Tube):
        radii = list(structure.radii_mm)
    elif isinstance(structure, Ball):
        radii = [structure.radius_mm]
    return StructureDocument(
        id=structure.id,
        shape="tube" if isinstance(structure, Tube) else "ball" if isinstance(structure, Ball) else "patch",
        status=structure.status,
        points_lps=list(structure.points),
        radii_mm=radii,
        surface_u_mm=structure.surface_u_mm,
        confirmed_by=structure.confirmed_by,
        bulges_mm=list(structure.bulges_mm) if isinstance(structure, Tube) else [],
    )


def structure_from_document(saved: StructureDocument) -> Structure:
    common = (saved.id, saved.status, tuple(saved.points_lps), saved.surface_u_mm, saved.confirmed_by)
    if saved.shape == "tube":
        return Tube(*common, radii_mm=tuple(saved.radii_mm), bulges_mm=tuple(saved.bulges_mm))
    if saved.shape == "patch":
        return Patch(*common)
    return Ball(*common, radius_mm=saved.radii_mm[0] if saved.radii_mm else None)


def case_to_json(case: Case) -> str:
    """A case as JSON text; the same case gives the same bytes.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    str
        JSON with one record a line.

    Raises
    ------
    CaseError
        When a value cannot be written as JSON (not a number).
    """
    document = _document(stamped(case))
    try:
        return json_lines(document.model_dump(mode="json"))
    except ValueError as error:
        raise CaseError(f"the case holds a value JSON cannot write ({error})", expected="finite numbers") from None


def stamped(case: Case) -> Case:
    """The case with hashes of its inputs in the provenance of its results; one that has them already is kept.

    Parameters
    ----------
    case
        With results that were just computed from its inputs; without results it is returned as it is.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        When an input is a number JSON cannot write.

    Notes
    -----
    A change that leaves the results valid and the inputs not (names taken out of the placements, say) has to drop
    the old hashes first.
    """
    if case.results is None or INPUTS in case.results.provenance:
        return case
    bare = _document(replace(case, results=None, fitness=None, pictures=(), history=()))
    try:
        return _with_inputs(case, input_hashes(bare.model_dump(mode="json")))
    except ValueError as error:
        raise CaseError(f"the case holds a value JSON cannot write ({error})", expected="finite numbers") from None


def _with_inputs(case: Case, inputs: dict[str, str] | str) -> Case:
    assert case.results is not None
    return replace(case, results=replace(case.results, provenance={**case.results.provenance, INPUTS: inputs}))


def _document(case: Case) -> CaseDocument:
    settings = {name: getattr(case.settings, name) for name in Settings.__dataclass_fields__}
    return CaseDocument(
        schema_version=1,
        side=case.side,
        scan=case.scan,
        facts=facts_to_mapping(case.facts),
        landmarks=list(case.landmarks.values()),
        other_ear=list(case.other_ear.values()),
        structures=[structure_to_document(s) for s in case.structures],
        sites=list(case.sites),
        catalogues=list(case.catalogues),
        audiograms=list(case.audiograms),
        reader_model=case.reader_model,
        settings=settings,
        seed=case.seed,
        fitness=case.fitness,
        results=case.results,
        pictures=list(case.pictures),
        history=list(case.history),
        suggestions=list(case.suggestions),
    )


def case_from_json(text: str, *, name: str = "case.json") -> Case:
    """Read a case back.

    Parameters
    ----------
    text
        JSON text.
    name
        File name for messages.

    Returns
    -------
    Case

    Raises
    ------
    CaseError
        When it is not JSON, not a case, of an unknown schema version, or contradicts itself: a side that its marks or
        facts deny, or results that were made from other inputs than those beside them.
    """
    try:
        data = json.loads(text)
    except ValueError as error:
        raise CaseError(
            f"'{name}' is not JSON ({error})", expected="a saved case", action="use an undamaged copy"
        ) from None
    version = data.get("schema_version") if isinstance(data, dict) else None
    if version != SCHEMA_VERSION:
        raise CaseError(
            f"'{name}' has schema version {version}",
            expected=f"version {SCHEMA_VERSION}",
            action="use the program version that wrote it, or a newer one",
        )
    try:
        document = CaseDocument.model_validate(data)
        case = Case(
            side=document.side,
            scan=document.scan,
            facts=facts_from_mapping(document.facts),
            landmarks=LandmarkSet(document.landmarks),
            other_ear=LandmarkSet(document.other_ear),
            structures=tuple(structure_from_document(s) for s in document.structures),
            sites=tuple(document.sites),
            catalogues=tuple(document.catalogues),
            audiograms=tuple(document.audiograms),
            reader_model=document.reader_model,
            settings=settings_from_mapping(document.settings),
            fitness=document.fitness,
            results=document.results,
            pictures=tuple(document.pictures),
            history=tuple(document.history),
            suggestions=tuple(document.suggestions),
            seed=document.seed,
        )
        refuse_other_side(case)
        return _checked_results(case, data)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise CaseError(
            f"'{name}': {where}: {first['msg']}", expected="a saved case", action="use an undamaged copy"
        ) from None
    except CtmeasureError as error:
        raise CaseError(
            f"'{name}': {error.found}",
            expected=error.expected or "a saved case",
            action=error.action or "use an undamaged copy",
        ) from None


def _checked_results(case: Case, data: dict[str, Any]) -> Case:
    """The case as read, its results shown to belong to its inputs, or marked as not to be checked."""
    if case.results is None:
        return case
    kept = case.results.provenance.get(INPUTS)
    if kept == NOT_KEPT:
        return case
    if not isinstance(kept, dict):
        results = replace(case.results, warnings=(*case.results.warnings, UNCHECKED_WARNING))
        return _with_inputs(replace(case, results=results), NOT_KEPT)
    refuse_other_inputs(kept, data)
    provenance = {key: value for key, value in case.results.provenance.items() if key != INPUTS}
    # hashed anew as this version writes it: a setting it adds is in the file from the next save on
    return stamped(replace(case, results=replace(case.results, provenance=provenance)))


def case_schema() -> dict[str, Any]:
    """The JSON Schema of case.json.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> case_schema()["title"]
    'CaseDocument'
    """
    return TypeAdapter(CaseDocument).json_schema()
