"""Drawing surface shared by all pictures: fixed style, sizes in print millimetres, bytes without dates."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import Collection
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
FONT_PT = 9.0
"""Smallest type in any picture, in print points; pictures are placed at their own size."""
DPI = 150
TICK_MM = 0.9
INK = "#1b1f24"
SOFT_INK = "#5b6570"
PAPER = "#ffffff"
ACCENT = "#0b4f8a"
"""The one accent, used for what is asked about (holes, the needed length); never the only sign of a meaning."""
AVERAGE_GLYPH_WIDTH = 0.56
"""Mean width of a DejaVu Sans letter in units of the type size; only used to keep labels apart."""

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": FONT_PT,
    "axes.labelsize": FONT_PT,
    "xtick.labelsize": FONT_PT,
    "ytick.labelsize": FONT_PT,
    "text.color": INK,
    "axes.edgecolor": SOFT_INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "ctmeasure",
    "svg.fonttype": "path",
    "hatch.linewidth": 0.55,
    "path.simplify": True,
}
ImageFormat = Literal["svg", "png"]


@dataclass(frozen=True, slots=True)
class Image:
    """A finished picture: file name, bytes, words for those who cannot see it, and its print width."""

    file: str
    data: bytes
    alt: str
    caption: str
    width_mm: float
    title: str = ""

    @property
    def media_type(self) -> str:
        """MIME type by file name."""
        return "image/svg+xml" if self.file.endswith(".svg") else "image/png"


@contextmanager
def drawing(width_mm: float, height_mm: float) -> Iterator[Figure]:
    """A figure of a print size in our style, whatever the user's own matplotlib style says."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context():
        mpl.rcParams.update({k: mpl.rcParamsDefault[k] for k in _style_keys()})
        mpl.rcParams.update(STYLE)
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), dpi=DPI, facecolor=PAPER)
        FigureCanvasAgg(figure)
        yield figure


def _style_keys() -> list[str]:
    import matplotlib as mpl

    groups = ("font.", "axes.", "xtick.", "ytick.", "text.", "lines.", "patch.", "hatch.", "path.", "svg.", "savefig.")
    return [k for k in mpl.rcParamsDefault if k.startswith((*groups, "figure.", "image.", "contour.", "mathtext."))]


