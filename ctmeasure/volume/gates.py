"""What a scan rules out, and what to keep in mind about it, in words; the limits behind them stand here only."""

from __future__ import annotations

from ctmeasure.volume.volume import Volume

THICKEST_SLICE_MM = 0.7
"""Above this slice spacing no thickness below 1 mm and no drill plan is given (our own gate)."""

LEAST_COVERAGE_MM = 20.0
"""A temporal bone does not fit into a stack lower than this (our own choice)."""

OVERSHOOT_WARNING = 0.05
"""Share of a step by which a kernel may overshoot before the Gaussian model is doubted."""

NOISE_WARNING_HU = 150.0
"""Noise above which small structures drown (our own choice)."""


def gates_of(volume: Volume, estimable: bool, *, thickest_slice_mm: float) -> tuple[str, ...]:
    """What a scan rules out.

    Parameters
    ----------
    volume
        The scan.
    estimable
        Whether its point spread could be estimated.
    thickest_slice_mm
        The limit of the slice spacing.

    Returns
    -------
    tuple of str
        One sentence each.

    Raises
    ------
    ValueError
        Never.
    """
    gates = []
    # A scan that was resampled is as thick as the slices it came from.
    slice_mm = max(volume.geometry.spacing_mm[0], volume.source.spacing_mm[0])
    if slice_mm > thickest_slice_mm + 1e-6:
        gates.append(
            f"slices {slice_mm:.2f} mm apart (limit {thickest_slice_mm:g} mm): no thickness below 1 mm, no drill plan"
        )
    if not estimable:
        gates.append("the point spread could not be estimated: thickness below 1 mm is not resolved")
    if not volume.geometry.frame_of_reference_uid:
        gates.append("no frame of reference: no structured report can point into this scan")
    return tuple(gates)


def warnings_of(
    volume: Volume,
    *,
    noise: float,
    overshoot: float | None,
    metal: bool | None,
    clipped: bool,
    coverage_mm: tuple[float, float, float],
) -> tuple[str, ...]:
    """What to keep in mind about a scan.

    Parameters
    ----------
    volume
        The scan.
    noise, overshoot, metal, clipped, coverage_mm
        As in `ctmeasure.volume.quality.ScanFitness`.

    Returns
    -------
    tuple of str
        One sentence each.

    Raises
    ------
    ValueError
        Never.
    """
    warnings = []
    unit = volume.source.intensity_unit
    if unit == "HU" and noise > NOISE_WARNING_HU:
        warnings.append(f"noise {noise:.0f} HU: small structures may drown in it")
    if overshoot is not None and overshoot > OVERSHOOT_WARNING:
        warnings.append(
            f"sharp kernel: edges overshoot by {100 * overshoot:.0f} percent of the step, thin walls read too thin"
        )
    if metal:
        warnings.append(
            "metal in the scan" + (", its values cut off" if clipped else "") + ": distrust what lies within 3 mm"
        )
    elif metal is None:
        warnings.append("grey values without HU: metal was not assessed")
    if coverage_mm[0] < LEAST_COVERAGE_MM:
        warnings.append(f"the slices cover only {coverage_mm[0]:.1f} mm: parts of the ear may be missing")
    return tuple(warnings)
