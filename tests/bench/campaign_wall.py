"""Canal wall, thickness and far side on many random ears, against the truth of their shapes; resumes where it stopped.

Run: ``python tests/bench/campaign_wall.py --ears 100 --out DIR``. One file an ear is kept in DIR, so a second call goes
on; ``--table`` only prints. Ears are random (anatomy, findings, cortical value, side), half of them on sharp kernels;
clicks are off by 0.3 mm per axis. ``--coarse``: 0.6 mm slices. ``--cone-beam``: uncalibrated grey values of 0.2 mm
voxels. ``--keep-scans`` keeps the rendered blocks too, which take most of the time (about 1 MB an ear).

Every figure has its sampling interval: 95 % of bootstrap tables over whole ears. Cells of one ear are not independent,
so the number of ears counts, not that of cells. A gap that the ray crosses on less than 0.3 mm is no gap in the main
rows: it is under any point spread. The rows "either reading" judge against the nearer of that truth and the strict one
(any gap at all), which differ where a ray grazes a cell. "Sure" are rays that the estimate itself does not call
ambiguous. "Bound" is the median Cramer-Rao bound of the layer model with its bone level and noise: what is left of the
rms is bone that is no stack of flat layers.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from ctmeasure_samples.model import build_ear, read_wall
from ctmeasure_samples.parameters import HeadParameters, ScannerParameters, random_ear
from ctmeasure_samples.placement import place_ear
from ctmeasure_samples.scanner import make_grid, scan
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.canal_wall import CanalWall, find_canal_wall
from ctmeasure.imaging.wall_path import STATES, measure_wall_paths
from ctmeasure.planning.drilling.far_side import name_far_sides
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.quality import assess_fitness
from ctmeasure.volume.volume import ScanSource, Volume

BLOCK_MM = (28.0, 28.0, 23.0)
"""Slices, rows, columns of the block around the canal that is rendered."""
CLICK_NOISE_MM = 0.3
NARROW_MM = 0.3
ANGLES = np.arange(0.0, 360.0, 8.0)
RIMS = np.arange(0.0, 8.1, 0.75)
TILTS_DEG = (0.0, 20.0, 40.0)
"""Directions: along the normal, and tilted outwards along the canal, turn by turn over the cells."""
CLICKED = ("canal_medial", "canal_lateral", "annulus", "lateral_semicircular_canal")
DANGEROUS = ("dura", "joint", "vein")
RESAMPLES = 1000
REACHED_MM = 1.0
"""A path that ends nearer than this to a dangerous space, and is not named by it, has missed it."""
TRUE_NUMBERS = ("surface_error", "true_first", "true_any", "gap_width", "true_exit")


def scanner_of(seed: int, args: argparse.Namespace) -> ScannerParameters:
    """Scanner of one ear: every second one has a sharp kernel that overshoots."""
    rng = np.random.default_rng([20254, seed])
    sharp = seed % 2 == 1
    if args.cone_beam:
        return ScannerParameters(
            spacing_mm=(0.2, 0.2, 0.2), fwhm_in_plane_mm=0.32, fwhm_through_plane_mm=0.32, noise_hu=70.0,
            noise_fwhm_mm=0.34, clip_hu=(-1100.0, 4200.0), gain=0.82, offset=930.0, seed=seed,
        )  # fmt: skip
    return ScannerParameters(
        spacing_mm=(0.6 if args.coarse else 0.4, 0.3, 0.3),
        fwhm_in_plane_mm=0.45,
        fwhm_through_plane_mm=0.75 if args.coarse else 0.55,
        overshoot=float(rng.uniform(0.15, 0.6)) if sharp else 0.0,
        noise_hu=60.0,
        noise_fwhm_mm=0.39 if sharp else 0.54,
        seed=seed,
    )


def make_ear(seed: int, args: argparse.Namespace) -> tuple[Volume, LandmarkSet, EarTruth]:
    """Scan of a block around one random ear's canal, and clicked landmarks."""
    side = "left" if seed % 4 < 2 else "right"
    head = HeadParameters()
    truth = EarTruth(build_ear(random_ear(seed), head), place_ear(head, side))  # type: ignore[arg-type]
    scanner = scanner_of(seed, args)
    marks = truth.landmarks
    medial, lateral = marks["canal_medial"].points[0], marks["canal_lateral"].points[0]
    axis = (lateral - medial) / np.linalg.norm(lateral - medial)
    grid = make_grid(medial + 4.0 * axis, BLOCK_MM, spacing_mm=scanner.spacing_mm)
    kept = args.out / f"scan_{seed:05d}.npy"
    if kept.exists():
        values = np.load(kept)
    else:
        values = scan([(truth.ear, truth.placement)], grid, scanner)
        if args.keep_scans:
            np.save(kept, values)
    unit = "HU" if scanner.calibrated else "grey"
    source = ScanSource(spacing_mm=scanner.spacing_mm, intensity_unit=unit)
    volume = Volume(Geometry(grid.shape_kji, grid.affine_lps, "1.2.3"), values, source)
    rng = np.random.default_rng([20255, seed])
    items = []
    for name in CLICKED:
        if name in marks and len(marks[name].points):
            moved = marks[name].points + CLICK_NOISE_MM * rng.standard_normal(marks[name].points.shape)
            placed = tuple(Placement((float(p[0]), float(p[1]), float(p[2])), i) for i, p in enumerate(moved))
            items.append(Landmark(name, "placed", placed))
    return volume, LandmarkSet(items), truth


