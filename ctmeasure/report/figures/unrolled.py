"""The canal wall unrolled: clock hours as that ear's surgeon reads them, distance from the rim upwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ctmeasure.report.figures.canvas import (
    FONT_PT,
    INK,
    PAPER,
    SOFT_INK,
    LabelPlacer,
    Paper,
    axes_mm,
    drawing,
    filled,
    frame_and_ticks,
    halo,
    image_bytes,
    joined_strokes,
    strokes,
)
from ctmeasure.report.figures.looks import OUT_OF_REACH, STROKE_SHARE, VERDICT_LOOKS, patch_style
from ctmeasure.report.figures.map_layers import (
    LAYER_TITLES,
    VALUE_LAYERS,
    Layer,
    cells_behind,
    draw_far_legend,
    draw_scale,
    far_colours,
    likeliest_behind,
    shades,
    write_letters,
)
from ctmeasure.report.figures.margin import margin_lines
from ctmeasure.report.figures.outlines import merged_outlines
from ctmeasure.report.figures.slices import side_words
from ctmeasure.report.figures.wall import Floats, WallScene, dial, split_runs

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM = 180.0
SEAM_PT = 0.3
"""Areas of a shade are drawn this much wider, or a hair of paper would show between neighbours."""
INSIDE_SHOWN_MM = 1.6
"""How much of the middle-ear side of the rim is drawn: room for the spines and for shadows that pass behind the rim."""
DIRECTIONS = (("S (upper)", 0.0), ("P (back)", 90.0), ("A (front)", 270.0))
MARGIN_LAYERS = ("verdict", "clearance")
"""Layers in which the contour of the margin is drawn: on these it says something."""
UNDECIDED = "not assessed"
NARROWEST_WORDS_H = 0.8
"""The words are written over a stretch of at least this many hours; the pattern and the legend name the rest."""


def unrolled_map(
    scene: WallScene, *, layer: Layer = "verdict", width_mm: float = WIDTH_MM, legend: bool = True
) -> bytes:
    """Draw one layer of the unrolled wall.

    Parameters
    ----------
    scene
        The wall with its cells, holes, shadows and landmarks.
    layer
        Verdict, thickness, clearance, probability, access or far side.
    width_mm
        Print width.
    legend
        Whether the legend in words stands under the map.

    Returns
    -------
    bytes
        An SVG file; equal input gives equal bytes.
    """
    looks_mm = 20.0 if scene.out_of_reach else 14.0
    scale_mm = 30.0 if layer == "far side" else 9.0
    legend_mm = (looks_mm if layer == "verdict" else scale_mm) if legend else 0.0
    left, right, bottom, top = 15.0, 3.0, 17.0 + legend_mm, 7.5
    map_height = 62.0 if layer == "verdict" else 50.0
    with drawing(width_mm, bottom + map_height + top) as figure:
        axes = axes_mm(figure, left, bottom, width_mm - left - right, map_height)
        _frame(axes, scene)
        if layer == "verdict":
            _verdicts(axes, scene)
            _reach_strokes(axes, scene)
        elif layer == "far side":
            _far_sides(axes, scene)
        else:
            _values(axes, scene, layer)
            if layer == "access":
                _reach_strokes(axes, scene)
        if layer in MARGIN_LAYERS:
            _margin(axes, scene)
        placer = LabelPlacer(axes)
        _hole_band(axes, scene, layer)
        _rim(axes, scene, placer)
        for hole in scene.holes:
            placer.block(float(dial(hole.wall_angle_deg, scene.side)), hole.rim_distance_mm, 8.0, 8.0)
        _holes(axes, scene, placer)
        _shadows(axes, scene, placer)
        if layer == "verdict":
            _marks(axes, scene, placer)
        _directions(axes, scene)
        title = f"{side_words(scene.side)} \N{MIDDLE DOT} {LAYER_TITLES[layer]}"
        figure.text(0.0, 1 - 0.6 / (bottom + map_height + top), title, va="top", fontsize=FONT_PT + 1.5, weight="bold")
        if scene.clock_flag:
            figure.text(
                1 - right / width_mm, 1 - 0.6 / (bottom + map_height + top), scene.clock_flag,
                va="top", ha="right", fontsize=FONT_PT, style="italic",
            )  # fmt: skip
        if legend_mm and layer == "verdict":
            draw_legend(
                Paper(figure, left), width_mm - left - right, legend_mm - 1.0, columns=2, struck=len(scene.out_of_reach)
            )
        elif legend_mm and layer == "far side":
            draw_far_legend(figure, width_mm - left - right, left, scene)
        elif legend_mm:
            draw_scale(figure, width_mm - left - right, left, VALUE_LAYERS[layer])
        return image_bytes(figure, "svg")


def _frame(axes: Axes, scene: WallScene) -> None:
    low, high = scene.rim_limits_mm
    axes.set_xlim(0.0, 12.0)
    axes.set_ylim(min(low, 0.0) - INSIDE_SHOWN_MM, high + scene.rim_step_mm / 2.0)
    hours = [6, 7, 8, 9, 10, 11, 12, 1, 2, 3, 4, 5, 6]
    rims = np.arange(0.0, high + 0.1, 1.0 if high <= 10 else 2.0)
    frame_and_ticks(
        axes, x={i: str(hour) for i, hour in enumerate(hours)}, y={float(r): f"{r:g}" for r in rims}, box=True
    )
    words: dict[str, Any] = {"xycoords": "axes fraction", "textcoords": "offset points", "fontsize": FONT_PT}
    below = "o'clock, as the surgeon sees it looking into this ear"
    axes.annotate(below, (0.5, 0.0), (0, -30.0), ha="center", va="top", **words)
    axes.annotate("mm from the rim", (0.0, 0.5), (-20.0, 0), ha="right", va="center", rotation=90, **words)


@dataclass(frozen=True, slots=True)
class Columns:
    """The map's columns in the order of the dial; a column over the 6 o'clock seam stands at both ends.

    ``order`` (n,) column of the grid; ``middles`` (n,) and ``edges`` (n + 1,) in hours along the dial.
    """

    order: npt.NDArray[np.intp]
    middles: Floats
    edges: Floats

    @classmethod
    def of(cls, scene: WallScene) -> Columns:
        """The columns of a scene."""
        x = dial(scene.wall_angles_deg, scene.side)
        order = np.argsort(x)
        order = np.concatenate([order[-1:], order, order[:1]])
        middles = x[order]
        middles[0] -= 12.0
        middles[-1] += 12.0
        half = scene.angle_step_deg / 60.0
        return cls(order, middles, np.clip(np.append(middles - half, middles[-1] + half), 0.0, 12.0))


def _areas(mask: npt.NDArray[np.bool_], scene: WallScene) -> list[Floats]:
    """Outlines of some cells of the grid on the unrolled wall."""
    columns = Columns.of(scene)
    wide = np.diff(columns.edges) > 0.0
    edges = np.append(columns.edges[:-1][wide], columns.edges[1:][wide][-1:])
    rims = scene.rim_edges_mm
    shown = mask[:, columns.order][:, wide]
    return [np.array([(edges[c], rims[r]) for c, r in outline]) for outline in merged_outlines(shown)]


def _verdicts(axes: Axes, scene: WallScene) -> None:
    for verdict in VERDICT_LOOKS:
        areas = _areas(scene.mask(scene.verdict_cells(verdict)), scene)
        filled(axes, areas, **patch_style(verdict), zorder=1.0)
    _write_not_assessed(axes, scene)


def _reach_strokes(axes: Axes, scene: WallScene) -> None:
    """A backward stroke in every cell the instrument cannot reach: light around dark, to show on every look."""
    wide, high = STROKE_SHARE * scene.angle_step_deg / 30.0, STROKE_SHARE * scene.rim_step_mm
    lines = [
        [(x - wide, cell.rim_distance_mm + high), (x + wide, max(cell.rim_distance_mm - high, 0.0))]
        for cell in scene.out_of_reach
        for x in (float(dial(cell.wall_angle_deg, scene.side)),)
    ]
    for colour, width in ((PAPER, 2.6), (INK, 1.2)):
        joined_strokes(axes, lines, colour=colour, width=width, over=1.8)


def _write_not_assessed(axes: Axes, scene: WallScene) -> None:
    """The words over every wide stretch that was not assessed."""
    middle = sum(scene.rim_limits_mm) / 2.0
    for start, end in _blank_stretches(scene):
        if end - start >= NARROWEST_WORDS_H:
            text = UNDECIDED if end - start > 1.9 else UNDECIDED.replace(" ", "\n")
            axes.text((start + end) / 2.0, middle, text, ha="center", va="center", fontsize=FONT_PT + 1, weight="bold",
                      color=INK, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.6}, zorder=4)  # fmt: skip


def _blank_stretches(scene: WallScene) -> list[tuple[float, float]]:
    """Stretches of the dial, in hours, where most of the wall was not assessed."""
    rows = len({cell.rim_distance_mm for cell in scene.cells})
    counts: dict[float, int] = {}
    for cell in scene.verdict_cells("not assessed"):
        counts[cell.wall_angle_deg] = counts.get(cell.wall_angle_deg, 0) + 1
    half = scene.angle_step_deg / 60.0
    stretches: list[tuple[float, float]] = []
    for x in sorted(float(dial(a, scene.side)) for a, n in counts.items() if n >= 0.6 * rows):
        if stretches and x - half <= stretches[-1][1] + half:
            stretches[-1] = (stretches[-1][0], min(x + half, 12.0))
        else:
            stretches.append((max(x - half, 0.0), min(x + half, 12.0)))
    return stretches


def _values(axes: Axes, scene: WallScene, layer: Layer) -> None:
    shown = VALUE_LAYERS[layer]
    table = scene.table(shown.value)
    colours, norm = shades(shown)
    known = np.isfinite(table)
    steps = np.where(known, norm(np.where(known, table, 0.0)), -1)
    for shade in np.unique(steps[known]):
        colour = colours(int(shade))
        style = {"facecolor": colour, "edgecolor": colour, "linewidth": SEAM_PT}
        filled(axes, _areas(steps == shade, scene), **style, zorder=1.0)
    _hatched(axes, scene, ~known & scene.mask(scene.cells))
    if known.sum() >= 4 and min(table.shape) >= 2:
        columns = Columns.of(scene)
        lines = axes.contour(
            columns.middles,
            scene.rims_mm,
            np.ma.masked_invalid(table[:, columns.order]),
            levels=shown.contours,
            colors=INK,
            linewidths=0.8,
            zorder=2.0,
        )
        for text in axes.clabel(lines, fmt="%g", fontsize=FONT_PT, colors=INK, inline=True, inline_spacing=2):
            text.set_path_effects(halo(2.2))
            text.set_zorder(3.0)


def _margin(axes: Axes, scene: WallScene) -> None:
    """The contour of the margin: a strong line with dots, unlike every contour of a value."""
    lines = margin_lines(scene)
    strokes(axes, lines, colour=PAPER, width=4.0, over=2.3)
    strokes(axes, lines, colour=INK, width=2.0, pattern=(0, (5, 1.2, 1, 1.2)), over=2.4)


def _far_sides(axes: Axes, scene: WallScene) -> None:
    """What lies behind: a shade and a letter for each space, so that no shade is told apart by eye alone."""
    spaces = cells_behind(scene)
    for cells, colour in zip(spaces.values(), far_colours(len(spaces)), strict=True):
        style = {"facecolor": colour, "edgecolor": colour, "linewidth": SEAM_PT}
        filled(axes, _areas(scene.mask(cells), scene), **style, zorder=1.0)
    bare = [cell for cell in scene.cells if not likeliest_behind(cell)]
    _hatched(axes, scene, scene.mask(bare))
    write_letters(axes, scene)


def _hatched(axes: Axes, scene: WallScene, empty: npt.NDArray[np.bool_]) -> None:
    if empty.any():
        filled(axes, _areas(empty, scene), **patch_style("not assessed"), zorder=1.5)
        ground = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.4}
        place: dict[str, Any] = {"transform": axes.transAxes, "ha": "right", "va": "top"}
        axes.text(0.99, 0.96, "cross-hatched: not assessed", fontsize=FONT_PT, bbox=ground, zorder=4, **place)


def _hole_band(axes: Axes, scene: WallScene, layer: Layer) -> None:
    for y in scene.hole_band_mm:
        axes.axhline(y, color=INK if layer == "verdict" else PAPER, linewidth=0.7, linestyle=(0, (6, 3)), zorder=2.2)


def _rim(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    low = axes.get_ylim()[0]
    axes.axhspan(low, 0.0, facecolor="#f1f2f4", edgecolor="none", zorder=0.5)
    axes.axhline(0.0, color=INK, linewidth=2.0, zorder=3.2)
    axes.text(0.08, low * 0.5, "rim and inside", fontsize=FONT_PT, va="center", ha="left", color=SOFT_INK)
    placer.block(0.65, low * 0.5, 44.0, 6.0)


def _holes(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    """Holes to scale: a bur mouth is an ellipse here because an hour is not a millimetre."""
    from matplotlib.patches import Ellipse

    hours_per_mm = 12.0 / (2.0 * np.pi * scene.rim_radius_mm)
    for hole in scene.holes:
        x, y = float(dial(hole.wall_angle_deg, scene.side)), hole.rim_distance_mm
        size = (2 * hole.radius_mm * hours_per_mm, 2 * hole.radius_mm)
        for colour, thick in ((PAPER, 3.4), (INK, 1.5)):
            axes.add_artist(Ellipse((x, y), *size, facecolor=PAPER, edgecolor=colour, linewidth=thick, zorder=5))
        placer.place(x, y, hole.label, size=FONT_PT + 1.5, gap_pt=8.0, weight="bold", zorder=6, path_effects=halo(3.0))


def _shadows(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    hours_per_mm = 12.0 / (2.0 * np.pi * scene.rim_radius_mm)
    low, high = axes.get_ylim()
    for shade in scene.shadows:
        x = dial(shade.wall_angles_deg, scene.side)
        keep = (shade.rim_distances_mm > low - 1.0) & (shade.rim_distances_mm < high + 1.0)
        longest: tuple[int, float, float] | None = None
        for run in split_runs(x, keep, jump=3.0):
            xs, ys, radii = x[run], shade.rim_distances_mm[run], shade.radii_mm[run]
            tangent = np.stack([np.gradient(xs / hours_per_mm), np.gradient(ys)], axis=1)
            tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
            across = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) * radii[:, None]
            for sign in (-1.0, 1.0):
                line = np.stack([xs + sign * across[:, 0] * hours_per_mm, ys + sign * across[:, 1]], axis=1)
                strokes(axes, [line], colour=PAPER, width=2.6, over=3.4)
                strokes(axes, [line], colour=INK, width=1.1, pattern=(0, (5, 2)), over=3.5)
            inside = (ys > 0.3) & (ys < high - 0.3)
            if inside.any() and (longest is None or inside.sum() > longest[0]):
                at = np.flatnonzero(inside)[inside.sum() // 2]
                longest = (int(inside.sum()), float(xs[at]), float(ys[at]))
        if longest:
            placer.place(
                longest[1], longest[2], shade.label, gap_pt=9.0, style="italic", zorder=6, path_effects=halo(3.0)
            )


def _marks(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    low, high = axes.get_ylim()
    for point in scene.points:
        if point.free or not low <= point.rim_distance_mm <= high:
            continue
        x = float(dial(point.wall_angle_deg, scene.side))
        axes.plot([x], [point.rim_distance_mm], marker="+", color=INK, markersize=8, markeredgewidth=1.3, zorder=5)
        placer.block(x, point.rim_distance_mm, 5.0, 5.0)
        placer.place(x, point.rim_distance_mm, point.label, gap_pt=7.0, zorder=6, path_effects=halo(3.0))


def _directions(axes: Axes, scene: WallScene) -> None:
    """S, A, I, P under their hours."""
    places = [(float(dial(angle, scene.side)), words, "center") for words, angle in DIRECTIONS]
    style: dict[str, Any] = {"va": "center", "fontsize": FONT_PT + 1, "weight": "bold"}
    for x, words, ha in (*places, (0.0, "I (lower)", "left"), (12.0, "I (lower)", "right")):
        frame = ("data", "axes fraction")
        axes.annotate(words, (x, 0.0), (0, -22.0), xycoords=frame, textcoords="offset points", ha=ha, **style)


def draw_legend(paper: Paper, width_mm: float, height_mm: float, *, columns: int, struck: int = 0) -> None:
    """Swatch and words of every verdict, and of the strokes when there are any, in a place of a print size."""
    from matplotlib.patches import Rectangle

    entries: list[tuple[str, str, dict[str, Any]]] = [
        (look.words, look.pattern_words, patch_style(verdict)) for verdict, look in VERDICT_LOOKS.items()
    ]
    if struck:
        entries.append((OUT_OF_REACH, f"strokes; {struck} cells", {"facecolor": PAPER, "linewidth": 0.0}))
    rows = -(-len(entries) // columns)
    for i, (words, pattern_words, style) in enumerate(entries):
        column, row = divmod(i, rows)
        x = column * width_mm / columns
        y = height_mm - (row + 1) * height_mm / rows + (height_mm / rows - 4.4) / 2
        paper.add_artist(Rectangle((x, y), 10.0, 4.4, **style))
        paper.add_artist(Rectangle((x, y), 10.0, 4.4, fill=False, edgecolor=SOFT_INK, linewidth=0.6))
        if words == OUT_OF_REACH:
            strokes(paper, [[(x + at, y + 3.2), (x + at + 1.0, y + 1.2)] for at in (2.0, 4.5, 7.0)],
                    colour=INK, width=1.2, square_ends=True)  # fmt: skip
        paper.text(x + 12.0, y + 2.2, words, va="center", fontsize=FONT_PT, weight="bold")
        paper.text(x + 39.0, y + 2.2, f"({pattern_words})", va="center", fontsize=FONT_PT)
