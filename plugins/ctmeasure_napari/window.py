"""Open the window: a session, three planes, the 3-D picture, the five questions, the unrolled wall, the bars."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ctmeasure.app.session import Session
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.volume.volume import Volume

from . import adapter, frame, start
from .bars import BottomBar, Soon, TopBar
from .keeper import Keeper
from .marks_view import MarksView
from .menus import Menus
from .panel import QuestionsPanel
from .panes import Pane
from .picture_view import PictureView
from .solid_view import SolidView
from .strip import SideStrip
from .texts import title_words
from .wall_panel import WallPanel
from .workbench import Workbench
from .worker import Compute, Recompute

WIDTH_PX, HEIGHT_PX = 1366, 768
"""The smallest screen that must hold everything."""
SETTLE_MS = 150
"""Computing begins when nothing was changed for this long."""


@dataclass(eq=False)
class CaseWindow:
    """The parts of an open window."""

    viewer: Any
    workbench: Workbench
    recompute: Recompute
    panel: QuestionsPanel
    top: TopBar
    strip: SideStrip
    bottom: BottomBar
    wall: WallPanel
    solid: SolidView
    main: Any
    menus: Any = None
    keeper: Keeper | None = None
    timers: list[Soon] = field(default_factory=list)
    stops: list[Callable[[], object]] = field(default_factory=list)
    marks: tuple[MarksView, ...] = ()

    def close(self) -> None:
        """Stop computing and listening; the toolkit's window is closed by whoever opened it."""
        for timer in self.timers:
            timer.stop()
        self.let_go()

    def let_go(self) -> None:
        """Stop computing and listening after the widgets are gone."""
        self.recompute.close()
        for stop in self.stops:
            stop()
        self.menus = None
        self.stops.clear()
        for pane in self.workbench.panes:
            pane.marks_changed = lambda: None
        self.marks = ()
        self.strip.forget()
        self.main = None
        if self.keeper is not None:
            self.keeper.close()
        self.workbench.close()


def open_window(
    *,
    case: Case | None = None,
    volume: Volume | None = None,
    block: bool = True,
    path: Path | None = None,
    compute: Compute | None = None,
    keep: bool = False,
    live: bool = False,
) -> CaseWindow:
    """Open a case with its scan in a window of its own.

    Parameters
    ----------
    case, volume
        What to open; without them a sample, something recent or a scan is offered.
    block
        Wait until the window is closed.
    path
        Where the case is saved; asked for when None.
    compute
        What recomputes the case; the library when None.
    keep
        Write every act into the journal, come back as left, and hold the case against a second writer.
    live
        Compute by itself after every change.

    Returns
    -------
    CaseWindow

    Raises
    ------
    ctmeasure.errors.CaseError
        When the scan is another's.
    ctmeasure.errors.CtmeasureError
        When nothing can be drawn here.
    ctmeasure.errors.Cancelled
        When nothing was chosen.
    """
    if case is None or volume is None:
        adapter.check_drawing()
        wish, (case, volume) = start.ask()
        path = wish.path
    check_scan_belongs(case, volume)
    keeper = Keeper(case, volume, path) if keep else None
    viewer = adapter.new_viewer(title_words(case))
    session = keeper.session if keeper else Session(case, volume)
    window = build_window(viewer, session, path=path, compute=compute, keeper=keeper, live=live)
    window.menus = Menus(window)
    adapter.reveal(viewer)
    frame.size_window(window.main, WIDTH_PX, HEIGHT_PX)
    window.menus.restore()
    if block:
        adapter.run()
        window.close()
    return window


