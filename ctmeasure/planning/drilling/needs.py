"""What must be marked near a place on the wall before a hole there can be anything but "not assessed"."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.sectors import Need, Sector
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import structure_term, structure_terms
from ctmeasure.planning.drilling.structures import Obstacle

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

VERTICAL_COSINE = 0.6
"""A stretch of the facial canal within about 53 degrees of straight down is its mastoid segment, the rest tympanic."""
WHOLE_PIECES = ("ossicle_remnant",)
"""Marked as a whole, so that nothing of it lies beyond the edge of the marks."""
WHOLE_LOOP = "lateral_semicircular_canal"
WHOLE_LOOP_MM = 6.0
"""The lateral canal is a short loop whose ends lead into the vestibule, away from the drill: from this length on (about
half of it, our own choice) its marks count as the whole."""
SEGMENT_MM = 2.0
"""A segment counts as marked from this length on."""
SEGMENT_WORDS = {
    "": "",
    "tympanic": "tympanic segment",
    "mastoid": "mastoid segment",
    "mastoid_confirmed": "mastoid segment, confirmed",
}


def missing_needs(
    sector: Sector,
    p_lps: Floats,
    *,
    q_lps: Floats,
    obstacles: Iterable[Obstacle],
    structures: Iterable[Structure],
    landmarks: LandmarkSet,
    facts: CaseFacts,
    canal: CanalFrame,
) -> dict[str, Bools]:
    """What a sector needs and is not marked near bur paths in it.

    Parameters
    ----------
    sector
        The sector of the paths.
    p_lps, q_lps
        Ends of the bur centre's paths, shape (n, 3), LPS mm.
    obstacles, structures, landmarks, facts
        What was marked and entered.
    canal
        The canal frame.

    Returns
    -------
    dict
        Words of the need to a mask of shape (n,): True where it is missing.

    Raises
    ------
    GeometryError
        When shapes disagree.

    Notes
    -----
    A structure with status absent is not needed if an ear can be without it (a remnant, an implant); neither is a
    chorda that was cut or given up. "Not seen" is no answer: it may be there. Only the facial canal is asked for by
    segment, told by the second genu where it is placed and else by the run of the tube: within about 50 degrees of
    straight down is mastoid. A tube that ends nearest to the path does not cover it, nor does a mastoid segment that
    ends above the path, nor a patch whose edge is nearest: what goes on beyond may be nearer, however far the mark is.
    Remnants are counted by the piece, so the edge of one is its end; half a lateral canal counts as the whole.
    """
    given = tuple(obstacles)
    absent = {item.id for item in structures if item.status == "absent" and structure_term(item.id).can_be_absent}
    if facts.chorda_cut == "yes":
        absent.add("chorda_tympani")
    result: dict[str, Bools] = {}
    for need in sector.needs:
        if need.structure in absent:
            continue
        covered = np.zeros(len(p_lps), np.bool_)
        if need.structure == "second_genu":
            if landmarks.placed("second_genu") or any(_has_both_segments(o, landmarks, canal) for o in given):
                covered[:] = True
        else:
            for obstacle in given:
                if obstacle.id == need.structure:
                    covered |= _covers(obstacle, need, p_lps, q_lps, landmarks, canal)
        result[need_words(need)] = ~covered
    return result


def need_words(need: Need) -> str:
    """A need as people read it.

    Example
    -------
    >>> need_words(Need("facial_nerve", "mastoid_confirmed")), need_words(Need("second_genu"))
    ('facial canal (mastoid segment, confirmed)', 'second genu')
    """
    term = structure_terms().get(need.structure)
    label = term.label if term else need.structure.replace("_", " ")
    part = SEGMENT_WORDS.get(need.part, need.part)
    return f"{label} ({part})" if part else label


def _covers(obstacle: Obstacle, need: Need, p: Floats, q: Floats, landmarks: LandmarkSet, canal: CanalFrame) -> Bools:
    nothing = np.zeros(len(p), np.bool_)
    if not obstacle.measured or (need.part == "mastoid_confirmed" and not obstacle.confirmed):
        return nothing
    if obstacle.id in WHOLE_PIECES or (obstacle.id == WHOLE_LOOP and _length_mm(obstacle) >= WHOLE_LOOP_MM):
        return ~nothing
    if obstacle.id != "facial_nerve" or not need.part:
        return ~obstacle.at_edge(p, q)
    segment = need.part.removesuffix("_confirmed")
    if segment_length_mm(obstacle, segment, landmarks, canal) < SEGMENT_MM:
        return nothing
    covered = ~obstacle.at_edge(p, q)
    if segment == "mastoid" and obstacle.tube_lps is not None:
        # A canal marked only down to above the path may still pass beside it further down.
        up = canal.superior_lps
        covered &= np.min(obstacle.tube_lps @ up) <= np.minimum(p @ up, q @ up)
    return covered


def _length_mm(obstacle: Obstacle) -> float:
    tube = obstacle.tube_lps
    return 0.0 if tube is None else float(np.sum(np.linalg.norm(np.diff(tube, axis=0), axis=1)))


def segment_length_mm(obstacle: Obstacle, segment: str, landmarks: LandmarkSet, canal: CanalFrame) -> float:
    """Length of the tympanic or mastoid stretch of a marked facial canal, mm.

    Parameters
    ----------
    obstacle
        The facial canal as a tube.
    segment
        "tympanic" or "mastoid".
    landmarks
        For ``second_genu``.
    canal
        For the direction up.

    Returns
    -------
    float
        mm; 0 when there is none.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        Never by itself: the genu is only read where it is placed.
    """
    tube = obstacle.tube_lps
    if tube is None or len(tube) < 2:
        return 0.0
    step = np.diff(tube, axis=0)
    length = np.linalg.norm(step, axis=1)
    up = canal.superior_lps
    vertical = np.abs(step @ up) > VERTICAL_COSINE * np.maximum(length, 1e-12)
    mastoid = vertical
    if landmarks.placed("second_genu"):
        genu = landmarks.point_lps("second_genu")
        at = int(np.argmin(np.linalg.norm(tube - genu, axis=1)))
        down_first = tube[0] @ up < tube[-1] @ up
        before = np.arange(len(step)) < at
        mastoid = before if down_first else ~before
        # A tube that does not come near the genu has no side of it.
        if np.linalg.norm(tube[at] - genu) > 3.0:
            mastoid = vertical
    return float(np.sum(length[mastoid if segment == "mastoid" else ~mastoid]))


def _has_both_segments(obstacle: Obstacle, landmarks: LandmarkSet, canal: CanalFrame) -> bool:
    return (
        obstacle.id == "facial_nerve"
        and obstacle.measured
        and all(segment_length_mm(obstacle, s, landmarks, canal) >= SEGMENT_MM for s in ("tympanic", "mastoid"))
    )
