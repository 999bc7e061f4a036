"""Computing beside the window: one thread, progress in words, cancel at any time, stale results dropped."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Protocol

from qtpy.QtCore import QObject, Qt, Signal, Slot

from ctmeasure.app.memory import Memory
from ctmeasure.app.session import Session
from ctmeasure.case.model import Case, SiteRequest
from ctmeasure.errors import Cancelled, CtmeasureError
from ctmeasure.planning.results import SiteResult
from ctmeasure.progress import Progress
from ctmeasure.volume.volume import Volume


class Compute(Protocol):
    """`ctmeasure.app.compute.compute_case`, or a stand-in for it."""

    def __call__(self, case: Case, volume: Volume, *, progress: Progress) -> Case:
        """The case with results."""
        ...


class LibraryCompute:
    """The use case of the library, imported only when it is first wanted; keeps what did not change for the next."""

    def __init__(self) -> None:
        self._memory = Memory()

    def __call__(self, case: Case, volume: Volume, *, progress: Progress) -> Case:
        """The case with results.

        Raises
        ------
        ctmeasure.errors.CtmeasureError
            When the marks contradict each other.
        ctmeasure.errors.Cancelled
            When the listener stopped it.
        """
        from ctmeasure.app.compute import compute_case

        return compute_case(case, volume, memory=self._memory, progress=progress)

    def hole(self, case: Case, site: SiteRequest) -> SiteResult | None:
        """One hole where it is dragged to, in the plan that was last computed; None where there is none."""
        from ctmeasure.app.live import dragged_hole

        return dragged_hole(case, site, self._memory)


@dataclass(eq=False)
class _Job:
    """One computation: what it was given, whether it should stop, and what came of it."""

    case: Case
    stop: threading.Event = field(default_factory=threading.Event)
    result: Case | None = None
    message: str = ""
    thread: threading.Thread | None = None


class Recompute(QObject):
    """Computes a session's case in a thread and hands the result back to the session.

    Signals, always sent from the window's own thread: ``progressed(text, fraction)``; ``ended(message)``, empty when
    all went well.

    Parameters
    ----------
    session
        Holds the case and its scan.
    compute
        What computes; the library when None.
    parent
        Owner, if any.
    """

    progressed = Signal(str, float)
    ended = Signal(str)
    _told = Signal(str, float)
    _done = Signal(object)

    def __init__(self, session: Session, compute: Compute | None = None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._session = session
        self._compute: Compute = compute or LibraryCompute()
        self._job: _Job | None = None
        self._again = False
        # Queued: the working thread only posts; everything that listens runs in the window's thread.
        self._told.connect(self._pass_on, Qt.ConnectionType.QueuedConnection)
        self._done.connect(self._finish, Qt.ConnectionType.QueuedConnection)

    @property
    def running(self) -> bool:
        """Whether something is being computed."""
        return self._job is not None

    def hole(self, site: SiteRequest) -> SiteResult | None:
        """One hole as it would stand there; None while computing, and where no plan holds."""
        if self.running or not isinstance(self._compute, LibraryCompute):
            return None
        return self._compute.hole(self._session.case, site)

    def start(self) -> None:
        """Compute the case as it stands; without a scan, or while already computing, nothing happens."""
        volume = self._session.volume
        if self.running or volume is None:
            return
        job = _Job(self._session.case)
        job.thread = threading.Thread(target=self._work, args=(job, volume), name="ctmeasure computing", daemon=True)
        self._job = job
        job.thread.start()

    def renew(self) -> None:
        """Compute the case as it stands now; what is being computed from an earlier one is stopped."""
        if self._job is None:
            self.start()
        elif self._job.case is not self._session.case:
            self._again = True
            self._job.stop.set()

    def cancel(self) -> None:
        """Ask the computation to stop; it does at its next step."""
        self._again = False
        if self._job is not None:
            self._job.stop.set()

    def close(self) -> None:
        """Stop, and wait until the thread has ended; its result is dropped."""
        job, self._job = self._job, None
        if job is not None and job.thread is not None:
            job.stop.set()
            job.thread.join()

    def _work(self, job: _Job, volume: Volume) -> None:
        def progress(text: str, fraction: float) -> None:
            if job.stop.is_set():
                raise Cancelled
            self._told.emit(text, fraction)

        try:
            job.result = self._compute(job.case, volume, progress=progress)
        except Cancelled:
            job.message = "cancelled"
        except CtmeasureError as error:
            job.message = str(error)
        except Exception as error:
            # A window must not fall over a bug in a computation: it says so, and the case stays as it was.
            job.message = f"computing failed ({type(error).__name__}: {error})"
        self._done.emit(job)

    @Slot(str, float)
    def _pass_on(self, text: str, fraction: float) -> None:
        if self.running:
            self.progressed.emit(text, fraction)

    @Slot(object)
    def _finish(self, job: _Job) -> None:
        if job is not self._job or job.thread is None:
            return
        job.thread.join()
        self._job = None
        result, message = job.result, job.message
        if self._again:
            self._again = False
            self.start()
            return
        if result is not None and self._session.case is not job.case:
            result, message = None, "the points changed while computing; compute again"
        if result is not None:
            self._session.accept(result)
        self.ended.emit(message)
