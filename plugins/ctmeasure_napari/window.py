"""Open the window: a session, three panes, the five questions, the bars."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ctmeasure.app.session import Session
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.volume.volume import Volume

from . import adapter
from .bars import BottomBar, SideStrip, Soon, TopBar
from .panel import QuestionsPanel
from .texts import title_words
from .workbench import Workbench
from .worker import Compute, Recompute, library_compute

WIDTH_PX, HEIGHT_PX = 1366, 768
"""The smallest screen that must hold everything."""


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
    soon: Soon

    def close(self) -> None:
        """Stop computing and listening; the toolkit's window is closed by whoever opened it."""
        self.soon.stop()
        self.let_go()

    def let_go(self) -> None:
        """Stop computing and listening after the widgets are gone."""
        self.recompute.close()
        self.workbench.close()


def open_window(
    *,
    case: Case,
    volume: Volume,
    block: bool = True,
    path: Path | None = None,
    compute: Compute = library_compute,
) -> CaseWindow:
    """Open a case with its scan in a window of its own.

    Parameters
    ----------
    case, volume
        What to open.
    block
        Wait until the window is closed.
    path
        Where the case is saved; asked for when None.
    compute
        What recomputes the case.

    Returns
    -------
    CaseWindow

    Raises
    ------
    ctmeasure.errors.CaseError
        When the scan is another's.
    """
    check_scan_belongs(case, volume)
    viewer = adapter.new_viewer(title_words(case))
    window = build_window(viewer, Session(case, volume), path=path, compute=compute)
    adapter.show_window(viewer, WIDTH_PX, HEIGHT_PX)
    if block:
        adapter.run()
        window.close()
    return window


def build_window(
    viewer: Any, session: Session, *, path: Path | None = None, compute: Compute = library_compute
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
        What recomputes the case.

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
    panel, top = QuestionsPanel(workbench), TopBar(workbench)
    strip = SideStrip(workbench, (adapter.canvas_widget(models[1]), adapter.canvas_widget(models[2])))
    bottom = BottomBar(workbench, recompute, path)
    dock = adapter.add_dock(viewer, panel, name="Questions", area="left")
    adapter.add_dock(viewer, top, name="Plane", area="top")
    adapter.add_dock(viewer, strip, name="Other planes", area="right")
    adapter.add_dock(viewer, bottom, name="Steps", area="bottom")
    adapter.arrange(viewer, dock)
    adapter.set_title(viewer, title_words(session.case))
    soon = Soon(panel)
    workbench.later = soon
    window = CaseWindow(viewer, workbench, recompute, panel, top, strip, bottom, soon)
    adapter.on_destroyed(dock, window.let_go)
    return window
