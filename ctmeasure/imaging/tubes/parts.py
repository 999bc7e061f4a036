"""Named parts of the facial canal: its two genua, and the segments between them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.polylines import arc_lengths_mm
from ctmeasure.imaging.tubes.result import Genu, Part, Segment

Floats = NDArray[np.float64]

ARM_MM = 2.0
"""Directions before and after a bend are taken over this length ..."""
CLEAR_MM = 1.2
"""... starting this far from its middle, outside the rounding."""
AXIS_CLEAR_MM, AXIS_ARM_MM = 2.2, 3.0
"""The same for the angle itself: the axes of the two segments, clear of the whole bend; shorter where the path ends."""
LEAST_TURN_DEG = 30.0
"""A gentler bend is no genu."""
APART_MM = 4.0
"""Two bends nearer than this are one."""
DOWN = 0.5
"""Least downward component of the way on behind the second genu (heads are tipped by some 20 degrees)."""
HAIRPIN_DEG = 110.0
"""No canal turns by this much within three millimetres: the way led to a stray click and back (our choice)."""
HAIRPIN_CLEAR_MM, HAIRPIN_ARM_MM = 0.3, 1.2
ANGLE_FLOOR_DEG = 2.0
"""A bend between gently curved arms has no sharper angle than this (our choice)."""


def genua(path_lps: Floats, *, centre_u_mm: Floats) -> tuple[Genu, ...]:
    """Find the genua of a facial canal traced from its inner end to the foramen.

    Parameters
    ----------
    path_lps
        Shape (n, 3), LPS mm.
    centre_u_mm
        Shape (n,): standard uncertainty of the centres.

    Returns
    -------
    tuple of Genu
        None to two of them, in order. The first genu is where the canal turns backwards, the second where it turns
        down; a bend whose arms the clicks do not span is not named.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the path has no length.
    """
    along = arc_lengths_mm(path_lps)
    turns = np.zeros(len(path_lps))
    for n in range(len(path_lps)):
        arms = _arms(path_lps, along, n)
        if arms is not None:
            turns[n] = np.degrees(np.arccos(np.clip(arms[0] @ arms[1], -1.0, 1.0)))
    places: list[int] = []
    left = turns.copy()
    while len(places) < 2 and left.max(initial=0.0) > LEAST_TURN_DEG:
        places.append(int(np.argmax(left)))
        left[np.abs(along - along[places[-1]]) < APART_MM] = 0.0
    places.sort()
    onwards = [_onwards(path_lps, along, n) for n in places]
    names: list[Literal["first genu", "second genu"]]
    if len(places) == 2 and -onwards[1][2] > DOWN:
        names = ["first genu", "second genu"]
    else:
        # One bend, or a canal that does not end downwards: the steeper way on decides, and one name is given once.
        names = ["second genu" if -way[2] > max(DOWN, way[1]) else "first genu" for way in onwards]
        if len(set(names)) < len(names):
            places, names = places[:1], names[:1]
    # Each arm's direction: two ends, an arm's length apart.
    u = float(np.hypot(np.degrees(2.0 * float(np.median(centre_u_mm)) / ARM_MM), ANGLE_FLOOR_DEG))
    return tuple(Genu(name, n, _angle(path_lps, along, n), u) for name, n in zip(names, places, strict=True))


def turns_back(path_lps: Floats) -> NDArray[np.bool_]:
    """Where a path turns back on itself, shape (n,).

    Parameters
    ----------
    path_lps
        Shape (n, 3), LPS mm.

    Returns
    -------
    numpy.ndarray

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the path has no length.

    Example
    -------
    >>> there = np.linspace(0.0, 3.0, 13)[:, None] * [1.0, 0.0, 0.0]
    >>> back = there[-2::-1] + [0.0, 0.1, 0.0]
    >>> bool(turns_back(np.concatenate([there, back])).any()), bool(turns_back(there).any())
    (True, False)
    """
    along = arc_lengths_mm(path_lps)
    found = np.zeros(len(path_lps), np.bool_)
    for n in range(len(path_lps)):
        arms = _arms(path_lps, along, n, clear_mm=HAIRPIN_CLEAR_MM, arm_mm=HAIRPIN_ARM_MM)
        found[n] = arms is not None and float(arms[0] @ arms[1]) < np.cos(np.radians(HAIRPIN_DEG))
    return found


def _angle(path: Floats, along: Floats, n: int) -> float:
    """Inner angle (degrees) between the segments that meet at a bend."""
    arms = _arms(path, along, n, clear_mm=AXIS_CLEAR_MM, arm_mm=AXIS_ARM_MM) or _arms(path, along, n)
    assert arms is not None
    return float(np.degrees(np.arccos(np.clip(-arms[0] @ arms[1], -1.0, 1.0))))


def _onwards(path: Floats, along: Floats, n: int) -> Floats:
    arms = _arms(path, along, n)
    assert arms is not None
    return arms[1]


def _arms(
    path: Floats, along: Floats, n: int, *, clear_mm: float = CLEAR_MM, arm_mm: float = ARM_MM
) -> tuple[Floats, Floats] | None:
    """Directions before and behind a sample, or None where the path is too short on either side."""
    at = along[n]
    if at < clear_mm + 0.6 * arm_mm or along[-1] - at < clear_mm + 0.6 * arm_mm:
        return None
    ends = []
    for low, high in ((at - clear_mm - arm_mm, at - clear_mm), (at + clear_mm, at + clear_mm + arm_mm)):
        a, b = (np.array([np.interp(s, along, path[:, k]) for k in range(3)]) for s in (low, high))
        ends.append((b - a) / np.linalg.norm(b - a))
    return ends[0], ends[1]


def segments(
    path_lps: Floats, *, structure_id: str, bends: tuple[Genu, ...], confirmed: Collection[str] | bool
) -> tuple[Segment, ...]:
    """Cut the path at its genua and name the parts.

    Parameters
    ----------
    path_lps
        Shape (n, 3), LPS mm.
    structure_id
        The tube.
    bends
        From `genua`.
    confirmed
        Names of the parts a person confirmed, or True for all, False for none.

    Returns
    -------
    tuple of Segment
        Without a genu a part of the facial canal is named by its direction: mastoid when it runs down, tympanic when it
        runs backwards, else not named.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the path has no length.
    """
    along = arc_lengths_mm(path_lps)
    last = len(path_lps) - 1
    names: list[Part]
    cuts = [bend.sample for bend in bends]
    if structure_id != "facial_nerve":
        names = ["chorda"]
        cuts = []
    elif len(bends) == 2:
        names = ["labyrinthine", "tympanic", "mastoid"]
    elif bends:
        names = ["labyrinthine", "tympanic"] if bends[0].name == "first genu" else ["tympanic", "mastoid"]
    else:
        run = (path_lps[-1] - path_lps[0]) / max(float(np.linalg.norm(path_lps[-1] - path_lps[0])), 1e-9)
        names = ["mastoid" if run[2] < -0.8 else "tympanic" if run[1] > 0.7 else "not named"]
    edges = [0, *cuts, last]
    return tuple(
        Segment(
            name,
            edges[n],
            edges[n + 1],
            float(along[edges[n + 1]] - along[edges[n]]),
            0 < n < len(names) - 1,
            confirmed if isinstance(confirmed, bool) else name in confirmed,
        )
        for n, name in enumerate(names)
    )
