"""What a layer of the unrolled map shows: values in steps from dark to light, or the spaces behind in letters."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ctmeasure.planning.drilling.far_words import names_any, spaces_of
from ctmeasure.planning.drilling.verdict import KEEP_OUT_FAR_SIDES
from ctmeasure.planning.results import ZoneCell
from ctmeasure.report.figures.canvas import FONT_PT, INK, SOFT_INK, Paper, halo
from ctmeasure.report.figures.wall import CellValue, Floats, WallScene, dial

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Layer = Literal["verdict", "thickness", "clearance", "probability", "access", "far side"]
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
NOT_NAMED = "not assessed"
"""What stands in place of a space where none was told."""
LETTER_MM = 1.75
"""Width of a letter below a swatch, on the safe side."""
SMALLEST_AREA = 4
"""Cells that an area behind the wall needs to get its letter: fewer have no room for it."""


@dataclass(frozen=True, slots=True)
class ValueLayer:
    """Steps, contours, shades and words of a layer of values; ``first_words`` names what lies below the first step."""

    title: str
    value: CellValue
    levels: tuple[float, ...]
    contours: tuple[float, ...]
    colours: str
    first_words: str = ""


VALUE_LAYERS: dict[Layer, ValueLayer] = {
    "thickness": ValueLayer(
        "canal wall unrolled: bone up to the first gap, mm", "thickness_mm", (0.0, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0),
        (0.7, 1.5, 3.0), "cividis",
    ),
    "clearance": ValueLayer(
        "canal wall unrolled: clearance to the nearest marked structure, mm", "clearance_mm",
        (-2.0, 0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0), (0.0, 1.0, 3.0), "bone", "below 0",
    ),
    "probability": ValueLayer(
        "canal wall unrolled: largest P(under the margin) of any one structure", "p_below_margin",
        (0.0, 0.001, 0.01, 0.05, 0.2, 0.5, 1.0), (0.001, 0.05, 0.5), "bone_r",
    ),
    "access": ValueLayer(
        "canal wall unrolled: best drill direction to the normal, degrees", "angle_to_normal_deg",
        (0.0, 10.0, 20.0, 30.0, 45.0, 65.0), (30.0, 45.0, 65.0), "cividis_r",
    ),
}  # fmt: skip
"""Few, labelled contours: every step of the scale would fill the map with numbers."""
LAYER_TITLES: dict[Layer, str] = {
    "verdict": "canal wall unrolled: verdict",
    "far side": "canal wall unrolled: what lies behind",
    **{name: layer.title for name, layer in VALUE_LAYERS.items()},
}


def shades(layer: ValueLayer) -> tuple[Any, Any]:
    """Colours from dark to light and the steps they stand for."""
    import matplotlib as mpl
    from matplotlib.colors import BoundaryNorm

    colours = mpl.colormaps[layer.colours].resampled(len(layer.levels) + 1)
    return colours, BoundaryNorm(layer.levels, colours.N, extend="both")


def draw_scale(figure: Figure, width_mm: float, left: float, layer: ValueLayer) -> None:
    """The steps of the map as swatches with their bounds."""
    colours, norm = shades(layer)
    bounds = [float(b) for b in norm.boundaries]
    middles = [0.5 * (a + b) for a, b in pairwise(bounds)]
    words = [f"{a:g} to {b:g}" for a, b in pairwise(bounds)]
    values = [*middles]
    if layer.value != "p_below_margin":
        words.append(f"over {bounds[-1]:g}")
        values.append(bounds[-1] + 1.0)
    if layer.first_words:
        words[0], values[0] = layer.first_words, bounds[0] + 1.0
    _swatches(figure, width_mm, left, [(colours(norm(v)), text) for v, text in zip(values, words, strict=True)])


def limits_in_map(scene: WallScene) -> str:
    """In how many cells the probability shown is only an upper limit; empty without any."""
    known = [cell for cell in scene.cells if cell.p_below_margin is not None]
    count = sum(cell.p_below_is_limit for cell in known)
    if not count:
        return ""
    return (
        f"In {count} of {len(known)} cells with a number it is an upper limit: no draw came under a margin, or a "
        "proven bound stands in for draws."
    )


def far_sides(scene: WallScene) -> dict[str, str]:
    """The likeliest spaces behind the wall of a map, each with its letter: most cells first.

    Raises
    ------
    Nothing.
    """
    return dict(zip(cells_behind(scene), LETTERS, strict=False))


def cells_behind(scene: WallScene) -> dict[str, list[ZoneCell]]:
    """The cells of a map by the likeliest space behind them, most cells first; those without one are left out."""
    found: dict[str, list[ZoneCell]] = {}
    for cell in scene.cells:
        if name := likeliest_behind(cell):
            found.setdefault(name, []).append(cell)
    return dict(sorted(found.items(), key=lambda item: (-len(item[1]), item[0])))


def likeliest_behind(cell: ZoneCell) -> str:
    """The likeliest space behind a cell; empty where none was named."""
    named = bool(cell.far_side) and cell.far_side != NOT_NAMED and cell.entry_lps is not None
    return spaces_of(cell.far_side)[0] if named else ""


def doubt_behind(scene: WallScene) -> str:
    """In how many cells a joint, dura or vein is not the likeliest but remains possible; empty without any."""
    count = sum(
        likeliest_behind(cell) not in ("", *KEEP_OUT_FAR_SIDES) and names_any(cell.far_side, KEEP_OUT_FAR_SIDES)
        for cell in scene.cells
    )
    return f"In {count} of {len(scene.cells)} cells a joint, dura or vein remains possible too." if count else ""


def far_colours(count: int) -> list[Any]:
    """Shades for so many spaces, light enough for a letter in ink."""
    import matplotlib as mpl

    return [mpl.colormaps["Greys"](0.08 + 0.42 * n / max(count - 1, 1)) for n in range(count)]


def write_letters(axes: Axes, scene: WallScene) -> None:
    """The letter of its space in every connected area behind the wall."""
    from scipy.ndimage import label

    for letter, cells in zip(LETTERS, cells_behind(scene).values(), strict=False):
        areas, count = label(scene.mask(cells))
        for number in range(1, count + 1):
            rows, columns = np.nonzero(areas == number)
            if len(rows) < SMALLEST_AREA:
                continue
            middle = np.array([rows.mean(), columns.mean()])
            n = int(np.argmin((rows - middle[0]) ** 2 + (columns - middle[1]) ** 2))
            x: Floats = dial(scene.wall_angles_deg[columns[n]], scene.side)
            axes.text(
                float(x), float(scene.rims_mm[rows[n]]), letter, ha="center", va="center", fontsize=FONT_PT + 1,
                weight="bold", color=INK, zorder=2.5, path_effects=halo(2.5),
            )  # fmt: skip


def draw_far_legend(figure: Figure, width_mm: float, left: float, scene: WallScene) -> None:
    """The letters and their spaces."""
    names = far_sides(scene)
    colours = far_colours(len(names))
    steps = [(c, f"{names[n]} {n}") for c, n in zip(colours, names, strict=True)]
    _swatches(figure, width_mm, left, steps, row_mm=15.0)


def _swatches(
    figure: Figure, width_mm: float, left: float, steps: list[tuple[Any, str]], *, row_mm: float = 9.0
) -> None:
    """Swatches in rows of at most nine, each with its words below, broken into lines where rows are high enough."""
    from matplotlib.patches import Rectangle

    paper = Paper(figure, left)
    if not steps:
        return
    columns = len(steps) if len(steps) <= 9 else -(-len(steps) // 2)
    step_mm = width_mm / columns
    letters = max(int(step_mm / LETTER_MM), 1) if row_mm > 9.0 else 99
    for n, (colour, text) in enumerate(steps):
        row, at = divmod(n, columns)
        up = row_mm - 4.4 + (row_mm if len(steps) > columns and row == 0 else 0.0)
        look: dict[str, Any] = {"facecolor": colour, "edgecolor": SOFT_INK, "linewidth": 0.5}
        paper.add_artist(Rectangle(((at + 0.02) * step_mm, up), 0.96 * step_mm, 3.6, **look))
        words: dict[str, Any] = {"ha": "center", "va": "top", "fontsize": FONT_PT, "linespacing": 1.0}
        paper.text((at + 0.5) * step_mm, up - 0.8, fill(text, letters), **words)
