"""How well a landmark of a case is known: the same doubts everywhere they are drawn, shown or written."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ctmeasure.anatomy.landmarks import Landmark
from ctmeasure.case.model import Case
from ctmeasure.planning.measurands.draws import PointDoubt, point_doubts
from ctmeasure.planning.reader_model import ReaderTerm, placement_u_mm, reader_terms
from ctmeasure.volume.geometry import Geometry


def case_geometry(case: Case) -> Geometry:
    """The grid of the case's scan, rebuilt without its voxels."""
    return Geometry(case.scan.shape_kji, np.array(case.scan.affine_lps), case.scan.frame_of_reference_uid)


def case_readers(case: Case) -> Mapping[str, ReaderTerm]:
    """Landmark id to the measured doubt of whoever places here; empty without a reader model."""
    return reader_terms(case.reader_model, case.landmarks, case.side, floor_mm=case.settings.placement_noise_mm)


def landmark_doubts(
    case: Case, landmark: Landmark, *, point_spread_mm: tuple[float, float] | None = None
) -> tuple[PointDoubt, ...]:
    """The doubt of every point of a placed landmark, as the results use it.

    Parameters
    ----------
    case, landmark
        The ear and one of its landmarks.
    point_spread_mm
        FWHM in plane and through plane; as the case knows it when None.

    Returns
    -------
    tuple of PointDoubt

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When the landmark has no coordinates.
    """
    known = case.fitness.point_spread_mm if case.fitness is not None else None
    return point_doubts(
        landmark, case.settings, geometry=case_geometry(case), psf_fwhm_mm=point_spread_mm or known,
        reader=case_readers(case).get(landmark.id),
    )  # fmt: skip


def placed_u_mm(case: Case, landmark_id: str) -> float:
    """Standard uncertainty per axis of one placement of a landmark by whoever places here, mm; placed already or not.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        For an unknown id.
    """
    return placement_u_mm(landmark_id, case_readers(case), noise_mm=case.settings.placement_noise_mm)
