"""How well a structure to keep clear of was marked: gap to it, part of it covered, status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure.anatomy.structures import Structure, Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.points import SAMPLE_MM, Axes, curve_gaps, outcome

COVERED_MM = 1.0
"""A stretch of the reference counts as covered where the attempt comes this close; our own choice."""


@dataclass(frozen=True, slots=True)
class StructureScore:
    """How one structure was answered.

    Parameters
    ----------
    id, expected, given
        Structure and statuses, as in `PointScore`.
    mean_mm, worst_mm
        Distance of the attempt's points from the reference's centre line (tube) or marked surface points (patch,
        ball: from its centre).
    lateral_mm, posterior_mm, superior_mm
        Mean parts of that, signed.
    covered
        Share of a reference tube that was followed; None for other shapes.
    """

    id: str
    expected: str | None
    given: str | None
    mean_mm: float | None = None
    worst_mm: float | None = None
    lateral_mm: float | None = None
    posterior_mm: float | None = None
    superior_mm: float | None = None
    covered: float | None = None

    @property
    def outcome(self) -> str:
        """As of a landmark."""
        return outcome(self.expected, self.given)


def structure_score(structure_id: str, answer: Answer, reference: Reference, axes: Axes) -> StructureScore:
    """Score one structure of an attempt against the first expert who marked it.

    Parameters
    ----------
    structure_id
        Which.
    answer, reference, axes
        As in `point_score`.

    Returns
    -------
    StructureScore

    Raises
    ------
    LandmarkError
        For an unknown id.
    """
    structure_term(structure_id)
    expected, mine = reference.structure_status(structure_id), answer.structure(structure_id)
    wanted = next((s for a in reference.answers if (s := a.structure(structure_id)) is not None and s.is_marked), None)
    given = mine.status if mine is not None else None
    if mine is None or wanted is None or not mine.is_marked or expected not in ("placed", "partial"):
        return StructureScore(structure_id, expected, given)
    gaps = _gaps(mine, wanted)
    distances = np.linalg.norm(gaps, axis=1)
    lateral, posterior, superior = (float(v) for v in axes.split(gaps).mean(axis=0))
    return StructureScore(
        structure_id, expected, given, float(distances.mean()), float(distances.max()), lateral, posterior, superior,
        covered(mine, wanted) if isinstance(wanted, Tube) and isinstance(mine, Tube) else None,
    )  # fmt: skip


def _gaps(mine: Structure, wanted: Structure) -> np.ndarray:
    """Vectors from the reference to the attempt's points, shape (n, 3)."""
    if isinstance(wanted, Tube) and len(wanted.points) > 1:
        return curve_gaps(mine.points_lps, wanted.points_lps, closed=False)
    offsets = mine.points_lps[:, None, :] - wanted.points_lps
    nearest = (offsets**2).sum(axis=2).argmin(axis=1)
    return offsets[np.arange(len(offsets)), nearest]


def covered(mine: Tube, wanted: Tube) -> float:
    """Share of the reference's centre line that the attempt follows within `COVERED_MM`.

    Example
    -------
    >>> whole = Tube("facial_nerve", "placed", ((0.0, 0, 0), (10.0, 0, 0)), radii_mm=(0.6, 0.6))
    >>> half = Tube("facial_nerve", "placed", ((0.0, 0, 0), (4.0, 0, 0)), radii_mm=(0.6, 0.6))
    >>> round(covered(half, whole), 1)
    0.5
    """
    from ctmeasure.geometry.polylines import resample_polyline

    samples = resample_polyline(wanted.points_lps, SAMPLE_MM)
    gaps = curve_gaps(samples, mine.points_lps, closed=False)
    return float((np.linalg.norm(gaps, axis=1) <= COVERED_MM).mean())
