"""Run the reader under watch: how long it takes, how much memory it takes, and a stop when it hangs."""

from __future__ import annotations

import os
import resource
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

LONGEST_S = 10.0
"""Longer than this is a hang, on a machine that does nothing else."""

SLACK_BYTES = 24 * 2**20
"""What threads, caches and decoders may take besides the volume; any bomb of the corpus is far larger."""

CEILING_BYTES = 2 * 2**30
"""Address space a run may add before allocations fail: a bomb must not take the machine with it."""


def longest_s() -> float:
    """The limit, longer in proportion while other work keeps the processors busy."""
    if not hasattr(os, "getloadavg"):
        return LONGEST_S
    return LONGEST_S * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))


class HungError(BaseException):
    """The reader did not come back; not an Exception, so that no handler takes it for a damaged file."""


@dataclass
class Watched:
    """What was measured; `grown_bytes` is None where the system does not tell."""

    seconds: float = 0.0
    limit_s: float = LONGEST_S
    grown_bytes: int | None = None


def _status(word: str) -> int | None:
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith(word + ":")), None)


def _forget_the_peak() -> bool:
    try:
        Path("/proc/self/clear_refs").write_text("5")  # resets VmHWM, see proc(5)
    except OSError:
        return False
    return True


@contextmanager
def watched() -> Iterator[Watched]:
    """Measure the block, and raise `HungError` in it after `longest_s()`."""

    def stop(*_: object) -> None:
        raise HungError(f"not back after {result.limit_s:g} s")

    result = Watched(limit_s=longest_s())
    limits = resource.getrlimit(resource.RLIMIT_AS)
    in_use = _status("VmSize")
    if in_use is not None:
        resource.setrlimit(resource.RLIMIT_AS, (in_use + CEILING_BYTES, limits[1]))
    alarm = threading.current_thread() is threading.main_thread() and hasattr(signal, "setitimer")
    if alarm:
        earlier = signal.signal(signal.SIGALRM, stop)
        signal.setitimer(signal.ITIMER_REAL, result.limit_s)
    before = _status("VmRSS") if _forget_the_peak() else None
    start = time.perf_counter()
    try:
        yield result
    finally:
        result.seconds = time.perf_counter() - start
        if alarm:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, earlier)
        peak = _status("VmHWM")
        if before is not None and peak is not None:
            result.grown_bytes = peak - before
        resource.setrlimit(resource.RLIMIT_AS, limits)
