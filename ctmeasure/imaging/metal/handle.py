"""A replaced malleus handle on a later scan: its tip, its upper end where the two arms leave it, its axis."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import ScanError
from ctmeasure.imaging.metal.fit import StrutFit, fit_form
from ctmeasure.imaging.metal.forms import ARM_MM, TwoArmed
from ctmeasure.imaging.metal.prosthesis import END_MODEL_U_MM, metal_block
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

CONTACT_SHARE = 0.3
"""A contact is proposed this far from the tip towards the top, on the medial side (our choice)."""
ARMS_APART_COS = 0.8
"""Two arms leave the handle more than 37 degrees apart, and apart from the handle itself."""
WAYS = 1200


@dataclass(frozen=True, slots=True, eq=False)
class Handle:
    """A replaced handle: tip, top and a contact point, LPS mm, with covariances (3, 3) mm2, and its radius."""

    fit: StrutFit
    tip_lps: Floats
    top_lps: Floats
    contact_lps: Floats
    tip_covariance: Floats
    top_covariance: Floats
    contact_covariance: Floats
    radius_mm: float


def measure_handle(
    volume: Volume,
    tip_lps: ArrayLike,
    *,
    top_lps: ArrayLike,
    medial_lps: ArrayLike,
    fitness: ScanFitness,
    progress: Progress = no_progress,
) -> Handle:
    """Measure a replaced handle from a click near its tip and one near its upper end.

    Parameters
    ----------
    volume
        The scan.
    tip_lps, top_lps
        Shape (3,), LPS mm: within a millimetre.
    medial_lps
        Shape (3,): direction into the middle ear, for the side of the contact point.
    fitness
        What the scan is good for.
    progress
        May stop it.

    Returns
    -------
    Handle

    Raises
    ------
    ScanError
        When the clicks lie outside the scan or fewer than two arms leave the upper end.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The upper end is where the axes of handle and arms meet, so it is no free end and is found by the arms' directions.
    """
    tip, top = np.asarray(tip_lps, dtype=np.float64), np.asarray(top_lps, dtype=np.float64)
    block, blur = metal_block(volume, np.array([tip, top]), fitness=fitness)
    progress("metal: handle", 0.1)
    arms = _arms(volume, tip, top)
    fit = fit_form(block, tip, top, blur=blur, form=TwoArmed(arms), rounds=3)
    progress("metal: handle", 1.0)
    extra = END_MODEL_U_MM**2 * np.eye(3)
    tip_cov, top_cov = fit.covariance[:3, :3] + extra, fit.covariance[3:, 3:] + extra
    along = np.asarray(medial_lps, dtype=np.float64)
    along = along - fit.axis_lps * float(along @ fit.axis_lps)
    along /= max(float(np.linalg.norm(along)), 1e-9)
    share = np.concatenate([(1.0 - CONTACT_SHARE) * np.eye(3), CONTACT_SHARE * np.eye(3)], axis=1)
    contact_cov = share @ fit.covariance @ share.T + extra + fit.radius_u_mm**2 * np.outer(along, along)
    contact = fit.foot_lps + CONTACT_SHARE * (fit.top_lps - fit.foot_lps) + fit.radius_mm * along
    return Handle(fit, fit.foot_lps, fit.top_lps, contact, tip_cov, top_cov, contact_cov, fit.radius_mm)


def _arms(volume: Volume, tip: Floats, top: Floats) -> Floats:
    """Far points of the two brightest straight ways out of the upper end, other than the handle; shape (2, 3)."""
    rng = np.random.default_rng(12)
    ways = rng.normal(size=(WAYS, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    down = (tip - top) / max(float(np.linalg.norm(tip - top)), 1e-9)
    ways = ways[ways @ down < ARMS_APART_COS]
    places = np.linspace(0.6, ARM_MM, 6)
    lowest = float(volume.values.min())
    values, _ = sample(volume, top + places[None, :, None] * ways[:, None, :], outside=lowest)
    score = values.mean(axis=1)
    first = ways[int(np.argmax(score))]
    other = ways @ first < ARMS_APART_COS
    if not other.any() or not math.isfinite(float(score.max())):
        raise ScanError("no two arms at the upper end", expected="a handle with two arms", action="click its upper end")
    second = ways[other][int(np.argmax(score[other]))]
    return top + ARM_MM * np.array([first, second])
