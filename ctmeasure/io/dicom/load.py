"""From a path to a `Volume`: choose the series, order it, read it, say what was odd."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.find import Found, SeriesRow, Survey, survey
from ctmeasure.io.dicom.order import Arrangement
from ctmeasure.io.dicom.pixels import AIR_HU, read_pixels
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

LEAST_COVERAGE_MM = 20.0
"""A temporal bone is taller than this; a shorter stack is only taken when there is nothing else (our own choice)."""

HEADERS_SHARE = 0.4
"""Share of the progress bar that the headers get."""

AIR_RANGE_HU = (-1200.0, -800.0)
"""Where the darkest common value of a calibrated scan lies; elsewhere the unit is doubted (our own choice)."""


@dataclass(frozen=True)
class LoadedSeries:
    """A volume, the row of its series, what was odd, and why this series was taken."""

    volume: Volume
    row: SeriesRow
    warnings: tuple[str, ...]
    chosen_because: str


def load_series(
    path: str | Path,
    *,
    series_uid: str | None = None,
    side: str | None = None,
    untilt: bool = False,
    hash_content: bool = True,
    progress: Progress = no_progress,
) -> LoadedSeries:
    """Load one CT series as a volume in patient coordinates.

    Parameters
    ----------
    path
        A folder, ZIP, DICOMDIR or file.
    series_uid
        Which series; by default the best temporal-bone series, chosen by the rules of `choose`.
    side
        ``"left"`` or ``"right"``: series that say they are of the other side are only taken when there is no other.
    untilt
        Resample a tilted-gantry series onto a right-angled grid (each slice is moved within its own plane; no
        interpolation between slices). Without it a tilt is refused.
    hash_content
        Whether to compute the content hash (about as long as the reading itself).
    progress
        Told as it goes; may stop it.

    Returns
    -------
    LoadedSeries
        The volume (int16 where the scan allows) with its warnings.

    Raises
    ------
    ScanError
        When there is no usable series, the one asked for is not there, or it is mixed, damaged, tilted or short.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    Orientation and position come from Image Orientation and Image Position alone; Patient Position is never read. The
    patient identifier is kept only when it begins with "SAMPLE-".

    References
    ----------
    DICOM PS3.3 C.7.6.2 (image plane), C.8.2.1 (CT image), C.11.1.1.2 (modality rescale).

    Example
    -------
    >>> load_series("no such folder")
    Traceback (most recent call last):
        ...
    ctmeasure.errors.ScanError: nothing at the path given; expected a DICOM folder, file, ZIP or DICOMDIR
    """
    everything = survey(path, progress=part_of(progress, 0.0, HEADERS_SHARE))
    found, because = choose(everything, series_uid=series_uid, side=side)
    arrangement = found.arrangement
    assert arrangement is not None  # choose() gives usable series only
    if arrangement.tilt_deg > 0 and not untilt:
        raise ScanError(
            f"a tilted gantry: slices are stacked {arrangement.tilt_deg:.2f} degrees off their normal",
            expected="slices stacked along their normal",
            action="load it with untilt to have it resampled",
        )
    warnings = [*everything.notes, *arrangement.warnings]
    if side is not None and found.row.side_hint not in ("", "both", side):
        warnings.append(f"the series says {found.row.side_hint}, the side asked for is {side}: check the side")
    unit = _intensity_unit(arrangement)
    pixels = read_pixels(
        arrangement,
        hash_content=hash_content,
        hu=unit == "HU",
        progress=part_of(progress, HEADERS_SHARE, 1.0),
    )
    warnings += pixels.warnings
    common = arrangement.headers[0].common
    values, affine = pixels.values, arrangement.affine_lps
    if arrangement.tilt_deg > 0:
        values, affine = straighten(values, affine)
        warnings.append(
            f"resampled: a gantry tilt of {arrangement.tilt_deg:.2f} degrees was taken out by moving each slice in its "
            "plane"
        )
    geometry = Geometry(values.shape, affine, common.frame_of_reference_uid)
    if unit == "grey":
        warnings.append("grey values are not calibrated to HU: thresholds must come from the scan itself")
    elif doubt := _air_doubt(values):
        warnings.append(doubt)
    source = ScanSource(
        series_uid=common.series_uid,
        study_uid=common.study_uid,
        content_hash=pixels.content_hash,
        kernel=common.kernel,
        spacing_mm=(float(found.row.slice_spacing_mm or geometry.spacing_mm[0]), *geometry.spacing_mm[1:]),
        slice_thickness_mm=common.slice_thickness_mm,
        modality=common.modality,
        description=common.description,
        intensity_unit=unit,
        date=common.date,
        patient_pseudonym=common.pseudonym,
    )
    return LoadedSeries(Volume(geometry, values, source), found.row, tuple(warnings), because)


def choose(everything: Survey, *, series_uid: str | None = None, side: str | None = None) -> tuple[Found, str]:
    """Pick the series to load, by stated rules.

    In this order: usable; not of the other side; covers at least 20 mm; the scanner's own slices before derived ones;
    no tilt before tilt; thinnest slice spacing; smallest pixel; most slices; then by UID, so that the choice is always
    the same.

    Parameters
    ----------
    everything
        What was found.
    series_uid
        Take this one.
    side
        As in `load_series`.

    Returns
    -------
    tuple
        The series, and a sentence that says why.

    Raises
    ------
    ScanError
        When there is no usable series, or the one asked for is absent or not usable.
    """
    if series_uid is not None:
        asked = [found for found in everything.series if found.row.series_uid == series_uid]
        usable = [found for found in asked if found.row.usable]
        if usable:
            return usable[0], "asked for by its UID"
        if asked:
            raise _refusal(asked[0], everything)
        raise ScanError(
            f"no series {series_uid} here", expected=f"one of the {len(everything.series)} that are", action="list them"
        )
    usable = [found for found in everything.series if found.row.usable]
    if not usable:
        ct = [found for found in everything.series if found.error is not None]
        if len(ct) == 1:
            raise _refusal(ct[0], everything)
        reasons = "; ".join(dict.fromkeys(found.row.reason.split(";")[0] for found in ct))
        raise ScanError(f"none of {len(ct)} series is usable ({reasons[:300]})", expected="a CT series")
    ranked = sorted(usable, key=lambda found: (*_merit(found, side), found.row.series_uid))
    best = ranked[0]
    text = _describe(best.row)
    if len(usable) == 1:
        return best, f"the only usable series: {text}"
    if _merit(ranked[1], side) == _merit(best, side):
        return best, f"one of several equal series ({text}), first by UID; name another with its UID"
    return best, f"best of {len(usable)} usable series: {text}"


def _refusal(found: Found, everything: Survey) -> ScanError:
    """Give the series' own fault, and what was skipped on the way: the second is often the cause of the first."""
    error = found.error or ScanError(found.row.reason)
    skipped = f" ({'; '.join(everything.notes)})" if everything.notes else ""
    return ScanError(error.found + skipped, expected=error.expected, action=error.action)


