"""A reader's measured bias and scatter, as the placement doubt of that reader's own plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side, landmark_term
from ctmeasure.errors import SettingsError

Floats = npt.NDArray[np.float64]
Triple = tuple[float, float, float]
LEAST_ATTEMPTS = 12
"""Fewer placements of a landmark give no doubt worth planning with: with 11 degrees of freedom a standard deviation is
known to about a fifth. Our own choice."""


@dataclass(frozen=True, slots=True)
class ReaderLandmark:
    """One landmark: placements, bias and covariance of one placement, in lateral, posterior, superior of the ear.

    Of a ring or list they are those of the whole curve, and ``scatter_mm`` is the standard deviation per axis of its
    single points about it (None: not measured, the default placement noise).
    """

    id: str
    count: int
    bias_mm: Triple
    covariance_mm2: tuple[Triple, Triple, Triple]
    scatter_mm: float | None = None

    def __post_init__(self) -> None:
        landmark_term(self.id)
        matrix = np.array(self.covariance_mm2)
        fine = matrix.shape == (3, 3) and np.isfinite(matrix).all() and np.isfinite(self.bias_mm).all()
        if not fine or not np.allclose(matrix, matrix.T, atol=1e-9) or np.linalg.eigvalsh(matrix).min() < -1e-9:
            raise SettingsError(
                f"reader model, {self.id}: a covariance that cannot be", expected="symmetric, not negative"
            )
        if self.scatter_mm is not None and not (0.0 <= self.scatter_mm < np.inf):
            raise SettingsError(f"reader model, {self.id}: scatter {self.scatter_mm:g} mm", expected="zero or more")
        if self.count < LEAST_ATTEMPTS:
            raise SettingsError(
                f"reader model, {self.id}: {self.count} placements",
                expected=f"at least {LEAST_ATTEMPTS}",
                action="practise more ears, or leave this landmark out",
            )


@dataclass(frozen=True, slots=True)
class ReaderModel:
    """What was measured of one reader; ``origin`` is ``synthetic`` or ``experts``.

    Scatter measured on synthetic ears may widen a plan and never narrows it: the default placement noise stays its
    floor in every direction.
    """

    reader: str
    origin: str
    landmarks: tuple[ReaderLandmark, ...]

    def __post_init__(self) -> None:
        if self.origin not in ("synthetic", "experts"):
            raise SettingsError(f"reader model of origin '{self.origin}'", expected="synthetic or experts")
        ids = [item.id for item in self.landmarks]
        if len(set(ids)) != len(ids):
            raise SettingsError("reader model with a landmark twice", expected="each landmark once")


@dataclass(frozen=True, eq=False)
class ReaderTerm:
    """The doubt of one placement in LPS.

    Parameters
    ----------
    scale_lps
        Shape (3, 3), mm^2: scale of a multivariate t distribution about the placed point.
    bias_lps
        Shape (3, 3), mm^2: the bias squared alone, for points that have repeats of their own.
    degrees_of_freedom
        Of the t distribution.
    words
        The source as the budget names it.
    each_mm
        Of a ring or list: standard uncertainty per axis of its single points, besides the shift of the whole; else 0.
    """

    scale_lps: Floats
    bias_lps: Floats
    degrees_of_freedom: float
    words: str
    each_mm: float = 0.0

    @property
    def covariance_lps(self) -> Floats:
        """Shape (3, 3), mm^2: of the t distribution, whose tails make it wider than its scale."""
        nu = self.degrees_of_freedom
        return self.scale_lps * (nu / (nu - 2.0))


def placement_mm2(landmark_id: str, terms: Mapping[str, ReaderTerm], *, noise_mm: float) -> Floats:
    """Covariance of one placement of a landmark in an ear; every number that depends on a hand takes it from here.

    Parameters
    ----------
    landmark_id
        Placed already or still to be placed; of a ring or list, one of its points.
    terms
        The measured doubt of whoever places it, from `reader_terms`; what it does not know has the default.
    noise_mm
        Default placement noise per axis.

    Returns
    -------
    numpy.ndarray
        Shape (3, 3), LPS mm^2.

    Raises
    ------
    LandmarkError
        For an unknown id.

    Notes
    -----
    A measured reader's t distribution counts with its variance.

    Example
    -------
    >>> placement_mm2("umbo", {}, noise_mm=0.3).round(2).tolist()
    [[0.09, 0.0, 0.0], [0.0, 0.09, 0.0], [0.0, 0.0, 0.09]]
    """
    own = terms.get(landmark_id)
    return noise_mm**2 * np.eye(3) if own is None else own.covariance_lps + own.each_mm**2 * np.eye(3)


def placement_u_mm(landmark_id: str, terms: Mapping[str, ReaderTerm], *, noise_mm: float) -> float:
    """The same as one number: standard uncertainty per axis, the root of the mean variance, mm."""
    if landmark_id not in terms:
        return noise_mm
    return float(np.sqrt(np.trace(placement_mm2(landmark_id, terms, noise_mm=noise_mm)) / 3.0))


def later_placement_u_mm(landmark_id: str, terms: Mapping[str, ReaderTerm], *, noise_mm: float) -> float:
    """The same of a landmark that only a later scan will show, placed as well as any other.

    Notes
    -----
    A reader who was never measured at it: the root mean square over the landmarks that were, where that is wider than
    the default.
    """
    if landmark_id in terms or not terms:
        return placement_u_mm(landmark_id, terms, noise_mm=noise_mm)
    known = [placement_u_mm(name, terms, noise_mm=noise_mm) for name in terms]
    return max(noise_mm, float(np.sqrt(np.mean(np.square(known)))))


def moves_as_one(landmark_id: str) -> bool:
    """Whether a reader's error at a landmark is measured as the shift of several points together."""
    return landmark_term(landmark_id).kind in ("ring", "list")


