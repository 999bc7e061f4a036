"""Pictures of the practice feedback: both points on one plane, the plane that shows it, learning curves, agreement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.report.figures.canvas import FONT_PT, INK, SOFT_INK, axes_mm, drawing, frame_and_ticks, image_bytes
from ctmeasure.report.figures.marks import Mark, SlicePlane
from ctmeasure.report.figures.slices import slice_picture
from ctmeasure.volume.reformat import PlaneSpec, reformat
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FIELD_MM, PIXEL_MM = 18.0, 0.06
WITHIN_MM = 4.0
"""Both points are drawn this far off the plane, along its normal, so that their gap is seen in at least one plane."""
WIDTH_MM, HEIGHT_MM = 120.0, 70.0
CURVE_HEIGHT_MM, RUN_MM = 104.0, 22.0
DIRECTIONS = ("lateral", "posterior", "superior")
DASHES: tuple[object, ...] = ("solid", (0, (5, 2)), (0, (1, 1.5)))
"""The three directions are told by their dashes and by their names, not by colour."""
YOURS, TRUE = "your point", "reference"


def point_picture(
    volume: Volume, spec: PlaneSpec, *, side: Side, yours_lps: npt.ArrayLike | None, reference_lps: npt.ArrayLike,
    limit_mm: float,
) -> bytes:  # fmt: skip
    """The attempt's and the reference's point on one plane through the reference.

    Parameters
    ----------
    volume
        The scan.
    spec
        A plane; it is moved to the reference's point.
    side
        The ear.
    yours_lps, reference_lps
        Shape (3,), LPS mm; None when nothing was placed.
    limit_mm
        Distance within which 95 % of experts lie; drawn as the reference's ellipse.

    Returns
    -------
    bytes
        A PNG file.
    """
    true = np.asarray(reference_lps, dtype=np.float64)
    here = replace(spec, origin_lps=true, width_mm=FIELD_MM, height_mm=FIELD_MM, pixel_mm=PIXEL_MM)
    plane = SlicePlane.of(reformat(volume, here), unit=volume.source.intensity_unit)
    # an ellipse of 95 % in the plane (2.447747 s) is drawn: the experts' limit of three dimensions is 2.795483 s
    marks = [Mark("reference", TRUE, true, (limit_mm / 2.795483) ** 2 * np.eye(3))]
    if yours_lps is not None:
        marks.append(Mark("yours", YOURS, np.asarray(yours_lps, dtype=np.float64), 1e-6 * np.eye(3)))
    return slice_picture(plane, side=side, marks=marks, mark_within_mm=WITHIN_MM)


def learning_curve(
    errors_mm: Sequence[float],
    learning: Sequence[float],
    cusum: Sequence[float],
    *,
    learning_limit: float,
    limits: tuple[float, float],
    title: str,
) -> bytes:
    """Errors and both cumulative sums over attempts, one above the other.

    Parameters
    ----------
    errors_mm
        One an attempt, in order.
    learning, cusum
        The learning curve's sum and the monitoring sum after each attempt.
    learning_limit, limits
        Limit of the first; lower and upper limit of the second.
    title
        What the page is about.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, CURVE_HEIGHT_MM) as figure:
        top, middle, lower = (axes_mm(figure, 16.0, up, WIDTH_MM - 20.0, RUN_MM) for up in (72.0, 41.0, 10.0))
        _run(top, errors_mm, 0.0, max([*errors_mm, 1.0]) * 1.1, "mm")
        _run(middle, learning, 0.0, max([*learning, learning_limit]) + 0.3, "LC-CUSUM")
        low, high = min([*cusum, limits[0]]) - 0.3, max([*cusum, limits[1]]) + 0.3
        _run(lower, cusum, low, high, "CUSUM")
        for axes, limit in ((middle, learning_limit), *((lower, limit) for limit in limits)):
            axes.axhline(limit, color=SOFT_INK, linewidth=0.7, linestyle=(0, (4, 2)))
        _titled(figure, CURVE_HEIGHT_MM, title, "attempt")
        return image_bytes(figure, "svg")


def _titled(figure: Figure, height_mm: float, title: str, below: str) -> None:
    figure.text(0.0, 1 - 0.4 / height_mm, title, va="top", fontsize=FONT_PT + 1, weight="bold")
    figure.text(0.5, 0.8 / height_mm, below, va="bottom", ha="center", fontsize=FONT_PT)


