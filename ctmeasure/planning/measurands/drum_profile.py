"""A plain look at the drum along the annulus normal: is there a sheet, and is it thick enough to be read?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ctmeasure.planning.measurands.draws import EDGE_OF_FWHM, NORMAL_95
from ctmeasure.planning.measurands.inputs import DrumSheet
from ctmeasure.uncertainty.estimate import Contribution, Estimate, combined_budget
from ctmeasure.volume.volume import Volume

REACH_MM = 3.0
"""The profile runs this far to either side of ``drum_centre``."""
STEP_MM = 0.02
AIR_HU = -1000.0
SHEET_HU = 40.0
"""Soft tissue; scar and fluid read alike."""
AIR_ABOVE_SHARE = 0.25
"""A side counts as air when the profile falls to within a quarter of the air-to-tissue step of air [P]."""
RESOLVED_FWHM = 1.3
"""Below 1.3 point spreads the apparent width of a sheet is off by more than a tenth, so no number is given."""
MODEL_U_MM = 0.05
"""What reading a blurred sheet at half its height may be off by above 1.3 FWHM; our choice, no source."""
SEEN_SHARE = 0.03
"""A bump of less than this part of the step is taken for noise: no sheet seen."""


def sheet_from_profile(
    volume: Volume,
    centre_lps: npt.ArrayLike,
    *,
    normal_lps: npt.ArrayLike,
    psf_fwhm_mm: tuple[float, float] | None,
) -> DrumSheet | str:
    """Class of the drum's thickness from one profile, and the thickness where it can be read.

    Parameters
    ----------
    volume
        The scan, in HU.
    centre_lps, normal_lps
        ``drum_centre`` and the outward unit normal of the annulus plane, shape (3,).
    psf_fwhm_mm
        Point spread, in plane and through plane; without it no thickness is read.

    Returns
    -------
    DrumSheet or str
        The sheet; or, in words, why it was not measured.

    Notes
    -----
    A sheet thinner than the point spread looks as wide as the point spread. Its apparent width is therefore given only
    above 1.3 FWHM; below, the class says "below resolution", never zero and never the apparent width.
    """
    from ctmeasure.volume.sampling import sample

    if volume.source.intensity_unit != "HU":
        return "not measured: grey values are not calibrated"
    if psf_fwhm_mm is None:
        return "not measured: point spread of the scan is not known"
    normal = np.asarray(normal_lps, dtype=np.float64)
    offset = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2.0, STEP_MM)
    found = sample(volume, np.asarray(centre_lps, dtype=np.float64) + offset[:, None] * normal)
    if not found.inside.all():
        return "not measured: the profile leaves the scan"
    share = (found.values - AIR_HU) / (SHEET_HU - AIR_HU)
    peak = int(np.argmax(np.where(np.abs(offset) <= 1.0, share, -np.inf)))
    if share[peak] < SEEN_SHARE:
        return DrumSheet(thickness_class="no sheet seen")
    medial, lateral = share[: peak + 1], share[peak:]
    if medial.min() > AIR_ABOVE_SHARE * share[peak] or lateral.min() > AIR_ABOVE_SHARE * share[peak]:
        return "not measured: no air on both sides (soft tissue or fluid against the drum)"
    half = share[peak] / 2.0
    inner = peak - int(np.argmax(medial[::-1] < half))
    outer = peak + int(np.argmax(lateral < half))
    width = float(offset[outer] - offset[inner]) - STEP_MM
    fwhm = _fwhm_along(volume, normal, psf_fwhm_mm)
    if width < RESOLVED_FWHM * fwhm or share[peak] < 0.75:
        return DrumSheet(thickness_class="below resolution")
    budget = (
        Contribution("edges in the scan", EDGE_OF_FWHM * fwhm * np.sqrt(2.0)),
        Contribution("model: half height", MODEL_U_MM),
    )
    u = combined_budget(budget)
    low, high = max(width - NORMAL_95 * u, 0.0), width + NORMAL_95 * u
    estimate = Estimate(width, u, low, high, "mm", "half height along the annulus normal", budget)
    return DrumSheet(thickness=estimate, thickness_class="resolved")


def _fwhm_along(volume: Volume, direction: npt.NDArray[np.float64], psf_fwhm_mm: tuple[float, float]) -> float:
    """Point spread along a direction of the patient (its variance turns like a covariance)."""
    in_plane, through = psf_fwhm_mm
    cosines = volume.geometry.directions_lps @ direction
    return float(np.sqrt(cosines @ (np.array([through, in_plane, in_plane]) ** 2 * cosines)))
