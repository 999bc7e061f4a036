"""Speed of a drill plan on one synthetic ear: map, one site, pairs; beside plain numpy; and how much memory it takes.

Run: ``python tests/bench/bench_drilling.py --out DIR [--seed N] [--cells N]``. Prints a table; not a timed test. Times
are seconds of the clock and of the processor; where other work runs beside, the processor's are the fair ones. The
scan of the ear is rendered once and kept in DIR. Accuracy: ``campaign_wall.py`` and ``campaign_drilling.py``.

The map is that of 180 wall angles by 33 rim distances (2 degrees by 0.25 mm, 0 to 8 mm) after the wall was found. Plain
numpy draws 20,000 paths for each of a few cells against every tube and ball (patches are left out, in its favour), with
the same sources, and is scaled to all cells. The first call compiles and is timed apart.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from campaign_drilling import plan_scene, truth_of

from ctmeasure.geometry.capsules import tube_clearance
from ctmeasure.planning.drilling.bores import TRAVEL_Z
from ctmeasure.planning.drilling.feasible import Feasible, feasible_cells
from ctmeasure.planning.drilling.pairs import rank_cells
from ctmeasure.planning.drilling.probability import BLOCK
from ctmeasure.planning.drilling.scene import Scene, build_scene
from ctmeasure.planning.drilling.session import DrillSession
from ctmeasure.planning.drilling.zone import Zone, map_zone
from ctmeasure.planning.settings import Settings

FINE = Settings(map_angle_step_deg=2.0, map_rim_step_mm=0.25)
NUMPY_BLOCKS = 20
FEASIBLE = 2000


def timed(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """Result, seconds of the clock, seconds of the processor."""
    clock, cpu = time.perf_counter(), time.process_time()
    result = work()
    return result, time.perf_counter() - clock, time.process_time() - cpu


def line(words: str, clock: float, cpu: float) -> None:
    """One line of the table."""
    print(f"{words:58s} {clock:8.3f} s clock {cpu:8.3f} s processor", flush=True)


def fine_scene(scene: Scene) -> Scene:
    """The same ear on the fine map."""
    return build_scene(
        scene.volume, scene.canal, rim=scene.rim, fitness=None, landmarks=scene.landmarks,
        structures=scene.structures, facts=scene.facts, settings=FINE, seed=scene.seed,
    )  # fmt: skip


def numpy_p_below(scene: Scene, zone: Zone, row: int) -> float:
    """P of less than the margin of any tube or ball at one cell, by plain numpy on 20,000 draws."""
    assert zone.places is not None
    bores, settings = zone.places.bores.take(np.array([row])), scene.settings
    events = 0
    for block in range(NUMPY_BLOCKS):
        hand = scene.doubts.draws.block("hand of hole 1", block, 7)
        sd = bores.sd[0]
        start = (
            bores.entry
            + sd[0] * (hand[:, [0]] * bores.along + hand[:, [1]] * bores.around)
            + sd[1] * hand[:, [2]] * bores.normal
            + sd[2] * hand[:, [3]] * bores.downhill
        )
        direction = bores.direction + sd[3] * (hand[:, [4]] * bores.tilt_a + hand[:, [5]] * bores.tilt_b)
        direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
        end = start + np.maximum(bores.depth + np.interp(hand[:, 6], TRAVEL_Z, sd[4:]), 0.0)[:, None] * direction
        below = np.zeros(BLOCK, bool)
        for risk in zone.risks:
            obstacle = risk.obstacle
            if obstacle.tube_lps is None or not obstacle.measured or obstacle.radii_mm is None:
                continue
            shift, widening = scene.doubts.structure(obstacle, block)
            tube = obstacle.tube_lps if len(obstacle.tube_lps) > 1 else np.repeat(obstacle.tube_lps, 2, axis=0)
            radii = obstacle.radii_mm if len(obstacle.radii_mm) > 1 else np.repeat(obstacle.radii_mm, 2)
            gap = tube_clearance(
                start - shift, end - shift, bur_radius_mm=settings.bur_radius_mm, tube_lps=tube, tube_radius_mm=radii
            )  # fmt: skip
            gap = gap[0] if isinstance(gap, tuple) else gap
            below |= gap - widening < risk.margin_mm[row]
        events += int(below.sum())
    return events / (NUMPY_BLOCKS * BLOCK)


def many_cells(keep: Feasible, count: int) -> Feasible:
    """So many feasible cells: those of the map again and again, each moved by up to half a millimetre."""
    rng = np.random.default_rng(1)
    n = rng.integers(0, len(keep.rows), count)
    shift = rng.uniform(-0.5, 0.5, (count, 3))
    fields = {name: getattr(keep, name)[n] for name in keep.__dataclass_fields__ if name != "cells"}
    fields["entry"], fields["exit"] = fields["entry"] + shift, fields["exit"] + shift
    return Feasible(cells=tuple(keep.cells[i] for i in n), **fields)


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cells", type=int, default=6)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    scene, clock, cpu = timed(lambda: plan_scene(truth_of(args.seed), args.seed, args.out))
    line("scan read, nerve traced, wall found (compiling)", clock, cpu)
    _, clock, cpu = timed(lambda: map_zone(scene))
    line("first map (compiling)", clock, cpu)
    scene, clock, cpu = timed(lambda: fine_scene(scene))
    line("wall on the fine grid", clock, cpu)
    zone, clock, cpu = timed(lambda: map_zone(scene))
    line(f"map of {len(zone.cells)} cells, {len(scene.obstacles)} structures", clock, cpu)
    map_cpu = cpu
    _reassess(scene, zone)
    keep, words = feasible_cells(scene, zone)
    if keep is None:
        print(words)
    else:
        crowd = many_cells(keep, FEASIBLE)
        rank_cells(scene, zone, keep, handle_tip=None)
        (pairs, why), clock, cpu = timed(lambda: rank_cells(scene, zone, crowd, handle_tip=None))
        line(f"all pairs among {FEASIBLE} cells ({len(pairs)} listed)", clock, cpu)
        print(f"  {why}")
    print(f"largest memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")
    _beside_numpy(scene, zone, args.cells, map_cpu)


def _reassess(scene: Scene, zone: Zone) -> None:
    class Site:
        id = "dragged"

        def __init__(self, cell: Any, shift: float) -> None:
            self.entry_lps = tuple(np.array(cell.entry_lps) + shift)
            self.direction_lps = cell.direction_lps

    cells = [c for c in zone.cells if c.entry_lps is not None and c.reachable and c.verdict in ("clear", "caution")]
    chosen = cells[:: max(len(cells) // 12, 1)]
    assert zone.places is not None
    session = DrillSession(replace(scene, reading=zone.places.reading), zone)
    for cell in chosen[:2]:
        session.reassess(Site(cell, 0.01))
    times = [timed(lambda c=c: session.reassess(Site(c, 0.02)))[1:] for c in chosen]
    clock, cpu = np.median(times, axis=0)
    line(f"one hole dragged, median of {len(chosen)}", clock, cpu)
    clock, cpu = np.max(times, axis=0)
    line("  the slowest", clock, cpu)


def _beside_numpy(scene: Scene, zone: Zone, count: int, map_cpu: float) -> None:
    assert zone.places is not None
    rng = np.random.default_rng(2)
    known = rng.permutation(np.flatnonzero(zone.places.ends))[:count]
    numbers, clock, cpu = timed(lambda: [numpy_p_below(scene, zone, int(row)) for row in known])
    whole = cpu / max(len(known), 1) * int(zone.places.ends.sum())
    line(f"plain numpy, {len(known)} cells, tubes and balls only", clock, cpu)
    print(f"  scaled to the map: {whole:.0f} s processor, {whole / map_cpu:.0f} times the map above")
    for row, p in zip(known, numbers, strict=True):
        tubes = [r for r in zone.risks if r.obstacle.tube_lps is not None and r.obstacle.measured]
        given = [float(r.p_below[row]) for r in tubes if np.isfinite(r.p_below[row])]
        if given:
            print(
                f"  cell {row}: plain numpy {p:.4f}; map, by structure: largest {max(given):.4f}, sum {sum(given):.4f}"
            )


if __name__ == "__main__":
    main()
