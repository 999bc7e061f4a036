"""Canal wall, thickness, far side, clearance and speed on synthetic ears, against the truth of their shapes.

Run: ``python tests/bench/bench_drilling.py [--ears N] [--first SEED] [--sharp] [--exact-spread]``. Prints tables; not a
timed test. Landmarks are the true ones moved by 0.3 mm of noise per axis unless ``--exact-marks`` is given.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import replace

import numpy as np
from ctmeasure_samples.model import build_ear
from ctmeasure_samples.parameters import HeadParameters, ScannerParameters, healthy_ear, random_ear
from ctmeasure_samples.placement import place_ear
from ctmeasure_samples.scanner import make_grid, scan
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.imaging.wall_path import STATES
from ctmeasure.planning.drilling.plan import DrillInput, plan_drilling
from ctmeasure.planning.drilling.scene import Scene, build_scene
from ctmeasure.planning.drilling.zone import Zone, map_zone
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.quality import assess_fitness
from ctmeasure.volume.volume import ScanSource, Volume

CUBE_MM = 30.0
CLICK_NOISE_MM = 0.3
NARROW_MM = 0.3


def make_case(seed: int, args: argparse.Namespace) -> tuple[DrillInput, EarTruth]:
    """One ear: scan of a block around its canal, landmarks with click noise, structures as they are."""
    parameters = healthy_ear(seed) if args.healthy else random_ear(seed)
    side = "left" if seed % 2 else "right"
    head = HeadParameters()
    truth = EarTruth(build_ear(parameters, head), place_ear(head, side))
    scanner = ScannerParameters(seed=seed, overshoot=0.15 if args.sharp else 0.0, noise_hu=args.noise)
    middle = truth.placement.to_lps(np.zeros(3))
    marks = truth.landmarks
    centre = marks["canal_medial"].points[0] if "canal_medial" in marks else middle
    lateral = marks["canal_lateral"].points[0]
    grid = make_grid(centre + 0.6 * (lateral - centre), (CUBE_MM,) * 3, spacing_mm=scanner.spacing_mm)
    values = scan([(truth.ear, truth.placement)], grid, scanner)
    source = ScanSource(spacing_mm=scanner.spacing_mm)
    volume = Volume(Geometry(grid.shape_kji, grid.affine_lps, "1.2.3"), values, source)
    rng = np.random.default_rng(seed)
    noise = 0.0 if args.exact_marks else CLICK_NOISE_MM
    items = []
    for name, mark in marks.items():
        if name in ("canal_medial", "canal_lateral", "annulus", "second_genu", "lateral_semicircular_canal") and len(
            mark.points
        ):
            moved = mark.points + noise * rng.standard_normal(mark.points.shape)
            items.append(
                Landmark(name, "placed", tuple(Placement(tuple(map(float, p)), i) for i, p in enumerate(moved)))
            )
    landmarks = LandmarkSet(items)
    canal = canal_frame(landmarks, side)
    fitness = assess_fitness(volume)
    if args.exact_spread:
        fitness = replace(
            fitness,
            point_spread_in_plane_mm=scanner.fwhm_in_plane_mm,
            point_spread_through_plane_mm=scanner.fwhm_through_plane_mm,
            point_spread_in_plane_u_mm=0.01,
            point_spread_through_plane_u_mm=0.01,
        )
    given = DrillInput(
        volume, canal, rim_curve(landmarks, canal), landmarks, fitness, marked(truth), CaseFacts(side=side),
        Settings(), (), seed,
    )  # fmt: skip
    return given, truth


def marked(truth: EarTruth) -> tuple[Structure, ...]:
    """The true structures as a person would have marked and confirmed them."""
    found: list[Structure] = []
    for name, item in truth.structures.items():
        points = tuple(tuple(map(float, p)) for p in item.points)
        if item.status != "placed" or not points:
            if item.status == "absent":
                found.append(Patch(name, "absent", ()))
        elif item.shape == "tube":
            found.append(Tube(name, "placed", points, None, "bench", tuple(map(float, item.radii))))
        elif item.shape == "patch":
            found.append(Patch(name, "placed", points, None, "bench"))
        else:
            found.append(Ball(name, "placed", points, None, "bench", float(np.ravel(item.radii)[0])))
    return tuple(found)


def surface_error(truth: EarTruth, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Signed distance along the normal from found surface points to the true bone surface; NaN when none is near."""
    at = truth.placement.from_lps(points)
    along = truth.placement.directions_from_lps(normals)
    errors = np.full(len(points), np.nan)
    for n, (p, d) in enumerate(zip(at, along, strict=True)):
        runs = truth.ear.runs(p - 1.5 * d, d, 3.5)
        before = None
        for element, begin, _ in runs:
            bone = element is not None and element.is_bone
            if bone and before is False and not (abs(begin - 1.5) >= abs(errors[n])):
                errors[n] = 1.5 - begin
            before = bone
    return errors


