"""Fields over wall angle and depth: smoothing, outliers, and reading over a closed angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def smoothed(field: Floats, cells: tuple[float, float], *, most_missing: float = 0.9) -> Floats:
    """Gaussian smoothing of an (angle, depth) field, closed in angle, leaving NaN out.

    Cells whose neighbourhood misses more than `most_missing` of its weight stay NaN.

    Example
    -------
    >>> import numpy as np
    >>> float(smoothed(np.full((10, 10), 3.0), (1.0, 1.0))[0, 0])
    3.0
    """
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(field)
    sigma, mode = cells, ("wrap", "nearest")
    weight = gaussian_filter(known.astype(np.float64), sigma, mode=mode, truncate=3.0)
    # Subtracting a rough mean keeps the quotient exact for a constant field.
    base = float(np.mean(field[known])) if known.any() else 0.0
    total = gaussian_filter(np.where(known, field - base, 0.0), sigma, mode=mode, truncate=3.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        result = base + total / weight
    return np.where(weight >= 1.0 - most_missing, result, np.nan)


def without_outliers(field: Floats, limit: float) -> Floats:
    """NaN where a value is more than `limit` off the median of its neighbourhood (7 angles, 5 depths)."""
    padded = np.pad(np.pad(field, ((3, 3), (0, 0)), mode="wrap"), ((0, 0), (2, 2)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (7, 5)).reshape(*field.shape, -1)
    # Sorted, NaN comes last: the median is read where the numbers end, many times faster than by `nanmedian`.
    ordered = np.sort(windows, axis=-1)
    count = np.isfinite(windows).sum(axis=-1)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    ends = np.stack([low, np.minimum(high, windows.shape[-1] - 1)], axis=-1)
    middle = np.mean(np.take_along_axis(ordered, ends, axis=-1), axis=-1)
    few = count < 8
    return np.where((np.abs(field - middle) <= limit) & ~few, field, np.nan)


def periodic(wanted: Floats, angle: Floats, value: Floats, *, step_deg: float) -> Floats:
    """Interpolate over a closed angle; NaN wherever the nearest given value is more than two steps away."""
    known = np.isfinite(value) & np.isfinite(angle)
    if known.sum() < 4:
        return np.full(len(wanted), np.nan)
    order = np.argsort(angle[known])
    a, v = angle[known][order], value[known][order]
    wrapped, values = np.concatenate([a[-2:] - 360.0, a, a[:2] + 360.0]), np.concatenate([v[-2:], v, v[:2]])
    result = np.interp(wanted, wrapped, values)
    after = np.searchsorted(wrapped, wanted)
    near = np.minimum(
        np.abs(wrapped[np.clip(after, 0, len(wrapped) - 1)] - wanted),
        np.abs(wanted - wrapped[np.clip(after - 1, 0, len(wrapped) - 1)]),
    )
    return np.where(near <= 2.0 * step_deg, result, np.nan)
