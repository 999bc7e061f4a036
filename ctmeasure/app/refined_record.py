"""The record of a landmark looked for in the image: what was found, how sure, and whether it agrees with the click."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.frames import CanalFrame, annulus_plane
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.case.doubts import landmark_doubts
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import RefinedRecord
from ctmeasure.volume.quality import ScanFitness

Floats = NDArray[np.float64]

AGREE = 3.368214
"""Click and image agree within this many of their joint standard uncertainties: 99 % of three-dimensional normal
scatter (Maxwell distribution)."""
WIDEST_CLICK_U_MM = 1.0
"""The doubt of few repeats has no bound; for this comparison it is taken as no wider than this."""


def found_record(
    case: Case, fitness: ScanFitness, landmark_id: str, found: Floats, covariance: Floats
) -> RefinedRecord:
    """The record of a found point (3,) with its covariance (3, 3), LPS mm, and whether it is used.

    Notes
    -----
    Whether both agree is judged by the doubt of a usual click, whoever placed it: a reader measured as unsure must not
    make a point count that lies far from where it was placed.
    """
    click = case.landmarks.point_lps(landmark_id)
    apart = found - click
    joint = click_covariance(replace(case, reader_model=None), fitness, landmark_id) + covariance
    doubts = float(np.sqrt(apart @ np.linalg.solve(joint, apart)))
    agrees = doubts <= AGREE
    used = agrees or case.settings.image_landmarks == "always"
    off = f"{np.linalg.norm(apart):.1f} mm"
    if agrees:
        why = f"agrees with the click ({off}, {doubts:.1f} times the doubt of both together)"
    else:
        why = f"{off} from the click, {doubts:.1f} times the doubt of both together: " + (
            "used because the settings say so" if used else "the click is used; check it"
        )
    return RefinedRecord(
        landmark_id, used, why, as_triple(click), as_triple(found), triples(covariance), float(np.linalg.norm(apart))
    )


def not_found(landmark_id: str, click: Floats, error: CtmeasureError) -> RefinedRecord:
    """The record of a landmark that the image does not show."""
    return RefinedRecord(landmark_id, False, f"not found, the click is used: {error}", as_triple(click))


def click_covariance(case: Case, fitness: ScanFitness, landmark_id: str) -> Floats:
    """Covariance (3, 3) of a placed point, LPS mm2, bounded where few repeats leave it without bound."""
    doubts = landmark_doubts(case, case.landmarks[landmark_id], point_spread_mm=fitness.point_spread_mm)
    covariance = doubts[0].covariance_lps
    if np.isfinite(covariance).all():
        return covariance
    return WIDEST_CLICK_U_MM**2 * np.eye(3)


def outwards(case: Case, canal: CanalFrame) -> Floats:
    """Unit vector (3,) out of the middle ear: rim plane's normal where the ring is placed, else canal's axis."""
    return annulus_plane(case.landmarks, canal).normal_lps if case.landmarks.placed("annulus") else canal.axis_lps


def known_along(covariance: Floats, normal_lps: Floats, u_mm: float) -> Floats:
    """The same covariance, but known to ``u_mm`` along a unit direction and as it was across it.

    Example
    -------
    >>> known_along(np.eye(3), np.array([1.0, 0.0, 0.0]), 0.5).diagonal().tolist()
    [0.25, 1.0, 1.0]
    """
    along = np.outer(normal_lps, normal_lps)
    across = np.eye(3) - along
    return np.asarray(across @ covariance @ across + u_mm**2 * along)


def as_triple(values: Floats) -> PointLps:
    """A point (3,) as a tuple of plain numbers."""
    return (float(values[0]), float(values[1]), float(values[2]))


def triples(rows: Floats) -> tuple[PointLps, ...]:
    """Rows (n, 3) as tuples of plain numbers."""
    return tuple(as_triple(row) for row in rows)
