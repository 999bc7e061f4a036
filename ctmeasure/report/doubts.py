"""The ellipse that is drawn around a landmark, from the doubt the results were drawn from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.planning.measurands.draws import PointDoubt

Floats = npt.NDArray[np.float64]


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