def bias_and_scatter(
    last: Sequence[int], bias_mm: Sequence[Sequence[float]], sd_mm: Sequence[Sequence[float]], *, title: str
) -> bytes:
    """Bias and SD by direction as they change, one above the other.

    Parameters
    ----------
    last
        Number of the last placement of each run.
    bias_mm, sd_mm
        Lateral, posterior, superior of each run.
    title
        What the picture is about.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        most = max(0.5, *(abs(v) for row in bias_mm for v in row)) * 1.1
        highest = max(0.5, *(v for row in sd_mm for v in row)) * 1.1
        upper, lower = (axes_mm(figure, 16.0, up, WIDTH_MM - 38.0, RUN_MM) for up in (40.0, 10.0))
        for axes, rows, low, high, unit in (
            (upper, bias_mm, -most, most, "bias, mm"), (lower, sd_mm, 0.0, highest, "SD, mm")
        ):  # fmt: skip
            axes.set_xlim(last[0] - 0.5, last[-1] + 0.5)
            axes.set_ylim(low, high)
            # where two directions end at one height their names are moved apart
            ends = _apart([row[-1] for row in zip(*rows, strict=True)], 0.14 * (high - low))
            for name, dash, values, end in zip(DIRECTIONS, DASHES, zip(*rows, strict=True), ends, strict=True):
                axes.plot(last, values, color=INK, linewidth=0.9, linestyle=dash)
                axes.text(last[-1] + 0.02 * (last[-1] - last[0] + 1), end, f" {name}", va="center", fontsize=FONT_PT)
            axes.axhline(0.0, color=SOFT_INK, linewidth=0.5)
            every = max(len(last) // 8, 1)
            ticks = {low: f"{low:.1f}", high: f"{high:.1f}"}
            frame_and_ticks(axes, x={n: str(n) for n in last[::every]}, y=ticks, box=True)
            axes.text(-0.13, 0.5, unit, transform=axes.transAxes, rotation=90, va="center", fontsize=FONT_PT)
        _titled(figure, HEIGHT_MM, title, "last placement of the run")
        return image_bytes(figure, "svg")


def _apart(values: Sequence[float], least: float) -> list[float]:
    """The same heights, in their order, at least so far apart."""
    order = sorted(range(len(values)), key=lambda i: values[i])
    found = list(values)
    for below, above in pairwise(order):
        found[above] = max(found[above], found[below] + least)
    return found


def _run(axes: Axes, values: Sequence[float], low: float, high: float, unit: str) -> None:
    count = max(len(values), 2)
    axes.set_xlim(0.5, count + 0.5)
    axes.set_ylim(low, high)
    axes.plot(range(1, len(values) + 1), values, color=INK, linewidth=0.9, marker="o", markersize=2.5)
    every = max(count // 8, 1)
    ticks = {low: f"{low:.1f}", high: f"{high:.1f}"}
    frame_and_ticks(axes, x={n: str(n) for n in range(1, count + 1, every)}, y=ticks, box=True)
    axes.text(-0.1, 0.5, unit, transform=axes.transAxes, rotation=90, va="center", fontsize=FONT_PT)


def agreement_plot(
    pairs_mm: Sequence[tuple[float, float]], *, bias_mm: float, limits_mm: tuple[float, float], title: str
) -> bytes:
    """Differences over means of two readings of each ear, with bias and limits of agreement.

    Parameters
    ----------
    pairs_mm
        (attempt, reference) an ear.
    bias_mm, limits_mm
        As computed; drawn as lines.
    title
        What the picture is about.

    Returns
    -------
    bytes
        An SVG file.
    """
    means = [(a + b) / 2.0 for a, b in pairs_mm]
    gaps = [a - b for a, b in pairs_mm]
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        axes = axes_mm(figure, 18.0, 14.0, WIDTH_MM - 24.0, HEIGHT_MM - 24.0)
        spread = max(max(abs(v) for v in (*gaps, *limits_mm)) * 1.2, 0.1)
        axes.set_xlim(min(means) - 0.2, max(means) + 0.2)
        axes.set_ylim(-spread, spread)
        axes.plot(means, gaps, "o", color=INK, markersize=3)
        axes.axhline(bias_mm, color=INK, linewidth=0.8)
        for limit in limits_mm:
            axes.axhline(limit, color=SOFT_INK, linewidth=0.8, linestyle=(0, (4, 2)))
        x = {value: f"{value:.1f}" for value in (min(means), max(means))}
        frame_and_ticks(axes, x=x, y={v: f"{v:+.2f}" for v in (bias_mm, *limits_mm)}, box=True)
        axes.text(0.5, -0.2, "mean of both, mm", transform=axes.transAxes, ha="center", fontsize=FONT_PT)
        figure.text(0.0, 1 - 0.4 / HEIGHT_MM, title, va="top", fontsize=FONT_PT + 1, weight="bold")
        return image_bytes(figure, "svg")