def marked(truth: EarTruth) -> tuple[Structure, ...]:
    """The true structures as a person would have marked and confirmed them."""
    found: list[Structure] = []
    for name, item in truth.structures.items():
        points = tuple((float(p[0]), float(p[1]), float(p[2])) for p in item.points)
        if item.status != "placed" or not points:
            continue
        if item.shape == "tube":
            found.append(Tube(name, "placed", points, None, "bench", tuple(map(float, item.radii))))
        elif item.shape == "patch":
            found.append(Patch(name, "placed", points, None, "bench"))
        else:
            found.append(Ball(name, "placed", points, None, "bench", float(np.ravel(item.radii)[0])))
    return tuple(found)


def true_surface_error(truth: EarTruth, point: np.ndarray, normal: np.ndarray) -> float:
    """Signed distance from a found point to the nearest true step into bone along the normal."""
    error = np.nan
    before = None
    for element, begin, _ in truth.ear.runs(point - 1.5 * normal, normal, 3.0):
        bone = element is not None and element.is_bone
        if bone and before is False and not (abs(begin - 1.5) >= abs(error)):
            error = 1.5 - begin
        before = bone
    return error


def true_first_gap(runs: list, narrow_mm: float) -> tuple[float, float, str]:
    """Bone to the first gap of at least `narrow_mm`, the gap's width and what it is."""
    flat = [(e is not None and e.is_bone, "outside" if e is None else e.space, b, t) for e, b, t in runs]
    first = next((i for i, run in enumerate(flat) if run[0]), None)
    if first is None or flat[first][2] > 1.0:
        return np.nan, np.nan, "no bone"
    begins, index = flat[first][2], first
    while index < len(flat):
        if flat[index][0]:
            index += 1
            continue
        last = index
        while last + 1 < len(flat) and not flat[last + 1][0]:
            last += 1
        width = flat[last][3] - flat[index][2]
        if width >= narrow_mm:
            return flat[index][2] - begins, width, flat[index][1]
        index = last + 1
    return np.inf, 0.0, "solid"