def build_window(
    viewer: Any,
    session: Session,
    *,
    path: Path | None = None,
    compute: Compute | None = None,
    keeper: Keeper | None = None,
    live: bool = False,
) -> CaseWindow:
    """Build our window into a napari viewer.

    Parameters
    ----------
    viewer
        An empty napari viewer.
    session
        Case and scan.
    path
        Where the case is saved; asked for when None.
    compute
        What recomputes the case; the library when None.
    keeper
        Writes every act down; None keeps nothing.
    live
        Compute by itself after every change.

    Returns
    -------
    CaseWindow

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the session has no scan.
    """
    adapter.prepare(viewer)
    models = (viewer, adapter.new_model(), adapter.new_model())
    workbench = Workbench(session, models)
    recompute = Recompute(session, compute)
    panel, top, wall = QuestionsPanel(workbench), TopBar(workbench), WallPanel(workbench)
    solid = SolidView(workbench, adapter.new_solid_model())
    canvases = (PictureView(workbench.panes[1]), PictureView(workbench.panes[2]))
    strip = SideStrip(workbench, canvases, solid.holder, solid.look_from)
    bottom = BottomBar(workbench, recompute, path, keeper)
    dock = adapter.add_dock(viewer, panel, name="Questions", area="left")
    strip.gives_way = [adapter.add_dock(viewer, top, name="Plane", area="top"), wall.legend]
    strip_dock = adapter.add_dock(viewer, strip, name="Other planes and 3-D", area="right")
    strip.narrowed = [strip_dock, adapter.add_dock(viewer, wall, name="Canal wall", area="bottom")]
    main = frame.arrange(dock)
    frame.add_lower_bar(main, bottom)
    adapter.set_title(viewer, title_words(session.case))
    soon, settle, solid_soon = Soon(panel), Soon(panel, SETTLE_MS), Soon(panel, 2 * SETTLE_MS)
    workbench.later = soon
    workbench.assess_hole = recompute.hole
    window = CaseWindow(
        viewer,
        workbench,
        recompute,
        panel,
        top,
        strip,
        bottom,
        wall,
        solid,
        main,
        None,
        keeper,
        [soon, settle, solid_soon],
    )
    window.marks = marks_over(main, canvases, workbench.panes)
    _follow(window, settle, solid_soon, live=live)
    if keeper is not None:
        keeper.attach(workbench)
    frame.on_destroyed(dock, window.let_go)
    return window


def marks_over(main: Any, canvases: tuple[PictureView, ...], panes: tuple[Pane, ...]) -> tuple[MarksView, ...]:
    """The marks of every pane over its canvas, the large one first."""
    shown = (frame.canvas_in(main.centralWidget()), *canvases)
    return tuple(_marks_over(canvas, pane) for canvas, pane in zip(shown, panes, strict=True))


def _marks_over(canvas: Any, pane: Pane) -> MarksView:
    """The marks of a pane over its canvas."""
    view = MarksView(canvas, lambda: pane.shown, lambda: adapter.sight_of(pane.model))
    shown_by = canvas if isinstance(canvas, PictureView) else view
    pane.marks_changed = shown_by.update
    return view


def _follow(window: CaseWindow, settle: Soon, solid_soon: Soon, *, live: bool) -> None:
    """What happens by itself: the 3-D picture follows the case, and computing follows changes."""

    def show_solid() -> None:
        window.solid.show_case()
        window.strip.show_eyes(window.solid.eyes)

    def changed(case: Case) -> None:
        solid_soon(show_solid)
        if live and case.results is None:
            settle(start)

    def start() -> None:
        window.recompute.renew()
        window.panel.computing = window.recompute.running
        window.panel.show_case()
        window.bottom.show_case()

    def ended(_message: str) -> None:
        window.panel.computing = window.recompute.running

    window.recompute.ended.connect(ended)
    # A connection is invisible to the garbage collector: it is taken off by hand, or the window would live on.
    window.stops += [
        window.workbench.session.listen(changed),
        lambda: window.recompute.ended.disconnect(ended),
    ]
    # The picture first: whatever takes its time waits until the window has been drawn once.
    first = Soon(window.panel, 0)
    window.timers.append(first)
    first(lambda: changed(window.workbench.case))
