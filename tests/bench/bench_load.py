"""Loading a 512 x 512 x 400 int16 series, beside SimpleITK's series reader and beside plainly reading the same bytes.

Run: ``python tests/bench/bench_load.py [FOLDER] [--runs N]``. FOLDER keeps the series for the next time; without it a
temporary one is written. Every round runs each reader once, in turn, so that a busy machine slows all alike; the
ratios are medians of the ratios within a round. The page cache is warm.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from series import SHAPE_KJI, write_series

GOAL = 0.25
"""Of SimpleITK's time (names, Execute and the array copy), hashing apart."""


def plain_bytes(folder: Path) -> None:
    """Read every file into one buffer: what no reader can beat."""
    buffer = bytearray(600_000)
    for path in sorted(folder.iterdir()):
        with path.open("rb", buffering=0) as stream:
            stream.readinto(buffer)


def ours(folder: Path, *, hash_content: bool = False) -> np.ndarray:
    from ctmeasure.io.dicom import load_series

    return load_series(folder, hash_content=hash_content).volume.values


def simpleitk(folder: Path, steps: dict[str, float] | None = None) -> np.ndarray:
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    start = time.perf_counter()
    values = sitk.GetArrayFromImage(reader.Execute())
    if steps is not None:
        steps["SimpleITK, file order known"] = time.perf_counter() - start
    return values


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _peak(work: Callable[[Path], object], folder: Path, queue: multiprocessing.Queue) -> None:
    """Resident memory above that of the idle process, sampled while `work` runs, in MiB."""
    resident = Path("/proc/self/statm")
    work(folder / "few")  # imports and compiled code belong to the idle process
    page = 4096 / 2**20
    idle = int(resident.read_text().split()[1]) * page
    top, running = idle, True

    def watch() -> None:
        nonlocal top
        while running:
            top = max(top, int(resident.read_text().split()[1]) * page)
            time.sleep(0.002)

    watcher = threading.Thread(target=watch)
    watcher.start()
    kept = work(folder / "series")
    running = False
    watcher.join()
    queue.put(top - idle)
    del kept


def peak_mib(work: Callable[[Path], object], folder: Path) -> float:
    context = multiprocessing.get_context("spawn")
    queue = context.Queue()
    process = context.Process(target=_peak, args=(work, folder, queue))
    process.start()
    result = queue.get(timeout=120)
    process.join()
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--runs", type=int, default=9)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        if not (folder / "series").is_dir():
            write_series(folder / "series")
            write_series(folder / "few", (4, 64, 64))
        measure(folder, options.runs)


def measure(folder: Path, runs: int) -> None:
    series = folder / "series"
    first = timed(lambda: ours(series))
    same = np.array_equal(ours(series), simpleitk(series))
    rows: dict[str, list[float]] = {}
    for _ in range(runs):
        rows.setdefault("plain read of the bytes", []).append(timed(lambda: plain_bytes(series)))
        rows.setdefault("ctmeasure", []).append(timed(lambda: ours(series)))
        rows.setdefault("ctmeasure with content hash", []).append(timed(lambda: ours(series, hash_content=True)))
        steps: dict[str, float] = {}
        start = time.perf_counter()
        simpleitk(series, steps)
        rows.setdefault("SimpleITK, names + Execute + array", []).append(time.perf_counter() - start)
        for name, seconds in steps.items():
            rows.setdefault(name, []).append(seconds)
    reference = rows["SimpleITK, names + Execute + array"]
    known = rows["SimpleITK, file order known"]
    print(f"load {SHAPE_KJI[1]}x{SHAPE_KJI[2]}x{SHAPE_KJI[0]} int16, {runs} paired runs, warm page cache")
    print(f"{'':36}{'median s':>10}{'best s':>9}{'of SimpleITK':>14}{'of Execute':>12}")
    for name, seconds in rows.items():
        share = statistics.median(a / b for a, b in zip(seconds, reference, strict=True))
        part = statistics.median(a / b for a, b in zip(seconds, known, strict=True))
        print(f"{name:36}{statistics.median(seconds):>10.3f}{min(seconds):>9.3f}{share:>14.2f}{part:>12.2f}")
    print(f"first load of the process (imports, first pages): {first:.3f} s; same voxels as SimpleITK: {same}")
    size = np.prod(SHAPE_KJI) * 2 / 2**20
    for name, work in (("ctmeasure", ours), ("SimpleITK", simpleitk)):
        above = peak_mib(work, folder)
        print(f"peak memory above idle, {name}: {above:.0f} MiB = {above / size:.2f} volumes")
    share = statistics.median(a / b for a, b in zip(rows["ctmeasure"], reference, strict=True))
    print(f"goal {GOAL} of SimpleITK: {'met' if share <= GOAL else 'MISSED'} ({share:.2f})")


if __name__ == "__main__":
    main()
