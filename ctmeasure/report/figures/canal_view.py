"""The view down the canal, as the surgeon sees it looking into that ear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.clock import clock_hour
from ctmeasure.report.figures.canvas import (
    FONT_PT,
    INK,
    PAPER,
    SOFT_INK,
    LabelPlacer,
    axes_mm,
    drawing,
    filled,
    halo,
    image_bytes,
    joined_strokes,
    strokes,
)
from ctmeasure.report.figures.looks import STROKE_SHARE, VERDICT_LOOKS, patch_style
from ctmeasure.report.figures.outlines import Corner, merged_outlines
from ctmeasure.report.figures.slices import side_words
from ctmeasure.report.figures.wall import Floats, WallScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_MM = 118.0
TITLE_MM = 7.0
ARC_STEPS = 2
"""Straight pieces an arc has for every column of the map."""


def seen(wall_angle_deg: npt.ArrayLike, radius_mm: npt.ArrayLike, scene: WallScene) -> tuple[Floats, Floats]:
    """Where a wall angle and a distance from the centre appear to the surgeon: right and up, mm.

    Notes
    -----
    The clock of `ctmeasure.anatomy.clock` decides; no sign is flipped here.
    """
    turn = np.radians(clock_hour(wall_angle_deg, scene.side) * 30.0)
    radius = np.asarray(radius_mm, dtype=np.float64)
    return radius * np.sin(turn), radius * np.cos(turn)


def down_the_canal(scene: WallScene, *, width_mm: float = WIDTH_MM) -> bytes:
    """Draw the clock face with the rim ring, the wall opened out around it, holes, shadows and the drum centre.

    Parameters
    ----------
    scene
        The wall with its cells, holes, shadows and landmarks.
    width_mm
        Print width.

    Returns
    -------
    bytes
        An SVG file; equal input gives equal bytes.

    Notes
    -----
    Outside the ring a millimetre from the rim is a millimetre outwards on paper (a funnel opened out); inside it points
    appear where a straight look along the canal axis meets them.
    """
    height_mm = width_mm + TITLE_MM
    with drawing(width_mm, height_mm) as figure:
        axes = axes_mm(figure, 0.0, 0.0, width_mm, width_mm)
        outer = scene.rim_radius_mm + scene.rim_limits_mm[1] + scene.rim_step_mm / 2
        reach = outer * 1.24
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-reach, reach)
        axes.set_aspect("equal")
        axes.set_axis_off()
        placer = LabelPlacer(axes)
        draw_sectors(axes, scene)
        _rings(axes, scene, outer)
        _clock(axes, scene, outer, placer)
        _scale(axes, reach, placer)
        for hole in scene.holes:
            x, y = _place(hole.wall_angle_deg, hole.rim_distance_mm, 0.0, scene)
            placer.block(x, y, 7.0, 7.0)
        _holes(axes, scene, placer)
        _points(axes, scene, placer)
        _shadows(axes, scene, placer)
        title = f"{side_words(scene.side)} \N{MIDDLE DOT} down the canal, as seen by the surgeon"
        figure.text(0.01, 1 - 0.6 / height_mm, title, va="top", fontsize=FONT_PT + 1, weight="bold")
        return image_bytes(figure, "svg")


def draw_sectors(axes: Axes, scene: WallScene, *, patterned: bool = True) -> None:
    """The verdict cells as ring sectors; shared with the small picture of page one."""
    if not scene.cells:
        return
    turns = np.append(scene.wall_angles_deg, scene.wall_angles_deg[-1] + scene.angle_step_deg)
    turns -= scene.angle_step_deg / 2.0
    radii = scene.rim_radius_mm + scene.rim_edges_mm
    for verdict in VERDICT_LOOKS:
        style: dict[str, Any] = patch_style(verdict)
        if not patterned and verdict != "not assessed":
            style["hatch"] = None
        outlines = merged_outlines(scene.mask(scene.verdict_cells(verdict)))
        filled(axes, [_bent(outline, turns, radii, scene) for outline in outlines], **style, zorder=1.0)
    _reach_strokes(axes, scene)


def _reach_strokes(axes: Axes, scene: WallScene) -> None:
    """A stroke in every cell the instrument cannot reach, as on the unrolled map."""
    turn = STROKE_SHARE * scene.angle_step_deg * (1.0 if scene.side == "left" else -1.0)
    ends = np.array([-1.0, 1.0])
    lines = [
        np.stack(
            seen(
                cell.wall_angle_deg + ends * turn,
                scene.rim_radius_mm + np.maximum(cell.rim_distance_mm - ends * STROKE_SHARE * scene.rim_step_mm, 0.0),
                scene,
            ),
            axis=1,
        )
        for cell in scene.out_of_reach
    ]
    for colour, width in ((PAPER, 2.2), (INK, 1.0)):
        joined_strokes(axes, lines, colour=colour, width=width, over=1.8)


def _bent(outline: list[Corner], turns: Floats, radii: Floats, scene: WallScene) -> Floats:
    """An outline of the grid on the opened-out wall: edges along the rim become arcs."""
    corners = np.array([*outline, outline[0]], dtype=np.float64)
    steps = np.maximum(1, ARC_STEPS * np.abs(np.diff(corners[:, 0])).astype(int))
    at = np.concatenate([[i + j / n for j in range(n)] for i, n in enumerate(steps)])
    columns, rows = (np.interp(at, np.arange(len(corners)), corners[:, axis]) for axis in (0, 1))
    angle = np.interp(columns, np.arange(len(turns)), turns)
    radius = np.interp(rows, np.arange(len(radii)), radii)
    return np.stack(seen(angle, radius, scene), axis=1)


def _rings(axes: Axes, scene: WallScene, outer: float) -> None:
    from matplotlib.patches import Circle

    axes.add_artist(Circle((0, 0), scene.rim_radius_mm, facecolor="#f6f7f8", edgecolor=INK, linewidth=2.0, zorder=2.5))
    axes.add_artist(Circle((0, 0), outer, fill=False, edgecolor=SOFT_INK, linewidth=0.6, zorder=2.5))
    for band in scene.hole_band_mm:
        axes.add_artist(
            Circle(
                (0, 0),
                scene.rim_radius_mm + band,
                fill=False,
                edgecolor=INK,
                linewidth=0.7,
                linestyle=(0, (6, 3)),
                zorder=2.5,
            )
        )


def _clock(axes: Axes, scene: WallScene, outer: float, placer: LabelPlacer) -> None:
    ticks = []
    for hour in range(1, 13):
        turn = np.radians(hour * 30.0)
        direction = np.array([np.sin(turn), np.cos(turn)])
        ticks.append([direction * outer, direction * outer * 1.03])
        x, y = direction * outer * 1.085
        axes.text(float(x), float(y), str(hour), ha="center", va="center", fontsize=FONT_PT)
    strokes(axes, ticks, colour=INK, width=0.8)
    for letter, angle in (("S", 0.0), ("P", 90.0), ("I", 180.0), ("A", 270.0)):
        x, y = seen(angle, outer * 1.185, scene)
        axes.text(float(x), float(y), letter, ha="center", va="center", fontsize=FONT_PT + 4, weight="bold")


def _scale(axes: Axes, reach: float, placer: LabelPlacer) -> None:
    x1, y = reach * 0.97, -reach * 0.95
    strokes(axes, [[(x1 - 5.0, y), (x1, y)]], colour=INK, width=2.0, square_ends=True)
    axes.text(x1 - 2.5, y + reach * 0.02, "5 mm", ha="center", va="bottom", fontsize=FONT_PT)


def _place(
    wall_angle_deg: float, rim_distance_mm: float, axis_radius_mm: float, scene: WallScene
) -> tuple[float, float]:
    """On the opened-out wall from the rim outwards, else where a straight look meets it, never outside the ring."""
    if rim_distance_mm >= 0.0:
        radius = scene.rim_radius_mm + rim_distance_mm
    else:
        radius = min(axis_radius_mm, scene.rim_radius_mm)
    x, y = seen(wall_angle_deg, radius, scene)
    return float(x), float(y)


def _holes(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    from matplotlib.patches import Circle

    for hole in scene.holes:
        x, y = _place(hole.wall_angle_deg, hole.rim_distance_mm, 0.0, scene)
        for colour, thick in ((PAPER, 3.4), (INK, 1.5)):
            axes.add_artist(
                Circle((x, y), hole.radius_mm, facecolor=PAPER, edgecolor=colour, linewidth=thick, zorder=5)
            )
        placer.place(x, y, hole.label, size=FONT_PT + 1.5, gap_pt=8.0, weight="bold", zorder=6, path_effects=halo(3.0))


def _shadows(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    for shade in scene.shadows:
        keep = shade.rim_distances_mm < scene.rim_limits_mm[1]
        course = zip(shade.wall_angles_deg, shade.rim_distances_mm, shade.axis_radii_mm, strict=True)
        spots = np.array([_place(a, d, r, scene) for a, d, r in course])
        if keep.sum() < 2:
            continue
        spots = spots[keep]
        strokes(axes, [spots], colour=PAPER, width=3.2, over=3.4)
        strokes(axes, [spots], colour=INK, width=1.4, pattern=(0, (5, 2)), over=3.5)
        at = spots[np.argmax(np.hypot(spots[:, 0], spots[:, 1]))]
        placer.place(
            float(at[0]), float(at[1]), shade.label, gap_pt=9.0, style="italic", zorder=6, path_effects=halo(3.0)
        )


def _points(axes: Axes, scene: WallScene, placer: LabelPlacer) -> None:
    spots = []
    for point in scene.points:
        distance = -1.0 if point.free else point.rim_distance_mm
        x, y = _place(point.wall_angle_deg, distance, point.axis_radius_mm, scene)
        axes.plot([x], [y], marker="+", color=INK, markersize=8, markeredgewidth=1.3, zorder=5)
        placer.block(x, y, 5.0, 5.0)
        spots.append((x, y, point.label))
    for x, y, label in spots:
        placer.place(x, y, label, gap_pt=7.0, zorder=6, path_effects=halo(3.0))