def to_first_gap(truth: EarTruth, points: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """True bone to the first gap of `NARROW_MM` or more (narrower grazed cells are below any resolution)."""
    at, along = truth.placement.from_lps(points), truth.placement.directions_from_lps(directions)
    found = np.full(len(points), np.inf)
    for n, (p, d) in enumerate(zip(at, along, strict=True)):
        runs = [
            (e is not None and e.is_bone, begin - 0.6, end - 0.6)
            for e, begin, end in truth.ear.runs(p - 0.6 * d, d, 14.0)
        ]
        begins = next((b for bone, b, _ in runs if bone), None)
        if begins is None or begins > 0.5:
            found[n] = np.nan
            continue
        gap_from, bone_seen = 0.0, False
        for bone, _, end in runs:
            if bone:
                gap_from, bone_seen = end, True
            elif bone_seen and end - gap_from >= NARROW_MM:
                found[n] = gap_from - begins
                break
    return found


def wall_rows(scene: Scene, zone: Zone, truth: EarTruth, rows: list) -> None:
    """Collect per-cell errors of one ear: surface, thickness, exit, far side."""
    places = zone.places
    assert places is not None
    error = surface_error(truth, places.entry_lps, places.normal_lps)
    readings = truth.wall_thickness_along(places.entry_lps, places.direction_lps)
    first = to_first_gap(truth, places.entry_lps, places.direction_lps)
    status = scene.wall.status.ravel()[zone.rows]
    for n, reading in enumerate(readings):
        paths = places.paths
        rows.append(
            (
                scene.seed, places.wall_angle_deg[n], places.rim_distance_mm[n], status[n], error[n],
                paths.to_first_gap_mm[n], paths.to_first_gap_u_mm[n], first[n], paths.to_exit_mm[n],
                paths.to_exit_u_mm[n], reading.to_exit_mm, str(places.far_side[n]), reading.far_side,
                STATES[int(places.state[n])], places.angle_to_normal_deg[n],
            )
        )  # fmt: skip


def print_tables(rows: list) -> None:
    """Print what was collected."""
    rim, status, err = (np.array([r[k] for r in rows]) for k in (2, 3, 4))
    for words, mask in (
        ("air-lined, rim > 1 mm", (status == "measured") & (rim > 1.0)),
        ("air-lined, rim <= 1 mm", (status == "measured") & (rim <= 1.0)),
        ("under soft tissue", status == "soft tissue"),
        ("bridged", status == "gap"),
    ):
        e = err[mask]
        known = e[np.isfinite(e)]
        if len(known):
            print(
                f"surface {words:24s} cells {len(e):6d}  no bone near {np.mean(~np.isfinite(e)):.3f}  bias "
                f"{known.mean():+.3f}  median {np.median(known):+.3f}  95 % under {np.quantile(abs(known), 0.95):.3f}"
            )
    t, u, true = (np.array([r[k] for r in rows], dtype=float) for k in (5, 6, 7))
    psi = np.array([r[14] for r in rows])
    normal_true = true * np.cos(np.radians(psi))
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 6.0), (6.0, 12.0)):
        mask = (normal_true >= low) & (normal_true < high) & np.isfinite(err) & (np.abs(err) < 0.5)
        e = t[mask] - true[mask]
        given = np.isfinite(e)
        if given.any():
            x = e[given]
            hit = np.mean(np.abs(x) < 1.96 * u[mask][given])
            print(
                f"thickness {low:.1f}-{high:.1f} mm cells {mask.sum():6d} given {given.mean():.2f} "
                f"bias {x.mean():+.3f} median {np.median(x):+.3f} rms {np.sqrt(np.mean(x**2)):.3f} "
                f"within 0.1 mm {np.mean(abs(x) < 0.1):.2f}, 0.3 mm {np.mean(abs(x) < 0.3):.2f} "
                f"u {np.median(u[mask][given]):.3f} holds {hit:.2f}"
            )
    e = np.array([r[8] - r[10] for r in rows], dtype=float)
    finite = np.isfinite(e)
    print(f"exit: given where true one exists {np.mean(finite[np.isfinite([r[10] for r in rows])]):.3f}, median "
          f"{np.median(e[finite]):+.3f}, within 0.5 mm {np.mean(abs(e[finite]) < 0.5):.3f}")  # fmt: skip
    print("states", Counter(r[13] for r in rows))
    print("far side, true -> named:")
    for (true_side, named), count in Counter((r[12], r[11]) for r in rows).most_common(40):
        print(f"  {true_side:24s} -> {named:28s} {count}")


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--ears", type=int, default=4)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--noise", type=float, default=60.0)
    for flag in ("--sharp", "--exact-spread", "--exact-marks", "--healthy", "--plan"):
        parser.add_argument(flag, action="store_true")
    args = parser.parse_args()
    rows: list = []
    for seed in range(args.first, args.first + args.ears):
        begin = time.perf_counter()
        given, truth = make_case(seed, args)
        made = time.perf_counter() - begin
        begin, cpu = time.perf_counter(), time.process_time()
        scene = build_scene(
            given.volume, given.canal, rim=given.rim, fitness=given.fitness, landmarks=given.landmarks,
            structures=given.structures, facts=given.facts, settings=given.settings, seed=given.seed,
        )  # fmt: skip
        wall, wall_cpu = time.perf_counter() - begin, time.process_time() - cpu
        begin, cpu = time.perf_counter(), time.process_time()
        zone = map_zone(scene)
        mapped, mapped_cpu = time.perf_counter() - begin, time.process_time() - cpu
        wall_rows(scene, zone, truth, rows)
        spread = scene.wall.surface.spread
        print(
            f"ear {seed} {given.canal.side}: made {made:.1f} s; wall {wall:.2f} s (CPU {wall_cpu:.2f}), "
            f"map {mapped:.2f} s (CPU "
            f"{mapped_cpu:.2f}); spread {spread.in_plane_mm:.2f} x {spread.through_plane_mm:.2f}, bone "
            f"{scene.wall.surface.levels.bone:.0f} (true {truth.ear.parameters.cortical_hu:.0f}), cells with wall "
            f"{len(zone.rows)} of {len(zone.cells)}, {dict(Counter(c.verdict for c in zone.cells))}",
            flush=True,
        )
        if args.plan:
            begin = time.perf_counter()
            out = plan_drilling(given)
            print(f"  plan {time.perf_counter() - begin:.2f} s; {len(out.pairs)} pairs; {out.pairs_reason}")
            for line in (*out.warnings, *out.not_assessed):
                print("   ", line)
    print_tables(rows)


if __name__ == "__main__":
    main()
