"""Footplate and drum looked for in the scan beside what was placed, and which of the two a plan measures from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, rim_points_lps
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.case.doubts import landmark_doubts
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

AGREE = 3.368214
"""Click and image agree within this many of their joint standard uncertainties: 99 % of three-dimensional normal
scatter (Maxwell distribution)."""
WIDEST_CLICK_U_MM = 1.0
"""The doubt of few repeats has no bound; for this comparison it is taken as no wider than this."""


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
    """Look for footplate and drum near their clicks.

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
    if case.landmarks.placed("footplate_centre"):
        record, plate = _footplate(case, volume, fitness, canal, part_of(progress, 0.0, 0.5))
        records.append(record)
        if plate is not None and record.used:
            niche = _niche(volume, fitness, plate, structures)
    if canal is not None and case.landmarks.placed("annulus", "drum_centre"):
        record, found = _drum(case, volume, fitness, canal, part_of(progress, 0.5, 1.0))
        records.append(record)
        if found is not None and record.used:
            drum = _sheet(found)
    warnings = tuple(
        f"{item.id} in the image: {words}"
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
        return _not_found("footplate_centre", click, error), None
    length, width = 2.0 * plate.half_axes_mm
    u_length, u_width = 2.0 * plate.half_axes_u_mm
    record = _record(case, fitness, "footplate_centre", plate.centre_lps, plate.covariance)
    return replace(
        record,
        normal_lps=_point(plate.normal_lps),
        across_lps=(_point(plate.axes_lps[0]), _point(plate.axes_lps[1])),
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
    case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame, progress: Progress
) -> tuple[RefinedRecord, Drum | None]:
    from ctmeasure.imaging.drum.find import find_drum

    click = case.landmarks.point_lps("drum_centre")
    rim = rim_points_lps(case.landmarks, canal)
    try:
        drum = find_drum(volume, rim, canal=canal, click_lps=click, fitness=fitness, progress=progress)
    except CtmeasureError as error:
        return _not_found("drum_centre", click, error), None
    covariance = drum.covariance
    if drum.form == "shallow":
        # Along a shallow drum nothing marks its middle: there the click's own doubt stays.
        normal = drum.annulus.normal_lps
        along = np.eye(3) - np.outer(normal, normal)
        across = drum.height_u_mm**2 * np.outer(normal, normal)
        covariance = along @ _click_covariance(case, fitness, "drum_centre") @ along + across
    record = _record(case, fitness, "drum_centre", drum.centre_lps, covariance)
    details = [("form", drum.form), ("sheet", drum.thickness.words)]
    if drum.cone_depth_mm is not None:
        details.append(("cone depth", f"{drum.cone_depth_mm:.1f} mm (u about {drum.height_u_mm + 0.1:.1f})"))
    return replace(record, details=tuple(details), flags=drum.flags), drum


def _record(case: Case, fitness: ScanFitness, landmark_id: str, found: Floats, covariance: Floats) -> RefinedRecord:
    """The record of a found point, and whether it is used.

    Notes
    -----
    Whether both agree is judged by the doubt of a usual click, whoever placed it: a reader measured as unsure must not
    make a point count that lies far from where it was placed.
    """
    click = case.landmarks.point_lps(landmark_id)
    apart = found - click
    joint = _click_covariance(replace(case, reader_model=None), fitness, landmark_id) + covariance
    doubts = float(np.sqrt(apart @ np.linalg.solve(joint, apart)))
    agrees = doubts <= AGREE
    used = agrees or case.settings.image_landmarks == "always"
    if agrees:
        why = f"agrees with the click ({doubts:.1f} joint doubts)"
    else:
        why = f"{np.linalg.norm(apart):.1f} mm from the click, {doubts:.1f} joint doubts: " + (
            "used because the settings say so" if used else "the click is used; check it"
        )
    return RefinedRecord(
        landmark_id,
        used,
        why,
        _point(click),
        _point(found),
        tuple(_point(row) for row in covariance),
        float(np.linalg.norm(apart)),
    )


def _not_found(landmark_id: str, click: Floats, error: CtmeasureError) -> RefinedRecord:
    return RefinedRecord(landmark_id, False, f"not found, the click is used: {error}", _point(click))


def _click_covariance(case: Case, fitness: ScanFitness, landmark_id: str) -> Floats:
    doubts = landmark_doubts(case, case.landmarks[landmark_id], point_spread_mm=fitness.point_spread_mm)
    covariance = doubts[0].covariance_lps
    if np.isfinite(covariance).all():
        return covariance
    return WIDEST_CLICK_U_MM**2 * np.eye(3)


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
    return NicheRims(_point(found.facial_rim_lps), _point(found.promontory_rim_lps), found.u_mm)


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
    return DrumSheet(_point(drum.lateral_face_lps), drum.height_u_mm, thickness, sheet.state)


def _point(values: Floats) -> PointLps:
    return (float(values[0]), float(values[1]), float(values[2]))


def refined_key(case: Case, structures: tuple[Structure, ...]) -> tuple[object, ...]:
    """Everything that looking for them depends on, besides the scan; comparable by value."""
    wanted = ("footplate_centre", "drum_centre", "annulus", "canal_medial", "canal_lateral",
              "lateral_semicircular_canal", "superior_semicircular_canal", "anterior_tympanic_spine",
              "posterior_tympanic_spine")  # fmt: skip
    marks = tuple(case.landmarks.get(name) for name in wanted)
    facial = tuple(s for s in structures if s.id == "facial_nerve")
    return marks, facial, case.side, case.settings.image_landmarks, case.settings.placement_noise_mm, case.reader_model
