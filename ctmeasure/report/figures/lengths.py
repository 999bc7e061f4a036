"""How the candidate sizes divide into too short, fitting and too long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.results import LengthRow
from ctmeasure.report.figures.canvas import (
    FONT_PT,
    INK,
    SOFT_INK,
    Paper,
    axes_mm,
    drawing,
    frame_and_ticks,
    image_bytes,
)
from ctmeasure.report.figures.slices import side_words
from ctmeasure.report.numbers import probability

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM = 180.0
BAR_MM = 7.0
SIZES_SHOWN = 5
NARROWEST_WRITTEN = 0.07
"""A part of a bar narrower than this carries its number beside the bar's end instead (in the row of words)."""


@dataclass(frozen=True, slots=True)
class Part:
    """Look of one part of a bar."""

    words: str
    fill: str
    pattern: str
    ink: str


PARTS = (
    Part("too short", "#ffffff", "\\\\\\", "#7a828b"),
    Part("fits", "#8fb6d6", "", "#1f4e79"),
    Part("too long", "#c3c7cc", "---", "#4c545d"),
)


LEAST_SHOWN = 0.005
"""Below this a probability in two decimals is 0.00."""


def likely_rows(rows: Sequence[LengthRow], *, count: int = SIZES_SHOWN) -> tuple[LengthRow, ...]:
    """The sizes most likely to fit, in order of length; refused ones only when there is no other.

    A size whose probability rounds to nothing is not among them, but for the likeliest of all.

    Parameters
    ----------
    rows
        Candidate sizes of one reconstruction.
    count
        How many.

    Returns
    -------
    tuple of LengthRow
    """
    known = [row for row in rows if row.size_mm is not None and row.p_fits is not None]
    known = [row for row in known if row.rank is not None] or known
    best = sorted(known, key=lambda row: (-(row.p_fits or 0.0), row.size_mm or 0.0))[:count]
    best = [row for row in best if (row.p_fits or 0.0) >= LEAST_SHOWN] or best[:1]
    return tuple(sorted(best, key=lambda row: row.size_mm or 0.0))


def length_chart(rows: Sequence[LengthRow], *, side: Side, title: str, width_mm: float = WIDTH_MM) -> bytes:
    """Stacked bars of P(short), P(fits) and P(long), one a candidate size, with patterns and numbers.

    Parameters
    ----------
    rows
        Candidate sizes of one reconstruction, one geometry and one pair of contacts.
    side
        The ear.
    title
        What the lengths are of.
    width_mm
        Print width.

    Returns
    -------
    bytes
        An SVG file; equal input gives equal bytes.
    """
    shown = likely_rows(rows)
    height = BAR_MM * max(len(shown), 1)
    bottom, top, left, right = 9.0, 13.0, 22.0, 3.0
    with drawing(width_mm, bottom + height + top) as figure:
        axes = axes_mm(figure, left, bottom, width_mm - left - right, height)
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(len(shown) - 0.5, -0.5)
        for i, row in enumerate(shown):
            _bar(axes, i, row)
        frame_and_ticks(axes, x={share: f"{share:g}" for share in (0.0, 0.25, 0.5, 0.75, 1.0)})
        for i, row in enumerate(shown):
            weight = "bold" if row.rank == 1 else "normal"
            axes.text(-0.01, i, f"{row.size_mm:.2f} mm", ha="right", va="center", fontsize=FONT_PT, weight=weight)
        total = bottom + height + top
        figure.text(
            0.0,
            1 - 0.4 / total,
            f"{side_words(side)} \N{MIDDLE DOT} {title}",
            va="top",
            fontsize=FONT_PT + 1,
            weight="bold",
        )
        _legend(Paper(figure, left, total - 11.6))
        return image_bytes(figure, "svg")


def _bar(axes: Axes, at: float, row: LengthRow) -> None:
    from matplotlib.patches import Rectangle

    start = 0.0
    for part, value in zip(PARTS, (row.p_short, row.p_fits, row.p_long), strict=True):
        share = value or 0.0
        style: dict[str, Any] = {"facecolor": part.fill, "edgecolor": part.ink, "hatch": part.pattern, "linewidth": 0.0}
        axes.add_artist(Rectangle((start, at - 0.36), share, 0.72, **style))
        axes.add_artist(Rectangle((start, at - 0.36), share, 0.72, fill=False, edgecolor=INK, linewidth=0.6))
        if share >= NARROWEST_WRITTEN:
            ground = {"facecolor": part.fill, "edgecolor": "none", "pad": 1.0} if part.pattern else None
            axes.text(
                start + share / 2, at, probability(value), ha="center", va="center", fontsize=FONT_PT,
                weight="bold" if part.words == "fits" else "normal", bbox=ground,
            )  # fmt: skip
        start += share


def _legend(paper: Paper) -> None:
    from matplotlib.patches import Rectangle

    for i, part in enumerate(PARTS):
        x = i * 40.0
        paper.add_artist(
            Rectangle((x, 0.7), 9.0, 3.8, facecolor=part.fill, edgecolor=part.ink, hatch=part.pattern, linewidth=0.0)
        )
        paper.add_artist(Rectangle((x, 0.7), 9.0, 3.8, fill=False, edgecolor=SOFT_INK, linewidth=0.6))
        paper.text(x + 11.0, 2.5, f"P({part.words})", va="center", fontsize=FONT_PT)