def measure(seed: int, args: argparse.Namespace) -> dict[str, np.ndarray]:
    """Everything of one ear as columns over its rays."""
    volume, landmarks, truth = make_ear(seed, args)
    settings = Settings()
    canal = canal_frame(landmarks, truth.side)  # type: ignore[arg-type]
    rim = rim_curve(landmarks, canal)
    fitness = assess_fitness(volume)
    begin, cpu = time.perf_counter(), time.process_time()
    wall = find_canal_wall(
        volume, canal, rim=rim, fitness=fitness, wall_angles_deg=ANGLES, rim_distances_mm=RIMS
    )  # fmt: skip
    columns = _rays(wall)
    points, normals, directions = (columns.pop(name) for name in ("points", "normals", "directions"))
    paths = measure_wall_paths(
        volume, points, direction_lps=directions, spread=wall.surface.spread, levels=wall.surface.levels,
        exit_gap_mm=settings.exit_gap_mm, arm_length_mm=settings.arm_length_mm, normal_lps=normals,
        surface_u_mm=columns["surface_u"], lining_mm=wall.lining_at(columns["angle"], columns.pop("depth")),
    )  # fmt: skip
    seconds = (time.perf_counter() - begin, time.process_time() - cpu)
    structures = obstacles(marked(truth), landmarks=landmarks, settings=settings)
    far = name_far_sides(
        paths, points, volume=volume, direction_lps=directions, rim=rim, levels=wall.surface.levels,
        obstacles=structures,
    )  # fmt: skip
    rows = _truth_rows(truth, points, normals, directions)
    u = paths.to_first_gap_u_mm
    return columns | rows | {
        "first": paths.to_first_gap_mm, "first_u": u,
        "first_low": paths.to_first_gap_low_mm, "first_high": paths.to_first_gap_high_mm,
        "exit": paths.to_exit_mm, "exit_u": paths.to_exit_u_mm, "far": far,
        "bound": np.hypot(paths.u_noise, paths.u_bone), "ambiguous": paths.ambiguous,
        "state": np.array(STATES)[paths.state], "seconds": np.array(seconds),
        "spread": np.array([wall.surface.spread.in_plane_mm, wall.surface.spread.through_plane_mm]),
        "bone": np.array([wall.surface.levels.bone, truth.ear.parameters.cortical_hu]),
        "cells": np.array([wall.status.size, np.isfinite(wall.u_mm).sum()]),
    }  # fmt: skip


def _rays(wall: CanalWall) -> dict[str, np.ndarray]:
    angle, rim = (a.ravel() for a in np.meshgrid(ANGLES, RIMS, indexing="ij"))
    points, normals = wall.points_lps.reshape(-1, 3), wall.normals_lps.reshape(-1, 3)
    there = np.isfinite(points).all(axis=1) & np.isfinite(normals).all(axis=1)
    tilt = np.array(TILTS_DEG)[np.arange(len(angle)) % len(TILTS_DEG)]
    along = wall.canal.axis_lps - normals * (normals @ wall.canal.axis_lps)[:, None]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    psi = np.radians(tilt)[:, None]
    columns = {
        "angle": angle, "rim": rim, "tilt": tilt, "status": wall.status.ravel(), "surface_u": wall.u_mm.ravel(),
        "depth": wall.depth_mm.ravel(), "points": points, "normals": normals,
        "directions": np.cos(psi) * normals + np.sin(psi) * along,
    }  # fmt: skip
    return {name: column[there] for name, column in columns.items()}


def _truth_rows(
    truth: EarTruth, points: np.ndarray, normals: np.ndarray, directions: np.ndarray
) -> dict[str, np.ndarray]:
    at, along = truth.placement.from_lps(points), truth.placement.directions_from_lps(directions)
    out = truth.placement.directions_from_lps(normals)
    n = len(points)
    numbers = {k: np.full(n, np.nan) for k in TRUE_NUMBERS}
    words = {k: np.full(n, "", dtype="<U32") for k in ("true_gap", "true_far")}
    for i in range(n):
        numbers["surface_error"][i] = true_surface_error(truth, at[i], out[i])
        runs = truth.ear.runs(at[i] - 0.6 * along[i], along[i], 12.6)
        numbers["true_first"][i], numbers["gap_width"][i], words["true_gap"][i] = true_first_gap(runs, NARROW_MM)
        numbers["true_any"][i] = true_first_gap(runs, 0.01)[0]
        bone = next((k for k, run in enumerate(runs) if run[0] is not None and run[0].is_bone), None)
        if bone is None:
            continue
        start = runs[bone][1]
        reading = read_wall([(e, b - start, t - start) for e, b, t in runs[bone:]])
        numbers["true_exit"][i], words["true_far"][i] = reading.to_exit_mm, reading.far_side
    return numbers | words


def load(folder: Path, seeds: list[int]) -> list[dict[str, np.ndarray]]:
    """The kept files of these ears."""
    found = []
    for seed in seeds:
        path = folder / f"ear_{seed:05d}.npz"
        if path.is_file():
            with np.load(path) as data:
                found.append({name: data[name] for name in data.files})
    return found


