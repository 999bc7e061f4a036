"""A small audiogram: level downwards over frequency, with the usual signs of air and bone conduction."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.planning.hearing import Audiogram, Conduction, Threshold
from ctmeasure.report.figures.canvas import FONT_PT, INK, SOFT_INK, axes_mm, drawing, frame_and_ticks, image_bytes
from ctmeasure.report.figures.slices import side_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM, HEIGHT_MM = 110.0, 84.0
LOUDEST_DB, SOFTEST_DB = 120.0, -10.0
SHOWN_HZ = (250, 500, 1000, 2000, 3000, 4000, 8000)
SIGNS: dict[tuple[Side, Conduction, bool], str] = {
    ("right", "air", False): "o",
    ("right", "air", True): "^",
    ("left", "air", False): "x",
    ("left", "air", True): "s",
    ("right", "bone", False): "$<$",
    ("right", "bone", True): "$[$",
    ("left", "bone", False): "$>$",
    ("left", "bone", True): "$]$",
}
"""Signs by side, conduction and masking (ASHA 1990, Guidelines for audiometric symbols; from memory)."""
NO_RESPONSE_DB = 115.0
"""Where a threshold without response is drawn, with an arrow down, when the limit of the test was not noted."""


def audiogram_chart(audiograms: tuple[Audiogram, ...], *, side: Side, width_mm: float = WIDTH_MM) -> bytes:
    """The chart.

    Parameters
    ----------
    audiograms
        Before, after, or both.
    side
        The ear.
    width_mm
        Print width.

    Returns
    -------
    bytes
        An SVG file; equal input gives equal bytes.
    """
    left, bottom, top, right = 17.0, 17.0, 8.0, 4.0
    with drawing(width_mm, HEIGHT_MM) as figure:
        axes = axes_mm(figure, left, bottom, width_mm - left - right, HEIGHT_MM - bottom - top)
        axes.set_xlim(-0.5, len(SHOWN_HZ) - 0.5)
        axes.set_ylim(LOUDEST_DB, SOFTEST_DB)
        for level in range(0, int(LOUDEST_DB) + 1, 20):
            axes.axhline(level, color=SOFT_INK, linewidth=0.25)
        frame_and_ticks(
            axes,
            x={at: f"{hz / 1000:g}" for at, hz in enumerate(SHOWN_HZ)},
            y={level: f"{level:g}" for level in range(0, int(LOUDEST_DB) + 1, 20)},
        )
        axes.text(-0.135, 0.5, "dB HL", transform=axes.transAxes, rotation=90, va="center", fontsize=FONT_PT)
        axes.text(0.5, -0.125, "kHz", transform=axes.transAxes, ha="center", va="top", fontsize=FONT_PT)
        for test in audiograms:
            for conduction in ("air", "bone"):
                _line(axes, test, conduction, side)
        title = f"{side_words(side)} \N{MIDDLE DOT} hearing thresholds as entered"
        figure.text(0.0, 1 - 0.4 / HEIGHT_MM, title, va="top", fontsize=FONT_PT + 1, weight="bold")
        words = "open sign: air    bracket or angle: bone    arrow: no response"
        figure.text(0.0, 0.8 / HEIGHT_MM, words, va="bottom", fontsize=FONT_PT)
        return image_bytes(figure, "svg")


def _line(axes: Axes, test: Audiogram, conduction: Conduction, side: Side) -> None:
    """One conduction of one test; a line joins measured air thresholds only."""
    after = test.when == "after"
    found = [(at, item) for at, hz in enumerate(SHOWN_HZ) if (item := test.threshold(conduction, hz)) is not None]
    heard = [(at, item.level_db) for at, item in found if item.level_db is not None]
    if conduction == "air" and len(heard) > 1:
        style = "-" if after else (0, (4, 2))
        axes.plot(*zip(*heard, strict=True), color=INK, linewidth=1.1 if after else 0.8, linestyle=style)
    for at, item in found:
        _sign(axes, at, item, side, large=after)


def _sign(axes: Axes, at: float, item: Threshold, side: Side, *, large: bool) -> None:
    level = item.level_db if item.level_db is not None else (item.limit_db or NO_RESPONSE_DB)
    sign = SIGNS[side, item.conduction, bool(item.masked)]
    shift = 0.0 if item.conduction == "air" else (-0.12 if side == "right" else 0.12)
    size = 7.0 if large else 5.0
    axes.plot(
        [at + shift], [level], marker=sign, markersize=size, linestyle="none", color=INK, markerfacecolor="none",
        markeredgewidth=1.0 if large else 0.7,
    )  # fmt: skip
    if item.level_db is None:
        axes.annotate(
            "", (at + shift + 0.22, level + 9.0), (at + shift + 0.06, level + 2.0),
            arrowprops={"arrowstyle": "->", "color": INK, "linewidth": 0.8},
        )  # fmt: skip
