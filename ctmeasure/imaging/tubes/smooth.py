"""A smooth path through measured centres, each as sure as it was measured, with the doubt that remains."""

from __future__ import annotations

from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ALONG_MM = 0.05
"""Vertices keep their place along the path to this; it says nothing about the path's place."""


def difference_penalty(count: int, *, order: int, spacing_mm: float, length_mm: float, noise_mm: float) -> Floats:
    """Penalty on differences, which leaves what is longer than 2 pi times a length and smooths the rest.

    Parameters
    ----------
    count
        Places.
    order
        Order of the differences: polynomials of lower degree are free.
    spacing_mm
        Between places.
    length_mm
        Smoothing length.
    noise_mm
        Standard deviation of one measured place for which this length holds.

    Returns
    -------
    numpy.ndarray
        Lower diagonals of the symmetric matrix, shape (order + 1, count), as scipy's banded solvers want them.

    Raises
    ------
    ValueError
        Never.

    Example
    -------
    >>> difference_penalty(3, order=1, spacing_mm=1.0, length_mm=1.0, noise_mm=1.0).tolist()
    [[1.0, 2.0, 1.0], [-1.0, -1.0, 0.0]]
    """
    order = min(order, count - 1)
    row = np.array([(-1.0) ** (order - k) * comb(order, k) for k in range(order + 1)])
    bands = np.zeros((order + 1, count))
    rows = count - order
    for a in range(order + 1):
        for b in range(a, order + 1):
            bands[b - a, a : a + rows] += row[a] * row[b]
    return (length_mm / spacing_mm) ** (2 * order) / noise_mm**2 * bands


def smooth_path(
    centres_lps: Floats, information: Floats, *, tangents: Floats, penalty: Floats, covariance: bool = False
) -> tuple[Floats, Floats | None]:
    """Smooth path through measured centres.

    Parameters
    ----------
    centres_lps
        Shape (n, 3), LPS mm.
    information
        Shape (n, 3, 3): inverse covariance of each centre, 1/mm2; zero where nothing was measured.
    tangents
        Shape (n, 3): unit tangents, along which vertices are held in place.
    penalty
        From `difference_penalty`.
    covariance
        Whether to work out the remaining doubt.

    Returns
    -------
    tuple
        Path (n, 3) and, when asked for, covariance (n, 3, 3) of each vertex, mm2.

    Raises
    ------
    numpy.linalg.LinAlgError
        When nothing at all was measured.

    Example
    -------
    >>> places = np.linspace(0.0, 1.0, 6)[:, None] * [1.0, 0.0, 0.0]
    >>> penalty = difference_penalty(6, order=3, spacing_mm=0.2, length_mm=0.4, noise_mm=0.03)
    >>> path, _ = smooth_path(places, np.tile(np.eye(3) * 1e3, (6, 1, 1)), tangents=np.tile([1.0, 0, 0], (6, 1)),
    ...     penalty=penalty)
    >>> bool(np.allclose(path, places))
    True
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded

    n = len(centres_lps)
    weights = information + tangents[:, :, None] * tangents[:, None, :] / ALONG_MM**2
    bands = np.zeros((max(3 * len(penalty) - 2, 3), 3 * n))
    for order, diagonal in enumerate(penalty):
        for axis in range(3):
            bands[3 * order, axis::3] += diagonal
    for a in range(3):
        for b in range(a + 1):
            bands[a - b, b::3] += weights[:, a, b]
    factor = (cholesky_banded(bands, lower=True), True)
    right = np.einsum("nab,nb->na", weights, centres_lps).reshape(-1)
    path = np.asarray(cho_solve_banded(factor, right), dtype=np.float64).reshape(n, 3)
    if not covariance:
        return path, None
    inverse = np.asarray(cho_solve_banded(factor, np.eye(3 * n)), dtype=np.float64).reshape(n, 3, n, 3)
    here = np.arange(n)
    return path, inverse[here, :, here, :]


def smooth_values(values: Floats, weights: Floats, *, penalty: Floats) -> tuple[Floats, Floats]:
    """The same for one number a place: smoothed values and their standard uncertainties, both (n,)."""
    from scipy.linalg import cho_solve_banded, cholesky_banded

    bands = penalty.copy()
    bands[0] += weights
    factor = (cholesky_banded(bands, lower=True), True)
    smoothed = np.asarray(cho_solve_banded(factor, weights * values), dtype=np.float64)
    inverse = np.asarray(cho_solve_banded(factor, np.eye(len(values))), dtype=np.float64)
    return smoothed, np.sqrt(np.diag(inverse))