def _merit(found: Found, side: str | None) -> tuple:
    row = found.row
    derived = bool(found.headers and "DERIVED" in found.headers[0].common.image_type)
    return (
        side is not None and row.side_hint not in ("", "both", side),
        (row.coverage_mm or 0.0) < LEAST_COVERAGE_MM,
        derived,
        row.tilt_deg > 0,
        round(row.slice_spacing_mm or 0.0, 4),
        round(max(row.spacing_mm or (0.0, 0.0)), 4),
        -row.slices,
    )


def _describe(row: SeriesRow) -> str:
    pixel = max(row.spacing_mm or (0.0, 0.0))
    return (
        f"{row.slices} slices {row.slice_spacing_mm or 0.0:.3g} mm apart, {pixel:.3g} mm pixels, "
        f"{row.coverage_mm or 0.0:.0f} mm covered" + (f", kernel {row.kernel}" if row.kernel else "")
    )


def _intensity_unit(arrangement: Arrangement) -> str:
    common = arrangement.headers[0].common
    if common.rescale_type:
        return "HU" if common.rescale_type.upper() in ("HU", "HU_MOD") else "grey"
    # Without a rescale type, a CT image's output is in HU (PS3.3 C.8.2.1.1.2 to C.8.2.1.1.5, Rescale Type optional).
    has_rescale = common.slope is not None and common.intercept is not None
    return "HU" if common.modality == "CT" and has_rescale else "grey"


def _air_doubt(values: NDArray) -> str:
    """Check that the darkest common value looks like air: a grey scale that calls itself HU seldom does."""
    coarse = values[:: max(len(values) // 16, 1), ::8, ::8]
    dark = float(np.percentile(coarse, 1))
    low, high = AIR_RANGE_HU
    if low <= dark <= high:
        return ""
    return f"air reads about {dark:.0f} HU where {low:.0f} to {high:.0f} was expected: the scale may not be HU"


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
