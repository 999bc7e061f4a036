"""A scan along its own grid, as the plain viewer takes it: pure data, no toolkit."""

from __future__ import annotations

from typing import Any

import numpy as np

from ctmeasure.volume.volume import Volume

MM3 = ("mm", "mm", "mm")
PATIENT_AXES = ("S", "P", "L")


def volume_layer(volume: Volume, *, name: str, window: tuple[float, float]) -> tuple[Any, dict[str, Any], str]:
    """A scan along its own grid as a layer of the plain viewer: values, keywords, layer type.

    Parameters
    ----------
    volume
        Any axis order; the array is turned, never resampled, so that its axes run closest to S, P, L.
    name
        Name of the layer.
    window
        Grey window.

    Returns
    -------
    tuple
        As napari's readers and samples give it.

    Notes
    -----
    The layer carries scale and position but no rotation, because the toolkit shows a rotated slice unrotated; planes
    that are true to the patient are in our own window.
    """
    order, flips = axes_towards_spl(volume)
    values = np.transpose(volume.values, order)
    values = np.flip(values, tuple(axis for axis in range(3) if flips[axis]))
    first = np.zeros(3)
    for new, old in enumerate(order):
        first[old] = volume.values.shape[old] - 1 if flips[new] else 0
    origin = volume.geometry.to_lps(first)
    spacing = tuple(float(volume.geometry.spacing_mm[old]) for old in order)
    keywords = {
        "name": name,
        "scale": spacing,
        "translate": tuple(float(v) for v in origin[::-1]),
        "units": MM3,
        "axis_labels": PATIENT_AXES,
        "contrast_limits": window,
        "colormap": "gray",
    }
    return values, keywords, "image"


def axes_towards_spl(volume: Volume) -> tuple[tuple[int, int, int], tuple[bool, bool, bool]]:
    """Which array axis runs closest to superior, posterior and left, and whether it must be reversed for it.

    Parameters
    ----------
    volume
        The scan.

    Returns
    -------
    order, flips
        Old axis of each new axis, and whether it runs backwards.
    """
    from scipy.optimize import linear_sum_assignment

    towards = volume.geometry.directions_lps  # rows: array axes; columns: L, P, S
    _, chosen = linear_sum_assignment(-np.abs(towards[:, ::-1]).T)
    order = tuple(int(axis) for axis in chosen)
    flips = tuple(bool(towards[axis, 2 - new] < 0) for new, axis in enumerate(order))
    return order, flips  # type: ignore[return-value]
