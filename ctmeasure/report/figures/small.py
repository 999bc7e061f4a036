"""The small pictures of page one, one beside each of the five answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ctmeasure.planning.results import LengthRow
from ctmeasure.report.figures.canal_view import draw_sectors, seen
from ctmeasure.report.figures.canvas import (
    ACCENT,
    FONT_PT,
    INK,
    PAPER,
    SOFT_INK,
    axes_mm,
    drawing,
    frame_and_ticks,
    halo,
    image_bytes,
)
from ctmeasure.report.figures.lengths import likely_rows
from ctmeasure.report.figures.wall import WallScene
from ctmeasure.report.numbers import fixed, interval, probability
from ctmeasure.uncertainty.estimate import Estimate

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM, HEIGHT_MM = 54.0, 21.0
HEALTHY_MM = (-2.0, -1.4)
"""Where a healthy umbo lies against the rim plane: the row `drum_lateralisation` of the published ranges."""
NEAR_RIM_MM = 4.0
"""How far from the rim the small clock face reaches: where the holes may go."""
CHAIN = ("malleus", "incus", "stapes arch", "footplate")


def _blank(axes: Axes) -> None:
    axes.set_xlim(0.0, WIDTH_MM)
    axes.set_ylim(0.0, HEIGHT_MM)
    axes.set_axis_off()


def chain_picture(states: Mapping[str, str]) -> bytes:
    """What is left of the chain: a filled, half-filled, crossed-out or questioned sign for every part.

    Parameters
    ----------
    states
        Part name to present, partial, absent, not seen or not entered.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        axes = axes_mm(figure, 0.0, 0.0, WIDTH_MM, HEIGHT_MM)
        _blank(axes)
        for i, part in enumerate(CHAIN):
            y = HEIGHT_MM - 2.5 - i * 5.3
            state = states.get(part, "not entered")
            _state_sign(axes, 3.6, y, state)
            axes.text(8.4, y, part, va="center", fontsize=FONT_PT)
            axes.text(31.5, y, state, va="center", fontsize=FONT_PT, weight="bold")
        axes.plot([3.6, 3.6], [HEIGHT_MM - 18.4, HEIGHT_MM - 2.5], color=SOFT_INK, linewidth=0.8, zorder=0)
        return image_bytes(figure, "svg")


def _state_sign(axes: Axes, x: float, y: float, state: str) -> None:
    from matplotlib.patches import Circle, Wedge

    radius = 2.0
    axes.add_artist(Circle((x, y), radius, facecolor=PAPER, edgecolor="none", zorder=1))
    if state == "present":
        axes.add_artist(Circle((x, y), radius, facecolor=INK, edgecolor=INK, zorder=2))
        return
    line = "solid" if state in ("partial", "absent") else (0, (1.6, 1.4))
    if state == "partial":
        axes.add_artist(Wedge((x, y), radius, 90, 270, facecolor=INK, edgecolor="none", zorder=2))
    axes.add_artist(Circle((x, y), radius, fill=False, edgecolor=INK, linewidth=1.0, linestyle=line, zorder=3))
    if state == "absent":
        arm = radius * 0.68
        axes.plot([x - arm, x + arm], [y - arm, y + arm], color=INK, linewidth=1.2, zorder=3)
        axes.plot([x - arm, x + arm], [y + arm, y - arm], color=INK, linewidth=1.2, zorder=3)
    elif state in ("not seen", "not entered"):
        axes.text(x, y - 0.1, "?", ha="center", va="center", fontsize=FONT_PT, weight="bold", zorder=3)


