"""How quick the window is: a scroll step with all panes linked, the large pane alone, the first picture, memory.

"all panes" is one notch of the wheel: the large plane is cut anew, crosshair and marks of every pane, the map and the
panel follow, and the window is drawn. "every plane anew" moves the crosshair obliquely, so that all three are cut.
"own" is process time: on a machine that others use, the only one of the two that means anything.

    xvfb-run -s "-screen 0 1366x768x24" python tests/bench/bench_window.py [--slices 400] [--size 512]

Times are medians of wall and of process time; under software rendering the processor draws, too.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

SPACING_MM = 0.3
GOALS = {"all panes": 50.0, "large pane": 33.0, "every plane anew": 50.0, "first picture": 3000.0}


def volume_of(size: int, slices: int):  # type: ignore[no-untyped-def]
    """A series of noise and bone of the wanted size: its content does not matter, its bytes do."""
    from ctmeasure.volume.geometry import Geometry
    from ctmeasure.volume.volume import ScanSource, Volume

    affine = np.eye(4)
    affine[:3, :3] = SPACING_MM * np.array([[0, 0, 1], [0, 1, 0], [1, 0, 0]])
    affine[:3, 3] = -0.5 * SPACING_MM * np.array([size, size, slices])
    values = np.random.default_rng(1).integers(-1000, 2000, (slices, size, size), dtype=np.int16)
    source = ScanSource("1.2.3", "1.2.4", "a" * 64, spacing_mm=(SPACING_MM,) * 3, modality="CT", description="made up")
    return Volume(Geometry(values.shape, affine, "1.2"), values, source)


def timed(act: Callable[[int], object], repeats: int) -> tuple[float, float]:
    """Median wall and process time of a call, ms."""
    wall, own = [], []
    for n in range(repeats):
        start, used = time.perf_counter(), time.process_time()
        act(n)
        wall.append(1e3 * (time.perf_counter() - start))
        own.append(1e3 * (time.process_time() - used))
    return statistics.median(wall), statistics.median(own)


def peak_mb() -> float:
    """Highest memory of this process so far, MB."""
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / 1e6 if sys.platform == "darwin" else used / 1024.0


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--slices", type=int, default=400)
    parser.add_argument("--repeats", type=int, default=30)
    asked = parser.parse_args()

    from ctmeasure_napari import frame
    from ctmeasure_napari.window import open_window
    from qtpy.QtWidgets import QApplication

    from ctmeasure.anatomy.facts import CaseFacts
    from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
    from ctmeasure.case.model import Case, scan_reference

    def place(name: str, x: float, y: float, z: float) -> Landmark:
        return Landmark(name, "placed", (Placement((x, y, z)),))

    def ear(volume):  # type: ignore[no-untyped-def]
        marks = [place("canal_medial", 0, 0, 0), place("canal_lateral", -7, 0, 0), place("drum_centre", -0.5, 0, 0)]
        ring = [(0.0, 4.4 * np.sin(a), 4.4 * np.cos(a)) for a in np.radians(np.arange(0, 360, 30))]
        marks.append(Landmark("annulus", "placed", tuple(Placement(p, i) for i, p in enumerate(ring))))
        marks.append(place("footplate_centre", 6, 2, 1.5))
        return Case("right", scan_reference(volume), CaseFacts(side="right"), LandmarkSet(marks))

    small = volume_of(64, 64)
    first = open_window(case=ear(small), volume=small, block=False)
    app = QApplication.instance()
    assert app is not None

    def settle(seconds: float = 0.5) -> None:
        end = time.perf_counter() + seconds
        while time.perf_counter() < end:
            app.processEvents()

    settle(2.0)
    volume = volume_of(asked.size, asked.slices)
    own_mb, before = volume.values.nbytes / 2**20, peak_mb()
    start, used = time.perf_counter(), time.process_time()
    window = open_window(case=ear(volume), volume=volume, block=False)
    app.processEvents()
    opened, opened_own = 1e3 * (time.perf_counter() - start), 1e3 * (time.process_time() - used)
    drawn = frame.picture_of(window.marks[0].parentWidget())
    assert (drawn.std(axis=(0, 1)) > 20).all(), "no picture was drawn"
    settle(2.0)
    grown = (peak_mb() - before) / own_mb
    bench = window.workbench
    bench.later = lambda act: act()
    pane, canvases = bench.panes[0], app.topLevelWidgets()

    def all_panes(n: int) -> None:
        bench.step(pane, 0.2 if n % 2 else -0.2)
        app.processEvents()

    def large_alone(n: int) -> None:
        bench.later = lambda act: None
        bench.step(pane, 0.2 if n % 2 else -0.2)
        app.processEvents()

    def every_plane(n: int) -> None:
        bench.look_at(bench.focus_lps + (0.2 if n % 2 else -0.2))
        app.processEvents()

    all_panes(0)
    acts = {"all panes": all_panes, "every plane anew": every_plane, "large pane": large_alone}
    rows = [(name, *timed(act, asked.repeats)) for name, act in acts.items()]
    print(f"{asked.size} x {asked.size} x {asked.slices}, {own_mb:.0f} MB; {len(canvases)} windows and menus")
    print(f"{'':18}{'ms':>9}{'own ms':>9}{'goal':>8}")
    for name, wall, own in rows:
        print(f"{name:18}{wall:9.1f}{own:9.1f}{GOALS[name]:8.0f}")
    goal = GOALS["first picture"]
    print(f"{'first picture':18}{opened:9.0f}{opened_own:9.0f}{goal:8.0f}   (a second window of its own)")
    print(f"memory grew by {grown:.2f} volumes (goal 1.5)")
    for shown in (window, first):
        shown.close()
        shown.viewer.close()


if __name__ == "__main__":
    main()
