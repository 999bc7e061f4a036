"""One reformat with everything marked on it: landmarks and their ellipses, structures, holes, letters and a scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.report.figures.canvas import FONT_PT, LabelPlacer, axes_mm, drawing, halo, image_bytes, strokes
from ctmeasure.report.figures.marks import (
    Floats,
    HoleMark,
    Mark,
    PatchMark,
    SlicePlane,
    TubeMark,
    cut_lines,
    cut_outline,
    ellipse_95,
)
from ctmeasure.volume.reformat import direction_letters

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BONE_WINDOW_HU = (-1000.0, 2400.0)
"""Bone window of the pictures: level 700, width 3400 HU."""
GREY_PERCENTILES = (1.0, 99.7)
"""Uncalibrated grey values have no window of their own; these percentiles stand in."""
MARK_WITHIN_MM = 1.0
"""A landmark is drawn on a plane when it lies this close to it (the slab's half thickness if that is more)."""
LINE_WITHIN_MM = 3.0
"""The centre line of a tube is drawn, thin and broken, where it runs this close to the plane."""
MARK_COLOUR = "#ffd34d"
TUBE_COLOUR = "#7fd3ff"
HOLE_COLOUR = "#ffffff"
EDGE_PT = 3.0
"""No label stands nearer to the edge; letters and scale have their own places on it."""
ON_TOP = 9.0
"""Drawing order of letters and scale: nothing is drawn over them."""
TITLE_MM = 6.5
NUMBER_PT = 11.0
ELLIPSE_STEPS = 48
WIDTH_MM = 85.0


def side_words(side: Side) -> str:
    """The side as every picture and page writes it.

    Example
    -------
    >>> side_words("right")
    'RIGHT ear'
    """
    return f"{side.upper()} ear"


def slice_picture(
    plane: SlicePlane,
    *,
    side: Side,
    marks: Sequence[Mark] = (),
    tubes: Sequence[TubeMark] = (),
    patches: Sequence[PatchMark] = (),
    holes: Sequence[HoleMark] = (),
    mark_within_mm: float = MARK_WITHIN_MM,
    width_mm: float = WIDTH_MM,
) -> bytes:
    """Draw one reformat.

    Parameters
    ----------
    plane
        The reformat with its place in the patient.
    side
        The ear, written on the picture.
    marks, tubes, patches, holes
        What may be drawn; only what reaches the plane is.
    mark_within_mm
        How far from the plane a landmark may lie and still be drawn.
    width_mm
        Print width.

    Returns
    -------
    bytes
        A PNG file; equal input gives equal bytes.

    Notes
    -----
    Landmarks are projected along the normal; the caption of the picture says how far they may lie off the plane.
    """
    plane_width, plane_height = plane.size_mm
    height_mm = width_mm * plane_height / plane_width
    with drawing(width_mm, height_mm + TITLE_MM) as figure:
        axes = axes_mm(figure, 0.0, 0.0, width_mm, height_mm)
        half = plane.pixel_mm / 2.0
        low, high = _window(plane)
        extent = (-half, plane_width - half, plane_height - half, -half)
        axes.imshow(plane.values, cmap="gray", vmin=low, vmax=high, extent=extent, interpolation="bilinear")
        _outside(axes, plane, extent)
        axes.set_axis_off()
        axes.autoscale(False)
        placer = LabelPlacer(axes, edge_pt=EDGE_PT)
        _edge_letters(axes, plane, placer)
        _scale_bar(axes, plane, placer)
        shown = [m for m in marks if plane.shows(m.point_lps, within_mm=mark_within_mm)]
        numbers = mark_numbers(shown)
        _block_marks(shown, plane, placer)
        _block_holes(holes, plane, placer)
        for tube in tubes:
            _draw_tube(axes, plane, tube, placer)
        for patch in patches:
            _draw_patch(axes, plane, patch, placer)
        for hole in holes:
            _draw_hole(axes, plane, hole, placer)
        _draw_marks(axes, plane, shown, placer, numbers)
        title = f"{side_words(side)} \N{MIDDLE DOT} {plane.name}"
        figure.text(
            0.0, 1.0 - 1.2 / (height_mm + TITLE_MM), title, va="top", ha="left", fontsize=FONT_PT + 0.5, weight="bold"
        )
        return image_bytes(figure, "png")


def _outside(axes: Axes, plane: SlicePlane, extent: tuple[float, float, float, float]) -> None:
    """What lies outside the scan is hatched: it is not dark tissue, it was not scanned."""
    missing = np.isnan(plane.values)
    if not missing.any():
        return
    axes.contourf(
        missing.astype(np.float64), levels=[0.5, 1.5], colors="none", hatches=["xxx"], extent=extent, origin="upper"
    )


def mark_numbers(shown: Sequence[Mark]) -> dict[str, int]:
    """Number of every landmark on a picture, by its label, in the order given; the caption holds the key.

    Example
    -------
    >>> import numpy as np
    >>> mark_numbers([Mark(i, i, np.zeros(3), np.eye(3)) for i in ("rim", "rim", "umbo")])
    {'rim': 1, 'umbo': 2}
    """
    return {label: i for i, label in enumerate(dict.fromkeys(mark.label for mark in shown), start=1)}


def _window(plane: SlicePlane) -> tuple[float, float]:
    if plane.unit == "HU":
        return BONE_WINDOW_HU
    low, high = np.nanpercentile(plane.values, GREY_PERCENTILES)
    return float(low), float(max(high, low + 1.0))


def _edge_letters(axes: Axes, plane: SlicePlane, placer: LabelPlacer) -> None:
    style: dict[str, Any] = {
        "color": "#ffffff", "weight": "bold", "fontsize": 11, "path_effects": halo(2.4, "#000000"), "zorder": ON_TOP,
        "bbox": {"facecolor": "#000000", "edgecolor": "none", "pad": 1.0, "alpha": 0.55},
    }  # fmt: skip
    inset = 0.02
    places = (
        (inset, 0.5, -plane.right_lps, "left", "center"),
        (1 - inset, 0.5, plane.right_lps, "right", "center"),
        (0.5, 1 - inset, -plane.down_lps, "center", "top"),
        (0.5, inset, plane.down_lps, "center", "bottom"),
    )
    width, height = plane.size_mm
    for x, y, direction, ha, va in places:
        letters = direction_letters(direction)
        axes.text(x, y, letters, ha=ha, va=va, transform=axes.transAxes, **style)
        at = x * width - plane.pixel_mm / 2, (1 - y) * height - plane.pixel_mm / 2
        placer.block_text(*at, letters, size=style["fontsize"], ha=ha, va=va)


def _scale_bar(axes: Axes, plane: SlicePlane, placer: LabelPlacer) -> None:
    width, height = plane.size_mm
    length = 10.0 if width > 28.0 else (5.0 if width > 12.0 else 2.0)
    x1, y = 0.955 * width, 0.955 * height
    tick = 0.012 * height
    bar = [[(x1 - length, y), (x1, y)]]
    ends = [[(x, y - tick), (x, y + tick)] for x in (x1 - length, x1)]
    for colour, thick in (("#000000", 4.2), ("#ffffff", 2.0)):
        strokes(axes, bar, colour=colour, width=thick, square_ends=True, over=ON_TOP)
        strokes(axes, ends, colour=colour, width=thick * 0.7, over=ON_TOP)
    axes.text(
        x1 - length / 2.0, y - 0.022 * height, f"{length:g} mm", color="#ffffff", ha="center", va="bottom",
        fontsize=FONT_PT, path_effects=halo(2.2, "#000000"), zorder=ON_TOP,
    )  # fmt: skip
    half_pt = 0.5 * abs(placer.to_points(length, 0.0)[0] - placer.to_points(0.0, 0.0)[0])
    placer.block(x1 - length / 2.0, y - 0.02 * height, max(half_pt, 20.0) + 4.0, 18.0)


def _block_marks(shown: Sequence[Mark], plane: SlicePlane, placer: LabelPlacer) -> None:
    for mark in shown:
        (x, y), _ = plane.to_plane(mark.point_lps)
        placer.block(float(x), float(y), 5.0, 5.0)


def _block_holes(holes: Sequence[HoleMark], plane: SlicePlane, placer: LabelPlacer) -> None:
    """Keep labels off the drill paths that the plane shows."""
    for hole in holes:
        ends = np.stack([hole.entry_lps, hole.entry_lps + hole.travel_mm * hole.direction_lps])
        if not cut_outline(plane, ends, np.full(2, hole.radius_mm)):
            continue
        flat, _ = plane.to_plane(ends)
        for share in np.linspace(0.0, 1.0, 9):
            x, y = (1.0 - share) * flat[0] + share * flat[1]
            placer.block(float(x), float(y), 4.0, 4.0)


def _draw_marks(
    axes: Axes, plane: SlicePlane, shown: Sequence[Mark], placer: LabelPlacer, numbers: dict[str, int]
) -> None:
    arm = 0.016 * plane.size_mm[0]
    crosses: list[Floats] = []
    ellipses: dict[bool, list[Floats]] = {False: [], True: []}
    places: dict[str, Floats] = {}
    for mark in shown:
        spot, _ = plane.to_plane(mark.point_lps)
        ellipses[mark.suggested].append(spot + _ellipse(mark, plane))
        crosses += [np.add(spot, [[-arm, 0.0], [arm, 0.0]]), np.add(spot, [[0.0, -arm], [0.0, arm]])]
        places.setdefault(mark.label, spot)
    for colour, thin, thick in (("#000000", 2.0, 2.2), (MARK_COLOUR, 0.9, 0.9)):
        strokes(axes, ellipses[False], colour=colour, width=thin)
        strokes(axes, ellipses[True], colour=colour, width=thin, pattern=(0, (2.0, 1.6)))
        strokes(axes, crosses, colour=colour, width=thick)
    look: dict[str, Any] = {"color": MARK_COLOUR, "weight": "bold", "path_effects": halo(2.6, "#000000")}
    for label, spot in places.items():
        placer.place(float(spot[0]), float(spot[1]), str(numbers[label]), size=NUMBER_PT, gap_pt=6.0, **look)


def _ellipse(mark: Mark, plane: SlicePlane) -> Floats:
    """The 95 % ellipse of a landmark around the origin, closed, shape (n, 2)."""
    major, minor, tilt = ellipse_95(mark.covariance, plane.right_lps, plane.down_lps)
    round_once = np.linspace(0.0, 2.0 * np.pi, ELLIPSE_STEPS + 1)
    axes = np.array([[np.cos(np.radians(tilt)), np.sin(np.radians(tilt))]])
    across = axes[:, ::-1] * [[-1.0, 1.0]]
    return major * np.cos(round_once)[:, None] * axes + minor * np.sin(round_once)[:, None] * across


def _draw_tube(axes: Axes, plane: SlicePlane, tube: TubeMark, placer: LabelPlacer) -> None:
    known = np.isfinite(tube.radii_mm)
    radii = np.where(known, tube.radii_mm, 0.0)
    outlines = cut_outline(plane, tube.points_lps, radii) if known.any() else []
    strokes(axes, outlines, colour="#000000", width=2.4)
    strokes(axes, outlines, colour=TUBE_COLOUR, width=1.3)
    flat, distance = plane.to_plane(tube.points_lps)
    near = np.abs(distance) <= LINE_WITHIN_MM
    runs = [flat[i : i + 2] for i in np.flatnonzero(near[:-1] & near[1:])]
    strokes(axes, runs, colour=TUBE_COLOUR, width=0.8, pattern=(0, (4, 3)))
    if outlines and _inside(plane, anchor := outlines[0].mean(axis=0)):
        _label(placer, float(anchor[0]), float(anchor[1]), tube.label, TUBE_COLOUR)


def _draw_patch(axes: Axes, plane: SlicePlane, patch: PatchMark, placer: LabelPlacer) -> None:
    """The line where the plane cuts the surface through the marked points, and the points close to the plane."""
    cuts = cut_lines(plane, patch)
    strokes(axes, cuts, colour="#000000", width=2.8)
    strokes(axes, cuts, colour=TUBE_COLOUR, width=1.5)
    flat, distance = plane.to_plane(patch.points_lps)
    near = flat[(np.abs(distance) <= MARK_WITHIN_MM) & np.array([_inside(plane, p) for p in flat], dtype=bool)]
    if len(near):
        look: dict[str, Any] = {
            "color": TUBE_COLOUR,
            "markeredgecolor": "#000000",
            "markersize": 3.0,
            "linestyle": "none",
        }
        axes.plot(near[:, 0], near[:, 1], "^", **look)
    middles = [middle for middle in (cut.mean(axis=0) for cut in cuts) if _inside(plane, middle)]
    anchors = middles or list(near)
    if anchors:
        anchor = anchors[len(anchors) // 2]
        _label(placer, float(anchor[0]), float(anchor[1]), patch.label, TUBE_COLOUR)


def _draw_hole(axes: Axes, plane: SlicePlane, hole: HoleMark, placer: LabelPlacer) -> None:
    ends = np.stack([hole.entry_lps, hole.entry_lps + hole.travel_mm * hole.direction_lps])
    outlines = cut_outline(plane, ends, np.full(2, hole.radius_mm))
    strokes(axes, outlines, colour="#000000", width=2.6)
    strokes(axes, outlines, colour=HOLE_COLOUR, width=1.4)
    if outlines:
        flat, _ = plane.to_plane(ends)
        strokes(axes, [flat], colour=HOLE_COLOUR, width=0.7, pattern=(0, (3, 2)))
        anchor = outlines[0].mean(axis=0)
        if _inside(plane, anchor):
            _label(placer, float(anchor[0]), float(anchor[1]), hole.label, HOLE_COLOUR)


def _inside(plane: SlicePlane, point: Floats) -> bool:
    width, height = plane.size_mm
    return bool(0.0 <= point[0] <= width and 0.0 <= point[1] <= height)


def _label(placer: LabelPlacer, x: float, y: float, text: str, colour: str) -> None:
    placer.place(x, y, text, color=colour, gap_pt=7.0, weight="bold", path_effects=halo(2.2, "#000000"))
