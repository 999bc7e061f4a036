"""Every call to napari stands in this file, because its interface drifts between releases (written for 0.9.2).

World coordinates of a pane are the flat coordinates of its plane: mm down, mm right. Every layer carries mm as its
unit; one layer with another unit would switch the scale bar off.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.volume.volume import Volume

from . import looks
from .layers import Lines, PaneLayers, Picture, Word
from .plain import volume_layer

Model = Any
"""A napari ViewerModel, or the Viewer that extends it."""
Flat = tuple[float, float]

MM2 = ("mm", "mm")
LPS_ORIENTATION = ("away", "down", "right")
"""Camera orientation under which an array with axes (S, P, L) is not mirrored in 3-D: seen from the front, head up, the
patient's left is on the right of the screen. The toolkit's own default mirrors it."""
FLAT_AXES = ("down", "right")
PICTURE, SHADOW, LINES, WORDS = "scan", "marks, shadow", "marks", "names"
EDGE_PLACES = {"left": "middle_left", "right": "middle_right", "top": "top_center", "bottom": "bottom_center"}
TOOLKIT_DOCKS = ("layer list", "layer controls", "console")
SMALL_BAR_MM = 5.0
DRAG_PX = 3.0
"""Less movement than this between press and release is a click."""
MARGIN = 1.02
"""Free space around a fitted picture."""


@dataclass(frozen=True, slots=True)
class MouseHooks:
    """What a pane does with the mouse. Positions are flat; ``take`` says whether something was taken hold of."""

    take: Callable[[Flat], bool]
    drag: Callable[[Flat], None]
    drop: Callable[[Flat], None]
    click: Callable[[Flat], None]
    wheel: Callable[[float, bool, Flat], None]
    double_click: Callable[[Flat], None]


@lru_cache(maxsize=1)
def _quiet_layers() -> tuple[type, type, type]:
    """The toolkit's layers without thumbnails, which cost more than the drawing and are never seen."""
    from napari import layers

    class Image(layers.Image):
        def _update_thumbnail(self) -> None:
            """Nothing."""

    class Vectors(layers.Vectors):
        def _update_thumbnail(self) -> None:
            """Nothing."""

    class Points(layers.Points):
        def _update_thumbnail(self) -> None:
            """Nothing."""

    return Image, Vectors, Points


def new_model() -> Model:
    """A pane's model, with no window."""
    from napari.components import ViewerModel

    model = ViewerModel()
    prepare(model, small=True)
    return model


def new_viewer(title: str) -> Model:
    """A napari window, not shown yet."""
    import napari

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        viewer = napari.Viewer(title=title, show=False)
    prepare(viewer)
    return viewer


def canvas_widget(model: Model) -> Any:
    """The canvas of a pane's model, as a widget."""
    from napari.qt import QtViewer

    return QtViewer(model)


def prepare(model: Model, *, small: bool = False) -> None:
    """Set what must never depend on a user's settings: handedness, scale bar, letters, and our own mouse.

    Parameters
    ----------
    model
        A ViewerModel or Viewer.
    small
        Whether its pane is small: then the scale bar is a short one.
    """
    from napari.components.overlays import TextOverlay

    model.scene.camera.orientation = LPS_ORIENTATION
    model.scene.camera.mouse_zoom = False
    model.mouse_wheel_callbacks.clear()
    model.mouse_double_click_callbacks.clear()
    model.mouse_drag_callbacks.clear()
    bar = model.canvas.overlays.scale_bar
    bar.visible, bar.font_size, bar.position, bar.colored = True, looks.SMALLEST_TYPE_PT, "bottom_right", False
    bar.length = SMALL_BAR_MM if small else None
    title = model.canvas.overlays.text
    title.visible, title.font_size, title.position = True, looks.SMALLEST_TYPE_PT, "top_left"
    title.color = looks.INK
    for edge, place in EDGE_PLACES.items():
        model.canvas.overlays[f"edge_{edge}"] = TextOverlay(
            position=place, font_size=looks.LETTER_PT, color=looks.INK, visible=True
        )


def show(model: Model, layers: PaneLayers) -> None:
    """Put one pane's layers on its model; a layer that somebody deleted comes back.

    Parameters
    ----------
    model
        Prepared by `prepare`.
    layers
        From `ctmeasure_napari.render.render`.
    """
    _show_picture(model, layers.picture)
    zoom = float(model.scene.camera.zoom)
    _show_lines(model, SHADOW, layers.lines, zoom)
    _show_lines(model, LINES, layers.lines, zoom)
    _show_words(model, layers.words, zoom)
    for edge, letters in layers.edges.items():
        _set(model.canvas.overlays[f"edge_{edge}"], "text", letters)
    _set(model.canvas.overlays.text, "text", layers.title)


def show_zoom(model: Model, words: Iterable[Word]) -> None:
    """Keep lines and words the same size on the screen after the zoom changed."""
    zoom = float(model.scene.camera.zoom)
    for name, width_px in ((SHADOW, looks.SHADOW_PX), (LINES, looks.LINE_PX)):
        if name in model.layers:
            model.layers[name].edge_width = width_px / zoom
    _show_words(model, tuple(words), zoom)


