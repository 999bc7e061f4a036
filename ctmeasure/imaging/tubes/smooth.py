"""A smooth path through measured centres, each as sure as it was measured, with the doubt that remains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ALONG_MM = 0.05
"""Vertices keep their place along the path to this; it says nothing about the path's place."""


def difference_penalty(count: int, *, order: int, spacing_mm: float, length_mm: float, noise_mm: float) -> Floats:
    """Penalty matrix (n, n) on differences, which leaves what is longer than 2 pi times a length and smooths the rest.

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

    Raises
    ------
    ValueError
        Never.

    Example
    -------
    >>> line = difference_penalty(5, order=2, spacing_mm=1.0, length_mm=1.0, noise_mm=0.1) @ [0.0, 1.0, 2.0, 3.0, 4.0]
    >>> bool(abs(line).max() < 1e-9)
    True
    """
    order = min(order, count - 1)
    rows = np.diff(np.eye(count), n=order, axis=0)
    return (length_mm / spacing_mm) ** (2 * order) / noise_mm**2 * (rows.T @ rows)


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
        Shape (n, n), from `difference_penalty`.
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
    n = len(centres_lps)
    hold = tangents[:, :, None] * tangents[:, None, :] / ALONG_MM**2
    weights = information + hold
    matrix = np.zeros((n, 3, n, 3))
    for axis in range(3):
        matrix[:, axis, :, axis] = penalty
    here = np.arange(n)
    matrix[here, :, here, :] += weights
    right = np.einsum("nab,nb->na", weights, centres_lps).reshape(-1)
    full = matrix.reshape(3 * n, 3 * n)
    if not covariance:
        from scipy.linalg import solve

        return solve(full, right, assume_a="pos").reshape(n, 3), None
    inverse = np.linalg.inv(full)
    return (inverse @ right).reshape(n, 3), inverse.reshape(n, 3, n, 3)[here, :, here, :]


def smooth_values(values: Floats, weights: Floats, *, penalty: Floats) -> tuple[Floats, Floats]:
    """The same for one number a place: smoothed values and their standard uncertainties, both (n,)."""
    inverse = np.linalg.inv(np.diag(weights) + penalty)
    return inverse @ (weights * values), np.sqrt(np.diag(inverse))