def reader_terms(
    model: ReaderModel | None, landmarks: LandmarkSet, side: Side, *, floor_mm: float
) -> Mapping[str, ReaderTerm]:
    """The reader's doubt of every landmark of an ear that the model knows.

    Parameters
    ----------
    model
        None gives no term.
    landmarks, side
        The ear, for its directions.
    floor_mm
        Default placement noise per axis: the floor of scatter that was measured on synthetic ears.

    Returns
    -------
    mapping
        Landmark id to its term.

    Raises
    ------
    Nothing.

    Notes
    -----
    The placed points are left where they are: the bias counts as doubt (covariance times 1 + 1/n, plus bias squared).
    Of a ring, each point keeps at least the default noise on synthetic ears, and the shift of the whole is added.

    References
    ----------
    JCGM 100:2008, clause F.2.4.5; predictive t: Hahn and Meeker (1991), doi:10.1002/9780470316771 (from memory).
    """
    from ctmeasure.planning.scoring.points import axes_of
    from ctmeasure.uncertainty.observer.reader import ReaderSpread

    if model is None:
        return {}
    rows = np.array(axes_of(landmarks, side).rows_lps)
    found = {}
    for item in model.landmarks:
        spread = ReaderSpread(item.count, np.array(item.bias_mm), np.array(item.covariance_mm2))
        together, least = moves_as_one(item.id), floor_mm if model.origin == "synthetic" else 0.0
        scale = _floored(spread.predictive_mm2, 0.0 if together else least)
        each = max(least, floor_mm if item.scatter_mm is None else item.scatter_mm) if together else 0.0
        bias = np.outer(spread.bias_mm, spread.bias_mm)
        words = f"measured on {model.reader}, {item.count} placements, {model.origin}"
        term = ReaderTerm(rows.T @ scale @ rows, rows.T @ bias @ rows, float(spread.degrees_of_freedom), words, each)
        found[item.id] = term
    return found


def _floored(matrix: Floats, floor_mm: float) -> Floats:
    """The same scatter, at least the floor in every direction."""
    values, axes = np.linalg.eigh(matrix)
    return (axes * np.maximum(values, floor_mm**2)) @ axes.T