def interval(ears: list[dict[str, np.ndarray]], figure: Callable[[list[dict[str, np.ndarray]]], float]) -> str:
    """A figure with the 95 % interval of its bootstrap over ears."""
    rng = np.random.default_rng(1)
    values = [figure([ears[i] for i in rng.integers(0, len(ears), len(ears))]) for _ in range(args_resamples(ears))]
    known = [v for v in values if np.isfinite(v)]
    if not known:
        return "no cells"
    low, high = np.quantile(known, [0.025, 0.975])
    return f"{figure(ears):+.3f} [{low:+.3f}, {high:+.3f}]"


def args_resamples(ears: list[dict[str, np.ndarray]]) -> int:
    """Fewer resamples while few ears are there."""
    return RESAMPLES if len(ears) >= 50 else 200


Pick = Callable[[dict[str, np.ndarray]], np.ndarray]


def pooled(pick: Pick, reduce: Callable[[np.ndarray], float]) -> Callable[[list[dict[str, np.ndarray]]], float]:
    """A figure over the cells of all ears together."""

    def figure(ears: list[dict[str, np.ndarray]]) -> float:
        values = np.concatenate([pick(ear) for ear in ears])
        return float(reduce(values)) if len(values) else float("nan")

    return figure


def print_table(ears: list[dict[str, np.ndarray]]) -> None:
    """The table."""
    print(f"{len(ears)} ears, {sum(len(e['angle']) for e in ears)} rays")
    seconds = np.array([e["seconds"] for e in ears])
    print(f"wall and {np.mean([len(e['angle']) for e in ears]):.0f} rays: median {np.median(seconds[:, 0]):.2f} s, "
          f"processor {np.median(seconds[:, 1]):.2f} s an ear")  # fmt: skip
    for words, keep in (
        ("surface, air-lined, rim > 1 mm", lambda e: (e["status"] == "measured") & (e["rim"] > 1.0)),
        ("surface, rim zone (<= 1 mm), not bridged", lambda e: (e["rim"] <= 1.0) & (e["status"] != "gap")),
        ("surface, under soft tissue", lambda e: e["status"] == "soft tissue"),
    ):

        def error(e: dict[str, np.ndarray], keep: Pick = keep) -> np.ndarray:
            x = e["surface_error"][keep(e)]
            return x[np.isfinite(x)]

        print(f"{words:44s} bias {interval(ears, pooled(error, np.mean))}  95 % under "
              f"{interval(ears, pooled(error, lambda x: np.quantile(np.abs(x), 0.95)))}  cells "
              f"{sum(len(error(e)) for e in ears)}")  # fmt: skip
    for low, high in ((0.2, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 3.0), (0.5, 3.0), (3.0, 6.0)):
        thickness_row(ears, low, high)
    far_rows(ears)


def in_range(e: dict[str, np.ndarray], low: float, high: float) -> np.ndarray:
    """Rays whose true wall, along the normal, has that thickness, and whose surface was found at that wall."""
    true = e["true_first"] * np.cos(np.radians(e["tilt"]))
    return (true >= low) & (true < high) & (np.abs(e["surface_error"]) < 0.5)


