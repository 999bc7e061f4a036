"""Opening in a thread with progress and cancel: what is dropped, chosen or remembered; no window falls over it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qtpy.QtCore import QObject, Qt, Signal, Slot
from qtpy.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QHBoxLayout,
    QLabel,
    QProgressDialog,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ctmeasure.app.opened import is_case, open_case, open_sample, open_scan
from ctmeasure.app.series import Listing, list_scan
from ctmeasure.case.model import Case, check_scan_belongs
from ctmeasure.case.store import load_case
from ctmeasure.errors import Cancelled, CtmeasureError
from ctmeasure.progress import Progress
from ctmeasure.volume.volume import Volume

from .dialogs import table
from .style import named

Opened = tuple[Case, Volume]


@dataclass(frozen=True, slots=True)
class Wish:
    """What to open: a sample by name, a case with its scan, or a scan with a side (and a series of it)."""

    sample: str = ""
    case: Path | None = None
    scan: Path | None = None
    side: str = ""
    series: str = ""

    @property
    def path(self) -> Path | None:
        """The case file that is saved to, when there is one."""
        return self.case

    def open(self, progress: Progress) -> Opened:
        """Open it.

        Raises
        ------
        ctmeasure.errors.CtmeasureError
            When it cannot be opened.
        ctmeasure.errors.Cancelled
            When the listener stops it.
        """
        if self.sample:
            return open_sample(self.sample, progress=progress)
        if self.case is not None:
            assert self.scan is not None
            return open_case(self.case, scan=self.scan, progress=progress)
        assert self.scan is not None
        from ctmeasure.anatomy.clock import checked_side

        return open_scan(self.scan, side=checked_side(self.side), series_uid=self.series or None, progress=progress)


def dropped_case(path: Path, volume: Volume) -> Case:
    """A case that is dropped onto a window: it must belong to the scan that is open there.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When it is damaged or of another scan; the window's own case is untouched.
    """
    case = load_case(path)
    check_scan_belongs(case, volume)
    return case


class InThread(QObject):
    """Runs one thing in a thread with a progress bar that can cancel, and hands its result to the window's thread.

    Parameters
    ----------
    parent
        The window.
    words
        What is being done.
    work
        Called with a progress listener.
    done, failed
        Called in the window's own thread with the result, or with a sentence.
    """

    _told = Signal(str, float)
    _ended = Signal(object, str)

    def __init__(
        self,
        parent: QWidget,
        words: str,
        work: Callable[[Progress], Any],
        done: Callable[[Any], None],
        failed: Callable[[str], None],
    ) -> None:
        super().__init__(parent)
        self._stop = threading.Event()
        self._work, self._done, self._failed = work, done, failed
        self.bar = QProgressDialog(words, "Cancel", 0, 100, parent)
        self.bar.setWindowModality(Qt.WindowModality.WindowModal)
        self.bar.setMinimumDuration(300)
        self.bar.canceled.connect(self._stop.set)
        self._told.connect(self._show, Qt.ConnectionType.QueuedConnection)
        self._ended.connect(self._finish, Qt.ConnectionType.QueuedConnection)
        self.thread_ = threading.Thread(target=self._run, name="ctmeasure opening", daemon=True)
        self.thread_.start()

    def _run(self) -> None:
        def progress(text: str, fraction: float) -> None:
            if self._stop.is_set():
                raise Cancelled
            self._told.emit(text, fraction)

        result, said = None, ""
        try:
            result = self._work(progress)
        except Cancelled:
            said = "cancelled"
        except CtmeasureError as error:
            said = str(error)
        except Exception as error:
            said = f"that failed ({type(error).__name__}: {error})"
        self._ended.emit(result, said)

    @Slot(str, float)
    def _show(self, text: str, fraction: float) -> None:
        if not self._stop.is_set():
            self.bar.setLabelText(text)
            self.bar.setValue(min(round(100 * fraction), 99))

    @Slot(object, str)
    def _finish(self, result: Any, said: str) -> None:
        self.thread_.join()
        self.bar.canceled.disconnect()
        self.bar.reset()
        self.bar.deleteLater()
        if said:
            self._failed(said)
        else:
            self._done(result)
        self.deleteLater()


class SeriesPicker:
    """Which series of a path, and which ear; what cannot be used says why.

    Parameters
    ----------
    listing
        What the path holds.
    parent
        The window.
    """

    def __init__(self, listing: Listing, parent: QWidget | None = None) -> None:
        self.dialog = named(QDialog(parent))
        self.dialog.setWindowTitle("Which series, which ear?")
        self.dialog.resize(860, 420)
        self._rows = listing.rows
        column = QVBoxLayout(self.dialog)
        self.tree = table(["series", "grid, mm", "slices", "kernel", "fit for planning"])
        for row in listing.rows:
            grid = ""
            if row.spacing_mm is not None and row.slice_spacing_mm is not None:
                grid = f"{row.spacing_mm[1]:.2f} x {row.spacing_mm[0]:.2f} x {row.slice_spacing_mm:.2f}"
            fit = "; ".join(row.warnings) or "usable" if row.usable else f"not usable: {row.reason}"
            item = QTreeWidgetItem(
                [row.description or row.kind, grid, str(row.slices), row.kernel or "not stated", fit]
            )
            item.setToolTip(4, fit)
            if not row.usable:
                item.setFlags(Qt.ItemFlag.NoItemFlags)
            self.tree.addTopLevelItem(item)
            if row.selector == listing.taken:
                self.tree.setCurrentItem(item)
        column.addWidget(self.tree)
        self.words = QLabel(listing.because)
        self.words.setWordWrap(True)
        column.addWidget(self.words)
        ear = QHBoxLayout()
        ear.addWidget(QLabel("Ear to work on"))
        self.side = QComboBox()
        self.side.addItems(["choose", "right", "left"])
        self.side.currentIndexChanged.connect(lambda _: self._allow())
        self.tree.currentItemChanged.connect(lambda *_: self._allow())
        ear.addWidget(self.side)
        ear.addStretch(1)
        column.addLayout(ear)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Open | QDialogButtonBox.StandardButton.Cancel)
        buttons.accepted.connect(self.dialog.accept)
        buttons.rejected.connect(self.dialog.reject)
        self.open = buttons.button(QDialogButtonBox.StandardButton.Open)
        column.addWidget(buttons)
        self._allow()

    def _allow(self) -> None:
        chosen = self.tree.currentItem()
        usable = chosen is not None and self._rows[self.tree.indexOfTopLevelItem(chosen)].usable
        self.open.setEnabled(usable and self.side.currentIndex() > 0)

    def chosen(self) -> tuple[str, str] | None:
        """Series and side once the person agreed; None when not."""
        if self.dialog.exec() != QDialog.DialogCode.Accepted:
            return None
        row = self._rows[self.tree.indexOfTopLevelItem(self.tree.currentItem())]
        return row.selector, self.side.currentText()


def survey(path: Path) -> Callable[[Progress], Listing]:
    """Look at a path, headers only."""
    return lambda progress: list_scan(path, progress=progress)


def is_a_case(path: Path) -> bool:
    """Whether a dropped path is a case."""
    return is_case(path)
