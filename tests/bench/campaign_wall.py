"""Canal wall, thickness and far side on many random ears, against the truth of their shapes; resumes where it stopped.

Run: ``python tests/bench/campaign_wall.py --ears 100 --out DIR``. One file an ear is kept in DIR, so a second call goes
on; ``--table`` only prints. Ears are random (anatomy, findings, cortical value, side), half of them on sharp kernels;
clicks are off by 0.3 mm per axis. ``--coarse``: 0.6 mm slices. ``--cone-beam``: uncalibrated grey values of 0.2 mm
voxels. ``--keep-scans`` keeps the rendered blocks too, which take most of the time (about 1 MB an ear).

Every figure has its sampling interval: 95 % of bootstrap tables over whole ears. Cells of one ear are not independent,
so the number of ears counts, not that of cells. A gap that the ray crosses on less than 0.3 mm is no gap in the main
rows: it is under any point spread. The rows "either reading" judge against the nearer of that truth and the strict one
(any gap at all), which differ where a ray grazes a cell. "Sure" are rays that the estimate itself does not call
ambiguous; rows of a state hold the rays the estimate itself puts there. "Layers" is the median Cramer-Rao bound of the
layer model with its bone level and noise. "No method" is the rms that is left to somebody who knows every shape but
sees the walls no better than noise allows (`wall_bound`), with the share of rays whose bone then ends elsewhere.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from blocks import true_structures
from wall_bound import unseen_variance, wall_place_mm
from wall_ears import make_ear, scanner_of
from wall_table import print_table
from wall_truth import truth_rows

from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.canal_wall import CanalWall, find_canal_wall
from ctmeasure.imaging.wall_path import STATES, measure_wall_paths
from ctmeasure.planning.drilling.far_side import name_far_sides
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.quality import assess_fitness

ANGLES = np.arange(0.0, 360.0, 16.0)
RIMS = np.arange(0.0, 8.1, 0.75)
THICKEST_MM = 4.0
"""What no method can do better is asked for rays with less bone than this (3 mm along the normal)."""
TILTS_DEG = (0.0, 20.0, 40.0)
"""Directions: along the normal, and tilted outwards along the canal, turn by turn over the cells."""


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
    options = {"volume": volume, "direction_lps": directions, "rim": rim, "levels": wall.surface.levels}
    far, unmarked = (
        name_far_sides(paths, points, obstacles=marks, **options)  # type: ignore[arg-type]
        for marks in (obstacles(true_structures(truth, "bench"), landmarks=landmarks, settings=settings), ())
    )
    rows = truth_rows(truth, points, normals, directions)
    place = wall_place_mm(scanner_of(seed, args))
    thin = rows["true_first"] < THICKEST_MM
    variance, flips = unseen_variance(truth, points, normals, directions, rays=thin, place_mm=place, seed=seed)
    u = paths.to_first_gap_u_mm
    return columns | rows | {
        "first": paths.to_first_gap_mm, "first_u": u,
        "first_low": paths.to_first_gap_low_mm, "first_high": paths.to_first_gap_high_mm,
        "exit": paths.to_exit_mm, "exit_u": paths.to_exit_u_mm, "far": far, "far_unmarked": unmarked,
        "bound": np.hypot(paths.u_noise, paths.u_bone), "ambiguous": paths.ambiguous,
        "unseen": variance, "flips": flips, "place": np.array([place]),
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


def load(folder: Path, seeds: list[int]) -> list[dict[str, np.ndarray]]:
    """The kept files of these ears."""
    found = []
    for seed in seeds:
        path = folder / f"ear_{seed:05d}.npz"
        if path.is_file():
            with np.load(path) as data:
                found.append({name: data[name] for name in data.files})
    return found


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