def _set(overlay: Any, name: str, value: Any) -> None:
    if getattr(overlay, name) != value:
        setattr(overlay, name, value)


def _show_picture(model: Model, picture: Picture) -> None:
    scale = (picture.pixel_mm, picture.pixel_mm)
    if PICTURE not in model.layers:
        image, _, _ = _quiet_layers()
        layer = image(
            picture.values,
            name=PICTURE,
            scale=scale,
            translate=picture.first_flat,
            units=MM2,
            axis_labels=FLAT_AXES,
            contrast_limits=picture.window,
            colormap="gray",
            interpolation2d="linear",
        )
        model.layers.insert(0, layer)
        return
    layer = model.layers[PICTURE]
    if layer.data is not picture.values:
        layer.data = picture.values
    if tuple(layer.scale) != scale or tuple(layer.translate) != picture.first_flat:
        layer.scale, layer.translate = scale, picture.first_flat
    if tuple(layer.contrast_limits) != picture.window:
        layer.contrast_limits_range = picture.window
        layer.contrast_limits = picture.window


def _show_lines(model: Model, name: str, lines: Lines, zoom: float) -> None:
    vectors = np.stack([lines.pieces_flat[:, 0], lines.pieces_flat[:, 1] - lines.pieces_flat[:, 0]], axis=1)
    colours = lines.colours
    width = looks.LINE_PX / zoom
    if name == SHADOW:
        colours = np.column_stack([np.tile(looks.SHADOW[:3], (len(colours), 1)), looks.SHADOW[3] * colours[:, 3] ** 2])
        width = looks.SHADOW_PX / zoom
    if name not in model.layers:
        _, kind, _ = _quiet_layers()
        layer = kind(
            vectors,
            name=name,
            edge_color=colours,
            edge_width=width,
            vector_style="line",
            units=MM2,
            axis_labels=FLAT_AXES,
            blending="translucent_no_depth",
        )
        model.layers.append(layer)
        _hands_off(model)
        return
    layer = model.layers[name]
    if not np.array_equal(layer.data, vectors):
        layer.data = vectors
    if not np.array_equal(layer.edge_color, colours):
        layer.edge_color = colours
    if layer.edge_width != width:
        layer.edge_width = width


def _show_words(model: Model, words: tuple[Word, ...], zoom: float) -> None:
    """Each word four times in black a pixel aside, then once in its colour: it reads on bone and on air."""
    copies = [
        (word.text, (word.at_flat[0] + (down - word.lift_px) / zoom, word.at_flat[1] + right / zoom), colour)
        for down, right, shadow in ((-1, -1, True), (-1, 1, True), (1, -1, True), (1, 1, True), (0, 0, False))
        for word in words
        for colour in ((0.0, 0.0, 0.0, 1.0) if shadow else word.colour,)
    ]
    texts = [text for text, _, _ in copies]
    positions = np.array([at for _, at, _ in copies], dtype=np.float64).reshape(-1, 2)
    colours = np.array([colour for _, _, colour in copies], dtype=np.float64).reshape(-1, 4)
    text = {"string": texts, "size": looks.WORD_PT, "color": colours, "anchor": "center"}
    if WORDS not in model.layers:
        _, _, kind = _quiet_layers()
        empty = kind(np.empty((0, 2)), ndim=2, name=WORDS, size=1e-3, units=MM2, axis_labels=FLAT_AXES)
        empty.blending = "translucent_no_depth"
        model.layers.append(empty)
        _hands_off(model)
    layer = model.layers[WORDS]
    if np.array_equal(layer.data, positions) and layer.metadata.get("texts") == texts:
        return
    layer.metadata["texts"] = texts
    layer.data = positions
    layer.text = text if texts else None


def _hands_off(model: Model) -> None:
    """The toolkit's own editing tools stay off: layers are views of the case, never its source."""
    for layer in model.layers:
        layer.editable = layer.name == PICTURE
        layer.mouse_pan = True
    if PICTURE in model.layers:
        model.layers.selection.active = model.layers[PICTURE]


def fit(model: Model, width_mm: float, height_mm: float) -> None:
    """Show the whole picture, centred."""
    rows, columns = model.canvas.size
    model.scene.camera.center = (0.0, 0.0, 0.0)
    model.scene.camera.zoom = max(min(columns / width_mm, rows / height_mm) / MARGIN, 1e-3)


def zoom_by(model: Model, factor: float, at_flat: Flat) -> None:
    """Zoom in or out around a position, which stays where it is on the screen."""
    camera = model.scene.camera
    centre = np.asarray(camera.center)[-2:]
    camera.zoom = float(np.clip(camera.zoom * factor, 1.0, 400.0))
    camera.center = (0.0, *(np.asarray(at_flat) + (centre - at_flat) / factor))


