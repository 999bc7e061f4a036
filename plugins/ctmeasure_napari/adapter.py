"""Every call to napari stands in this file, because its interface drifts between releases (written for 0.9.2).

World coordinates of a pane are the flat coordinates of its plane: mm down, mm right. Every layer carries mm as its
unit; one layer with another unit would switch the scale bar off.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.volume import Volume

from . import looks
from .bodies import Body, Eye, shaded
from .hooks import Flat, MouseHooks
from .layers import Lines, PaneLayers, Picture, Word
from .plain import MM3, PATIENT_AXES, volume_layer
from .strokes import lettered, stroked

Model = Any
"""A napari ViewerModel, or the Viewer that extends it."""

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

    check_drawing()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        viewer = napari.Viewer(title=title, show=False)
    prepare(viewer)
    return viewer


def check_drawing() -> None:
    """Refuse in one line where nothing can be drawn; the toolkit itself ends in an error nobody understands."""
    named = os.environ.get("QT_QPA_PLATFORM", "")
    unseen = not (named or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    if sys.platform.startswith("linux") and unseen:
        raise CtmeasureError("there is no display", expected="a screen", action="start it in a desktop session")
    from napari.qt import get_qapp
    from qtpy.QtGui import QOffscreenSurface, QOpenGLContext

    get_qapp()
    context, surface = QOpenGLContext(), QOffscreenSurface()
    surface.create()
    if not (context.create() and context.makeCurrent(surface)):
        where = f" (QT_QPA_PLATFORM is {named})" if named else ""
        raise CtmeasureError(
            f"this session cannot draw{where}",
            expected="OpenGL 2.1 or newer",
            action="use a session with a graphics driver, or a software one such as Mesa",
        )
    context.doneCurrent()


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


def _set_data(layer: Any, data: npt.NDArray[Any]) -> None:
    """New data without the toolkit's round through all layers for their common extent, which nothing here uses."""
    with layer.events.extent.blocker():
        layer.data = data


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
        _set_data(layer, picture.values)
    if tuple(layer.scale) != scale or tuple(layer.translate) != picture.first_flat:
        layer.scale, layer.translate = scale, picture.first_flat
    if tuple(layer.contrast_limits) != picture.window:
        layer.contrast_limits_range = picture.window
        layer.contrast_limits = picture.window


def _show_lines(model: Model, name: str, lines: Lines, zoom: float) -> None:
    vectors, colours, width = stroked(lines, zoom, shadow=name == SHADOW)
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
        _set_data(layer, vectors)
    if not np.array_equal(layer.edge_color, colours):
        layer.edge_color = colours
    if layer.edge_width != width:
        layer.edge_width = width


def _show_words(model: Model, words: tuple[Word, ...], zoom: float) -> None:
    texts, positions, colours = lettered(words, zoom)
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
    _set_data(layer, positions)
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
        if event.button == 2:
            yield from shaded(model, event)
            return
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

    def shaded(model: Model, event: Any) -> Any:
        model.scene.camera.mouse_pan = False
        last_px = np.asarray(event.pos, dtype=float)
        yield
        while event.type == "mouse_move":
            now_px = np.asarray(event.pos, dtype=float)
            hooks.shade(float(now_px[0] - last_px[0]), float(now_px[1] - last_px[1]))
            last_px = now_px
            event.handled = True
            yield
        model.scene.camera.mouse_pan = True

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


def reveal(viewer: Model) -> None:
    """Show the window."""
    viewer.window.show()


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


def new_solid_model() -> Model:
    """The model of the 3-D picture, with no window; its camera never mirrors the patient."""
    from napari.components import ViewerModel

    model = ViewerModel(ndisplay=3)
    model.scene.camera.orientation = LPS_ORIENTATION
    model.scene.camera.perspective = 0.0
    bar = model.canvas.overlays.scale_bar
    bar.length = SMALL_BAR_MM
    bar.visible, bar.font_size, bar.position, bar.colored = True, looks.SMALLEST_TYPE_PT, "bottom_right", False
    title = model.canvas.overlays.text
    title.visible, title.font_size, title.position, title.color = True, looks.SMALLEST_TYPE_PT, "top_left", looks.INK
    return model


def show_bodies(model: Model, bodies: Sequence[Body], *, title: str) -> None:
    """Put surfaces into the 3-D picture; those no longer there go, unchanged ones stay untouched.

    Parameters
    ----------
    model
        From `new_solid_model`.
    bodies
        What to show; layer axes are S, P, L.
    title
        Words in the corner.
    """
    from napari.layers import Surface

    _set(model.canvas.overlays.text, "text", title)
    wanted = {body.name: body for body in bodies}
    for layer in tuple(model.layers):
        if wanted.get(layer.name) is not layer.metadata.get("body"):
            model.layers.remove(layer)
    for name, body in wanted.items():
        if name in model.layers:
            continue
        corners = body.solid.vertices_lps[:, ::-1]
        looks_like: dict[str, Any] = {}
        if body.picture is not None and body.places is not None:
            looks_like = {"texture": body.picture, "texcoords": body.places, "shading": "none"}
        else:
            # The toolkit's own lamp shines from behind under our camera orientation.
            looks_like = {"vertex_colors": shaded(body), "shading": "none", "opacity": body.colour[3]}
        layer = Surface(
            (corners, body.solid.faces),
            name=name,
            units=MM3,
            axis_labels=PATIENT_AXES,
            blending="opaque" if body.colour[3] >= 1.0 else "translucent_no_depth",
            metadata={"body": body},
            **looks_like,
        )
        model.layers.append(layer)


def look_from(model: Model, eye: Eye) -> None:
    """Turn the 3-D picture: the patient's right and left are never swapped, whatever the direction."""
    camera = model.scene.camera
    camera.orientation = LPS_ORIENTATION
    camera.center = tuple(float(v) for v in eye.centre_lps[::-1])
    camera.set_view_direction(tuple(eye.looking_lps[::-1]), tuple(eye.up_lps[::-1]))
    camera.zoom = max(min(model.canvas.size) / eye.height_mm, 1e-3)
