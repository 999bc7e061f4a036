"""The window without its widgets: a session, a crosshair, three panes, and what a person can do with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.app.commands import MoveLandmark
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.report.figures.slices import BONE_WINDOW_HU, GREY_PERCENTILES
from ctmeasure.volume.reformat import PlaneSpec, reformat
from ctmeasure.volume.volume import Volume

from . import adapter, looks
from .adapter import Flat, Model, MouseHooks
from .convert import EchoGuard, lps_from_flat, moved_in_plane, through
from .layers import PaneLayers
from .planes import Choice, first_planes, plane_choices
from .render import PaneView, render
from .scene import CaseScene, PointRef, case_scene, point_label

Floats = npt.NDArray[np.float64]
Window = tuple[float, float]


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
    guard: EchoGuard = field(default_factory=EchoGuard)


class Workbench:
    """Ties a session to three panes. It computes nothing itself: it converts, listens and asks the session.

    Parameters
    ----------
    session
        Holds the case and its scan.
    models
        The large pane first, then the two beside it; prepared by `ctmeasure_napari.adapter`.

    Raises
    ------
    CtmeasureError
        When the session has no scan.
    """

    def __init__(self, session: Session, models: tuple[Model, Model, Model]) -> None:
        if session.volume is None:
            raise CtmeasureError("a case without its scan", expected="the scan", action="open the case with --scan")
        self.session = session
        self.volume: Volume = session.volume
        self.windows = grey_windows(self.volume)
        self.window_name = next(iter(self.windows))
        self.names = False
        self.selected: PointRef | None = None
        self.changed = False
        self.message = ""
        self.guard = EchoGuard()
        self.later: Callable[[Callable[[], None]], None] = lambda act: act()
        """Runs what may wait a moment; the window replaces it by a timer, so that quick scrolling stays quick."""
        self._listeners: list[Callable[[], None]] = []
        self.choices: dict[str, Choice] = plane_choices(session.case, self.volume.geometry)
        self.scene: CaseScene = case_scene(session.case)
        keys = first_planes(self.choices)
        self.panes = tuple(Pane(model, key, self._plane(key)) for model, key in zip(models, keys, strict=True))
        self.in_use: Pane = self.panes[0]
        self.focus_lps: Floats = np.array(self.panes[2].plane.origin_lps)
        for pane in self.panes:
            self._connect(pane)
        self._stop_listening = session.listen(self._case_changed)
        self.refresh()

    # what is shown ---------------------------------------------------------------------------------------------------

    @property
    def case(self) -> Case:
        """The session's case."""
        return self.session.case

    def listen(self, listener: Callable[[], None]) -> None:
        """Call after anything changed that a widget may show."""
        self._listeners.append(listener)

    def close(self) -> None:
        """Stop listening to the session; doing so twice is harmless."""
        stop, self._stop_listening = self._stop_listening, lambda: None
        stop()
        self._listeners.clear()

    def refresh(self) -> None:
        """Draw every pane as things stand, the one in use first, and tell the widgets."""
        self._draw(self.in_use)
        self.later(self._refresh_others)

    def _refresh_others(self) -> None:
        for pane in self.panes:
            if pane is not self.in_use:
                self._draw(pane)
        self._tell()

    def _tell(self) -> None:
        for listener in tuple(self._listeners):
            listener()

    def _draw(self, pane: Pane) -> None:
        plane = through(pane.plane, self.focus_lps)
        if pane.values is None or plane != pane.values.spec:
            pane.values = reformat(self.volume, plane)
        held = pane.drag[1] if pane.drag else None
        view = PaneView(
            plane=pane.values.spec,
            values=pane.values.image,
            focus_lps=self.focus_lps,
            window=self.windows[self.window_name],
            px_per_mm=adapter.zoom_of(pane.model),
            selected=self.selected,
            held_at_lps=held,
            names=self.names,
            brief=pane is not self.panes[0],
        )
        pane.shown = render(self.scene, view)
        with pane.guard.writing():
            adapter.show(pane.model, pane.shown)

    def fit(self, pane: Pane) -> None:
        """Show the whole picture of one pane."""
        self._fit_camera(pane)
        self._draw(pane)

    def fit_all(self) -> None:
        """Show the whole picture of every pane."""
        for pane in self.panes:
            self.fit(pane)

    def _fit_camera(self, pane: Pane) -> None:
        pane.zoomed = False
        with pane.guard.writing():
            adapter.fit(pane.model, pane.plane.width_mm, pane.plane.height_mm)

    # what a person does ----------------------------------------------------------------------------------------------

    def choose_plane(self, number: int, key: str) -> None:
        """Turn a pane to a plane, at the place its recipe gives; the crosshair follows the short way.

        Parameters
        ----------
        number
            0 is the large pane.
        key
            Key of `ctmeasure_napari.planes.plane_choices`.
        """
        choice = self.choices[key]
        if choice.plane is None:
            self.say(f"{choice.words}: {choice.missing}")
            return
        pane = self.panes[number]
        pane.key, pane.plane = key, choice.plane
        self.focus_lps = self.focus_lps - choice.plane.offset_mm(self.focus_lps) * choice.plane.normal_lps
        self._fit_camera(pane)
        self.refresh()

    def swap(self, number: int) -> None:
        """Exchange a small pane's plane with the large one's."""
        large, small = self.panes[0], self.panes[number]
        (large.key, large.plane), (small.key, small.plane) = (small.key, small.plane), (large.key, large.plane)
        self._fit_camera(large)
        self._fit_camera(small)
        self.refresh()

    def step(self, pane: Pane, distance_mm: float) -> None:
        """Move one pane's plane along its normal, within the scan."""
        self.in_use = pane
        self.look_at(self.focus_lps + distance_mm * through(pane.plane, self.focus_lps).normal_lps)

    def look_at(self, point_lps: Floats) -> None:
        """Put the crosshair there; every plane follows. A place outside the scan is refused with a sentence."""
        if not bool(self.volume.geometry.contains_lps(point_lps)):
            self.say("the scan ends here")
            return
        self.focus_lps = np.array(point_lps, dtype=np.float64)
        self.message = ""
        self.refresh()

    def select(self, ref: PointRef | None, *, go: bool = False) -> None:
        """Take a landmark point in hand; with ``go`` the planes turn to it."""
        self.selected = ref
        mark = self.scene.point(ref) if ref else None
        if go and mark is not None:
            self.look_at(mark.point_lps)
        else:
            self.refresh()

    def nudge(self, pane: Pane, *, down_mm: float = 0.0, right_mm: float = 0.0) -> None:
        """Move the selected point parallel to a pane's plane; without one, a step up or down moves the plane."""
        mark = self.scene.point(self.selected) if self.selected else None
        if mark is None:
            if down_mm:
                self.step(pane, looks.STEP_MM if down_mm > 0 else -looks.STEP_MM)
            return
        plane = through(pane.plane, self.focus_lps)
        self.move(mark.ref, moved_in_plane(plane, mark.point_lps, down_mm=down_mm, right_mm=right_mm))

    def move(self, ref: PointRef, point_lps: Floats) -> None:
        """Put a landmark point elsewhere: one step that undo takes back. A place outside the scan is refused."""
        if not bool(self.volume.geometry.contains_lps(point_lps)):
            self.say(f"{point_label(ref)} was not moved: the scan ends here")
            self.refresh()
            return
        x, y, z = (float(v) for v in point_lps)
        self._try(lambda: self.session.do(MoveLandmark(ref[0], ref[1], (x, y, z))))

    def undo(self) -> None:
        """Take the last step back."""
        self.session.undo()

    def redo(self) -> None:
        """Do the step taken back again."""
        self.session.redo()

    def say(self, message: str) -> None:
        """Tell the person something in the window."""
        self.message = message
        self._tell()

    def choose_window(self, name: str) -> None:
        """Choose the grey window by name."""
        self.window_name = name
        self.refresh()

    def show_names(self, names: bool) -> None:
        """Name every landmark, or only the selected one."""
        self.names = names
        self.refresh()

    def _try(self, act: Callable[[], object]) -> None:
        try:
            self.message = ""
            act()
        except CtmeasureError as error:
            self.say(str(error))
            self.refresh()

    def _case_changed(self, case: Case) -> None:
        self.changed = bool(self.session.undo_words)
        self.scene = case_scene(case)
        self.choices = plane_choices(case, self.volume.geometry)
        if self.selected is not None and self.scene.point(self.selected) is None:
            self.selected = None
        self.refresh()

    def _plane(self, key: str) -> PlaneSpec:
        plane = self.choices[key].plane
        assert plane is not None, "first_planes only names planes that exist"
        return plane

    # mouse and keys --------------------------------------------------------------------------------------------------

    def _connect(self, pane: Pane) -> None:
        adapter.listen_mouse(
            pane.model,
            MouseHooks(
                take=lambda at: self._take(pane, at),
                drag=lambda at: self._drag(pane, at),
                drop=lambda at: self._drop(pane, at),
                click=lambda at: self._click(pane, at),
                wheel=lambda notches, zoom, at: self._wheel(pane, notches, zoom, at),
                double_click=lambda at: self._double_click(pane),
            ),
        )
        adapter.on_zoom(pane.model, lambda: self._zoom_changed(pane))
        adapter.on_size(pane.model, lambda: None if pane.zoomed else self.fit(pane))
        steps = {"Up": (-1.0, 0.0), "Down": (1.0, 0.0), "Left": (0.0, -1.0), "Right": (0.0, 1.0)}
        keys: dict[str, Callable[[], None]] = {}
        for key, (down, right) in steps.items():
            for prefix, by in (("", looks.NUDGE_MM), ("Shift-", looks.LARGE_NUDGE_MM)):
                keys[prefix + key] = partial(self.nudge, pane, down_mm=down * by, right_mm=right * by)
        keys |= {
            "PageUp": lambda: self.step(pane, -looks.STEP_MM),
            "PageDown": lambda: self.step(pane, looks.STEP_MM),
            "Escape": lambda: self.select(None),
            "Control-Z": self.undo,
            "Control-Shift-Z": self.redo,
        }
        adapter.bind_keys(pane.model, keys)

    def _take(self, pane: Pane, at: Flat) -> bool:
        reach = looks.PICK_PX / adapter.zoom_of(pane.model)
        held = pane.shown.held if pane.shown else {}
        near = {ref: float(np.hypot(*np.subtract(at, flat))) for ref, flat in held.items()}
        ref = min(near, key=near.__getitem__, default=None)
        if ref is None or near[ref] > reach:
            return False
        self.select(ref)
        return True

    def _drag(self, pane: Pane, at: Flat) -> None:
        if self.selected is None:
            return
        self.in_use = pane
        pane.drag = (self.selected, self._dragged_lps(pane, at))
        self._draw(pane)

    def _drop(self, pane: Pane, at: Flat) -> None:
        pane.drag = None
        if self.selected is not None:
            self.move(self.selected, self._dragged_lps(pane, at))

    def _dragged_lps(self, pane: Pane, at: Flat) -> Floats:
        """Where the point in hand comes to lie: under the mouse, as far from the plane as it was."""
        assert self.selected is not None
        mark = self.scene.point(self.selected)
        assert mark is not None
        plane = pane.values.spec
        return lps_from_flat(plane, at, offset_mm=plane.offset_mm(mark.point_lps))

    def _click(self, pane: Pane, at: Flat) -> None:
        self.selected = None
        self.look_at(lps_from_flat(pane.values.spec, at))

    def _double_click(self, pane: Pane) -> None:
        if pane is not self.panes[0]:
            self.swap(self.panes.index(pane))

    def _wheel(self, pane: Pane, notches: float, zoom: bool, at: Flat) -> None:
        if zoom:
            pane.zoomed = True
            adapter.zoom_by(pane.model, 1.15 ** float(np.clip(notches, -3, 3)), at)
        else:
            self.step(pane, -looks.STEP_MM * float(np.clip(notches, -3, 3)))

    def _zoom_changed(self, pane: Pane) -> None:
        if not pane.guard.busy and pane.shown is not None:
            with pane.guard.writing():
                adapter.show_zoom(pane.model, pane.shown.words)

    # words for the widgets -------------------------------------------------------------------------------------------

    def position_words(self, number: int) -> str:
        """How far a pane's plane is from the place its recipe gives.

        Raises
        ------
        Nothing.
        """
        offset = float(self.panes[number].plane.offset_mm(self.focus_lps)) + 0.0
        return "at its place" if abs(offset) < 0.05 else f"moved {offset:+.1f} mm"

    def selected_words(self) -> str:
        """The point in hand in words: name, doubt, and how far it is from the large plane."""
        mark = self.scene.point(self.selected) if self.selected else None
        if mark is None:
            return "No point in hand. Click a cross, or choose one here."
        plane = through(self.panes[0].plane, self.focus_lps)
        away = float(plane.offset_mm(mark.point_lps))
        doubt = ""
        if mark.covariance is not None:
            doubt = f", doubt {np.sqrt(np.trace(mark.covariance) / 3.0):.1f} mm an axis"
        where = (
            "in this plane"
            if abs(away) < 0.05
            else f"{abs(away):.1f} mm {'behind' if away > 0 else 'before'} this plane"
        )
        return f"{mark.label}: {self.case.landmarks[mark.ref[0]].status.replace('_', ' ')}{doubt}; {where}"


def grey_windows(volume: Volume) -> dict[str, Window]:
    """Grey windows by name, the first one to start with.

    Parameters
    ----------
    volume
        Its unit decides: Hounsfield units have fixed windows, uncalibrated grey values their own range.

    Returns
    -------
    dict
        Name to lowest and highest value shown.
    """
    if volume.source.intensity_unit == "HU":
        return {"bone": BONE_WINDOW_HU, "middle ear": looks.MIDDLE_EAR_HU, "soft tissue": looks.SOFT_TISSUE_HU}
    sample = volume.values[::4, ::4, ::4]
    low, high = (float(v) for v in np.percentile(sample[np.isfinite(sample)], GREY_PERCENTILES))
    middle = low + 0.5 * (high - low)
    return {"whole range": (low, max(high, low + 1.0)), "darker half": (low, max(middle, low + 1.0))}
