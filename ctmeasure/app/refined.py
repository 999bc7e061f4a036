"""Footplate and drum looked for in the scan beside what was placed, and which of the two a plan measures from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, rim_points_lps
from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.app.refined_contact import contact_on_normal, refined_contact
from ctmeasure.app.refined_handle import HANDLE, refined_handle, refined_umbo
from ctmeasure.app.refined_record import as_triple, click_covariance, found_record, known_along, not_found
from ctmeasure.app.refined_rim import refined_rim, with_rim
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import RefinedRecord
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.uncertainty.estimate import Contribution, Estimate
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.drum.result import Drum
    from ctmeasure.imaging.footplate.result import Footplate
    from ctmeasure.planning.measurands.inputs import DrumSheet, NicheRims

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Refined:
    """What was found: records, what measuring takes from them, and what has to be said."""

    records: tuple[RefinedRecord, ...] = ()
    drum: DrumSheet | None = None
    niche: NicheRims | None = None
    warnings: tuple[str, ...] = ()


def refine_landmarks(
    case: Case,
    volume: Volume,
    fitness: ScanFitness,
    *,
    canal: CanalFrame | None,
    structures: tuple[Structure, ...] = (),
    progress: Progress = no_progress,
) -> Refined:
    """Look for footplate, drum and the contact on it near their clicks.

    Parameters
    ----------
    case
        Landmarks and settings; ``image_landmarks`` decides what is used.
    volume, fitness
        The scan and what it is fit for.
    canal
        Canal frame; without it no drum is looked for.
    structures
        As traced: the niche is measured to the facial canal.
    progress
        Listener; may cancel.

    Returns
    -------
    Refined
        A record for each landmark that was looked for, found or not.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The placed point stays what it is. What was found is used when it agrees with the click within the doubt of both,
    or always, or never, as the setting says; a click that disagrees is flagged and used.

    Example
    -------
    >>> refine_landmarks.__name__
    'refine_landmarks'
    """
    if case.settings.image_landmarks == "never":
        return Refined()
    records: list[RefinedRecord] = []
    drum: DrumSheet | None = None
    niche: NicheRims | None = None
    plate: Footplate | None = None
    if case.landmarks.placed("footplate_centre"):
        record, plate = _footplate(case, volume, fitness, canal, part_of(progress, 0.0, 0.5))
        records.append(record)
        if plate is not None and record.used:
            niche = _niche(volume, fitness, plate, structures)
    marks = case.landmarks
    if canal is not None and case.landmarks.placed("annulus"):
        rim = refined_rim(case, volume, fitness, canal)
        records += [rim] if rim is not None else []
        marks = with_rim(marks, rim)
    if canal is not None and case.landmarks.placed("annulus", "drum_centre"):
        ring = rim_points_lps(marks, canal)
        record, found = _drum(case, volume, fitness, canal, ring, part_of(progress, 0.5, 1.0))
        records.append(record)
        if found is not None and record.used:
            drum = _sheet(found)
            if case.landmarks.placed("umbo"):
                records.append(refined_umbo(case, fitness, found))
            if plate is not None and records[0].used:
                straight = contact_on_normal(volume, fitness, canal, plate=plate, drum=found)
                records += [straight] if straight is not None else []
    if canal is not None and case.landmarks.placed("drum_contact"):
        records.append(refined_contact(case, volume, fitness, canal))
    if canal is not None and case.landmarks.placed(*HANDLE):
        records += refined_handle(case, volume, fitness, canal)
    warnings = tuple(
        f"{item.id.replace('_', ' ')} in the image: {words}"
        for item in records
        for words in (*((item.why,) if not item.used else ()), *item.flags)
    )
    return Refined(tuple(records), drum, niche, warnings)


def _footplate(
    case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame | None, progress: Progress
) -> tuple[RefinedRecord, Footplate | None]:
    from ctmeasure.imaging.footplate.find import find_footplate

    click = case.landmarks.point_lps("footplate_centre")
    try:
        plate = find_footplate(volume, click, side=case.side, canal=canal, fitness=fitness, progress=progress)
    except CtmeasureError as error:
        return not_found("footplate_centre", click, error), None
    length, width = 2.0 * plate.half_axes_mm
    u_length, u_width = 2.0 * plate.half_axes_u_mm
    record = found_record(case, fitness, "footplate_centre", plate.centre_lps, plate.covariance)
    return replace(
        record,
        normal_lps=as_triple(plate.normal_lps),
        across_lps=(as_triple(plate.axes_lps[0]), as_triple(plate.axes_lps[1])),
        tilt_u_rad=(float(plate.tilt_u_rad[0]), float(plate.tilt_u_rad[1])),
        details=(
            ("outline", f"{length:.2f} x {width:.2f} mm (u {u_length:.2f} and {u_width:.2f})"),
            ("plate", plate.thickness.words),
            ("niche", plate.niche),
        ),
        suggested=tuple(plate.rim_points_lps().items()),
        flags=plate.flags,
    ), plate


def _drum(
    case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame, rim: Floats, progress: Progress
) -> tuple[RefinedRecord, Drum | None]:
    from ctmeasure.imaging.drum.find import find_drum

    click = case.landmarks.point_lps("drum_centre")
    try:
        drum = find_drum(volume, rim, canal=canal, click_lps=click, fitness=fitness, progress=progress)
    except CtmeasureError as error:
        return not_found("drum_centre", click, error), None
    covariance = drum.covariance
    if drum.form == "shallow":
        # Along a shallow drum nothing marks its middle: there the click's own doubt stays.
        normal = drum.annulus.normal_lps
        covariance = known_along(click_covariance(case, fitness, "drum_centre"), normal, drum.height_u_mm)
    record = found_record(case, fitness, "drum_centre", drum.centre_lps, covariance)
    details = [("form", drum.form), ("sheet", drum.thickness.words)]
    if drum.cone_depth_mm is not None:
        details.append(("cone depth", f"{drum.cone_depth_mm:.1f} mm (u about {drum.height_u_mm + 0.1:.1f})"))
    return replace(record, details=tuple(details), flags=drum.flags), drum


def _niche(
    volume: Volume, fitness: ScanFitness, plate: Footplate, structures: tuple[Structure, ...]
) -> NicheRims | None:
    from ctmeasure.imaging.footplate.niche import find_niche
    from ctmeasure.planning.measurands.inputs import NicheRims

    facial = next((s for s in structures if s.id == "facial_nerve" and isinstance(s, Tube) and s.has_radii), None)
    if facial is None:
        return None
    found = find_niche(
        volume,
        plate,
        facial_lps=facial.points_lps,
        radius_mm=facial.radii,
        surface_u_mm=facial.surface_u_mm or 0.1,
        fitness=fitness,
    )
    if found is None:
        return None
    return NicheRims(as_triple(found.facial_rim_lps), as_triple(found.promontory_rim_lps), found.u_mm)


def _sheet(drum: Drum) -> DrumSheet:
    from ctmeasure.planning.measurands.inputs import DrumSheet

    sheet = drum.thickness
    thickness = None
    if sheet.value_mm is not None and sheet.u_mm is not None:
        thickness = Estimate(
            sheet.value_mm,
            sheet.u_mm,
            max(sheet.value_mm - 1.959964 * sheet.u_mm, 0.0),
            sheet.at_most_mm,
            "mm",
            "amount of soft tissue along the annulus normal",
            (Contribution("amount and level of soft tissue", sheet.u_mm),),
        )
    return DrumSheet(as_triple(drum.lateral_face_lps), drum.height_u_mm, thickness, sheet.state)


def refined_key(case: Case, structures: tuple[Structure, ...]) -> tuple[object, ...]:
    """Everything that looking for them depends on, besides the scan; comparable by value."""
    wanted = ("footplate_centre", "drum_centre", "annulus", "canal_medial", "canal_lateral",
              "lateral_semicircular_canal", "superior_semicircular_canal", "anterior_tympanic_spine",
              "posterior_tympanic_spine", "drum_contact", "umbo", *HANDLE, "handle_contact")  # fmt: skip
    marks = tuple(case.landmarks.get(name) for name in wanted)
    facial = tuple(s for s in structures if s.id == "facial_nerve")
    return marks, facial, case.side, case.settings.image_landmarks, case.settings.placement_noise_mm, case.reader_model
