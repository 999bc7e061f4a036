"""From slice headers to one grid: by position along the normal, never by file name, number or thickness."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.headers import SliceHeader
from ctmeasure.volume.geometry import SHEAR_COSINE_TOLERANCE

UNIT_TOLERANCE = 1e-3
"""How far row and column cosines may be from unit length and a right angle: three-decimal cosines still pass."""

SAME_DIRECTION = 1e-4
"""Cosines that differ by more than this between two slices are two orientations."""

SAME_SPACING = 1e-4
"""Pixel spacings whose ratio differs from 1 by more than this are two spacings."""

EVEN_MM, EVEN_SHARE = 0.01, 0.01
"""A slice may be this far (mm, or share of the spacing, the larger) from its place in an even stack: rounding."""

SAME_PLACE_SHARE = 0.05
"""Two slices closer than this share of the usual spacing are at the same position."""

GAP_SHARE = 1.5
"""A step longer than this many usual spacings is a gap."""

STRAIGHTEN_MM = 0.02
"""A sideways drift of the whole stack below this is rounding of positions, and is straightened."""

SPACING_RANGE_MM = (0.02, 10.0)
"""Pixel and slice spacings outside this range are a mistake of the writer."""


@dataclass(frozen=True)
class Arrangement:
    """A series in geometric order.

    Parameters
    ----------
    headers
        Slices by rising position along the normal (row direction x column direction).
    affine_lps
        Shape (4, 4), index (k, j, i) to LPS mm; sheared when `tilt_deg` is not 0.
    tilt_deg
        Angle between the stacking direction and the normal; 0 for a right-angled stack.
    warnings
        What is odd but does not make a wrong millimetre.
    """

    headers: tuple[SliceHeader, ...]
    affine_lps: NDArray[np.float64]
    tilt_deg: float
    warnings: tuple[str, ...]

    @property
    def shape_kji(self) -> tuple[int, int, int]:
        """Slices, rows, columns."""
        common = self.headers[0].common
        return (len(self.headers), common.rows, common.columns)


def arrange(headers: Sequence[SliceHeader]) -> Arrangement:
    """Put the slices of one series in order and find their grid.

    Parameters
    ----------
    headers
        All slices of the series, in any order.

    Returns
    -------
    Arrangement
        The order, the grid, the tilt (left to the caller to refuse) and the warnings.

    Raises
    ------
    ScanError
        When the slices are not one even stack of one patient: mixed patients, sizes, spacings, orientations, frames of
        reference or kernels; positions missing; duplicates; gaps (naming the pair and both distances); uneven spacing.

    References
    ----------
    DICOM PS3.3 C.7.6.2.1.1: the centre of the first pixel is Image Position; the slice step is the difference of
    positions, not Slice Thickness (0018,0050) nor Spacing Between Slices (0018,0088).
    """
    warnings: list[str] = []
    slices = without_copies(headers, warnings)
    if len(slices) < 2:
        raise ScanError(f"{len(slices)} slice(s)", expected="a stack of at least 2", action="give the whole series")
    _same_everywhere(slices, warnings)
    across, down = _directions(slices)
    positions = _positions(slices)
    normal = np.cross(across, down)
    along = positions @ normal
    order = np.argsort(along, kind="stable")
    slices, positions, along = [slices[n] for n in order], positions[order], along[order]
    slices = _one_padding(slices, warnings)
    _even_steps(slices, along)
    step = (positions[-1] - positions[0]) / (len(slices) - 1)
    _straight(slices, positions, step, float(np.median(np.diff(along))))
    _numbers_agree(slices, warnings)
    sideways = step - (step @ normal) * normal
    tilt_deg = float(np.degrees(np.arctan2(np.linalg.norm(sideways), abs(step @ normal))))
    if (
        tilt_deg <= np.degrees(np.arcsin(SHEAR_COSINE_TOLERANCE))
        or np.linalg.norm(sideways) * len(slices) < STRAIGHTEN_MM
    ):
        step, tilt_deg = (step @ normal) * normal, 0.0
    common = slices[0].common
    spacing = common.spacing_mm
    assert spacing is not None  # checked by _same_everywhere
    affine = np.eye(4)
    affine[:3, 0], affine[:3, 1], affine[:3, 2] = step, down * spacing[0], across * spacing[1]
    affine[:3, 3] = positions[0]
    thickness = common.slice_thickness_mm
    distance = float(step @ normal)
    if thickness is not None and 0 < thickness < 0.95 * distance:
        warnings.append(
            f"slices {thickness:g} mm thick stand {distance:g} mm apart: what lies between was not measured"
        )
    return Arrangement(tuple(slices), affine, tilt_deg, tuple(warnings))


def without_copies(headers: Sequence[SliceHeader], warnings: list[str]) -> list[SliceHeader]:
    """Drop copies of the same object.

    Parameters
    ----------
    headers
        Slices in any order.
    warnings
        How many copies were left out is appended here.

    Returns
    -------
    list of SliceHeader
        Every object once, the first of its copies.

    Raises
    ------
    ScanError
        When two different objects carry one identifier (PS3.5 9: a UID names one instance).
    """
    seen: dict[str, SliceHeader] = {}
    kept, copies = [], 0
    for header in headers:
        first = seen.get(header.sop_uid) if header.sop_uid else None
        if first is None:
            seen[header.sop_uid] = header
            kept.append(header)
            continue
        if first.position != header.position or first.source.all() != header.source.all():
            raise ScanError(
                f"two different slices under one identifier ({first.label} and {header.label})",
                expected="every slice once",
                action="export the series again",
            )
        copies += 1
    if copies:
        warnings.append(f"{copies} exact cop{'y' if copies == 1 else 'ies'} of slices left out")
    return kept


def _same_everywhere(slices: Sequence[SliceHeader], warnings: list[str]) -> None:
    kinds = Counter(header.common for header in slices)
    commons = list(kinds)
    first = kinds.most_common(1)[0][0]

    def mixed(what: str, values: list[str]) -> None:
        counts = Counter(dict.fromkeys(values, 0))
        for common, value in zip(commons, values, strict=True):
            counts[value] += kinds[common]
        if len(counts) > 1:
            listed = ", ".join(f"{count} with {value or 'none'}" for value, count in counts.most_common(3))
            raise ScanError(f"mixed {what}: {listed}", expected="one series of one scan", action="export it again")

    if len({common.patient_key for common in commons}) > 1:
        raise ScanError("slices of more than one patient in one series", expected="one", action="export it again")
    mixed("studies", [common.study_uid for common in commons])
    mixed("modalities", [common.modality for common in commons])
    mixed("picture sizes", [f"{common.rows} x {common.columns}" for common in commons])
    if first.rows < 2 or first.columns < 2:
        raise ScanError(f"pictures of {first.rows} x {first.columns}", expected="rows and columns")
    for common in commons:
        if common.spacing_mm is None:
            raise ScanError("pixel spacing missing or not two numbers", expected="row and column spacing in mm")
        low, high = SPACING_RANGE_MM
        if not all(low <= value <= high for value in common.spacing_mm):
            raise ScanError(f"pixel spacing {common.spacing_mm}", expected=f"{low} to {high} mm")
        if common.faults:
            raise ScanError(common.faults[0], expected="a number", action="export the series again")
    reference = first.spacing_mm or (1.0, 1.0)
    for common in commons:
        spacing = common.spacing_mm or reference
        if not np.allclose(spacing, reference, rtol=SAME_SPACING, atol=0.0):
            raise ScanError(
                f"mixed pixel spacing: {reference} mm and {spacing} mm", expected="one", action="export it again"
            )
    mixed("frames of reference", [common.frame_of_reference_uid for common in commons])
    mixed("kernels", [common.kernel for common in commons])
    mixed("sample formats", [f"{common.samples} x {common.bits_allocated} bits" for common in commons])
    mixed("sign of the stored values", ["signed" if common.signed else "unsigned" for common in commons])
    mixed("bits stored", [f"{common.bits_stored} up to bit {common.high_bit}" for common in commons])
    _rescale(slices, kinds, warnings)
    if not first.frame_of_reference_uid:
        warnings.append("no frame of reference: points cannot be shared with other series of this scan")
    if any(common.lossy for common in commons):
        warnings.append("pixels were compressed with loss at some time: edges may have moved")
    if "DERIVED" in first.image_type:
        warnings.append("a derived series (reformatted or processed), not the scanner's own slices")


def _rescale(slices: Sequence[SliceHeader], kinds: Counter, warnings: list[str]) -> None:
    commons = list(kinds)
    missing = sum(kinds[common] for common in commons if common.slope is None or common.intercept is None)
    total = sum(kinds.values())
    if 0 < missing < total:
        raise ScanError(
            f"rescale missing in {missing} of {total} slices", expected="slope and intercept in each or in none"
        )
    if missing:
        warnings.append("no rescale in the file: stored values are taken as they are")
    bad = next((common.slope for common in commons if common.slope is not None and common.slope <= 0.0), None)
    if bad is not None:
        raise ScanError(f"rescale slope {bad:g}", expected="a slope above 0: another inverts or erases the picture")
    usual = kinds.most_common(1)[0][0]
    odd = [header for header in slices if header.common.rescale != usual.rescale]
    if odd:
        named = ", ".join(header.label for header in odd[:3]) + (" and others" if len(odd) > 3 else "")
        warnings.append(
            f"rescale differs between slices and was applied slice by slice: {named} ({len(odd)} of {total}) not as "
            "the rest"
        )
    if len({common.rescale_type for common in commons}) > 1:
        raise ScanError("mixed rescale types", expected="one intensity unit", action="export it again")


def _one_padding(slices: list[SliceHeader], warnings: list[str]) -> list[SliceHeader]:
    """Give all slices the padding of most, when most have one: another would leave holes, or eat anatomy."""
    kinds = Counter(header.common.padding for header in slices)
    usual, count = kinds.most_common(1)[0]
    if count == len(slices) or usual is None:
        return slices
    warnings.append(f"padding values differ between slices; that of {count} of {len(slices)} was used ({usual[0]})")
    return [
        header if header.common.padding == usual else replace(header, common=replace(header.common, padding=usual))
        for header in slices
    ]


def _directions(slices: Sequence[SliceHeader]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    found = {header.common.orientation for header in slices}
    if None in found:
        count = sum(header.common.orientation is None for header in slices)
        raise ScanError(f"orientation missing or not six numbers in {count} slice(s)", expected="Image Orientation")
    cosines = np.array(sorted(value for value in found if value is not None)).reshape(-1, 2, 3)
    for pair in cosines:
        lengths = np.linalg.norm(pair, axis=1)
        if np.any(np.abs(lengths - 1) > UNIT_TOLERANCE) or abs(pair[0] @ pair[1]) > UNIT_TOLERANCE:
            raise ScanError(
                f"orientation that is not two unit vectors at right angles (lengths {lengths[0]:.4f} and "
                f"{lengths[1]:.4f}, cosine {pair[0] @ pair[1]:.4f})",
                expected="direction cosines",
            )
    if np.abs(cosines - cosines[0]).max() > SAME_DIRECTION:
        angle = np.degrees(np.arccos(np.clip(min(np.sum(cosines * cosines[0], axis=2).ravel()), -1, 1)))
        raise ScanError(f"mixed orientations, up to {angle:.2f} degrees apart", expected="parallel slices")
    across = cosines[0, 0] / np.linalg.norm(cosines[0, 0])
    down = cosines[0, 1] - (cosines[0, 1] @ across) * across
    return across, down / np.linalg.norm(down)


def _positions(slices: Sequence[SliceHeader]) -> NDArray[np.float64]:
    missing = [header for header in slices if header.position is None]
    if missing:
        raise ScanError(
            f"position missing or not three numbers in {len(missing)} of {len(slices)} slices ({missing[0].label})",
            expected="Image Position in each slice",
        )
    return np.array([header.position for header in slices], dtype=np.float64)


def _even_steps(slices: Sequence[SliceHeader], along: NDArray[np.float64]) -> None:
    steps = np.diff(along)
    usual = float(np.median(steps))
    low, high = SPACING_RANGE_MM
    close = int(np.argmin(steps))
    if steps[close] < SAME_PLACE_SHARE * usual or steps[close] < low / 10:
        pair = f"{slices[close].label} and {slices[close + 1].label}"
        count = int(np.sum(steps < max(SAME_PLACE_SHARE * usual, low / 10)))
        raise ScanError(
            f"{count} pair(s) of slices at the same position ({pair} at {along[close]:.3f} mm)",
            expected="each position once",
            action="export one acquisition only",
        )
    if not low <= usual <= high:
        raise ScanError(f"slices {usual:g} mm apart", expected=f"{low} to {high} mm")
    wide = int(np.argmax(steps))
    if steps[wide] > GAP_SHARE * usual:
        raise ScanError(
            f"a gap between {slices[wide].label} at {along[wide]:.3f} mm and {slices[wide + 1].label} at "
            f"{along[wide + 1]:.3f} mm: {steps[wide]:.3f} mm where the others are {usual:.3f} mm apart",
            expected="no slice missing",
            action="copy the series again",
        )
    places = along[0] + np.arange(len(along)) * (along[-1] - along[0]) / (len(along) - 1)
    off = np.abs(along - places)
    allowed = max(EVEN_MM, EVEN_SHARE * usual)
    if off.max() > allowed:
        raise ScanError(
            f"uneven slice spacing: steps from {steps.min():.3f} to {steps.max():.3f} mm, "
            f"{slices[int(off.argmax())].label} {off.max():.3f} mm from its place",
            expected=f"within {allowed:.3f} mm",
            action="use a series that was reconstructed evenly",
        )


def _straight(slices: Sequence[SliceHeader], positions: NDArray, step: NDArray, usual: float) -> None:
    off = np.linalg.norm(positions - (positions[0] + np.arange(len(positions))[:, None] * step), axis=1)
    allowed = 2 * max(EVEN_MM, EVEN_SHARE * usual)
    if off.max() > allowed:
        raise ScanError(
            f"slices that wander sideways: {slices[int(off.argmax())].label} is {off.max():.3f} mm from its place",
            expected=f"a straight stack within {allowed:.3f} mm",
            action="export the series again",
        )


def _numbers_agree(slices: Sequence[SliceHeader], warnings: list[str]) -> None:
    numbers = [header.instance for header in slices]
    unknown = sum(number is None for number in numbers)
    if unknown:
        if unknown < len(numbers):
            warnings.append(f"slice numbers of {unknown} slice(s) cannot be read; the positions were used")
        return
    steps = np.diff(np.array(numbers, dtype=np.int64))
    against = int(min(np.sum(steps <= 0), np.sum(steps >= 0)))
    if against:
        warnings.append(f"slice numbers run against the positions at {against} place(s); the positions were used")
    elif np.abs(steps).max() > 1:
        warnings.append("slice numbers are not consecutive, though the positions are even; the positions were used")
