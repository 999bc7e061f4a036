"""Holes in words that a hand can follow: from which marks, how far, how deep, and what is felt behind."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.clock import clock_words
from ctmeasure.anatomy.frames import CanalFrame, canal_frame
from ctmeasure.anatomy.vocabulary import landmark_term
from ctmeasure.case.doubts import placed_u_mm
from ctmeasure.case.holes import PlannedHole, behind_words, pair_holes, pair_span
from ctmeasure.case.model import Case
from ctmeasure.case.words import mm, probability_words, value_words
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.drilling.far_words import names_any
from ctmeasure.planning.drilling.verdict import KEEP_OUT_FAR_SIDES
from ctmeasure.planning.results import HolePair

Floats = NDArray[np.float64]

MARKS = ("scutum", "chorda_entry", "posterior_tympanic_spine", "anterior_tympanic_spine")
"""What a surgeon finds by eye at the rim, in the order in which a hole is told from it."""
SMALL_MM = 0.4
"""A part of a way shorter than this is not spoken of: a hand does not see it."""


def pair_words(case: Case, pair: HolePair) -> tuple[str, str]:
    """Both holes of a pair, one paragraph each.

    Parameters
    ----------
    case
        With results that hold the pair.
    pair
        The pair.

    Returns
    -------
    tuple of two str
        Clock hour for that ear, distance from the rim, from the scutum's edge and from where the chorda enters (with
        direction) where these are placed, from the other hole, travel of the bur, and what is felt behind.

    Raises
    ------
    Nothing.
    """
    try:
        canal = canal_frame(case.landmarks, case.side)
    except CtmeasureError:
        canal = None
    holes = pair_holes(case, pair)
    entries = [np.array(pair.entry_1_lps), np.array(pair.entry_2_lps)]
    span = value_words(pair_span(case, pair))
    found = []
    for at in (0, 1):
        parts = [f"{clock_words(holes[at].clock_hour)} o'clock", f"{value_words(holes[at].rim)} mm from the rim"]
        for mark in MARKS[:2]:
            words = from_mark(case, mark, entries[at], canal)
            if words:
                parts.append(words)
        other = "b" if at == 0 else "a"
        way = direction_words(entries[at] - entries[1 - at], canal) if canal is not None else ""
        parts.append(f"{span} mm{f' ({way})' if way else ''} from hole {other}")
        out = holes[at].p_breaks_out
        if out is not None:
            parts.append(f"P(breaks out at the rim) {probability_words(out)}")
        parts.append(_depth_words(holes[at]))
        parts.append(felt_words(holes[at]))
        found.append("; ".join(parts))
    return found[0], found[1]


def from_mark(case: Case, mark: str, entry_lps: Floats, canal: CanalFrame | None) -> str:
    """How far a hole lies from a landmark, and in which direction; empty when the mark is not placed.

    Raises
    ------
    Nothing.
    """
    if not case.landmarks.placed(mark):
        return ""
    points = case.landmarks[mark].points_lps
    nearest = points[int(np.argmin(np.linalg.norm(points - entry_lps, axis=1)))]
    away = entry_lps - nearest
    way = direction_words(away, canal) if canal is not None else ""
    u = placed_u_mm(case, mark)
    return f"{mm(float(np.linalg.norm(away)))} mm (placed to {mm(u)}) {way} of: {landmark_term(mark).label}".replace(
        "  ", " "
    )


def direction_words(way_lps: Floats, canal: CanalFrame) -> str:
    """A way in the words of the trade, its largest part first: up or down, back or forward, outwards or inwards.

    Example
    -------
    >>> from ctmeasure.geometry.frames import Frame
    >>> axes = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    >>> canal = CanalFrame(Frame(np.zeros(3), axes, "canal"), "right", "scanner")
    >>> direction_words(np.array([-1.0, 2.0, 0.1]), canal)
    'behind and outwards'
    """
    parts = (
        (float(way_lps @ canal.superior_lps), "above", "below"),
        (float(way_lps @ canal.posterior_lps), "behind", "in front"),
        (float(way_lps @ canal.axis_lps), "outwards", "inwards"),
    )
    told = sorted((p for p in parts if abs(p[0]) >= SMALL_MM), key=lambda p: -abs(p[0]))
    return " and ".join(plus if value > 0 else minus for value, plus, minus in told[:2])


def _depth_words(hole: PlannedHole) -> str:
    bone = value_words(hole.bone) if hole.bone else mm(hole.bone_mm)
    if hole.drill_mm is None:
        return f"bone {bone} mm, travel not known"
    # A hand that goes on because no way through is felt leaves what was assessed.
    return f"bone {bone} mm, the bur travels {mm(hole.drill_mm)} mm; what is said here holds no deeper, stop there"


def felt_words(hole: PlannedHole) -> str:
    """What a hand feels when the bur gets through: common practice, no source.

    Raises
    ------
    Nothing.
    """
    if names_any(hole.far_side, KEEP_OUT_FAR_SIDES) or names_any(hole.far_side, ("soft tissue",)):
        return f"felt: the bur gives way softly, no air; stop at once ({behind_words(hole)})"
    if hole.goes_through:
        return f"felt: the bur gives way into air ({behind_words(hole)})"
    return f"felt: no definite giving way ({behind_words(hole)})"
