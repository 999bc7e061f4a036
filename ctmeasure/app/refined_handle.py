"""A replaced handle of a later scan, measured from the clicks on its ends; and the umbo where the drum is a cone."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.app.refined_record import as_triple, click_covariance, found_record, not_found, outwards
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import RefinedRecord
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.drum.result import Drum

HANDLE = ("handle_tip", "handle_top")


def refined_handle(case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame) -> tuple[RefinedRecord, ...]:
    """Tip and top as the metal ends, and the contact moved onto its medial side, each from its click.

    Parameters
    ----------
    case, volume, fitness
        With ``handle_tip`` and ``handle_top`` placed; ``handle_contact`` is taken along where it is.
    canal
        Tells which side is medial.

    Returns
    -------
    tuple of RefinedRecord
        Of tip and top, and of the contact where it is placed; else the tip's record suggests one.

    Notes
    -----
    Where along the handle a placed contact lies stays the click's own: it is a choice. Across the handle it lies on the
    metal's medial side.
    """
    from ctmeasure.imaging.metal.handle import measure_handle

    tip, top = (case.landmarks.point_lps(name) for name in HANDLE)
    chosen = case.landmarks.placed("handle_contact")
    try:
        handle = measure_handle(volume, tip, top_lps=top, medial_lps=-outwards(case, canal), fitness=fitness)
    except CtmeasureError as error:
        names = (*HANDLE, "handle_contact") if chosen else HANDLE
        return tuple(not_found(name, case.landmarks.point_lps(name), error) for name in names)
    words = (("metal", f"radius {handle.radius_mm:.2f} mm (u {handle.fit.radius_u_mm:.2f})"),)
    records = [
        replace(found_record(case, fitness, name, point, covariance), details=words)
        for name, point, covariance in (
            ("handle_tip", handle.tip_lps, handle.tip_covariance),
            ("handle_top", handle.top_lps, handle.top_covariance),
        )
    ]
    if not chosen:
        records[0] = replace(records[0], suggested=(("handle_contact", as_triple(handle.contact_lps)),))
        return tuple(records)
    axis = handle.fit.axis_lps
    click = case.landmarks.point_lps("handle_contact")
    along = np.outer(axis, axis)
    across = np.eye(3) - along
    point = handle.contact_lps + along @ (click - handle.contact_lps)
    own = click_covariance(case, fitness, "handle_contact")
    covariance = along @ own @ along + across @ handle.contact_covariance @ across
    records.append(found_record(case, fitness, "handle_contact", point, covariance))
    return tuple(records)


def refined_umbo(case: Case, fitness: ScanFitness, drum: Drum) -> RefinedRecord:
    """The umbo as the apex of the drum's cone, where the drum is one."""
    if drum.form != "cone":
        click = as_triple(case.landmarks.point_lps("umbo"))
        return RefinedRecord("umbo", False, "the drum has no apex in the scan: the click is used", click)
    return found_record(case, fitness, "umbo", drum.centre_lps, drum.covariance)
