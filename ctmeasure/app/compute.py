"""Compute everything a case can give from its scan: fitness, measurands, holes, lengths, and what is missing."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ctmeasure import __version__
from ctmeasure.anatomy.frames import CanalFrame, RimCurve, canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.mirrored import mirrored_point_lps
from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.anatomy.vocabulary import landmark_terms, needed_landmarks
from ctmeasure.app.holes import drill
from ctmeasure.app.memory import Memory
from ctmeasure.app.refined import refine_landmarks, refined_key
from ctmeasure.case.doubts import placed_u_mm
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.planning.results import Attention, Measurement, OptionsFound, PlanResult, SiteResult, TracedRecord
from ctmeasure.planning.settings import loosened
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.coverage import coverage_doubts
from ctmeasure.volume.quality import ScanFitness, assess_fitness
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.planning.drilling import DrillOutput


def compute_case(
    case: Case,
    volume: Volume,
    *,
    memory: Memory | None = None,
    map_holes: bool = True,
    progress: Progress = no_progress,
) -> Case:
    """The same case with fitness and results.

    Parameters
    ----------
    case
        Marks, facts, settings and catalogues (the generic steps when there is none).
    volume
        The scan they were placed on.
    memory
        Parts of earlier computations on the same scan: what their inputs leave unchanged is not computed again.
    map_holes
        Whether the wall is mapped and pairs are looked for; else only the holes that were asked for are assessed.
    progress
        Listener; may cancel.

    Returns
    -------
    Case

    Raises
    ------
    ctmeasure.errors.CaseError
        When the scan is not the case's.
    ctmeasure.errors.LandmarkError
        When placed landmarks contradict each other or the side.
    """
    from ctmeasure.app.metal import case_metal
    from ctmeasure.app.ossicles import case_ossicles
    from ctmeasure.planning.drilling import DrillInput
    from ctmeasure.planning.halo import flag_measurements, flag_pairs, flag_sites, flag_traced, flag_zone
    from ctmeasure.planning.lengths.handle import planned_tip_lps
    from ctmeasure.planning.lengths.handle_doubts import handle_doubts
    from ctmeasure.planning.lengths.inputs import LengthInput
    from ctmeasure.planning.lengths.options import find_options
    from ctmeasure.planning.lengths.sizes import plan_lengths
    from ctmeasure.planning.measurands.inputs import MeasureInput
    from ctmeasure.planning.measurands.measure import measure

    check_scan_belongs(case, volume)
    memory = Memory(keeps=False) if memory is None else memory
    progress("judging the scan", 0.0)
    fitness = _fitness(case, volume, memory)
    canal, rim = _frames(case)
    structures, traced, tracing = _traced(case, volume, fitness, memory, part_of(progress, 0.05, 0.08))
    looking = part_of(progress, 0.08, 0.1)
    refined = memory.recall(
        "refined landmarks",
        refined_key(case, structures),
        lambda: refine_landmarks(case, volume, fitness, canal=canal, structures=structures, progress=looking),
    )
    marks = MeasureInput(
        landmarks=case.landmarks,
        side=case.side,
        structures=structures,
        settings=case.settings,
        seed=case.seed,
        geometry=volume.geometry,
        psf_fwhm_mm=fitness.point_spread_mm,
        volume=volume,
        refined=refined.records,
        drum=refined.drum,
        niche=refined.niche,
        reader_model=case.reader_model,
    )
    mark, metal_progress = case.landmarks.get("old_prosthesis"), part_of(progress, 0.09, 0.1)
    metal = memory.recall(
        "metal",
        (mark, *(case.landmarks.get(i) for i in METAL_MARKS), case.side),
        lambda: case_metal(case, volume, fitness, canal=canal, progress=metal_progress),
    )
    ossicles, ossicle_warnings = memory.recall(
        "ossicles", (tuple(case.landmarks.values()), case.side), lambda: case_ossicles(case, volume, fitness)
    )
    marks = replace(marks, prosthesis=metal.prosthesis, prosthesis_why=metal.why)
    mirrored = _mirrored_umbo(case, canal)
    tip = planned_tip_lps(LengthInput(measure=marks, facts=case.facts, mirrored_umbo_lps=mirrored))
    drilled: DrillOutput | None = None
    drilling_progress = part_of(progress, 0.1, 0.7)
    if canal is not None and rim is not None:
        given = DrillInput(
            volume=volume,
            canal=canal,
            rim=rim,
            fitness=fitness,
            landmarks=case.landmarks,
            structures=structures,
            facts=case.facts,
            settings=case.settings,
            sites=case.sites,
            seed=case.seed,
            rim_u_mm=placed_u_mm(case, "annulus"),
            handle_tip=None if tip is None else lambda _entry_1, _entry_2: tip,
        )
        drilled = drill(case, given, tip=tip, map_holes=map_holes, memory=memory, progress=drilling_progress)
    progress("measuring", 0.7)
    if drilled is not None:
        zone = flag_zone(drilled.zone, metal.halo)
        pairs = flag_pairs(drilled.pairs, zone)
        drilled = replace(drilled, sites=flag_sites(drilled.sites, metal.halo), zone=zone, pairs=pairs)
        marks = replace(marks, wall_map=drilled.wall_map, sites=drilled.sites)
    measurements = flag_measurements(
        measure(marks), metal.halo, landmarks=case.landmarks, structures=structures, sites=marks.sites
    )
    progress("lengths", 0.9)
    spanned = LengthInput(
        measure=marks,
        facts=case.facts,
        mirrored_umbo_lps=mirrored,
        pair_entries_lps=_pair_entries(drilled, map_holes) if drilled else None,
        catalogues=case.catalogues,
    )
    lengths = plan_lengths(spanned)
    if drilled is not None:
        handled = handle_doubts(spanned, drilled.pairs, rows=lengths.rows, shafts=lengths.shafts)
        drilled = replace(drilled, pairs=handled)
    options = find_options(case.landmarks, case.structures, case.facts, measurements)
    result = PlanResult(
        measurements=measurements,
        sites=drilled.sites if drilled else (),
        zone=drilled.zone if drilled else (),
        pairs=drilled.pairs if drilled else (),
        pairs_reason=drilled.pairs_reason if drilled else "the canal or the rim is not placed",
        lengths=lengths.rows,
        wall_map=drilled.wall_map if drilled else None,
        attention=(
            *attention(case, fitness, drilled.sites if drilled else ()),
            *asked_lengths(case, lengths.unmet_choice, options),
        ),
        warnings=_warnings(
            case,
            fitness,
            measurements,
            canal,
            (*tracing, *refined.warnings, *metal.warnings, *ossicle_warnings, *(drilled.warnings if drilled else ())),
        ),
        not_assessed=drilled.not_assessed if drilled else ("every hole: the canal or the rim is not placed",),
        seed=case.seed,
        version=__version__,
        provenance={"content_hash": volume.source.content_hash, "series_uid": volume.source.series_uid},
        traced=flag_traced(traced, metal.halo),
        refined=refined.records,
        shafts=lengths.shafts,
        staged=lengths.staged,
        what_ifs=drilled.what_ifs if drilled else (),
        wall_sectors=drilled.wall_sectors if drilled else (),
        options=options,
        ossicles=ossicles,
    )
    progress("computed", 1.0)
    return replace(case, fitness=fitness, results=result)


def _pair_entries(drilled: DrillOutput, map_holes: bool) -> tuple[PointLps, PointLps] | None:
    """Entry points a handle is planned on: the best pair's; where nothing was mapped, the two holes asked for."""
    if drilled.pairs:
        return drilled.pairs[0].entry_1_lps, drilled.pairs[0].entry_2_lps
    if not map_holes and len(drilled.sites) == 2:
        return drilled.sites[0].entry_lps, drilled.sites[1].entry_lps
    return None


