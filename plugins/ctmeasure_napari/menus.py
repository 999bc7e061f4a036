"""The menu of our own: open, save, report, numbers, conference, type size, keys. Its entries are also commands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QFileDialog, QInputDialog, QMenu

from ctmeasure.app.commands import SetReaderModel, Suggest
from ctmeasure.app.places import read_settings, write_settings
from ctmeasure.app.report import report_now
from ctmeasure.app.suggest import suggest_landmarks
from ctmeasure.errors import CtmeasureError

from . import acts, frame, palette
from .along_view import AlongView
from .bars import RESIZE_MS
from .conference_view import Conference
from .dialogs import NumbersDialog, ReadersDialog, ViewsDialog, show_keys
from .opening import InThread, Wish, dropped_case, is_a_case
from .start import offers, remember, waited, wish_of
from .style import LARGER, sheet

if TYPE_CHECKING:
    from .window import CaseWindow

MENU = "&Ear"


class Menus:
    """The menu of one window.

    Parameters
    ----------
    window
        Whose.
    """

    def __init__(self, window: CaseWindow) -> None:
        self._window = window
        self.conference = Conference(window)
        self.dialogs: list[Any] = []
        self.along: AlongView | None = None
        self.others: list[Any] = []
        self.menu = QMenu(MENU, window.main)
        bar = window.main.menuBar()
        first = bar.actions()[0] if bar.actions() else None
        bar.insertMenu(first, self.menu)
        self.large = False
        self._small: Any = None
        self.acts: dict[str, Callable[[], object]] = {
            "Open a folder with a scan or a case...": lambda: self._choose(folder=True),
            "Open a ZIP or file...": lambda: self._choose(folder=False),
            "Save the case": window.bottom.save_case,
            "Save the case as...": window.bottom.save_as,
            "Suggest the rest": self.suggest,
            "Accept the suggestion in hand": lambda: acts.accept(window.workbench),
            "Write the report...": self._report,
            "All numbers": self.numbers,
            "Two readers": self._readers,
            "Who places the points...": self._observer,
            "Practice...": self.practise,
            "Snap what is clicked": self.toggle_snap,
            "Snap the point in hand": lambda: acts.snap_in_hand(window.workbench),
            "Along the nerve": self.along_the_nerve,
            "A reader's measured doubt...": self._measured_doubt,
            "Conference": self.conference.toggle,
            "Keep this view for the conference...": self.conference.keep_view,
            "Key views...": lambda: self.dialogs.append(ViewsDialog(self.conference, window.main)),
            "Large type": self.toggle_type,
            "Keys": lambda: self.dialogs.append(show_keys(window.main)),
        }
        for words, act in self.acts.items():
            self._add(self.menu, words, act)
            if words.startswith("Open a ZIP"):
                self._offers()
        for number, (_, answer) in enumerate(window.panel.questions, start=1):
            answer.when_clicked(lambda number=number: self.numbers(number))
        frame.DropCatcher(window.main, self.dropped)
        window.workbench.curved = self.along_the_nerve
        palette.OPEN.add(self)

    @property
    def is_open(self) -> bool:
        """Whether its window is still there."""
        return self._window.main is not None

    @property
    def in_front(self) -> bool:
        """Whether its window is the one the person works in."""
        return self.is_open and bool(self._window.main.isActiveWindow())

    def _add(self, menu: QMenu, words: str, act: Callable[[], object]) -> None:
        action = menu.addAction(words)
        action.triggered.connect(lambda _=False: act())

    def _offers(self) -> None:
        """The samples and what was opened last, read anew whenever the menu opens."""
        offered = self.menu.addMenu("Open again")

        def fill() -> None:
            offered.clear()
            for words, wish in offers():
                self._add(offered, words, lambda wish=wish: self._open(wish))

        offered.aboutToShow.connect(fill)

    # opening ---------------------------------------------------------------------------------------------------------

    def _choose(self, *, folder: bool) -> None:
        main = self._window.main
        if folder:
            name = QFileDialog.getExistingDirectory(main, "A folder with a scan or a case")
        else:
            name, _ = QFileDialog.getOpenFileName(main, "A scan or a case")
        if name:
            self.dropped([Path(name)])

    def dropped(self, paths: list[Path]) -> None:
        """Something was dropped onto the window: a case of this scan, or a scan for a window of its own."""
        bench = self._window.workbench
        if len(paths) != 1:
            bench.say("one folder, ZIP, file or case at a time")
            return
        path = paths[0]
        try:
            if is_a_case(path):
                self._show(dropped_case(path, bench.volume), path)
                return
            wish = wish_of(path, self._window.main)
        except CtmeasureError as error:
            bench.say(f"{error}; nothing was changed here")
            return
        if wish is not None:
            self._open(wish)

    def _open(self, wish: Wish) -> None:
        bench = self._window.workbench
        try:
            case, volume = waited(self._window.main, "Opening", wish.open)  # type: ignore[misc]
        except CtmeasureError as error:
            bench.say(f"{error}; nothing was changed here")
            return
        remember(wish, case)
        self._show(case, wish.path, volume)

    def _show(self, case: Any, path: Path | None, volume: Any = None) -> None:
        """A window of its own: what is open here stays as it is."""
        from .window import open_window

        volume = self._window.workbench.volume if volume is None else volume
        self.others.append(open_window(case=case, volume=volume, path=path, block=False, keep=True, live=True))
        self._window.workbench.say("opened in a window of its own")

    def suggest(self) -> None:
        """Suggest every landmark that the image and a mean ear support; shown hollow, in no computation."""
        bench = self._window.workbench
        case, volume = bench.case, bench.volume

        def done(found: Any) -> None:
            if bench.case is not case:
                bench.say("the points changed meanwhile; ask again")
                return
            bench.do(Suggest(found.suggestions))
            left = f"; {len(found.not_proposed)} could not be suggested" if found.not_proposed else ""
            bench.say(f"{len(found.suggestions)} suggested, none of them placed{left}; click one, Enter accepts")

        InThread(
            self._window.main, "Looking for landmarks",
            lambda progress: suggest_landmarks(case, volume, progress=progress), done, bench.say,
        )  # fmt: skip

    # leaving ---------------------------------------------------------------------------------------------------------

    def _report(self) -> None:
        name = QFileDialog.getExistingDirectory(self._window.main, "An empty folder, or an earlier report's")
        if name:
            self.write_report(Path(name))

    def write_report(self, out: Path) -> None:
        """Write the report in a thread."""
        bench = self._window.workbench
        case, volume = bench.case, bench.volume
        force = (out / "case.json").is_file()

        def done(outcome: Any) -> None:
            held = len(outcome.attention)
            left = f"; {held} thing{'s' if held != 1 else ''} could not be given" if held else ""
            bench.say(f"report written to {outcome.out}{left}")

        InThread(
            self._window.main, "Writing the report",
            lambda progress: report_now(case, volume, out=out, force=force, progress=progress), done, bench.say,
        )  # fmt: skip

    # looking ---------------------------------------------------------------------------------------------------------

    def numbers(self, question: int = 0) -> None:
        """The full table, at first for one question."""
        self.dialogs.append(NumbersDialog(self._window.workbench, self._window.main, question=question))

    def _readers(self) -> None:
        self.dialogs.append(ReadersDialog(self._window.workbench, self._window.main))

    def _measured_doubt(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self._window.main, "A reader model of practice export", "", "*.json")
        if name:
            self.use_reader_model(Path(name))

    def use_reader_model(self, path: Path) -> None:
        """Plan with the doubt that was measured on whoever places here; undo goes back to the default noise."""
        from ctmeasure.io.reader_model import read_reader_model

        bench = self._window.workbench
        try:
            model = read_reader_model(path)
        except CtmeasureError as error:
            bench.say(str(error))
            return
        bench.do(SetReaderModel(model))
        only_wider = "; measured on synthetic ears: it only widens" if model.origin == "synthetic" else ""
        bench.say(f"placement doubt of {model.reader}, {len(model.landmarks)} landmarks{only_wider}")

    def practise(self) -> None:
        """Landmark training, in windows of its own; sets can be made of every case that is open."""
        from ctmeasure.app.practice.attempts import check_extra

        try:
            check_extra()
        except CtmeasureError as error:
            self._window.workbench.say(str(error))
            return
        from .practice_start import PracticeDialog

        self.dialogs.append(PracticeDialog(self.open_cases, self._window.main))

    def open_cases(self) -> list[tuple[Any, Any]]:
        """The case of this window and of every one that was opened from it and is still open, with their scans."""
        windows = [self._window, *(other for other in self.others if other.main is not None)]
        return [(window.workbench.case, window.workbench.volume) for window in windows]

    def _observer(self) -> None:
        bench = self._window.workbench
        words, agreed = QInputDialog.getText(
            self._window.main, "Who places the points", "A pseudonym, no name", text=bench.observer
        )
        if agreed:
            bench.observer = words.strip()
            self._remember()

    def toggle_type(self) -> None:
        """Twice as large, for a projector; and back."""
        self.large = not self.large
        main = self._window.main
        size = main.size()
        for widget in (
            self._window.panel,
            self._window.top,
            self._window.strip,
            self._window.bottom,
            self._window.wall,
        ):
            widget.setStyleSheet(sheet(large=self.large))
        for marks in self._window.marks:
            marks.type_scale = LARGER if self.large else 1.0
        self._window.workbench.type_scale = LARGER if self.large else 1.0
        self._window.panel.set_large(self.large)
        self._window.wall.set_large(self.large)
        self._window.top.set_large(self.large)
        self._window.bottom.set_large(self.large)
        back = size if self.large or self._small is None else self._small
        self._small = size if self.large else None
        frame.narrow(main)
        QTimer.singleShot(RESIZE_MS, lambda: (frame.narrow(main), main.resize(back)))
        self._remember()

    def along_the_nerve(self) -> None:
        """Two pictures straightened along a marked tube."""
        if self.along is None:
            self.along = AlongView(self._window.workbench, self._window.main)
        self.along.reveal()

    def toggle_snap(self) -> None:
        """Whether clicks are moved to what the image shows there."""
        bench = self._window.workbench
        bench.snap = not bench.snap
        bench.say("clicks snap to what the image shows; undo takes a snap back" if bench.snap else "clicks stay put")
        self._remember()

    def _remember(self) -> None:
        bench = self._window.workbench
        write_settings({**read_settings(), "large_type": self.large, "observer": bench.observer, "snap": bench.snap})

    def restore(self) -> None:
        """As the settings were left."""
        kept = read_settings()
        self._window.workbench.observer = str(kept.get("observer", ""))
        self._window.workbench.snap = bool(kept.get("snap", False))
        if kept.get("large_type"):
            self.toggle_type()
