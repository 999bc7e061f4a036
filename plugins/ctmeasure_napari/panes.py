"""The panes of a window: which plane each shows, how far it was moved, and how it is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.geometry.vectors import unit
from ctmeasure.volume.reformat import PlaneSpec, SlabMode, reformat
from ctmeasure.volume.volume import Volume

from . import adapter
from .adapter import Model
from .convert import through
from .hooks import MouseHooks
from .layers import PaneLayers
from .render import PaneView, render
from .scene import CaseScene, PointRef

Floats = npt.NDArray[np.float64]
SLABS: dict[str, tuple[float, SlabMode]] = {
    "thin": (0.0, "mean"),
    "1 mm mean": (1.0, "mean"),
    "2 mm mean": (2.0, "mean"),
    "2 mm brightest": (2.0, "maximum"),
    "4 mm brightest": (4.0, "maximum"),
    "2 mm darkest": (2.0, "minimum"),
}
"""Thick slabs by name: thickness and how it is reduced."""
FREE = "free"
"""Key of a plane that was turned by hand."""


@dataclass(eq=False)
class Pane:
    """One picture: its model, which plane it shows, and what it showed last."""

    model: Model
    key: str
    plane: PlaneSpec
    values: Any = None
    shown: PaneLayers | None = None
    zoomed: bool = False
    drag: tuple[PointRef, Floats] | None = None
    hooks: MouseHooks | None = None
    keys: Mapping[str, Callable[[], None]] = field(default_factory=dict)
    marks_changed: Callable[[], None] = lambda: None
    """Called after `shown` changed; whoever draws the marks over the picture sets it."""


@dataclass(frozen=True, eq=False, slots=True)
class Look:
    """What all panes have in common while they are drawn."""

    scene: CaseScene
    focus_lps: Floats
    window: tuple[float, float]
    slab: str
    selected: PointRef | None
    names: bool
    draft_lps: Floats
    type_scale: float = 1.0


def draw(pane: Pane, volume: Volume, look: Look, *, large: bool) -> None:
    """Cut the scan along the pane's plane through the crosshair, and show it with everything marked on it.

    Parameters
    ----------
    pane
        Which.
    volume
        The scan.
    look
        What is looked at and how.
    large
        Whether it is the large pane.
    """
    thickness, mode = SLABS[look.slab]
    plane = through(pane.plane, look.focus_lps)
    if thickness:
        plane = replace(plane, slab_mm=thickness, slab_mode=mode)
    if pane.values is None or plane != pane.values.spec:
        pane.values = reformat(volume, plane)
    view = PaneView(
        plane=pane.values.spec,
        values=pane.values.image,
        focus_lps=look.focus_lps,
        window=look.window,
        px_per_mm=adapter.zoom_of(pane.model),
        selected=look.selected,
        held_at_lps=pane.drag[1] if pane.drag else None,
        names=look.names and (large or look.type_scale == 1.0),
        brief=not large,
        draft_lps=look.draft_lps,
        type_scale=look.type_scale,
        caption=look.slab if thickness else "",
    )
    pane.shown = render(look.scene, view)
    adapter.show(pane.model, pane.shown.picture)
    pane.marks_changed()


def fit(pane: Pane) -> None:
    """Show the whole plane."""
    pane.zoomed = False
    adapter.fit(pane.model, pane.plane.width_mm, pane.plane.height_mm)


def turned(plane: PlaneSpec, about_lps: Floats, *, about: str, by_deg: float) -> PlaneSpec:
    """A plane turned by hand around a point.

    Parameters
    ----------
    plane
        Where it stands.
    about_lps
        The point that stays in it, LPS mm.
    about
        ``right``, ``down`` or ``normal``: the plane's own axis it turns around.
    by_deg
        Degrees, right-handed.

    Returns
    -------
    PlaneSpec

    Raises
    ------
    KeyError
        For another axis.

    Example
    -------
    >>> axial = PlaneSpec("axial", "patient axes", (0, 0, 0), (1, 0, 0), (0, 1, 0), 40.0, 30.0, 0.1)
    >>> turned(axial, np.zeros(3), about="right", by_deg=90.0).down_lps.round(9).tolist()
    [0.0, 0.0, 1.0]
    """
    from scipy.spatial.transform import Rotation

    axis = {"right": plane.right_lps, "down": plane.down_lps, "normal": plane.normal_lps}[about]
    turn = Rotation.from_rotvec(np.radians(by_deg) * axis).as_matrix()
    right = unit(turn @ plane.right_lps)
    down = turn @ plane.down_lps
    down = unit(down - (down @ right) * right)
    origin = about_lps + turn @ (plane.origin_lps - about_lps)
    return replace(plane, name="free plane", recipe="turned by hand", origin_lps=origin, right_lps=right, down_lps=down)