METAL_MARKS = ("canal_medial", "canal_lateral", "lateral_semicircular_canal", "handle_tip", "handle_top")
"""Landmarks besides old_prosthesis that what is said about metal depends on."""


def _fitness(case: Case, volume: Volume, memory: Memory) -> ScanFitness:
    """The scan judged; what the marks have to do with it is said anew, the rest only once a scan."""
    limit = case.settings.slice_limit_mm
    bare = memory.recall(
        "fitness", (volume.source.content_hash, limit), lambda: assess_fitness(volume, thickest_slice_mm=limit)
    )
    doubts = coverage_doubts(volume.geometry, _marked_points(case))
    return replace(bare, warnings=(*bare.warnings, *doubts))


def _marked_points(case: Case) -> NDArray[np.float64] | None:
    """Every marked point, for whether the scan reaches far enough around them."""
    marks = [mark.points_lps for mark in case.landmarks.values() if mark.is_placed]
    marks += [item.points_lps for item in case.structures if item.is_marked]
    return np.concatenate(marks) if marks else None


def _traced(
    case: Case, volume: Volume, fitness: ScanFitness, memory: Memory, progress: Progress
) -> tuple[tuple[Structure, ...], tuple[TracedRecord, ...], tuple[str, ...]]:
    """The structures to keep clear of with clicked tubes traced, what was traced, and what must be said about it."""
    from ctmeasure.imaging.tubes.structure import trace_structure

    structures: list[Structure] = []
    records: list[TracedRecord] = []
    warnings: list[str] = []
    for item in case.structures:
        found = memory.recall(
            f"trace of {item.id}",
            (item, case.side),
            partial(trace_structure, volume, fitness, item, case.side, progress=progress),
        )
        structures.append(found.structure)
        warnings += found.warnings
        tube = found.structure
        if found.traced is not None and isinstance(tube, Tube):
            records.append(
                TracedRecord(
                    tube.id,
                    tube.status,
                    tube.points,
                    tuple(float(r) for r in tube.radii),
                    float(tube.surface_u_mm or 0.0),
                    tube.confirmed_by,
                    found.traced.flags,
                    tube.bulges_mm,
                )
            )
    return tuple(structures), tuple(records), tuple(warnings)


