"""Drawing surface shared by all pictures: fixed style, sizes in print millimetres, bytes without dates."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
FONT_PT = 9.0
"""Smallest type in any picture, in print points; pictures are placed at their own size."""
DPI = 150
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


def image_bytes(figure: Figure, image_format: ImageFormat) -> bytes:
    """The picture as bytes, without dates or program names, so that equal drawings are equal files."""
    buffer = io.BytesIO()
    metadata: dict[str, Any] = {"Software": None} if image_format == "png" else {"Date": None, "Creator": None}
    figure.savefig(buffer, format=image_format, metadata=metadata, dpi=DPI)
    return buffer.getvalue()


def halo(width: float = 2.2, colour: str = PAPER) -> list[Any]:
    """Outline that keeps a label readable on any ground."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=colour)]


@dataclass
class LabelPlacer:
    """Puts short labels beside points so that they cover neither each other nor the edge of the axes."""

    axes: Axes
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def _points_per_unit(self) -> tuple[float, float]:
        figure = self.axes.figure
        w, h = figure.get_size_inches() * 72.0  # type: ignore[union-attr]
        box = self.axes.get_position()
        x0, x1 = self.axes.get_xlim()
        y0, y1 = self.axes.get_ylim()
        return w * box.width / (x1 - x0), h * box.height / (y1 - y0)

    def to_points(self, x: float, y: float) -> tuple[float, float]:
        """Data position in print points from the lower left corner of the axes."""
        px, py = self._points_per_unit()
        return (x - self.axes.get_xlim()[0]) * px, (y - self.axes.get_ylim()[0]) * py

    def block(self, x: float, y: float, half_width_pt: float = 4.0, half_height_pt: float = 4.0) -> None:
        """Keep a place free of labels, for example a symbol."""
        cx, cy = self.to_points(x, y)
        self.taken.append((cx - half_width_pt, cy - half_height_pt, cx + half_width_pt, cy + half_height_pt))

    def place(self, x: float, y: float, text: str, *, size: float = FONT_PT, gap_pt: float = 6.0, **style: Any) -> None:
        """Write a label near a data point, at the free place nearest to it, with a thin leader when it is far."""
        cx, cy = self.to_points(x, y)
        width, height = AVERAGE_GLYPH_WIDTH * size * len(text) + 3.0, size * 1.25
        best = None
        for radius in (gap_pt, gap_pt + 12.0, gap_pt + 26.0, gap_pt + 44.0, gap_pt + 66.0):
            for angle in np.radians((0, 180, 45, -45, 135, -135, 90, -90)):
                dx, dy = float(np.cos(angle)), float(np.sin(angle))
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
        arrow = (
            {"arrowstyle": "-", "color": style.get("color", INK), "linewidth": 0.5, "shrinkA": 0.0, "shrinkB": 3.0}
            if radius > gap_pt + 1.0
            else None
        )
        options = {"ha": "center", "va": "center", "fontsize": size, "path_effects": halo(), **style}
        self.axes.annotate(
            text,
            (x, y),
            (mx - cx, my - cy),
            textcoords="offset points",
            arrowprops=arrow,
            annotation_clip=False,
            **options,
        )

    def _cost(self, box: tuple[float, float, float, float]) -> float:
        px, py = self._points_per_unit()
        x0, x1 = self.axes.get_xlim()
        y0, y1 = self.axes.get_ylim()
        width, height = (x1 - x0) * px, (y1 - y0) * py
        outside = max(0.0, -box[0], -box[1], box[2] - width, box[3] - height)
        cost = 10.0 * outside
        for other in self.taken:
            overlap_x = min(box[2], other[2]) - max(box[0], other[0])
            overlap_y = min(box[3], other[3]) - max(box[1], other[1])
            if overlap_x > 0 and overlap_y > 0:
                cost += 1.0 + overlap_x * overlap_y * 0.1
        return cost
