"""Every call to napari stands in this file, because its interface drifts between releases (written for 0.9.2).

World coordinates of a pane are the flat coordinates of its plane: mm down, mm right. Every layer carries mm as its
unit; one layer with another unit would switch the scale bar off.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.volume import Volume

from . import looks
from .bodies import Body, Eye, shaded
from .hooks import Flat, Grip, MouseHooks
from .layers import Picture, Sight
from .plain import MM3, PATIENT_AXES, volume_layer

Model = Any
"""A napari ViewerModel, or the Viewer that extends it."""

MM2 = ("mm", "mm")
LPS_ORIENTATION = ("away", "down", "right")
"""Camera orientation under which an array with axes (S, P, L) is not mirrored in 3-D: seen from the front, head up, the
patient's left is on the right of the screen. The toolkit's own default mirrors it."""
FLAT_AXES = ("down", "right")
PICTURE = "scan"
TOOLKIT_DOCKS = ("layer list", "layer controls", "console")
SMALL_BAR_MM = 5.0
MARGIN = 1.02
"""Free space around a fitted picture."""


@lru_cache(maxsize=1)
def _picture_layer() -> type:
    """The toolkit's layer of a picture without its thumbnail, which costs more than the drawing and is never seen."""
    from napari.layers import Image

    class Picture(Image):
        def _update_thumbnail(self) -> None:
            """Nothing."""

    return Picture


def new_model() -> Model:
    """A pane's model, with no window."""
    from napari.components import ViewerModel

    model = ViewerModel()
    prepare(model)
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


def prepare(model: Model) -> None:
    """Set what must never depend on a user's settings: handedness, and our own mouse, words and scale bar.

    Parameters
    ----------
    model
        A ViewerModel or Viewer.
    """
    model.scene.camera.orientation = LPS_ORIENTATION
    model.scene.camera.mouse_zoom = False
    model.mouse_wheel_callbacks.clear()
    model.mouse_double_click_callbacks.clear()
    model.mouse_drag_callbacks.clear()
    for overlay in model.canvas.overlays.values():  # each costs a drawing of its own; `marks_view` writes all of them
        overlay.visible = False


def show(model: Model, picture: Picture) -> None:
    """Put a picture on a pane's model; one that somebody deleted or replaced comes back.

    Parameters
    ----------
    model
        Prepared by `prepare`.
    picture
        From `ctmeasure_napari.render.render`.

    Notes
    -----
    A picture of the same size is written into the layer that is there: a new array costs the toolkit a round through
    all layers, dimensions and sliders.
    """
    scale = (picture.pixel_mm, picture.pixel_mm)
    if PICTURE not in model.layers:
        layer = _picture_layer()(
            picture.values.copy(),
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
        model.layers.selection.active = layer
        return
    layer = model.layers[PICTURE]
    if layer.data.shape != picture.values.shape or layer.data.dtype != picture.values.dtype:
        with layer.events.extent.blocker():
            layer.data = picture.values.copy()
    elif not np.array_equal(layer.data, picture.values):
        np.copyto(layer.data, picture.values)
        layer.refresh(extent=False, thumbnail=False, highlight=False)
    if tuple(layer.scale) != scale or tuple(layer.translate) != picture.first_flat:
        layer.scale, layer.translate = scale, picture.first_flat
    if tuple(layer.contrast_limits) != picture.window:
        layer.contrast_limits_range = picture.window
        layer.contrast_limits = picture.window


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


def pan_by(model: Model, right_px: float, down_px: float) -> None:
    """Move the picture by so many pixels of the screen."""
    camera = model.scene.camera
    down, right = tuple(camera.center)[-2:]
    camera.center = (0.0, down - down_px / camera.zoom, right - right_px / camera.zoom)


def set_size(model: Model, rows_px: int, columns_px: int) -> None:
    """How large a model is shown by a widget that is not the toolkit's."""
    model.canvas.size = (max(rows_px, 1), max(columns_px, 1))


def zoom_of(model: Model) -> float:
    """Screen pixels a millimetre."""
    return float(model.scene.camera.zoom)


def sight_of(model: Model) -> Sight:
    """Which part of the plane the canvas shows."""
    camera = model.scene.camera
    down, right = (float(v) for v in tuple(camera.center)[-2:])
    return Sight((down, right), float(camera.zoom))


def on_sight(model: Model, listener: Callable[[], None]) -> None:
    """Call when the canvas shows another part of the plane, or the same larger or smaller."""
    for event in (model.scene.camera.events.zoom, model.scene.camera.events.center):
        event.connect(lambda event: listener())


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
        if event.button not in (1, 2, None):
            return
        grip = Grip(hooks, _flat(event), _px(event), right=event.button == 2)
        model.scene.camera.mouse_pan = grip.pans
        yield
        while event.type == "mouse_move":
            event.handled = grip.move(_flat(event), _px(event)) or event.handled
            yield
        model.scene.camera.mouse_pan = True
        grip.end(_flat(event))

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


def _px(event: Any) -> tuple[float, float]:
    right, down = tuple(event.pos)[:2]
    return float(right), float(down)


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


def screenshot(viewer: Model, path: Path | None = None) -> npt.NDArray[np.uint8]:
    """Picture of the whole window."""
    return np.asarray(viewer.screenshot(str(path) if path else None, canvas_only=False, flash=False))


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

    if model.canvas.overlays.text.text != title:
        model.canvas.overlays.text.text = title
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
