"""The window without its widgets: a session, a crosshair, three panes, and what a person can do with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.vocabulary import Status
from ctmeasure.app.commands import Command
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case, SiteRequest
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import SiteResult, ZoneCell
from ctmeasure.volume.reformat import PlaneSpec
from ctmeasure.volume.volume import Volume

from . import acts, live_hole, looks, panes
from .adapter import Model
from .convert import EchoGuard, moved_in_plane, through
from .greys import OWN, Window, dragged, grey_windows
from .panes import FREE, SLABS, Look, Pane
from .placing import Placing
from .planes import Choice, first_planes, plane_choices
from .scene import HOLE_REF, CaseScene, PointRef, case_scene, point_label
from .wallmap import WallChart, wall_chart

Floats = npt.NDArray[np.float64]


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
        from .hands import connect

        if session.volume is None:
            raise CtmeasureError("a case without its scan", expected="the scan", action="open the case with --scan")
        self.session = session
        self.volume: Volume = session.volume
        self.windows = grey_windows(self.volume)
        self.window_name = next(iter(self.windows))
        self.slab = next(iter(SLABS))
        self.names = False
        self.selected: PointRef | None = None
        self.placing: Placing | None = None
        self.wall_cell: ZoneCell | None = None
        self.changed = False
        self.message = ""
        self.observer = ""
        self.asked: tuple[str, ...] | None = None
        """What is to be placed, by id; None: everything there is."""
        self.assess_hole: Callable[[SiteRequest], SiteResult | None] = lambda site: None
        """Assesses a hole while it is dragged; the window sets it."""
        self.type_scale = 1.0
        self.curved: Callable[[], None] = lambda: None
        """Shows the pictures along the nerve; the window sets it."""
        self.snap = False
        """Whether a click is moved to what the image shows there; undo takes that move back by itself."""
        self.guard = EchoGuard()
        self.later: Callable[[Callable[[], None]], None] = lambda act: act()
        """Runs what may wait a moment; the window replaces it by a timer, so that quick scrolling stays quick."""
        self.dragging: Case | None = None
        """The case as it would be if the point were let go here."""
        self._listeners: list[Callable[[], None]] = []
        self.choices: dict[str, Choice] = plane_choices(session.case, self.volume.geometry)
        self.scene: CaseScene = case_scene(session.case)
        self.chart: WallChart = wall_chart(session.case)
        keys = first_planes(self.choices)
        self.panes = tuple(Pane(model, key, self._plane(key)) for model, key in zip(models, keys, strict=True))
        self.in_use: Pane = self.panes[0]
        self.focus_lps: Floats = np.array(self.panes[2].plane.origin_lps)
        for pane in self.panes:
            connect(self, pane)
        self._stop_listening = session.listen(self._case_changed)
        self.refresh()

    # what is shown ---------------------------------------------------------------------------------------------------

    @property
    def case(self) -> Case:
        """The session's case."""
        return self.session.case

    @property
    def window(self) -> Window:
        """Lowest and highest grey value shown."""
        return self.windows[self.window_name]

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
        draft = np.array(self.placing.draft if self.placing else (), dtype=np.float64).reshape(-1, 3)
        look = Look(
            self.scene, self.focus_lps, self.window, self.slab, self.selected, self.names, draft, self.type_scale
        )
        panes.draw(pane, self.volume, look, large=pane is self.panes[0])

    def fit(self, pane: Pane) -> None:
        """Show the whole picture of one pane."""
        panes.fit(pane)
        self._draw(pane)

    def fit_all(self) -> None:
        """Show the whole picture of every pane."""
        for pane in self.panes:
            self.fit(pane)

    # planes ----------------------------------------------------------------------------------------------------------

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
        panes.fit(pane)
        self.refresh()

    def swap(self, number: int) -> None:
        """Exchange a small pane's plane with the large one's."""
        large, small = self.panes[0], self.panes[number]
        (large.key, large.plane), (small.key, small.plane) = (small.key, small.plane), (large.key, large.plane)
        panes.fit(large)
        panes.fit(small)
        self.refresh()

    def turn(self, pane: Pane, *, about: str, by_deg: float) -> None:
        """Turn a pane's plane by hand around the crosshair: from then on it is a free plane."""
        pane.plane = panes.turned(through(pane.plane, self.focus_lps), self.focus_lps, about=about, by_deg=by_deg)
        pane.key = FREE
        self.in_use = pane
        self.refresh()

    def step(self, pane: Pane, distance_mm: float) -> None:
        """Move one pane's plane along its normal, within the scan."""
        self.in_use = pane
        self.look_at(self.focus_lps + distance_mm * through(pane.plane, self.focus_lps).normal_lps)

    def look_at(self, point_lps: npt.ArrayLike) -> None:
        """Put the crosshair there; every plane follows. A place outside the scan is refused with a sentence."""
        point = np.array(point_lps, dtype=np.float64)
        if not bool(self.volume.geometry.contains_lps(point)):
            self.say("the scan ends here")
            return
        self.focus_lps = point
        self.message = ""
        self.refresh()

    def go_to_wall(self, hours: float, rim_mm: float) -> None:
        """Put the crosshair on the canal wall under a place of the unrolled map, and take that cell in hand."""
        self.wall_cell = self.chart.cell_at(hours, rim_mm)
        entry = self.wall_cell.entry_lps if self.wall_cell is not None else None
        point = entry if entry is not None else self.chart.wall_point_lps(hours, rim_mm)
        if point is None:
            self.say("no wall was found there" if self.chart.scene else self.chart.why)
        else:
            self.look_at(point)

    # points ----------------------------------------------------------------------------------------------------------

    def clicked(self, pane: Pane, point_lps: Floats) -> None:
        """A click that took hold of nothing: place what is being placed, else put the crosshair there."""
        self.in_use = pane
        if self.placing is None:
            self.selected = None
            self.look_at(point_lps)
        elif not bool(self.volume.geometry.contains_lps(point_lps)):
            self.say("nothing was placed: the scan ends here")
        else:
            acts.place(self, point_lps)

    def may_take(self, ref: PointRef) -> bool:
        """Whether a press may take hold of a point: while placing, only of what is being placed."""
        if self.placing is None:
            return True
        item = self.placing.item
        own = item.id if item.what == "landmark" else acts.structure_ref(item.id)
        return ref[0] == own and not self.placing.again

    def select(self, ref: PointRef | None, *, go: bool = False) -> None:
        """Take a point in hand; with ``go`` the planes turn to it."""
        self.selected = ref
        mark = self.scene.point(ref) if ref else None
        if go and mark is not None:
            self.look_at(mark.point_lps)
        else:
            self.refresh()

    def let_go(self) -> None:
        """Nothing in hand and nothing being placed."""
        self.placing, self.wall_cell = None, None
        self.select(None)

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
        """Put a point elsewhere: one step that undo takes back. A place outside the scan is refused."""
        self.dragging = None
        if not bool(self.volume.geometry.contains_lps(point_lps)):
            self.say(f"{point_label(ref)} was not moved: the scan ends here")
            self.refresh()
            return
        self._try(lambda: self.session.do(acts.move_command(self, ref, point_lps)))

    def drag(self, pane: Pane, ref: PointRef, point_lps: Floats) -> None:
        """Show a point where it would come to lie."""
        self.in_use = pane
        pane.drag = (ref, point_lps)
        self.dragging = acts.dragged_case(self, ref, point_lps)
        self._draw(pane)
        if ref[0].startswith(HOLE_REF):
            live_hole.follow(self, ref[0].removeprefix(HOLE_REF), point_lps)
        else:
            self.later(self._tell)

    def move_hole(self, label: str, hours: float, rim_mm: float) -> None:
        """Put a hole of the map elsewhere on the wall."""
        acts.move_hole(self, label, hours, rim_mm)

    def start_placing(self, item_id: str, *, again: bool = False) -> None:
        """Begin to place something: the large pane turns to its plane."""
        acts.start_placing(self, item_id, again=again)

    def place_next(self) -> None:
        """Begin to place the next thing of the list."""
        acts.place_next(self)

    def end_placing(self) -> None:
        """Placing ends; what is placed stays."""
        acts.end_placing(self)

    def set_status(self, status: Status) -> None:
        """Say that what is in hand is absent or not seen."""
        acts.set_status(self, status)

    def do(self, command: Command) -> None:
        """Do something to the case; what does not fit is said, and nothing changes."""
        self._try(lambda: self.session.do(command))

    def undo(self) -> None:
        """Take the last step back: first a click of an unfinished draft, else the last change of the case."""
        self._try(lambda: acts.undo(self))

    def redo(self) -> None:
        """Do the step taken back again."""
        self._try(lambda: acts.redo(self))

    def say(self, message: str) -> None:
        """Tell the person something in the window."""
        self.message = message
        self._tell()

    # looks -----------------------------------------------------------------------------------------------------------

    def choose_window(self, name: str) -> None:
        """Choose the grey window by name."""
        self.window_name = name
        self.refresh()

    def next_window(self) -> None:
        """The next grey window."""
        names = list(self.windows)
        self.choose_window(names[(names.index(self.window_name) + 1) % len(names)])

    def drag_window(self, right_px: float, down_px: float) -> None:
        """Change the grey window by a drag."""
        self.windows[OWN] = dragged(self.window, right_px, down_px)
        self.choose_window(OWN)

    def choose_slab(self, name: str) -> None:
        """Choose how thick the planes are."""
        self.slab = name
        self.refresh()

    def next_slab(self) -> None:
        """The next thickness."""
        names = list(SLABS)
        self.choose_slab(names[(names.index(self.slab) + 1) % len(names)])

    def show_names(self, names: bool) -> None:
        """Name every landmark, or only the selected one."""
        self.names = names
        self.refresh()

    def look(self) -> dict[str, Any]:
        """How the window looks, as plain data: it comes back exactly like this."""
        return acts.look(self)

    def look_like(self, saved: dict[str, Any]) -> None:
        """Look as it did; what does not fit any more is left as it is."""
        acts.look_like(self, saved)

    def _try(self, act: Callable[[], object]) -> None:
        try:
            self.message = ""
            act()
        except CtmeasureError as error:
            self.say(str(error))
            self.refresh()

    def _case_changed(self, case: Case) -> None:
        before = self.chart.case
        self.changed = bool(self.session.undo_words)
        self.scene = case_scene(case)
        self.choices = plane_choices(case, self.volume.geometry)
        still = acts.holes_still_hold(before, case)
        self.chart = replace(self.chart, case=replace(case, results=before.results)) if still else wall_chart(
            case, why="not computed since the last change" if self.changed else "not computed yet"
        )  # fmt: skip
        self.wall_cell = self.wall_cell if still else None
        if self.selected is not None and self.scene.point(self.selected) is None:
            self.selected = None
        self.refresh()

    def _plane(self, key: str) -> PlaneSpec:
        plane = self.choices[key].plane
        assert plane is not None, "first_planes only names planes that exist"
        return plane

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
        return acts.selected_words(self)