def zoom_of(model: Model) -> float:
    """Screen pixels a millimetre."""
    return float(model.scene.camera.zoom)


def on_zoom(model: Model, listener: Callable[[], None]) -> None:
    """Call when the zoom changes."""
    model.scene.camera.events.zoom.connect(lambda event: listener())


def on_size(model: Model, listener: Callable[[], None]) -> None:
    """Call when the canvas gets another size."""
    model.canvas.events.size.connect(lambda event: listener())


def listen_mouse(model: Model, hooks: MouseHooks) -> None:
    """Replace the toolkit's mouse by ours: take hold, drag, drop, click, wheel, double click.

    Parameters
    ----------
    model
        The pane.
    hooks
        What to call.
    """

    def pressed(model: Model, event: Any) -> Any:
        if event.button not in (1, None):
            return
        start_px = np.asarray(event.pos, dtype=float)
        taken = hooks.take(_flat(event))
        model.scene.camera.mouse_pan = not taken
        moved = False
        yield
        while event.type == "mouse_move":
            moved = moved or float(np.abs(np.asarray(event.pos) - start_px).max()) > DRAG_PX
            if taken and moved:
                hooks.drag(_flat(event))
                event.handled = True
            yield
        model.scene.camera.mouse_pan = True
        if taken and moved:
            hooks.drop(_flat(event))
        elif not moved and not taken:
            hooks.click(_flat(event))

    def wheeled(model: Model, event: Any) -> None:
        hooks.wheel(float(event.delta[1]), "Control" in event.modifiers, _flat(event))

    def twice(model: Model, event: Any) -> None:
        hooks.double_click(_flat(event))

    model.mouse_drag_callbacks[:] = [pressed]
    model.mouse_wheel_callbacks[:] = [wheeled]
    model.mouse_double_click_callbacks[:] = [twice]


def _flat(event: Any) -> Flat:
    down, right = tuple(event.position)[-2:]
    return float(down), float(right)


def bind_keys(model: Model, keys: Mapping[str, Callable[[], None]]) -> None:
    """Bind keys on one pane; they work while its picture has the focus.

    Parameters
    ----------
    model
        The pane.
    keys
        Key name to what it does.
    """
    for key, action in keys.items():
        model.bind_key(key, lambda _model, action=action: action(), overwrite=True)


def add_dock(viewer: Model, widget: Any, *, name: str, area: str) -> Any:
    """Dock a widget without a title bar; gives the dock."""
    from qtpy.QtWidgets import QWidget

    dock = viewer.window.add_dock_widget(widget, name=name, area=area, add_vertical_stretch=False)
    dock.setTitleBarWidget(QWidget(dock))
    return dock


def arrange(viewer: Model, dock: Any) -> None:
    """Side docks over the full height; the toolkit's layer list, controls, console and status bar start hidden.

    Its own Window menu shows them again.
    """
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QDockWidget

    window = dock.window()
    window.setCorner(Qt.Corner.TopLeftCorner, Qt.DockWidgetArea.LeftDockWidgetArea)
    window.setCorner(Qt.Corner.TopRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
    window.setCorner(Qt.Corner.BottomLeftCorner, Qt.DockWidgetArea.BottomDockWidgetArea)
    window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.BottomDockWidgetArea)
    for other in window.findChildren(QDockWidget):
        if other.objectName() in TOOLKIT_DOCKS:
            other.hide()
    # Not hidden: the toolkit would remember that for its own windows.
    window.statusBar().setMaximumHeight(0)


def on_destroyed(dock: Any, listener: Callable[[], None]) -> None:
    """Call when a dock is destroyed with its window."""
    dock.destroyed.connect(lambda: listener())


def show_window(viewer: Model, width_px: int, height_px: int) -> None:
    """Show the window, not larger than the screen."""
    from qtpy.QtWidgets import QApplication

    viewer.window.show()
    screen = QApplication.primaryScreen().availableGeometry()
    viewer.window.resize(min(width_px, screen.width()), min(height_px, screen.height()))


def set_title(viewer: Model, title: str) -> None:
    """Title of the window."""
    viewer.title = title


def screenshot(viewer: Model, path: Path | None = None, *, whole_window: bool = True) -> npt.NDArray[np.uint8]:
    """Picture of the window, or of its large canvas only."""
    image = viewer.screenshot(str(path) if path else None, canvas_only=not whole_window, flash=False)
    return np.asarray(image)


def run() -> None:
    """Wait until the window is closed."""
    import napari

    napari.run()


def show_3d(model: Model, volume: Volume, *, window: tuple[float, float]) -> None:
    """A scan in 3-D, seen from the front with the head up and the patient's left on the right of the screen."""
    values, keywords, _ = volume_layer(volume, name=PICTURE, window=window)
    model.add_image(values, **keywords)
    model.dims.ndisplay = 3
    model.scene.camera.orientation = LPS_ORIENTATION
    model.reset_view()
    model.scene.camera.set_view_direction((0.0, 1.0, 0.0), (1.0, 0.0, 0.0))
