"""Where a prosthesis meets the drum, from the scan: at the click, and where the footplate's normal meets the drum."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.app.refined_record import (
    Floats,
    as_triple,
    click_covariance,
    found_record,
    known_along,
    not_found,
    outwards,
    triples,
)
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import ON_NORMAL, RefinedRecord
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.drum.contact import DrumContact
    from ctmeasure.imaging.drum.result import Drum
    from ctmeasure.imaging.footplate.result import Footplate


def refined_contact(case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame) -> RefinedRecord:
    """The clicked contact moved onto the drum's medial face; where along the face it lies stays the click's own."""
    from ctmeasure.imaging.drum.contact import find_contact

    click = case.landmarks.point_lps("drum_contact")
    try:
        contact = find_contact(volume, click, canal=canal, outwards_lps=outwards(case, canal), fitness=fitness)
    except CtmeasureError as error:
        return not_found("drum_contact", click, error)
    own = click_covariance(case, fitness, "drum_contact")
    covariance = known_along(own, contact.normal_lps, contact.u_mm)
    record = found_record(case, fitness, "drum_contact", contact.point_lps, covariance)
    return replace(record, details=(("sheet there", contact.thickness_words),), flags=contact.flags)


def contact_on_normal(
    volume: Volume, fitness: ScanFitness, canal: CanalFrame, *, plate: Footplate, drum: Drum
) -> RefinedRecord | None:
    """Where the line along the footplate's normal meets the drum; None where the scan does not show it.

    Notes
    -----
    Nothing of it was clicked: it stands beside the contact a person chose, as the contact of a shaft without tilt.
    """
    from ctmeasure.imaging.drum.contact import contact_on_line

    try:
        contact = contact_on_line(
            volume,
            plate.centre_lps,
            plate.normal_lps,
            near_lps=drum.centre_lps,
            canal=canal,
            outwards_lps=drum.annulus.normal_lps,
            fitness=fitness,
        )
    except CtmeasureError:
        return None
    point = as_triple(contact.point_lps)
    return RefinedRecord(
        ON_NORMAL,
        True,
        "where the footplate's normal meets the drum's medial face; nobody placed it",
        point,
        point,
        triples(_covariance(plate, contact)),
        details=(("sheet there", contact.thickness_words),),
        suggested=(("drum_contact", point),),
        flags=contact.flags,
    )


def _covariance(plate: Footplate, contact: DrumContact) -> Floats:
    """Of the place where a line meets a face: doubt of the line's start and turn, and of the face along its normal."""
    way, normal = plate.normal_lps, contact.normal_lps
    slant = float(normal @ way)
    onto = np.eye(3) - np.outer(way, normal) / slant
    length = float(np.linalg.norm(contact.point_lps - plate.centre_lps))
    turned = plate.axes_lps[:2].T @ np.diag((length * plate.tilt_u_rad) ** 2) @ plate.axes_lps[:2]
    across = np.eye(3) - np.outer(way, way)
    moved = across @ plate.covariance @ across + turned
    return np.asarray(onto @ moved @ onto.T + (contact.u_mm / slant) ** 2 * np.outer(way, way))
