"""Small line drawings of an ear, our own: where a point is clicked, on four sketches that every point shares.

Units: 100 wide, 70 high, a right ear as its pictures hang (outside left); a left ear is mirrored by `sketch`.
"""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.anatomy.vocabulary import Side

Line = tuple[tuple[float, float], ...]
WIDTH, HEIGHT = 100.0, 70.0

UPRIGHT: tuple[Line, ...] = (
    ((0, 28), (14, 27), (30, 28), (40, 27), (45, 24), (44, 18), (40, 14), (46, 9), (58, 8), (72, 10), (78, 16)),
    ((0, 54), (20, 53), (40, 53), (52, 53), (56, 58), (66, 58), (70, 52)),
    ((45, 24), (48, 32), (50, 40), (52, 47), (52, 53)),
    ((78, 16), (75, 22), (77, 27), (72, 31), (72, 39), (69, 44), (72, 49), (70, 52)),
    ((72, 31), (72, 39)),
    ((80, 19), (84, 17), (87, 20), (84, 24), (80, 23), (80, 19)),
    ((30, 4), (46, 3), (62, 2), (80, 6)),
)
"""Cut upright along the canal: canal, drum, attic, tegmen above, promontory and oval window on the right."""
LEVEL: tuple[Line, ...] = (
    ((0, 30), (16, 28), (32, 27), (44, 25), (50, 22), (60, 20), (70, 24), (78, 22)),
    ((0, 50), (18, 52), (36, 51), (46, 52), (54, 56), (60, 50), (66, 49), (68, 43)),
    ((44, 25), (46, 38), (46, 52)),
    ((78, 22), (74, 29), (70, 31), (70, 38), (68, 43)),
    ((61, 33), (67, 31), (70, 31)),
    ((61, 33), (67, 36), (70, 38)),
    ((24, 18), (34, 13), (44, 16)),
    ((14, 70), (20, 64), (32, 64), (38, 70)),
)
"""Cut level along the canal: front above, back below."""
ACROSS: tuple[Line, ...] = (
    ((50, 8), (62, 11), (71, 19), (75, 31), (72, 44), (63, 54), (50, 58), (37, 54), (28, 44), (25, 31), (29, 19),
     (38, 11), (50, 8)),
    ((38, 15), (43, 18), (50, 16), (57, 18), (62, 15)),
    ((40, 15), (33, 22), (30, 32), (33, 44), (41, 51), (50, 53), (60, 50), (67, 42), (70, 31), (67, 22), (60, 15)),
    ((25, 36), (33, 33), (42, 26), (50, 24)),
)  # fmt: skip
"""Down the canal as the surgeon looks in: the wall outside, the rim inside, open at the notch above."""
INNER: tuple[Line, ...] = (
    ((2, 24), (16, 12), (40, 6), (70, 8), (96, 18)),
    ((96, 18), (94, 40), (84, 58), (60, 66), (34, 62), (12, 48), (2, 24)),
    ((20, 18), (30, 13), (40, 15), (46, 20)),
    ((74, 28), (58, 26), (42, 27), (32, 31), (28, 42), (27, 60)),
    ((78, 24), (60, 22), (42, 22), (27, 27), (23, 42), (22, 60)),
    ((44, 36), (47, 32), (54, 32), (58, 36), (54, 40), (47, 40), (44, 36)),
    ((40, 52), (44, 49), (48, 52), (44, 56), (40, 52)),
    ((52, 44), (62, 42), (70, 48), (68, 56), (58, 57), (52, 50), (52, 44)),
)
"""The inner wall of the middle ear, front on the right: facial canal, windows, promontory."""
SKETCHES: dict[str, tuple[Line, ...]] = {"upright": UPRIGHT, "level": LEVEL, "across": ACROSS, "inner": INNER}
WORDS: dict[str, tuple[str, str, str, str]] = {
    "upright": ("outside", "inside", "up", "down"),
    "level": ("outside", "inside", "front", "back"),
    "across": ("back", "front", "up", "down"),
    "inner": ("back", "front", "up", "down"),
}
"""What is left, right, above and below on each sketch of a right ear."""


@dataclass(frozen=True, slots=True)
class Sketch:
    """A drawing ready to paint: lines and the place of the mark, and what its edges are called."""

    lines: tuple[Line, ...]
    spot: tuple[float, float]
    left: str
    right: str
    top: str
    bottom: str


def sketch(drawing: str, spot: tuple[float, float], side: Side) -> Sketch:
    """The drawing of one point for one ear.

    Parameters
    ----------
    drawing
        Key of `SKETCHES`.
    spot
        The mark, in the drawing's units for a right ear.
    side
        A left ear is mirrored.

    Returns
    -------
    Sketch

    Raises
    ------
    KeyError
        For a drawing there is not.

    Example
    -------
    >>> sketch("across", (30.0, 36.0), "left").spot
    (70.0, 36.0)
    """
    lines, (left, right, top, bottom) = SKETCHES[drawing], WORDS[drawing]
    if side == "left":
        lines = tuple(tuple((WIDTH - x, y) for x, y in line) for line in lines)
        spot, left, right = (WIDTH - spot[0], spot[1]), right, left
    return Sketch(lines, spot, left, right, top, bottom)
