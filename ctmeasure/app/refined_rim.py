"""The clicked ring moved to where the bony rim shows in the scan."""

from __future__ import annotations

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.app.refined_record import WIDEST_CLICK_U_MM, Floats, as_triple, not_found, triples
from ctmeasure.case.doubts import landmark_doubts
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import RefinedRecord
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume


def refined_rim(case: Case, volume: Volume, fitness: ScanFitness, canal: CanalFrame) -> RefinedRecord | None:
    """Every point of the ring weighed with the bony edge near it; None where a reader's measured doubt moves it as one.

    Notes
    -----
    A ring of a measured reader is off as a whole, which its points' edges would have to be weighed for together: it
    stays as it was clicked.
    """
    from ctmeasure.imaging.drum.rim import find_rim

    if case.reader_model is not None:
        return None
    clicks = case.landmarks["annulus"].points_lps
    middle = clicks.mean(axis=0)
    try:
        rim = find_rim(volume, clicks, covariances=_doubts(case, fitness), canal=canal, fitness=fitness)
    except CtmeasureError as error:
        return not_found("annulus", middle, error)
    found = rim.points_lps.mean(axis=0)
    seen = int(rim.seen.sum())
    return RefinedRecord(
        "annulus",
        True,
        f"bony edge near {seen} of {len(clicks)} clicks, weighed with them",
        as_triple(middle),
        as_triple(found),
        triples(rim.covariances.mean(axis=0) / len(clicks)),
        float(np.linalg.norm(found - middle)),
        flags=rim.flags,
        points_lps=triples(rim.points_lps),
        covariances_mm2=tuple(triples(one) for one in rim.covariances),
    )


def with_rim(landmarks: LandmarkSet, record: RefinedRecord | None) -> LandmarkSet:
    """The landmarks with the ring as found, for what is measured from the scan; the same where it was not found."""
    if record is None or not record.used:
        return landmarks
    indices = landmarks["annulus"].indices
    placed = tuple(Placement(point, index) for index, point in zip(indices, record.points_lps, strict=True))
    return landmarks.with_landmark(Landmark("annulus", landmarks["annulus"].status, placed))


def _doubts(case: Case, fitness: ScanFitness) -> Floats:
    """Covariances (n, 3, 3) of the clicks, bounded where few repeats leave them without bound."""
    doubts = landmark_doubts(case, case.landmarks["annulus"], point_spread_mm=fitness.point_spread_mm)
    found = np.stack([doubt.covariance_lps for doubt in doubts])
    bounded = np.isfinite(found).all(axis=(1, 2))
    found[~bounded] = WIDEST_CLICK_U_MM**2 * np.eye(3)
    return found
