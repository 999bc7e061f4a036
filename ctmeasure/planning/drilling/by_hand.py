"""What the hand's doubt does to planned places: intervals of spans, bridges and rim distances, and what it may miss."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.planning.drilling.envelope import opening_width_mm
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Contribution, Estimate

Floats = NDArray[np.float64]

NORMAL_95 = 1.959963984540054
RIM_FLAG = "may break out at the rim"
SPAN_FLAG = "span may lie outside its limits"


def by_hand(
    value_mm: float, *, settings: Settings, holes: int, rim_u_mm: float | None = None, tilt_mm: float = 0.0
) -> Estimate:
    """A planned distance along the wall, or between holes, with the doubt of drilling it there.

    Parameters
    ----------
    value_mm
        As planned.
    settings
        Placement of a hole per axis.
    holes
        How many ends of the distance the hand makes.
    rim_u_mm
        Placement of the rim when the distance counts from it; such a distance may be negative, others may not.
    tilt_mm
        What the angle of the drill adds at the far ends, root sum of squares over the holes.

    Returns
    -------
    Estimate
        The plan itself has no doubt; where the holes end up has. A normal distribution.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> span = by_hand(3.0, settings=Settings(), holes=2)
    >>> round(span.standard_uncertainty, 3), round(span.low_95, 2), round(span.high_95, 2)
    (0.707, 1.61, 4.39)
    """
    parts = [Contribution("hole placement in the ear", settings.hole_placement_u_mm * math.sqrt(holes))]
    if rim_u_mm is not None:
        parts.append(Contribution("placement of the rim", rim_u_mm))
    if tilt_mm > 0.0:
        parts.append(Contribution("angle of the drill", tilt_mm))
    u = math.hypot(*(part.standard_uncertainty for part in parts))
    low = value_mm - NORMAL_95 * u
    return Estimate(
        value_mm, u, low if rim_u_mm is not None else max(low, 0.0), value_mm + NORMAL_95 * u, "mm",
        "planned value; doubt of the hand", tuple(parts),
    )  # fmt: skip


def p_breaks_out(
    rim_distance_mm: ArrayLike, angle_to_normal_deg: ArrayLike, *, settings: Settings, rim_u_mm: float
) -> Floats:
    """Probability that the edge of a hole lies beyond the rim, inside the middle ear.

    Parameters
    ----------
    rim_distance_mm
        Planned distance of the hole's centre from the rim.
    angle_to_normal_deg
        Angle of the drill, which widens the opening.
    settings
        Bur, placement of a hole.
    rim_u_mm
        Standard uncertainty of the rim.

    Returns
    -------
    numpy.ndarray
        For a normal distribution of the distance: hand and rim, root sum of squares.

    Raises
    ------
    ValueError
        When an argument is not numeric.

    Example
    -------
    >>> round(float(p_breaks_out(1.0, 0.0, settings=Settings(), rim_u_mm=0.3)), 3)
    0.115
    """
    from scipy.special import ndtr

    half = 0.5 * opening_width_mm(angle_to_normal_deg, settings=settings)
    u = max(math.hypot(settings.hole_placement_u_mm, rim_u_mm), 1e-9)
    return np.asarray(ndtr((half - np.asarray(rim_distance_mm, dtype=np.float64)) / u))


def p_span_outside(span_mm: ArrayLike, *, settings: Settings) -> Floats:
    """Probability that the distance of two holes as drilled lies outside the limits of the span.

    Parameters
    ----------
    span_mm
        As planned.
    settings
        Limits, placement of a hole per axis along the wall.

    Returns
    -------
    numpy.ndarray

    Raises
    ------
    ValueError
        When an argument is not numeric.

    Notes
    -----
    On a wall taken as flat the second hole lies off the first by the plan and two normal errors per axis: over their
    standard deviation the distance follows the non-central chi distribution with two degrees of freedom.

    References
    ----------
    Johnson NL, Kotz S, Balakrishnan N (1995) Continuous Univariate Distributions 2, chapter 29 (from memory).

    Example
    -------
    >>> p_span_outside([2.5, 3.75, 5.0], settings=Settings()).round(2).tolist()
    [0.44, 0.08, 0.53]
    """
    from scipy.special import chndtr

    u = max(settings.hole_placement_u_mm * math.sqrt(2.0), 1e-9)
    planned = (np.asarray(span_mm, dtype=np.float64) / u) ** 2
    under, up_to = (chndtr((limit / u) ** 2, 2.0, planned) for limit in (settings.span_low_mm, settings.span_high_mm))
    return np.asarray(under + 1.0 - up_to)


def span_may_leave(span_mm: ArrayLike, *, settings: Settings) -> NDArray[np.bool_]:
    """Whether the span of planned pairs lies outside its limits with more than the accepted share; many at once.

    Raises
    ------
    ValueError
        When an argument is not numeric.
    """
    # Hundreds of thousands of pairs: the function is smooth, so a table of it does.
    table = np.linspace(settings.span_low_mm, settings.span_high_mm, 501)
    found = np.interp(np.asarray(span_mm, dtype=np.float64), table, p_span_outside(table, settings=settings))
    return np.asarray(found > settings.risk_span_outside)
