"""Practice mode: the planes, the list and the clicks of the planning window, blinded, timed, every act kept at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from qtpy.QtCore import QTimer

from ctmeasure.app.practice.attempts import HandedIn, Plans, score_again
from ctmeasure.app.practice.sitting import Draft, Sitting
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.volume import Volume

from . import adapter, frame
from .bars import Soon, TopBar
from .opening import InThread
from .picture_view import PictureView
from .placing import Placing
from .practice_feedback import FeedbackDialog
from .practice_panel import HandInBar, PracticePanel
from .solid_view import SolidView
from .strip import SideStrip
from .workbench import Workbench

SECOND_MS = 1000
SOLID_MS = 300
HANDED_IN = "handed in: for looking only"


@dataclass(eq=False)
class PracticeWindow:
    """An open practice window."""

    viewer: Any
    workbench: Workbench
    sitting: Sitting
    panel: PracticePanel
    bar: HandInBar
    strip: SideStrip
    solid: SolidView
    main: Any
    handed: HandedIn | None = None
    feedback: FeedbackDialog | None = None
    marks: tuple[Any, ...] = ()
    timers: list[Any] = field(default_factory=list)
    stops: list[Callable[[], object]] = field(default_factory=list)

    # keeping ---------------------------------------------------------------------------------------------------------

    def keep(self, case: Case | None = None) -> None:
        """Write down what was done; what could not be written is said, and tried again every second."""
        if self.workbench.session.read_only:
            return
        said = self.sitting.keep(case or self.workbench.case, draft=_draft(self.workbench))
        if said:
            self.workbench.message = said
        self.bar.show_time()

    def second(self) -> None:
        """Once a second: the time, and what is still pending."""
        if self.sitting.pending and not self.workbench.session.read_only and not self.sitting.retry():
            self.workbench.say("kept: the database answers again")
        self.bar.show_time()

    def choose_length(self, length_mm: float | None) -> None:
        """The length was chosen, or taken back."""
        said = self.sitting.choose_length(length_mm)
        if said:
            self.workbench.say(said)

    # handing in ------------------------------------------------------------------------------------------------------

    def hand_in(self, plans: Plans = "asked") -> None:
        """Hand in once, in a thread; then the feedback opens."""
        self.keep()
        done_before = self.workbench.session.read_only
        work = (
            (lambda progress: score_again(self.sitting.store, self.sitting.opened, self._record(), progress=progress))
            if done_before
            else (lambda progress: self.sitting.hand_in(plans=plans, progress=progress))
        )
        InThread(self.main, "Handing in", work, self._handed_in, self._not_handed_in)

    def _record(self) -> Any:
        from ctmeasure.store.attempts import attempts

        return next(a for a in attempts(self.sitting.store, reader=self.sitting.record.reader)
                    if a.id == self.sitting.record.id)  # fmt: skip

    def _handed_in(self, handed: HandedIn) -> None:
        self.handed = handed
        self._close_attempt()
        self.show_feedback()

    def _not_handed_in(self, words: str) -> None:
        try:
            kept = self._record().state != "open"
        except CtmeasureError:
            kept = False
        if kept:
            self._close_attempt()
            words = f"handed in, but not scored ({words}); press Score"
        self.workbench.say(words)

    def _close_attempt(self) -> None:
        self.workbench.session.read_only = HANDED_IN
        self.workbench.let_go()
        self.bar.handed_in(scored=self.handed is not None)
        self.panel.length.setEnabled(False)

    def show_feedback(self) -> None:
        """Show what the attempt would have led to, and the points one by one."""
        if self.handed is None:
            self.hand_in()
            return
        assert self.sitting.state.side is not None
        answer = self.sitting.state.answer(self.sitting.state.side)
        self.feedback = FeedbackDialog(self.handed, answer, self.workbench, self.main)

    # closing ---------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Stop timers and listening; doing so twice is harmless."""
        for timer in self.timers:
            timer.stop()
        self.let_go()

    def let_go(self) -> None:
        """Stop listening after the widgets are gone."""
        for stop in self.stops:
            stop()
        self.stops.clear()
        self.timers.clear()
        self.strip.forget()
        self.main = None
        self.workbench.close()
        self.sitting.store.close()


def _draft(bench: Workbench) -> Draft:
    placing = bench.placing
    return (placing.item.id, placing.draft) if placing is not None and placing.draft else None