def drum_picture(estimate: Estimate | None) -> bytes:
    """Where the drum centre stands against the rim plane, with its interval and the healthy range.

    Parameters
    ----------
    estimate
        The lateralisation, outwards positive, mm.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        axes = axes_mm(figure, 2.0, 8.6, WIDTH_MM - 4.0, 7.6)
        values = [0.0, HEALTHY_MM[0]] + ([estimate.low_95, estimate.high_95, estimate.value] if estimate else [])
        low, high = min(values) - 0.8, max(max(values), 1.0) + 0.8
        axes.set_xlim(low, high)
        axes.set_ylim(0.0, 1.0)
        step = 1 if high - low < 8 else 2
        frame_and_ticks(
            axes, x={float(t): f"{t:g}".replace("-", "\N{MINUS SIGN}") for t in range(-20, 21, step) if low < t < high}
        )
        axes.axvspan(*HEALTHY_MM, ymax=0.62, facecolor="#e3e6ea", edgecolor=SOFT_INK, linewidth=0.0, hatch="---")
        axes.plot([0, 0], [0, 1], color=INK, linewidth=2.0)
        axes.text(0.0, 1.06, "rim", ha="center", va="bottom", fontsize=FONT_PT, weight="bold")
        axes.text(sum(HEALTHY_MM) / 2, 0.68, "healthy", ha="center", va="bottom", fontsize=FONT_PT, color=INK)
        if estimate is not None:
            _interval_bar(axes, estimate, 0.5)
            if abs(estimate.value) > 0.16 * (high - low):
                axes.text(
                    estimate.value,
                    1.06,
                    "drum",
                    ha="center",
                    va="bottom",
                    fontsize=FONT_PT,
                    weight="bold",
                    color=ACCENT,
                )
        figure.text(0.0, 0.01, "← inside, mm", fontsize=FONT_PT, va="bottom", ha="left")
        figure.text(1.0, 0.01, "outside, mm →", fontsize=FONT_PT, va="bottom", ha="right")
        return image_bytes(figure, "svg")


def _interval_bar(axes: Axes, estimate: Estimate, y: float) -> None:
    ends = (estimate.low_95, estimate.high_95)
    axes.plot(ends, (y, y), color=ACCENT, linewidth=2.4, solid_capstyle="butt", zorder=4)
    for x in ends:
        axes.plot([x, x], [y - 0.14, y + 0.14], color=ACCENT, linewidth=1.6, zorder=4)
    axes.plot([estimate.value], [y], "o", color=ACCENT, markersize=6, markeredgecolor=PAPER, zorder=5)


def holes_picture(scene: WallScene | None) -> bytes:
    """A small clock face: the wall around the rim, and the first pair of holes.

    Parameters
    ----------
    scene
        The wall, or None when there is no map.

    Returns
    -------
    bytes
        An SVG file.
    """
    from matplotlib.patches import Circle

    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        if scene is None:
            return _words_only(figure, "no map of the wall")
        axes = axes_mm(figure, 0.0, 0.0, HEIGHT_MM + 4, HEIGHT_MM)
        near = tuple(cell for cell in scene.cells if cell.rim_distance_mm <= NEAR_RIM_MM)
        scene = replace(scene, cells=near, rim_limits_mm=(scene.rim_limits_mm[0], NEAR_RIM_MM))
        reach = 1.04 * (scene.rim_radius_mm + NEAR_RIM_MM + scene.rim_step_mm / 2)
        axes.set_xlim(-reach * 1.15, reach * 1.15)
        axes.set_ylim(-reach, reach)
        axes.set_aspect("equal")
        axes.set_axis_off()
        draw_sectors(axes, scene)
        axes.add_artist(Circle((0, 0), scene.rim_radius_mm, facecolor=PAPER, edgecolor=INK, linewidth=1.4, zorder=2))
        for letter, angle in (("S", 0.0), ("P", 90.0), ("I", 180.0), ("A", 270.0)):
            x, y = seen(angle, scene.rim_radius_mm * 0.62, scene)
            axes.text(float(x), float(y), letter, ha="center", va="center", fontsize=FONT_PT, weight="bold")
        first = [hole for hole in scene.holes if hole.first_pair]
        for hole in first:
            x, y = seen(hole.wall_angle_deg, scene.rim_radius_mm + hole.rim_distance_mm, scene)
            axes.plot(
                [float(x)],
                [float(y)],
                "o",
                markersize=6.0,
                color=INK,
                markeredgecolor=PAPER,
                markeredgewidth=1.4,
                zorder=5,
            )
        side = axes_mm(figure, HEIGHT_MM + 5, 0.0, WIDTH_MM - HEIGHT_MM - 5, HEIGHT_MM)
        side.set_xlim(0, 1)
        side.set_ylim(0, 1)
        side.set_axis_off()
        lines = ["as the surgeon", "sees this ear"]
        if first:
            side.plot([0.06], [0.34], "o", markersize=6.0, color=INK)
            lines_2 = "first pair"
        else:
            lines_2 = "no pair drawn"
        side.text(0.0, 0.72, "\n".join(lines), fontsize=FONT_PT, va="center", linespacing=1.3)
        side.text(0.2 if first else 0.0, 0.34, lines_2, fontsize=FONT_PT, va="center", weight="bold")
        return image_bytes(figure, "svg")


def _words_only(figure: Any, words: str) -> bytes:
    from matplotlib.patches import Rectangle

    axes = axes_mm(figure, 0.0, 0.0, WIDTH_MM, HEIGHT_MM)
    _blank(axes)
    axes.add_artist(
        Rectangle(
            (1.0, 1.0),
            WIDTH_MM - 2.0,
            HEIGHT_MM - 2.0,
            facecolor="none",
            edgecolor="#b3b9c0",
            hatch="xxx",
            linewidth=0.0,
        )
    )
    axes.text(
        WIDTH_MM / 2, HEIGHT_MM / 2, words, ha="center", va="center", fontsize=FONT_PT, weight="bold",
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 2.5},
    )  # fmt: skip
    return image_bytes(figure, "svg")


BARS = 4
"""Of the sizes on the table the likeliest are drawn; more would leave no room for their numbers."""


def length_picture(rows: Sequence[LengthRow], table_sizes_mm: Sequence[float]) -> bytes:
    """P(fits) of the likeliest sizes to have on the table, under the needed length with its interval.

    Parameters
    ----------
    rows
        Candidate sizes of the chosen reconstruction.
    table_sizes_mm
        The sizes to have on the table.

    Returns
    -------
    bytes
        An SVG file.
    """
    shown = likely_rows([row for row in rows if row.size_mm in table_sizes_mm], count=BARS)
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        if not shown or shown[0].needed is None:
            return _words_only(figure, "no length given")
        needed = shown[0].needed
        axes = axes_mm(figure, 1.5, 5.2, WIDTH_MM - 3.0, 11.6)
        axes.set_xlim(-0.6, len(shown) - 0.4)
        axes.set_ylim(0.0, 1.35)
        frame_and_ticks(axes, x={float(at): f"{row.size_mm:.2f}" for at, row in enumerate(shown)})
        for at, row in enumerate(shown):
            tall = row.p_fits or 0.0
            axes.bar(at, tall, width=0.6, color="#8fb6d6", edgecolor=INK, linewidth=0.6)
            words = f"P {probability(row.p_fits)}"
            axes.text(at, tall + 0.04, words, ha="center", va="bottom", fontsize=FONT_PT, path_effects=halo(1.6))
        figure.text(
            0.5, 0.995, f"needed {fixed(needed.value, 1)} mm ({interval(needed, 1)})", ha="center", va="top",
            fontsize=FONT_PT, weight="bold", color=ACCENT,
        )  # fmt: skip
        return image_bytes(figure, "svg")


def moved_picture(scan_date: str) -> bytes:
    """A line of scans: this one, and the empty place of an earlier one.

    Parameters
    ----------
    scan_date
        As printed; empty when the case keeps no date.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        axes = axes_mm(figure, 0.0, 0.0, WIDTH_MM, HEIGHT_MM)
        _blank(axes)
        y = 14.0
        axes.plot([4.0, 52.0], [y, y], color=SOFT_INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot([14.0], [y], "o", markersize=10, color=PAPER, markeredgecolor=SOFT_INK, markeredgewidth=1.2)
        axes.text(14.0, y, "?", ha="center", va="center", fontsize=FONT_PT, color=SOFT_INK, weight="bold")
        axes.plot([42.0], [y], "o", markersize=10, color=INK)
        axes.text(14.0, y - 4.5, "earlier scan:\nnone", ha="center", va="top", fontsize=FONT_PT, linespacing=1.2)
        axes.text(42.0, y - 4.5, "this scan" + (f"\n{scan_date}" if scan_date else ""), ha="center", va="top",
                  fontsize=FONT_PT, linespacing=1.2)  # fmt: skip
        return image_bytes(figure, "svg")