def axes_mm(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes at a place given in print millimetres from the lower left corner."""
    w, h = (s * MM_PER_INCH for s in figure.get_size_inches())
    return figure.add_axes((left / w, bottom / h, width / w, height / h))


class Paper:
    """Part of a figure that is drawn on in print millimetres, without the cost of axes.

    Parameters
    ----------
    figure
        The figure.
    left, bottom
        Where its zero lies, in mm from the lower left corner of the figure.
    """

    def __init__(self, figure: Figure, left: float = 0.0, bottom: float = 0.0) -> None:
        from matplotlib.transforms import Affine2D

        self._figure = figure
        self._tf_dots_mm = Affine2D().translate(left, bottom).scale(1.0 / MM_PER_INCH) + figure.dpi_scale_trans

    def text(self, x: float, y: float, words: str, **style: Any) -> None:
        """Words at a place."""
        self._figure.text(x, y, words, transform=self._tf_dots_mm, **style)

    def add_artist(self, artist: Artist) -> None:
        """A shape whose sizes are in mm."""
        artist.set_transform(self._tf_dots_mm)
        self._figure.add_artist(artist)

    def add_collection(self, collection: Collection, autolim: bool = False) -> None:
        """Many shapes whose places are in mm."""
        self.add_artist(collection)


def strokes(
    axes: Axes | Paper,
    lines: Sequence[npt.ArrayLike],
    *,
    colour: str,
    width: float,
    pattern: Any = "solid",
    over: float = 3.0,
    square_ends: bool = False,
    clipped: bool = True,
) -> None:
    """Many lines of one look in one go, without touching the limits of the axes.

    Parameters
    ----------
    axes
        Where to draw.
    lines
        Each of shape (n, 2), in data units.
    colour, width, pattern
        Look; the width in points.
    over
        Drawing order: above everything of a lower number.
    square_ends
        Whether a line ends exactly at its last point.
    clipped
        Whether the lines end at the edge of the axes.
    """
    from matplotlib.collections import LineCollection

    if not lines:
        return
    drawn = LineCollection(
        [np.asarray(line, dtype=np.float64) for line in lines],
        colors=colour,
        linewidths=width,
        linestyles=[pattern],
        zorder=over,
        capstyle="butt" if square_ends or pattern != "solid" else "projecting",
    )
    axes.add_collection(drawn, autolim=False)
    if not clipped:
        drawn.set_clip_path(None)


def joined_strokes(axes: Axes, lines: Sequence[npt.ArrayLike], *, colour: str, width: float, over: float = 3.0) -> None:
    """Many short lines of one look as one path with gaps, which keeps the drawing small.

    Parameters
    ----------
    axes
        Where to draw; its limits do not change.
    lines
        Each of shape (n, 2), in data units.
    colour, width
        Look; the width in points.
    over
        Drawing order.
    """
    from matplotlib.lines import Line2D

    if not lines:
        return
    gap = np.full((1, 2), np.nan)
    points = np.concatenate([part for line in lines for part in (np.asarray(line, dtype=np.float64), gap)])
    style: dict[str, Any] = {"color": colour, "linewidth": width, "zorder": over, "solid_capstyle": "butt"}
    axes.add_artist(Line2D(points[:, 0], points[:, 1], **style))


def frame_and_ticks(
    axes: Axes, *, x: Mapping[float, str] | None = None, y: Mapping[float, str] | None = None, box: bool = False
) -> None:
    """Ticks with their words at the lower and left edge, in place of the library's own axes, which take far longer.

    Parameters
    ----------
    axes
        With final limits.
    x, y
        Place in data units to words.
    box
        Whether all four edges are drawn; else only the lower one when ``x`` is given.
    """
    axes.set_axis_off()
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    box_mm = axes.get_position()
    w, h = axes.figure.get_size_inches() * MM_PER_INCH  # type: ignore[union-attr]
    dx, dy = TICK_MM * (x1 - x0) / (w * box_mm.width), TICK_MM * (y1 - y0) / (h * box_mm.height)
    ticks = [[(at, y0), (at, y0 - dy)] for at in x or ()] + [[(x0, at), (x0 - dx, at)] for at in y or ()]
    edges = [[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]] if box else [[(x0, y0), (x1, y0)]] if x else []
    strokes(axes, [*edges, *ticks], colour=SOFT_INK, width=0.6, over=2.6, clipped=False)
    for at, words in (x or {}).items():
        axes.text(at, y0 - 1.6 * dy, words, ha="center", va="top", fontsize=FONT_PT)
    for at, words in (y or {}).items():
        axes.text(x0 - 1.8 * dx, at, words, ha="right", va="center_baseline", fontsize=FONT_PT)


def filled(axes: Axes, outlines: Sequence[npt.ArrayLike], **style: Any) -> None:
    """One patch over many closed outlines, so that a pattern runs through; the limits of the axes stay."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    if not outlines:
        return
    shapes = []
    for outline in outlines:
        points = np.asarray(outline, dtype=np.float64)
        shapes.append(Path(np.concatenate([points, points[:1]]), closed=True))
    axes.add_artist(PathPatch(Path.make_compound_path(*shapes), **style))


COMMENTS = re.compile(
    rb"<!--.*?-->\s*|<metadata>.*?</metadata>\s*|<!DOCTYPE[^>]*>\s*|; stroke-linecap: butt(?=[;\"])", re.DOTALL
)
"""Nothing that is seen: the default end of a line among it."""
GROUPS = re.compile(rb'<g id="[^"]*">')
"""Names of groups; nothing refers to them."""
TOO_FINE = re.compile(rb"(?<=\.\d\d)\d+")
SHAPES = re.compile(rb'(?<= d=")[^"]*"(?! transform)')
"""Outlines in points; those of letters carry a transform of their own and stay as they are."""
TWICE = re.compile(
    rb'(<path d="([^"]*)" style=")fill: [^;"]*; (stroke: [^"]*)"/>\s*<path d="\2" style="(fill: [^;"]*)"/>'
)
"""Haloed letters: the same outline stroked, then filled."""


def image_bytes(figure: Figure, image_format: ImageFormat) -> bytes:
    """The picture as bytes, without dates or program names, so that equal drawings are equal files.

    Notes
    -----
    Outlines in SVG files are written to a hundredth of a print point, haloed letters once.
    """
    return _svg(figure) if image_format == "svg" else _png(figure)


def _svg(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    data = GROUPS.sub(b"<g>", COMMENTS.sub(b"", buffer.getvalue()))
    for letter in (b"M", b"L", b"Q", b"C"):
        data = data.replace(b" \n" + letter + b" ", letter).replace(b"\n" + letter + b" ", letter)
    data = SHAPES.sub(lambda found: TOO_FINE.sub(b"", found.group()), data)
    return TWICE.sub(rb'\1\4; \3; paint-order: stroke"/>', data)


def _png(figure: Figure) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image as Raster

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    buffer = io.BytesIO()
    dots = (DPI, DPI)
    Raster.fromarray(np.asarray(canvas.buffer_rgba())[..., :3].copy()).save(buffer, format="PNG", dpi=dots)
    return buffer.getvalue()


def halo(width: float = 2.2, colour: str = PAPER) -> list[Any]:
    """Outline that keeps a label readable on any ground."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=colour)]


BOLD_GLYPH_WIDTH = 0.68
"""The same of a bold letter."""
FURTHER_PT = (0.0, 12.0, 26.0, 44.0, 66.0, 92.0, 122.0)
"""How much farther from its point a label may stand, the nearest first."""
LEADER_GAP_PT = 3.0
AROUND = tuple((math.cos(math.radians(a)), math.sin(math.radians(a))) for a in (0, 180, 45, -45, 135, -135, 90, -90))
"""Directions in which a label may stand, the best first."""


@dataclass
class LabelPlacer:
    """Puts short labels beside points so that they cover neither each other nor the edge of the axes.

    The limits of the axes must be final before it is made.
    """

    axes: Axes
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)
    edge_pt: float = 0.0
    """Strip along the edges that is kept for letters and scale."""

    def __post_init__(self) -> None:
        figure = self.axes.figure
        w, h = figure.get_size_inches() * 72.0  # type: ignore[union-attr]
        box = self.axes.get_position()
        (self._x0, x1), (self._y0, y1) = self.axes.get_xlim(), self.axes.get_ylim()
        self._width, self._height = w * box.width, h * box.height
        self._px, self._py = self._width / (x1 - self._x0), self._height / (y1 - self._y0)

    def to_points(self, x: float, y: float) -> tuple[float, float]:
        """Data position in print points from the lower left corner of the axes."""
        return (x - self._x0) * self._px, (y - self._y0) * self._py

    def block(self, x: float, y: float, half_width_pt: float = 4.0, half_height_pt: float = 4.0) -> None:
        """Keep a place free of labels, for example a symbol."""
        cx, cy = self.to_points(x, y)
        self.taken.append((cx - half_width_pt, cy - half_height_pt, cx + half_width_pt, cy + half_height_pt))

    def block_text(self, x: float, y: float, text: str, *, size: float, ha: str, va: str) -> None:
        """Keep the place of words free that stand with their edge or middle at a data point."""
        cx, cy = self.to_points(x, y)
        width, height = BOLD_GLYPH_WIDTH * size * len(text) + 4.0, size * 1.4
        left = cx - {"left": 0.0, "center": 0.5, "right": 1.0}[ha] * width
        low = cy - {"bottom": 0.0, "center": 0.5, "top": 1.0}[va] * height
        self.taken.append((left - 2.0, low - 2.0, left + width + 2.0, low + height + 2.0))

    def place(self, x: float, y: float, text: str, *, size: float = FONT_PT, gap_pt: float = 6.0, **style: Any) -> None:
        """Write a label near a data point, at the free place nearest to it, with a thin leader when it is far."""
        cx, cy = self.to_points(x, y)
        glyph = BOLD_GLYPH_WIDTH if style.get("weight") == "bold" else AVERAGE_GLYPH_WIDTH
        width, height = glyph * size * len(text) + 3.0, size * 1.25
        best = None
        for radius in (gap_pt + further for further in FURTHER_PT):
            for dx, dy in AROUND:
                mx = cx + dx * (radius + width / 2.0)
                my = cy + dy * (radius + height / 2.0)
                score = self._cost((mx - width / 2, my - height / 2, mx + width / 2, my + height / 2))
                score += radius * 0.01
                if best is None or score < best[0]:
                    best = (score, mx, my, radius)
            if best is not None and best[0] < 1.0:
                break
        assert best is not None
        _, mx, my, radius = best
        self.taken.append((mx - width / 2, my - height / 2, mx + width / 2, my + height / 2))
        to_x, to_y = self._x0 + mx / self._px, self._y0 + my / self._py
        options = {"ha": "center", "va": "center", "fontsize": size, "path_effects": halo(), **style}
        if radius > gap_pt + 1.0:
            self._leader(x, y, to_x, to_y, width / 2.0, options)
        self.axes.text(to_x, to_y, text, **options)

    def _leader(self, x: float, y: float, to_x: float, to_y: float, half_pt: float, style: dict[str, Any]) -> None:
        """A thin line from just beside a point towards its label."""
        ends = np.array([[x, y], [to_x, to_y]])
        length = float(np.hypot((to_x - x) * self._px, (to_y - y) * self._py))
        shares = np.array([[min(LEADER_GAP_PT / length, 0.5)], [max(1.0 - 0.8 * half_pt / length, 0.5)]])
        line = ends[0] + shares * (ends[1] - ends[0])
        strokes(self.axes, [line], colour=style.get("color", INK), width=0.5, over=style.get("zorder", 3.0))

    def _cost(self, box: tuple[float, float, float, float]) -> float:
        left, low, right, high = box
        over = max(-left, -low, right - self._width, high - self._height) + self.edge_pt
        cost = 10.0 * max(0.0, over)
        for x0, y0, x1, y1 in self.taken:
            if left < x1 and x0 < right and low < y1 and y0 < high:
                cost += 1.0 + 0.1 * (min(right, x1) - max(left, x0)) * (min(high, y1) - max(low, y0))
        return cost