def thickness_row(ears: list[dict[str, np.ndarray]], low: float, high: float) -> None:
    """The lines of the table for a range of true thickness."""
    cells = sum(int(in_range(e, low, high).sum()) for e in ears)
    absent = sum(int((in_range(e, low, high) & (e["state"] == "no wall found")).sum()) for e in ears)

    def given(e: dict[str, np.ndarray]) -> np.ndarray:
        return np.isfinite(e["first"])[in_range(e, low, high)]

    print(f"thickness {low:.1f}-{high:.1f} mm: rays {cells}, given {interval(ears, pooled(given, np.mean))}, called "
          f"absent {absent}")  # fmt: skip
    for words, either, sure in (
        ("all", False, False), ("sure", False, True), ("either reading", True, False), ("sure, either", True, True),
    ):  # fmt: skip

        def kept(e: dict[str, np.ndarray], sure: bool = sure) -> np.ndarray:
            ambiguous = e["ambiguous"] if "ambiguous" in e else np.zeros(len(e["first"]), bool)
            return in_range(e, low, high) & np.isfinite(e["first"]) & ~(sure & ambiguous)

        def error(e: dict[str, np.ndarray], either: bool = either, kept: Pick = kept) -> np.ndarray:
            x, strict = e["first"] - e["true_first"], e["first"] - e["true_any"]
            return np.where(either & (np.abs(strict) < np.abs(x)), strict, x)[kept(e)]

        def held(e: dict[str, np.ndarray], either: bool = either, kept: Pick = kept) -> np.ndarray:
            inside = (e["first_low"] <= e["true_first"]) & (e["true_first"] <= e["first_high"])
            strict = (e["first_low"] <= e["true_any"]) & (e["true_any"] <= e["first_high"])
            return (inside | (either & strict))[kept(e)]

        def width(e: dict[str, np.ndarray], kept: Pick = kept) -> np.ndarray:
            return (e["first_high"] - e["first_low"])[kept(e)]

        def bound(e: dict[str, np.ndarray], kept: Pick = kept) -> np.ndarray:
            return e["bound"][kept(e)]

        print(
            f"  {words:15s} rays {sum(len(error(e)) for e in ears):6d} bias {interval(ears, pooled(error, np.mean))} "
            f"median {pooled(error, np.median)(ears):+.3f} rms {interval(ears, pooled(error, _rms))} "
            f"(bound {pooled(bound, np.median)(ears):.3f}) 95 % under {pooled(error, _most)(ears):.3f} "
            f"interval holds {interval(ears, pooled(held, np.mean))} "
            f"width median {pooled(width, np.median)(ears):.2f} mean {pooled(width, np.mean)(ears):.2f}"
        )


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _most(values: np.ndarray) -> float:
    return float(np.quantile(np.abs(values), 0.95))


SAME = {"nerve": "facial canal", "carotid": "carotid canal", "inner ear": "lateral semicircular canal"}


def far_rows(ears: list[dict[str, np.ndarray]]) -> None:
    """Far side named right, and the dangerous ones that were missed."""

    def judged(e: dict[str, np.ndarray]) -> np.ndarray:
        return (e["true_far"] != "") & (np.abs(e["surface_error"]) < 0.5) & (e["far"] != "not assessed")

    def right(e: dict[str, np.ndarray]) -> np.ndarray:
        true = np.array([SAME.get(word, word) for word in e["true_far"]])
        return (true == e["far"])[judged(e)]

    print(f"far side named right {interval(ears, pooled(right, np.mean))}")
    for danger in DANGEROUS:

        def missed(e: dict[str, np.ndarray], danger: str = danger) -> np.ndarray:
            return (e["far"] != danger)[judged(e) & (e["true_far"] == danger)]

        def reached(e: dict[str, np.ndarray], danger: str = danger) -> np.ndarray:
            there = judged(e) & (e["true_far"] == danger) & (e["exit"] > e["true_exit"] - REACHED_MM)
            return (e["far"] != danger)[there]

        print(f"  {danger}: named otherwise {interval(ears, pooled(missed, np.mean))} of "
              f"{sum(len(missed(e)) for e in ears)}; where the path found ends within {REACHED_MM} mm of it or beyond "
              f" {interval(ears, pooled(reached, np.mean))} of {sum(len(reached(e)) for e in ears)}")  # fmt: skip
    pairs: Counter[tuple[str, str]] = Counter()
    for e in ears:
        pairs.update(zip(e["true_far"][judged(e)].tolist(), e["far"][judged(e)].tolist(), strict=True))
    for (true, named), count in pairs.most_common(24):
        print(f"    {true:26s} -> {named:26s} {count}")


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--ears", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    for flag in ("--coarse", "--cone-beam", "--keep-scans", "--table"):
        parser.add_argument(flag, action="store_true")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    seeds = list(range(args.seed, args.seed + args.ears))
    for seed in seeds:
        path = args.out / f"ear_{seed:05d}.npz"
        if args.table or path.exists():
            continue
        begin = time.perf_counter()
        try:
            columns = measure(seed, args)
        except CtmeasureError as error:
            print(f"ear {seed}: refused: {error}", flush=True)
            continue
        part = path.with_suffix(".part.npz")
        np.savez_compressed(part, **columns)  # type: ignore[arg-type]
        part.replace(path)
        print(f"ear {seed}: {time.perf_counter() - begin:.1f} s, bone {columns['bone'].round().tolist()}, spread "
              f"{columns['spread'].round(2).tolist()}", flush=True)  # fmt: skip
    print_table(load(args.out, seeds))


if __name__ == "__main__":
    main()
