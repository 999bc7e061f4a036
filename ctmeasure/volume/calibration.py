"""Whether grey values are HU: what air, soft tissue and bone read in this scan, and what was expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

AIR_RANGE_HU = (-1200.0, -800.0)
"""Where air lies in a calibrated scan, noise and beam hardening allowed for (our own choice; air is -1000 HU by
definition, PS3.3 C.11.1.1.2)."""

SOFT_RANGE_HU = (-150.0, 200.0)
"""Where the soft-tissue peak of a calibrated head scan lies, fat to muscle and contrast (our own choice; water is 0 HU
by definition)."""

DARK_SHARE, BRIGHT_SHARE = 0.2, 0.8
"""Air and bone are read from values within this share of the range from its dark and bright end."""

DARKEST_PERCENT = 0.5
"""Share of the voxels that must be as dark as air for air to be there."""

SOFT_SHARES = (0.22, 0.58)
"""Soft tissue is looked for between these shares of the way from air to bone."""

CLEAR_PEAK = 1.6
"""A soft-tissue peak must rise this many times above the usual count around it."""

SAMPLES = 200_000
"""Voxels looked at."""

PADDING_HU = -1000
"""What padding was set to on the way in; not to be taken for air that was measured."""


@dataclass(frozen=True, slots=True)
class Scale:
    """What the grey values are.

    Parameters
    ----------
    unit
        ``"HU"`` or ``"grey"``.
    air, soft, bone
        What these read, in the scan's own unit; None where the scan does not show it.
    warnings
        Why the unit is doubted, in whole sentences.
    """

    unit: str
    air: float | None
    soft: float | None
    bone: float | None
    warnings: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The levels on one line; a level that is not seen is said to be so."""
        parts = [
            f"{name} {value:.0f}" if value is not None else f"{name} not seen"
            for name, value in (("air", self.air), ("soft tissue", self.soft), ("bone", self.bone))
        ]
        return ", ".join(parts)


def scale_of(values: NDArray[np.int16] | NDArray[np.float32], *, unit: str, padded: bool = False) -> Scale:
    """Check what a scan says of its unit against what air and soft tissue read in it.

    Parameters
    ----------
    values
        Voxels, any shape of three axes, in the scan's unit.
    unit
        What the scan says: ``"HU"`` or ``"grey"``.
    padded
        Whether padding was set to -1000 in them.

    Returns
    -------
    Scale
        ``"grey"`` also when a scan calls itself HU and its air is elsewhere: thresholds in HU would then be wrong, and
        thresholds from the scan itself are right either way.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    Without air in the field (a block cut out of bone) the check fails, on the safe side.

    Example
    -------
    >>> scan = np.repeat(np.array([-1000, 40, 1500], np.int16), 400).reshape(3, 20, 20)
    >>> scale_of(scan, unit="HU").unit, scale_of(scan + 1000, unit="HU").unit
    ('HU', 'grey')
    """
    some = _coarse(values, padded)
    air, soft, bone = levels_of(some)
    if unit != "HU":
        said = "grey values are not calibrated to HU: thresholds must come from the scan itself"
        return Scale("grey", air, soft, bone, (said,))
    low, high = AIR_RANGE_HU
    # Noise and small cells spread the dark end, so each limit is tested by what is least easily beyond it.
    darkest = float(np.percentile(some, DARKEST_PERCENT))
    typical = darkest if air is None else air
    if darkest > high or typical < low:
        said = (
            f"air reads about {darkest if darkest > high else typical:.0f} HU where {low:.0f} to {high:.0f} was "
            "expected: the scale may not be HU, so it is taken as uncalibrated and thresholds come from the scan itself"
        )
        return Scale("grey", air, soft, bone, (said,))
    soft_low, soft_high = SOFT_RANGE_HU
    if soft is not None and not soft_low <= soft <= soft_high:
        said = (
            f"soft tissue reads about {soft:.0f} HU where {soft_low:.0f} to {soft_high:.0f} was expected: doubt the HU"
        )
        return Scale("HU", air, soft, bone, (said,))
    return Scale("HU", air, soft, bone)


def levels_of(values: NDArray[np.float64]) -> tuple[float | None, float | None, float | None]:
    """Give what air, soft tissue and bone read, from the histogram alone.

    Parameters
    ----------
    values
        Any shape.

    Returns
    -------
    tuple
        Air, soft tissue, bone; None for all without contrast, and for soft tissue without a clear peak.

    Raises
    ------
    ValueError
        Never.
    """
    if values.size < 2:
        return None, None, None
    low, high = (float(value) for value in np.percentile(values, (1.0, 99.0)))
    if high - low <= 0:
        return None, None, None
    air = float(np.median(values[values <= low + DARK_SHARE * (high - low)]))
    bone = float(np.median(values[values >= low + BRIGHT_SHARE * (high - low)]))
    start, stop = (air + share * (bone - air) for share in SOFT_SHARES)
    counts, edges = np.histogram(values, bins=24, range=(start, stop) if stop > start else None)
    smooth = np.convolve(counts, [0.25, 0.5, 0.25], mode="same")[1:-1]
    top = int(np.argmax(smooth))
    clear = smooth[top] >= CLEAR_PEAK * max(float(np.median(smooth)), 1.0)
    return air, (float(0.5 * (edges[top + 1] + edges[top + 2])) if clear else None), bone


def _coarse(values: NDArray[np.int16] | NDArray[np.float32], padded: bool) -> NDArray[np.float64]:
    step = max(int((values.size / SAMPLES) ** (1 / 3)), 1)
    some = values[::step, ::step, ::step].reshape(-1)
    kept = some[some != PADDING_HU] if padded else some
    return np.asarray(kept if kept.size >= 100 else some, dtype=np.float64)
