"""One landmark's error: how far, which way, and whether an expert's hand would do the same."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.frames import CanalFrame, canal_frame
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.vocabulary import Side, landmark_term
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.scoring.answers import Answer, Floats, Reference
from ctmeasure.planning.scoring.terms import practice_terms

ALLOWANCE_MM = 0.3
"""Standard deviation per axis that is allowed for on top of the experts' own scatter; the default placement noise."""
INSIDE_PROBABILITY = 0.95
"""A placement is inside when it is no further from the reference than this share of experts' placements would be."""
CLOSED_RING = "annulus"
"""The semicircular canals are arcs that end in the vestibule; only the rim closes."""
SAMPLE_MM = 0.2
"""Curves are compared at points this far apart."""


@dataclass(frozen=True, slots=True)
class Axes:
    """Lateral, posterior and superior unit directions of the ear, LPS, and where they come from."""

    rows_lps: tuple[tuple[float, float, float], ...]
    source: str

    def split(self, vector_lps: npt.ArrayLike) -> Floats:
        """Lateral, posterior and superior parts, shape (..., 3)."""
        return np.asarray(vector_lps, dtype=np.float64) @ np.array(self.rows_lps).T


@dataclass(frozen=True, slots=True)
class PointScore:
    """How one landmark was answered.

    Parameters
    ----------
    id
        Landmark.
    expected, given
        Status of the reference and of the attempt; None: nothing was said (experts disagree, or no answer).
    radial_mm
        Distance to the reference; of a ring or list the root mean square gap between the two curves.
    lateral_mm, posterior_mm, superior_mm
        Its parts; of a ring or list those of the one shift that explains the gaps best (`common_shift`).
    along_mm
        Part along the structure the landmark lies on, None where there is none.
    scatter_mm
        Of a ring or list: standard deviation per axis of its points about the reference after that shift; else None.
    limit_mm
        An expert would lie within this distance in 95 % of placements (allowance included).
    inside
        Whether the attempt does.
    """

    id: str
    expected: str | None
    given: str | None
    radial_mm: float | None = None
    lateral_mm: float | None = None
    posterior_mm: float | None = None
    superior_mm: float | None = None
    along_mm: float | None = None
    limit_mm: float | None = None
    inside: bool | None = None
    scatter_mm: float | None = None

    @property
    def outcome(self) -> str:
        """In one word: placed, agreed, missed, invented, mistaken, partly, unanswered or open."""
        return outcome(self.expected, self.given)


def outcome(expected: str | None, given: str | None) -> str:
    """What a pair of statuses means.

    Example
    -------
    >>> outcome("absent", "placed"), outcome("placed", "not_seen"), outcome("absent", "not_seen")
    ('invented', 'missed', 'mistaken')
    """
    there = ("placed", "partial")
    if expected is None:
        return "open"
    if given is None:
        return "unanswered"
    if expected in there and given in there:
        return "placed" if expected == given else "partly"
    if expected in there:
        return "missed"
    if given in there:
        return "invented"
    return "agreed" if expected == given else "mistaken"


OUTCOME_SCORES = {"placed": 1.0, "agreed": 1.0, "partly": 0.5, "mistaken": 0.5}
"""Score of a status answer; every other outcome counts zero, and an open one is not counted. Our own choice."""


