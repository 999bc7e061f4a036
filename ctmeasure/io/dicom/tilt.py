"""A tilted gantry taken out: each slice moved within its own plane, nothing interpolated between slices."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.io.dicom.pixels import AIR_HU


def straighten(
    values: NDArray[np.int16] | NDArray[np.float32], affine_lps: NDArray[np.float64]
) -> tuple[NDArray[np.int16] | NDArray[np.float32], NDArray[np.float64]]:
    """Resample a sheared stack onto the right-angled grid that covers it.

    Parameters
    ----------
    values
        Shape (k, j, i).
    affine_lps
        Shape (4, 4), sheared along its first column only.

    Returns
    -------
    tuple
        Values of the same type on the new grid (air, or the lowest value, where no slice reaches) and its affine.

    Raises
    ------
    ValueError
        When the affine cannot be inverted.

    Notes
    -----
    The slice planes stay where they are, so nothing is interpolated between slices; within them the shift is cubic
    (Catmull-Rom). int16 is rounded to the nearest whole value.
    """
    from ctmeasure.kernels.sampling import MEAN, pairs_of, sample_planes

    count, rows, columns = values.shape
    step, down, across = (affine_lps[:3, axis] for axis in range(3))
    normal = np.cross(across, down)
    normal /= np.linalg.norm(normal)
    upright = (step @ normal) * normal
    # Shift of each slice against the upright stack, in rows and columns.
    drift = step - upright
    shift = np.array([drift @ down / (down @ down), drift @ across / (across @ across)])
    ends = np.array([[0.0, 0.0], shift * (count - 1)])
    low, high = np.floor(ends.min(axis=0)).astype(int), np.ceil(ends.max(axis=0)).astype(int)
    size = (rows + high[0] - low[0], columns + high[1] - low[1])
    empty = AIR_HU if values.min() < AIR_HU / 2 else float(values.min())
    result = np.empty((count, *size), values.dtype)
    plane = np.empty(size, np.float32)
    fixed = values.view()
    fixed.setflags(write=False)  # the kernels are compiled for read-only voxels
    pairs = pairs_of(fixed)
    for k in range(count):
        origin = np.array([[float(k), low[0] - shift[0] * k, low[1] - shift[1] * k]])
        sample_planes(
            fixed, pairs, origin, np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), True, MEAN, plane, 0, size[0]
        )
        filled = np.where(np.isnan(plane), empty, plane)
        if values.dtype == np.int16:
            filled = np.clip(np.rint(filled), -32768, 32767)
        result[k] = filled
    affine = affine_lps.copy()
    affine[:3, 0] = upright
    affine[:3, 3] += low[0] * down + low[1] * across
    return result, affine
