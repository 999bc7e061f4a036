"""What a footplate in its window looks like through a scanner: a thin sheet, two hollows, thick bone around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.levels import FWHM_PER_SIGMA, PointSpread

Floats = NDArray[np.float64]

SHEET_OF_BONE = 0.8
"""Level of the plate between niche and vestibule as a share of the way from the vestibule to the bone around it."""
SHEET_OF_BONE_U = 0.15
"""Its standard uncertainty (our choice, no source: the plate is partly cartilage)."""
CRUS_FROM_END_MM = 0.35
"""The stumps of the arch stand about this far inside the window's ends."""
CRUS_SIGMA_MM = 0.09
"""Standard deviation of a crus across itself, without blur."""
LEVELS = 5
"""Levels fitted along with the shape: niche, vestibule, bone, and the two crura."""
SHAPE = 14
"""Numbers of the shape: centre 3, turn 3, half axes of the window 2, how much wider the niche is, thickness, how far
the bone around reaches above and below the tympanic surface, and how much more of each a millimetre upwards."""
THICKNESS = 9
"""Which of them is the thickness."""


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Where a fit begins: centre of the tympanic surface and axes (rows: long, short, normal into the middle ear)."""

    centre_lps: Floats
    axes_lps: Floats


def axes_of(start: Start, shape: Floats) -> Floats:
    """Axes of a fitted shape, rows long, short, normal."""
    # Rotation about the start's own axes, so that a prior on it has a meaning (Rodrigues' formula).
    turn = shape[3:6] @ start.axes_lps
    angle = float(np.sqrt(turn @ turn))
    if angle < 1e-12:
        return start.axes_lps
    k = turn / angle
    cross = np.array([[0.0, -k[2], k[1]], [k[2], 0.0, -k[0]], [-k[1], k[0], 0.0]])
    return start.axes_lps + (np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross).dot(start.axes_lps.T).T


def centre_of(start: Start, shape: Floats) -> Floats:
    """Centre of a fitted shape, shape (3,), LPS mm."""
    return start.centre_lps + shape[:3] @ start.axes_lps


def spread_covariance(spread: PointSpread) -> Floats:
    """Covariance of the point spread in LPS, shape (3, 3), mm2."""
    normal = np.asarray(spread.slice_normal_lps)
    in_plane, through = spread.in_plane_mm / FWHM_PER_SIGMA, spread.through_plane_mm / FWHM_PER_SIGMA
    return in_plane**2 * np.eye(3) + (through**2 - in_plane**2) * np.outer(normal, normal)


def columns(
    points_lps: Floats, start: Start, shape: Floats, spread: PointSpread, *, sheet_of_bone: float = SHEET_OF_BONE
) -> Floats:
    """What each level adds to each place: niche, vestibule, bone, anterior and posterior crus.

    Parameters
    ----------
    points_lps
        Shape (n, 3), LPS mm.
    start
        Where the fit began.
    shape
        Shape (14,): see `SHAPE`.
    spread
        The scan's point spread.
    sheet_of_bone
        Level of the plate as a share of the way from vestibule to bone.

    Returns
    -------
    numpy.ndarray
        Shape (n, 5). The first three add up to one everywhere.

    Raises
    ------
    Nothing.

    Notes
    -----
    Products of blurred edges: exact where edges cross at right angles and the blur is alike in all directions. A curved
    outline is seen shifted to its hollow side by half the blur's variance times its curvature, to first order.

    Example
    -------
    >>> start = Start(np.zeros(3), np.eye(3))
    >>> shape = np.array([0, 0, 0, 0, 0, 0, 1.4, 0.7, 0.2, 0.25, 0.8, 0.8, 0, 0.0])
    >>> columns(np.array([[0, 0, 0.6]]), start, shape, PointSpread(0.4, 0.4, (0.0, 0.0, 1.0)))[0, :3].round(2).tolist()
    [1.0, 0.0, 0.0]
    """
    from ctmeasure.kernels.plates import plate_columns

    axes = axes_of(start, shape)
    out = np.empty((len(points_lps), LEVELS))
    cov = axes @ spread_covariance(spread) @ axes.T
    crus = (spread.in_plane_mm / FWHM_PER_SIGMA) ** 2 + CRUS_SIGMA_MM**2
    plate_columns(
        points_lps, centre_of(start, shape), np.ascontiguousarray(axes), cov, np.ascontiguousarray(shape[6:]),
        sheet_of_bone, CRUS_FROM_END_MM, crus, out,
    )  # fmt: skip
    return out
