"""From a path to a `Volume`: choose the series, order it, read it, say what was odd."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.cache import kept_or_read
from ctmeasure.io.dicom.choose import choose, set_aside
from ctmeasure.io.dicom.crop import Crop, cut, slices_for
from ctmeasure.io.dicom.find import Found, SeriesRow, survey
from ctmeasure.io.dicom.order import Arrangement
from ctmeasure.io.dicom.pixels import read_pixels
from ctmeasure.io.dicom.tilt import straighten
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.calibration import scale_of
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

HEADERS_SHARE = 0.4
"""Share of the progress bar that the headers get."""


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
    crop: Crop | None = None,
    progress: Progress = no_progress,
) -> LoadedSeries:
    """Load one CT series, or one research file, as a volume in patient coordinates.

    Parameters
    ----------
    path
        A folder, ZIP, DICOMDIR or file; or a NIfTI, NRRD or MetaImage file.
    series_uid
        Which series, or ``UID:2`` for the second part of one; by default the best by the rules of `choose`.
    side
        ``"left"`` or ``"right"``: series that say they are of the other side are only taken when there is no other. A
        research file must be given its side.
    untilt
        Resample a tilted-gantry series onto a right-angled grid (each slice is moved within its own plane; no
        interpolation between slices). Without it a tilt is refused.
    hash_content
        Whether to compute the content hash (about as long as the reading itself).
    crop
        Read only the slices of one ear and keep only its block; the volume then has no content hash, and nothing is
        taken from the cache or kept in it.
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
    ctmeasure.errors.ScanError: nothing at the path given; expected a DICOM folder, file, ZIP or DICOMDIR; check it
    """
    from ctmeasure.io.research import is_research_file, load_research

    path = Path(path)
    if is_research_file(path):
        loaded = load_research(path, side=side, progress=progress)
        return loaded if crop is None else replace(loaded, volume=cut(loaded.volume, crop))
    everything = survey(path, progress=part_of(progress, 0.0, HEADERS_SHARE))
    found, because = choose(everything, series_uid=series_uid, side=side)
    return load_found(
        found,
        because=because,
        side=side,
        notes=(*everything.notes, *set_aside(everything, found)),
        untilt=untilt,
        hash_content=hash_content,
        crop=crop,
        progress=part_of(progress, HEADERS_SHARE, 1.0),
    )


def load_found(
    found: Found,
    *,
    because: str = "",
    side: str | None = None,
    notes: tuple[str, ...] = (),
    untilt: bool = False,
    hash_content: bool = True,
    crop: Crop | None = None,
    progress: Progress = no_progress,
) -> LoadedSeries:
    """Load a series that was found and ordered before.

    Parameters
    ----------
    found
        A usable series of a survey.
    because
        Why this one was taken.
    notes
        What the survey noticed on the way; becomes part of the warnings.
    side, untilt, hash_content, crop, progress
        As for `load_series`.

    Returns
    -------
    LoadedSeries
        The volume with its warnings.

    Raises
    ------
    ScanError
        When the series is not usable, tilted (without `untilt`), or its pixels are damaged or short.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    arrangement = found.arrangement
    if arrangement is None:
        raise found.error or ScanError(found.row.reason)
    if arrangement.tilt_deg > 0 and not untilt:
        raise ScanError(
            f"a tilted gantry: slices are stacked {arrangement.tilt_deg:.2f} degrees off their normal",
            expected="slices stacked along their normal",
            action="load it with untilt to have it resampled",
        )
    warnings = [*notes, *found.row.warnings]
    if side is not None and found.row.side_hint not in ("", "both", side):
        warnings.append(f"the series says {found.row.side_hint}, the side asked for is {side}: check the side")
    unit = _declared_unit(arrangement)
    whole = arrangement.shape_kji
    if crop is not None:
        arrangement = slices_for(arrangement, crop)
        pixels = read_pixels(arrangement, hash_content=False, hu=unit == "HU", progress=progress)
    else:
        pixels = kept_or_read(arrangement, hash_content=hash_content, hu=unit == "HU", progress=progress)
    warnings += pixels.warnings
    common = arrangement.headers[0].common
    values, affine = pixels.values, arrangement.affine_lps
    scale = scale_of(values, unit=unit, padded=pixels.padded > 0)
    warnings += scale.warnings
    if arrangement.tilt_deg > 0:
        values, affine = straighten(values, affine)
        warnings.append(
            f"resampled: a gantry tilt of {arrangement.tilt_deg:.2f} degrees was taken out by moving each slice in its "
            "plane"
        )
    geometry = Geometry(values.shape, affine, common.frame_of_reference_uid)
    source = ScanSource(
        series_uid=common.series_uid,
        study_uid=common.study_uid,
        content_hash=pixels.content_hash,
        kernel=common.kernel,
        spacing_mm=(float(found.row.slice_spacing_mm or geometry.spacing_mm[0]), *geometry.spacing_mm[1:]),
        slice_thickness_mm=common.slice_thickness_mm,
        modality=common.modality,
        description=common.shown_description,
        intensity_unit=scale.unit,
        date=common.date,
        patient_pseudonym=common.pseudonym,
    )
    volume = Volume(geometry, values, source)
    if crop is not None:
        volume = cut(volume, crop)
        size = " x ".join(map(str, whole))
        warnings.append(f"only a block around one ear was read, of a scan of {size} voxels")
    return LoadedSeries(volume, found.row, tuple(warnings), because)


def _declared_unit(arrangement: Arrangement) -> str:
    common = arrangement.headers[0].common
    if common.rescale_type:
        return "HU" if common.rescale_type.upper() in ("HU", "HU_MOD") else "grey"
    # Without a rescale type, a CT image's output is in HU (PS3.3 C.8.2.1.1.2 to C.8.2.1.1.5, Rescale Type optional).
    has_rescale = common.slope is not None and common.intercept is not None
    return "HU" if common.modality == "CT" and has_rescale else "grey"
