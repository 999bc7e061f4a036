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
    """One landmark: placements, bias and covariance of one placement, in lateral, posterior, superior of the ear."""

    id: str
    count: int
    bias_mm: Triple
    covariance_mm2: tuple[Triple, Triple, Triple]

    def __post_init__(self) -> None:
        landmark_term(self.id)
        matrix = np.array(self.covariance_mm2)
        fine = matrix.shape == (3, 3) and np.isfinite(matrix).all() and np.isfinite(self.bias_mm).all()
        if not fine or not np.allclose(matrix, matrix.T, atol=1e-9) or np.linalg.eigvalsh(matrix).min() < -1e-9:
            raise SettingsError(
                f"reader model, {self.id}: a covariance that cannot be", expected="symmetric, not negative"
            )
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
    """

    scale_lps: Floats
    bias_lps: Floats
    degrees_of_freedom: float
    words: str


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
        Default placement noise per axis; the floor of scatter that was measured on synthetic ears.

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
        scale = _floored(spread.predictive_mm2, floor_mm if model.origin == "synthetic" else 0.0)
        bias = np.outer(spread.bias_mm, spread.bias_mm)
        words = f"measured on {model.reader}, {item.count} placements, {model.origin}"
        term = ReaderTerm(rows.T @ scale @ rows, rows.T @ bias @ rows, float(spread.degrees_of_freedom), words)
        found[item.id] = term
    return found


def _floored(matrix: Floats, floor_mm: float) -> Floats:
    """The same scatter, at least the floor in every direction."""
    values, axes = np.linalg.eigh(matrix)
    return (axes * np.maximum(values, floor_mm**2)) @ axes.T
