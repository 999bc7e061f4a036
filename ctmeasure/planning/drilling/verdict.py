"""The verdict rule, as one small function of numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.planning.drilling.far_words import names_any, spaces_of
from ctmeasure.planning.results import Verdict, worst

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

POSTERIOR_WALL_DEG = (45.0, 165.0)
"""Wall angles on which the facial canal's larger margin holds."""
KEEP_OUT_FAR_SIDES = ("joint", "dura", "vein")
"""What may not lie behind a hole, not even possibly, whatever the probability."""
UNSURE_FAR_SIDES = ("closed cell or marrow", "soft tissue or marrow", "soft tissue", "no exit within arm length")
"""No recognised space: the bone may go on behind it, so a hole that ends there is at best a caution."""
UNSURE_EXIT_FLAG = "ends in no recognised space: bone may go on behind"
ANGLE_REFUSED_FLAG = "angle refused"
ANGLE_FLAG = "steep angle to the wall"
OUTSIDE_SECTOR_FLAG = "outside the preferred sector"


def is_posterior(wall_angle_deg: ArrayLike) -> Bools:
    """Whether wall angles lie on the posterior wall, where the facial canal's margin is larger.

    Example
    -------
    >>> is_posterior([90.0, 30.0]).tolist()
    [True, False]
    """
    angle = np.asarray(wall_angle_deg, dtype=np.float64) % 360.0
    return np.asarray((angle >= POSTERIOR_WALL_DEG[0]) & (angle <= POSTERIOR_WALL_DEG[1]))


def structure_verdict(
    central_clearance_mm: float,
    margin_mm: float,
    *,
    p_contact: float,
    upper_below_margin: float,
    accepted_risk: float,
) -> Verdict:
    """Verdict of one structure.

    Parameters
    ----------
    central_clearance_mm
        Clearance with everything at its mean.
    margin_mm
        The margin.
    p_contact
        Probability that bur and structure overlap.
    upper_below_margin
        Clopper-Pearson 95 % upper limit (or a proven bound) of the probability that the clearance is under the margin.
    accepted_risk
        Of this structure.

    Returns
    -------
    Verdict
        ``keep out`` when the contact probability exceeds the accepted risk or the central clearance is under the
        margin; ``clear`` when the upper limit is at most the accepted risk; ``caution`` otherwise.

    Raises
    ------
    TypeError
        When an argument is missing.

    Example
    -------
    >>> structure_verdict(2.0, 1.0, p_contact=0.0, upper_below_margin=0.0005, accepted_risk=0.001)
    'clear'
    """
    if p_contact > accepted_risk or central_clearance_mm < margin_mm:
        return "keep out"
    if upper_below_margin <= accepted_risk:
        return "clear"
    return "caution"


def structure_verdicts(
    central_clearance_mm: Floats,
    margin_mm: Floats,
    *,
    p_contact: Floats,
    upper_below_margin: Floats,
    accepted_risk: float,
    measured: bool,
) -> tuple[Verdict, ...]:
    """`structure_verdict` of many places at once; "not assessed" where the clearance is not a number.

    Parameters
    ----------
    central_clearance_mm, margin_mm, p_contact, upper_below_margin, accepted_risk
        As for `structure_verdict`, shape (n,).
    measured
        False when only the centre line is known: nearer than the margin is a contact whatever the radius; otherwise no
        gap is known.

    Returns
    -------
    tuple of Verdict

    Raises
    ------
    ValueError
        When shapes disagree.
    """
    known = np.isfinite(central_clearance_mm)
    with np.errstate(invalid="ignore"):
        lost = known & (central_clearance_mm < margin_mm)
        if measured:
            lost |= known & (p_contact > accepted_risk)
            clear = known & ~lost & (upper_below_margin <= accepted_risk)
            code = np.where(lost, 1, np.where(clear, 3, np.where(known, 2, 0)))
        else:
            code = np.where(lost, 1, 0)
    words: tuple[Verdict, ...] = ("not assessed", "keep out", "caution", "clear")
    return tuple(words[n] for n in code.tolist())


def place_verdict(
    structures: tuple[Verdict, ...],
    *,
    missing: bool,
    end_known: bool,
    far_side: str,
    steep: bool,
    refused: bool = False,
    barred: bool = False,
    limited: bool = False,
) -> Verdict:
    """Verdict of a site or cell: the worst over its structures and over what is known of its wall.

    Parameters
    ----------
    structures
        Verdicts of the structures there.
    missing
        A structure that its sector needs is not marked near it.
    end_known
        Whether the wall is resolved enough to say where it ends.
    far_side
        What lies behind, in the words of `far_words`: of several possible spaces the worst decides.
    steep, refused
        The angle to the wall normal is above the caution limit; above the refusal limit.
    barred
        Nothing may be said about this scan or wall at all (a fitness gate, a wall taken down).
    limited
        Something else that asks for care (a sector that is not preferred, a wall entered as eroded or rebuilt).

    Returns
    -------
    Verdict

    Raises
    ------
    TypeError
        When an argument is missing.

    Notes
    -----
    Without any structure, nothing is clear: the result is ``not assessed``.

    Example
    -------
    >>> place_verdict(("clear",), missing=False, end_known=True, far_side="attic", steep=False)
    'clear'
    >>> place_verdict(("clear",), missing=False, end_known=True, far_side="attic, possibly dura", steep=False)
    'keep out'
    >>> place_verdict((), missing=False, end_known=True, far_side="attic", steep=False)
    'not assessed'
    """
    if barred:
        return "not assessed"
    parts: list[Verdict] = [worst(*structures)]
    if missing or not end_known:
        parts.append("not assessed")
    # What is only possible behind an unmarked sector leaves it "not assessed": nobody has said what is there.
    behind = spaces_of(far_side)[:1] if missing else spaces_of(far_side)
    if refused or not set(behind).isdisjoint(KEEP_OUT_FAR_SIDES):
        parts.append("keep out")
    if steep or limited or names_any(far_side, UNSURE_FAR_SIDES):
        parts.append("caution")
    return worst(*parts)
