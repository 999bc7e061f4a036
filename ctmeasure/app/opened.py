"""Open what a person points at: a sample, a scan, or a case with its scan."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ctmeasure.anatomy.clock import checked_side
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.app.plan import PlanInputs, new_case, read_inputs
from ctmeasure.app.samples import DEMO_SAMPLE, sample_request
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.errors import CaseError
from ctmeasure.progress import Progress, no_progress, part_of
from ctmeasure.volume.volume import Volume


def open_sample(name: str = DEMO_SAMPLE, *, progress: Progress = no_progress) -> tuple[Case, Volume]:
    """A shipped sample with its marks, nothing computed yet.

    Parameters
    ----------
    name
        Name of the sample.
    progress
        Listener; may cancel.

    Returns
    -------
    case, volume

    Raises
    ------
    ctmeasure.errors.ScanError
        When no sample of that name is shipped.
    """
    from ctmeasure.io.dicom.load import load_series

    request = sample_request(name, Path("unused"), seed=1)
    inputs = read_inputs(request)
    loaded = load_series(request.scan, side=inputs.side, progress=progress)
    return new_case(loaded, inputs, seed=request.seed), loaded.volume


def open_case(path: Path, *, scan: Path, progress: Progress = no_progress) -> tuple[Case, Volume]:
    """A saved case with its scan.

    Parameters
    ----------
    path
        case.json or its folder.
    scan
        Where the scan is.
    progress
        Listener; may cancel.

    Returns
    -------
    case, volume

    Raises
    ------
    CaseError
        When the case is damaged or the scan is another's.
    """
    from ctmeasure.case.store import load_case
    from ctmeasure.io.dicom.load import load_series
    from ctmeasure.io.research import is_research_file

    case = load_case(path)
    if is_research_file(scan):
        volume = load_series(scan, side=case.side, progress=progress).volume
    else:
        volume = _series_of(case, scan, progress)
    check_scan_belongs(case, volume)
    return case, volume


def _series_of(case: Case, scan: Path, progress: Progress) -> Volume:
    """The series of a case among those of a path, surveyed once."""
    from ctmeasure.io.dicom.choose import choose
    from ctmeasure.io.dicom.find import survey
    from ctmeasure.io.dicom.load import HEADERS_SHARE, load_found

    everything = survey(scan, progress=part_of(progress, 0.0, HEADERS_SHARE))
    own = [found for found in everything.series if found.row.series_uid == case.scan.series_uid and found.arrangement]
    # of a series that holds several acquisitions, the one with the case's grid
    own = [f for f in own if f.arrangement and f.arrangement.shape_kji == case.scan.shape_kji] or own
    affine = np.asarray(case.scan.affine_lps)
    own.sort(key=lambda f: float(np.abs(f.arrangement.affine_lps - affine).max()) if f.arrangement else np.inf)
    # a recompressed copy may carry another UID; then the content hash decides
    found = own[0] if own else choose(everything, side=case.side)[0]
    # a case can only have been made from a tilted series after it was resampled
    loaded = load_found(found, side=case.side, untilt=True, progress=part_of(progress, HEADERS_SHARE, 1.0))
    return loaded.volume


def open_scan(
    path: Path, *, side: Side, series_uid: str | None = None, progress: Progress = no_progress
) -> tuple[Case, Volume]:
    """A scan on which nothing is marked yet.

    Parameters
    ----------
    path
        DICOM folder, file, ZIP or DICOMDIR; or a NIfTI, NRRD or MetaImage file.
    side
        The ear to work on; never guessed from where the scan lies.
    series_uid
        Which series of it; None takes the one that `plan` would take.
    progress
        Listener; may cancel.

    Returns
    -------
    case, volume

    Raises
    ------
    ctmeasure.errors.ScanError
        When there is no usable series.
    """
    from ctmeasure.io.dicom.load import load_series

    loaded = load_series(path, series_uid=series_uid, side=side, progress=progress)
    return new_case(loaded, PlanInputs(LandmarkSet(), side), seed=1), loaded.volume


def is_case(path: Path) -> bool:
    """Whether a path is a case file or an output folder of ours.

    Example
    -------
    >>> is_case(Path("nowhere"))
    False
    """
    return (path.is_dir() and (path / "case.json").is_file()) or (path.is_file() and path.suffix == ".json")


def open_anything(
    path: Path | None, *, scan: Path | None = None, side: str | None = None, progress: Progress = no_progress
) -> tuple[Case, Volume]:
    """What `view` opens: the demo sample, a scan, or a case with ``scan``.

    Parameters
    ----------
    path
        Scan, case, or None for the demo sample.
    scan
        The scan of a case.
    side
        The ear of a scan on which nothing is marked yet.
    progress
        Listener; may cancel.

    Returns
    -------
    case, volume

    Raises
    ------
    CaseError
        When nothing is there, a case is given without its scan, or a scan without a side.
    """
    if path is None:
        return open_sample(progress=progress)
    if not path.exists():
        raise CaseError(f"there is no '{path}'", expected="a scan or a case", action="check the path")
    if not is_case(path):
        if side is None:
            raise CaseError("a scan without marks does not say which ear", expected="the side", action="give --side")
        return open_scan(path, side=checked_side(side), progress=progress)
    if scan is None:
        raise CaseError(f"'{path}' is a case, and a case holds no voxels", expected="its scan", action="give --scan")
    return open_case(path, scan=scan, progress=progress)