def _frames(case: Case) -> tuple[CanalFrame | None, RimCurve | None]:
    if not case.landmarks.placed("canal_medial", "canal_lateral"):
        return None, None
    canal = canal_frame(case.landmarks, case.side)
    return canal, rim_curve(case.landmarks, canal) if case.landmarks.placed("annulus") else None


def _mirrored_umbo(case: Case, canal: CanalFrame | None) -> PointLps | None:
    point = mirrored_point_lps("umbo", case.other_ear, canal) if canal is not None else None
    return None if point is None else (float(point[0]), float(point[1]), float(point[2]))


def attention(case: Case, fitness: ScanFitness, sites: tuple[SiteResult, ...]) -> tuple[Attention, ...]:
    """What was asked for and could not be given; any entry makes the exit code 1.

    Parameters
    ----------
    case
        For its landmarks and facts.
    fitness
        For its gates.
    sites
        The holes that were asked for.

    Returns
    -------
    tuple of Attention

    Raises
    ------
    Nothing.
    """
    found = [
        Attention(
            "landmark missing",
            f"{landmark_terms()[i].label} ({i}) is not placed",
            f"place: {landmark_terms()[i].clicked}",
        )
        for i in needed_landmarks()
        if not case.landmarks.placed(i)
    ]
    found += [
        Attention("site not assessed", f"hole {site.id} is not assessed", "; ".join(site.flags) or "see sites.csv")
        for site in sites
        if site.verdict == "not assessed"
    ]
    found += [Attention("fitness", gate, "use a thinner or sharper series") for gate in fitness.gates]
    if case.facts.plan_is_void:
        found.append(Attention("plan void", "an operation since this scan was entered", "plan on a new scan"))
    return tuple(found)


def asked_lengths(case: Case, unmet_choice: str, options: OptionsFound) -> tuple[Attention, ...]:
    """What of lengths, catalogues and hearing was asked for and could not be given, and findings that contradict."""
    from ctmeasure.planning.hearing import hearing_sheet

    found = [Attention("length", unmet_choice, "choose another, or place what it needs")] if unmet_choice else []
    for catalogue in case.catalogues:
        rows = [i for i in catalogue.implants if not i.functional_mm]
        if rows:
            where = ", ".join(i.name or f"row of line {i.line}" for i in rows)
            what = f"catalogue '{catalogue.name}': no size from {where}, its label does not convert"
            found.append(Attention("length", what, "state offset_mm, functional_mm or label_is"))
    missing = hearing_sheet(case.audiograms, case.settings).missing if case.audiograms else ()
    found += [Attention("hearing", line, "enter what is missing, or leave it") for line in missing[:1]]
    found += [Attention("contradiction", line, "correct one of them") for line in options.contradictions]
    return tuple(found)


def _warnings(
    case: Case,
    fitness: ScanFitness,
    measurements: tuple[Measurement, ...],
    canal: CanalFrame | None,
    drilling: tuple[str, ...],
) -> tuple[str, ...]:
    from ctmeasure.planning.measurands.published import OUT_OF_RANGE_WORDS

    out_of_range = tuple(
        f"{m.id.replace('_', ' ')}: outside the published range"
        for m in measurements
        if any(OUT_OF_RANGE_WORDS in flag for flag in m.flags)
    )
    return tuple(
        dict.fromkeys(
            (
                *loosened(case.settings),
                *case.scan.notes,
                *fitness.warnings,
                *(canal.flags if canal else ()),
                *drilling,
                *(words for catalogue in case.catalogues for words in catalogue.warnings),
                *out_of_range,
            )
        )
    )