def open_practice(sitting: Sitting, volume: Volume, *, block: bool = False) -> PracticeWindow:
    """Open an attempt in a window of its own.

    Parameters
    ----------
    sitting, volume
        The attempt and its scan, from `ctmeasure.app.practice.sitting.sit_down`.
    block
        Wait until the window is closed.

    Returns
    -------
    PracticeWindow

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When nothing can be drawn here.
    """
    from .window import HEIGHT_PX, WIDTH_PX

    adapter.check_drawing()
    viewer = adapter.new_viewer(_title(sitting))
    window = build_practice(viewer, sitting, volume)
    adapter.reveal(viewer)
    frame.size_window(window.main, WIDTH_PX, HEIGHT_PX)
    if block:
        adapter.run()
        window.close()
    return window


def _title(sitting: Sitting) -> str:
    return f"practice: {sitting.opened.name}, {sitting.record.task}, {sitting.record.reader}"


def build_practice(viewer: Any, sitting: Sitting, volume: Volume) -> PracticeWindow:
    """Build a practice window into an empty viewer: the planes and the list, no answers, no suggestions, no numbers."""
    from .window import marks_over

    adapter.prepare(viewer)
    session = Session(sitting.case(volume), volume)
    models = (viewer, adapter.new_model(), adapter.new_model())
    bench = Workbench(session, models)
    bench.asked = sitting.asked
    solid = SolidView(bench, adapter.new_solid_model())
    canvases = (PictureView(bench.panes[1]), PictureView(bench.panes[2]))
    strip = SideStrip(bench, canvases, solid.holder, solid.look_from)
    panel, bar, top = PracticePanel(bench, sitting), HandInBar(bench, sitting), TopBar(bench)
    dock = adapter.add_dock(viewer, panel, name="Practice", area="left")
    strip.gives_way = [adapter.add_dock(viewer, top, name="Plane", area="top")]
    strip.narrowed = [adapter.add_dock(viewer, strip, name="Other planes and 3-D", area="right")]
    main = frame.arrange(dock)
    frame.add_lower_bar(main, bar)
    frame.DropCatcher(main, lambda _paths: bench.say("nothing is opened during practice"))
    adapter.set_title(viewer, _title(sitting))
    window = PracticeWindow(viewer, bench, sitting, panel, bar, strip, solid, main)
    window.marks = marks_over(main, canvases, bench.panes)
    _follow(window)
    if sitting.state.draft is not None:
        _take_up_draft(bench, sitting.state.draft)
    bench.say("Nothing of the reference is shown, and no numbers, until it is handed in.")
    frame.on_destroyed(dock, window.let_go)
    return window


def _follow(window: PracticeWindow) -> None:
    """Every act is kept before anything else happens; the 3-D picture and the clock follow."""
    bench = window.workbench
    soon, solid_soon, second = Soon(window.panel), Soon(window.panel, SOLID_MS), QTimer(window.panel)
    drafted: list[Draft] = [_draft(bench)]

    def show_solid() -> None:
        window.solid.show_case()
        window.strip.show_eyes(window.solid.eyes)

    def later(act: Callable[[], None]) -> None:
        """Every refresh passes here: a click of a draft is kept at once, the other planes wait a moment."""
        if _draft(bench) != drafted[0]:
            drafted[0] = _draft(bench)
            window.keep()
        soon(act)

    def changed(_case: Case) -> None:
        solid_soon(show_solid)

    window.panel.length_chosen = window.choose_length
    window.bar.act = lambda: window.show_feedback() if bench.session.read_only else window.hand_in()
    second.setInterval(SECOND_MS)
    second.timeout.connect(window.second)
    second.start()
    window.timers += [soon, solid_soon, second]
    # a watcher hears of a step before any listener: it is on the disk before it is drawn
    window.stops += [bench.session.watch(lambda step: window.keep(step.case)), bench.session.listen(changed)]
    bench.later = later
    first = Soon(window.panel, 0)
    window.timers.append(first)
    first(lambda: changed(bench.case))


def _take_up_draft(bench: Workbench, draft: tuple[str, tuple[Any, ...]]) -> None:
    """Go on with clicks that were not enough yet."""
    bench.start_placing(draft[0])
    if bench.placing is not None:
        bench.placing = Placing(bench.placing.item, draft[1])
        bench.refresh()
