"""Pictures of the practice feedback: both points on one plane, the plane that shows it, learning curves, agreement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
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

FIELD_MM, PIXEL_MM = 18.0, 0.06
WITHIN_MM = 4.0
"""Both points are drawn this far off the plane, along its normal, so that their gap is seen in at least one plane."""
WIDTH_MM, HEIGHT_MM = 120.0, 70.0
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
    errors_mm: Sequence[float], cusum: Sequence[float], *, limits: tuple[float, float], title: str
) -> bytes:
    """Errors and the cumulative sum over attempts, one above the other.

    Parameters
    ----------
    errors_mm
        One an attempt, in order.
    cusum
        The sum after each attempt.
    limits
        Lower and upper limit of the sum.
    title
        What the page is about.

    Returns
    -------
    bytes
        An SVG file.
    """
    with drawing(WIDTH_MM, HEIGHT_MM) as figure:
        upper = axes_mm(figure, 16.0, 40.0, WIDTH_MM - 20.0, 22.0)
        _run(upper, errors_mm, 0.0, max([*errors_mm, 1.0]) * 1.1, "mm")
        lower = axes_mm(figure, 16.0, 10.0, WIDTH_MM - 20.0, 22.0)
        low, high = min([*cusum, limits[0]]) - 0.3, max([*cusum, limits[1]]) + 0.3
        _run(lower, cusum, low, high, "CUSUM")
        for limit in limits:
            lower.axhline(limit, color=SOFT_INK, linewidth=0.7, linestyle=(0, (4, 2)))
        figure.text(0.0, 1 - 0.4 / HEIGHT_MM, title, va="top", fontsize=FONT_PT + 1, weight="bold")
        figure.text(0.5, 0.8 / HEIGHT_MM, "attempt", va="bottom", ha="center", fontsize=FONT_PT)
        return image_bytes(figure, "svg")


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