def axes_of(landmarks: LandmarkSet, side: Side) -> Axes:
    """Lateral, posterior and superior of an ear: its canal frame, else the patient's axes."""
    try:
        canal: CanalFrame = canal_frame(landmarks, side)
    except CtmeasureError:
        outward = 1.0 if side == "left" else -1.0
        return Axes(((outward, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), "patient axes")
    rows = (canal.axis_lps, canal.posterior_lps, canal.superior_lps)
    return Axes(tuple((float(r[0]), float(r[1]), float(r[2])) for r in rows), "canal frame of the reference")


def limit_mm(sd_mm: float, freedom: float, count: int, *, allowance_mm: float = ALLOWANCE_MM) -> float:
    """Distance from the experts' mean within which another expert lies with 95 % probability.

    Parameters
    ----------
    sd_mm, freedom
        Experts' scatter per axis and its degrees of freedom; 0, 0 for one expert or the truth.
    count
        Experts.
    allowance_mm
        Further scatter per axis, taken as known.

    Returns
    -------
    float
        Millimetres.

    Notes
    -----
    Squared distance over the variance per axis is three times an F variable of three and (Satterthwaite's) degrees of
    freedom; with the allowance alone this is the chi-square limit 7.815 (2.795 standard deviations).

    Raises
    ------
    Nothing.

    Example
    -------
    >>> round(limit_mm(0.0, 0.0, 1, allowance_mm=1.0), 3)
    2.795
    """
    from scipy.special import chdtri, fdtri

    variance = sd_mm**2 * (1.0 + 1.0 / count)
    whole = variance + allowance_mm**2
    if freedom <= 0.0 or variance <= 0.0:
        return math.sqrt(float(chdtri(3.0, 1.0 - INSIDE_PROBABILITY)) * whole)
    effective = whole**2 * freedom / variance**2
    return math.sqrt(3.0 * float(fdtri(3.0, effective, INSIDE_PROBABILITY)) * whole)


def point_score(landmark_id: str, answer: Answer, reference: Reference, axes: Axes) -> PointScore:
    """Score one landmark of an attempt.

    Parameters
    ----------
    landmark_id
        Which.
    answer, reference, axes
        The attempt, what it is compared with, and the ear's directions.

    Returns
    -------
    PointScore
        Distances only where both placed it.

    Raises
    ------
    LandmarkError
        For an unknown id.
    """
    term = landmark_term(landmark_id)
    expected, given = reference.status(landmark_id), answer.landmarks.status(landmark_id)
    spread = reference.spread(landmark_id)
    if spread is None or not answer.landmarks.placed(landmark_id) or expected not in ("placed", "partial"):
        return PointScore(landmark_id, expected, given)
    wanted, sd, freedom = spread
    placed = answer.landmarks[landmark_id].points_lps
    experts = sum(a.landmarks.placed(landmark_id) for a in reference.answers)
    if term.kind in ("ring", "list"):
        gaps, tangents = _to_curve(placed, wanted, closed=landmark_id == CLOSED_RING)
        radial = math.sqrt(float((gaps**2).sum(axis=1).mean()))
        shift = common_shift(gaps, tangents)
        parts, along, scatter = axes.split(shift), None, _scatter(gaps, tangents, shift)
    else:
        error = placed[0] - wanted[0]
        radial, parts = float(np.linalg.norm(error)), axes.split(error)
        along, scatter = _along(landmark_id, error, reference), None
    limit = limit_mm(sd, freedom, experts)
    lateral, posterior, superior = (float(v) for v in parts)
    return PointScore(
        landmark_id, expected, given, radial, lateral, posterior, superior, along, limit, bool(radial <= limit),
        scatter,
    )  # fmt: skip


def _along(landmark_id: str, error_lps: Floats, reference: Reference) -> float | None:
    ends = practice_terms()[landmark_id].along
    if ends is None:
        return None
    first, last = (reference.spread(name) for name in ends)
    if first is None or last is None:
        return None
    line = last[0][0] - first[0][0]
    length = float(np.linalg.norm(line))
    return float(error_lps @ line) / length if length > 0.0 else None


def curve_gaps(placed_lps: npt.ArrayLike, wanted_lps: npt.ArrayLike, *, closed: bool) -> Floats:
    """Vectors from the reference curve to the placed points, each to the nearest place on the curve.

    Parameters
    ----------
    placed_lps, wanted_lps
        Shapes (n, 3) and (m, 3), m >= 2, LPS mm; their indices need not correspond.
    closed
        Whether the reference is a ring: it is then joined by a periodic curve through its points.

    Returns
    -------
    numpy.ndarray
        Shape (n, 3), LPS mm.

    Notes
    -----
    A stretch of the reference that nobody placed a point on counts nowhere here; the vocabulary asks for a minimum of
    points and quadrants.
    """
    return _to_curve(placed_lps, wanted_lps, closed=closed)[0]


def common_shift(gaps_lps: npt.ArrayLike, tangents_lps: npt.ArrayLike) -> Floats:
    """By how much a whole curve was placed elsewhere, shape (3,), LPS mm.

    Parameters
    ----------
    gaps_lps, tangents_lps
        Shape (n, 3): from the curve to each point, and the curve's unit direction there.

    Raises
    ------
    Nothing.

    Notes
    -----
    A shift shows in a gap only across the curve, so the mean gap of a ring that lies off in its own plane is half its
    shift. This is the least-squares shift s of (1 - t t') s = gap over all points; along a straight line nothing shows,
    and nothing is given.

    Example
    -------
    >>> common_shift([[0.2, 0, 0], [0, 0, 0.1]], [[0, 1, 0], [1, 0, 0]]).round(3).tolist()
    [0.2, 0.0, 0.1]
    """
    gaps, tangents = np.asarray(gaps_lps, dtype=np.float64), np.asarray(tangents_lps, dtype=np.float64)
    across = np.eye(3) - tangents[:, :, None] * tangents[:, None, :]
    shift: Floats = np.linalg.pinv(across.sum(axis=0), rcond=1e-6, hermitian=True) @ gaps.sum(axis=0)
    return shift


def _scatter(gaps: Floats, tangents: Floats, shift: Floats) -> float | None:
    """Standard deviation per axis across the curve, about its shifted place; None with too few points to tell."""
    left = gaps - (shift - (tangents @ shift)[:, None] * tangents)
    freedom = 2 * len(gaps) - 3
    return math.sqrt(float((left**2).sum()) / freedom) if freedom > 0 else None


def _to_curve(placed_lps: npt.ArrayLike, wanted_lps: npt.ArrayLike, *, closed: bool) -> tuple[Floats, Floats]:
    """Gap from the curve to each placed point, and the curve's unit direction there; shapes (n, 3)."""
    from scipy.interpolate import CubicSpline

    placed, wanted = (np.asarray(p, dtype=np.float64).reshape(-1, 3) for p in (placed_lps, wanted_lps))
    knots = np.concatenate([wanted, wanted[:1]]) if closed else wanted
    steps = np.maximum(np.linalg.norm(np.diff(knots, axis=0), axis=1), 1e-9)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    count = max(int(arc[-1] / SAMPLE_MM), 2) + 1
    smooth = closed and len(wanted) >= 4
    at = np.linspace(0.0, arc[-1], count)
    if smooth:
        knots[-1] = knots[0]
        curve = CubicSpline(arc, knots, bc_type="periodic")(at)
    else:
        curve = np.stack([np.interp(at, arc, knots[:, i]) for i in range(3)], axis=1)
    return _to_segments(placed, curve)


def _to_segments(points: Floats, curve: Floats) -> tuple[Floats, Floats]:
    """Vector from the nearest place of a polyline to each point, and the direction there, shapes (n, 3)."""
    start, along = curve[:-1], np.diff(curve, axis=0)
    squares = np.maximum((along**2).sum(axis=1), 1e-18)
    offset = points[:, None, :] - start
    share = np.clip((offset * along).sum(axis=2) / squares, 0.0, 1.0)
    gaps = offset - share[..., None] * along
    nearest = (gaps**2).sum(axis=2).argmin(axis=1)
    direction = (along / np.sqrt(squares)[:, None])[nearest]
    return gaps[np.arange(len(points)), nearest], direction
