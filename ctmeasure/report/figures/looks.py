"""How a verdict looks: the same four looks on paper, on the screen and in the report; never colour alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ctmeasure.planning.results import VERDICT_WORDS, Verdict


@dataclass(frozen=True, slots=True)
class Look:
    """Fill, pattern and words of one verdict.

    ``fill`` is None where there is no colour. ``pattern`` is a hatch of the drawing library, ``ink`` its colour.
    """

    words: str
    fill: str | None
    pattern: str
    ink: str
    pattern_words: str


VERDICT_LOOKS: dict[Verdict, Look] = {
    "clear": Look(VERDICT_WORDS["clear"], "#cfe3f4", ".", "#33699a", "pale blue, sparse dots"),
    "caution": Look(VERDICT_WORDS["caution"], "#d6a23f", "//", "#5f420a", "ochre, diagonal lines"),
    "keep out": Look(VERDICT_WORDS["keep out"], "#38424f", "||||", "#98a5b4", "dark slate, dense bars"),
    "not assessed": Look(VERDICT_WORDS["not assessed"], None, "xxx", "#8d959e", "no colour, cross-hatched"),
}
"""The looks of the normative page, in the order of the legend."""


OUT_OF_REACH = "out of reach"
"""Words of the mark for cells the instrument cannot get to: margin kept there does not make a hole possible."""
STROKE_SHARE = 0.3
"""That mark is a backward stroke, this share of the cell's width and height to either side of its middle: leaning
against the lines of caution, and no part of a broken line."""


def patch_style(verdict: Verdict) -> dict[str, Any]:
    """Keyword arguments that give a matplotlib patch the look of a verdict.

    Example
    -------
    >>> patch_style("not assessed")["facecolor"]
    'none'
    """
    look = VERDICT_LOOKS[verdict]
    return {"facecolor": look.fill or "none", "edgecolor": look.ink, "hatch": look.pattern, "linewidth": 0.0}
