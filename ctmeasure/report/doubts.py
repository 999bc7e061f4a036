"""How well each landmark is known, for the ellipses and the landmark table: the doubts the results were drawn from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import Landmark
from ctmeasure.case.model import Case
from ctmeasure.planning.measurands.draws import PointDoubt, point_doubts
from ctmeasure.planning.reader_model import reader_terms
from ctmeasure.volume.geometry import Geometry

Floats = npt.NDArray[np.float64]


def case_geometry(case: Case) -> Geometry:
    """The grid of the case's scan, rebuilt without its voxels."""
    return Geometry(case.scan.shape_kji, np.array(case.scan.affine_lps), case.scan.frame_of_reference_uid)


def landmark_doubts(case: Case, landmark: Landmark) -> tuple[PointDoubt, ...]:
    """The doubt of every point of a placed landmark, as the results used it.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When the landmark has no coordinates.
    """
    spread = case.fitness.point_spread_mm if case.fitness is not None else None
    terms = reader_terms(case.reader_model, case.landmarks, case.side, floor_mm=case.settings.placement_noise_mm)
    return point_doubts(
        landmark, case.settings, geometry=case_geometry(case), psf_fwhm_mm=spread, reader=terms.get(landmark.id)
    )


def drawn_covariance(doubt: PointDoubt) -> Floats:
    """Covariance of a normal distribution with the same 95 % ends, shape (3, 3), mm^2.

    Notes
    -----
    With two or three repeats the t distribution of the mean has no variance; its 95 % interval exists and is drawn.
    """
    from scipy.special import ndtri, stdtrit

    along = doubt.voxel_mm**2 / 12.0 + doubt.edge_u_mm**2
    grid = doubt.rotation_lps_grid @ np.diag(along) @ doubt.rotation_lps_grid.T
    nu = doubt.degrees_of_freedom
    widen = 1.0 if np.isinf(nu) else float(stdtrit(nu, 0.975) / ndtri(0.975))
    if doubt.reader_mm2 is not None:
        own = doubt.reader_freedom
        grid = grid + doubt.reader_mm2 * (1.0 if np.isinf(own) else float(stdtrit(own, 0.975) / ndtri(0.975)) ** 2)
    return np.diag((widen * doubt.repeat_u_mm) ** 2) + grid
