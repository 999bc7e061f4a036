"""Clearance, probability, verdict and access of drill plans on random ears, against the truth of their shapes.

Run: ``python tests/bench/campaign_drilling.py --ears 24 --first 1001 --out DIR``. One file an ear is kept in DIR, and
its scan, so a second call goes on; ``--table`` only prints. An ear is scanned in a block (0.3 mm pixel, 0.4 mm slice,
60 HU of noise, every other one sharp); landmarks are clicked 0.3 mm off per axis, facial canal and chorda traced from
six such clicks, patches and balls marked with the error that the settings state. The plan sees nothing but these.

A simulated hand starts where the plan says, off by its placement, skid and tilt as the settings state them, on the
true bone, and drills to the true exit and the stated over-travel past it ("true exit"), or stops when it is as deep
as the sheet says ("sheet"). What it leaves to the true structure is read from the shapes.

exact: clearance of random bores to the true structures beside a search in steps over their shapes. traced: clearance
of planned paths to the traced and to the true tube. P: predicted probability of less than the margin beside how often
hands left less. clear: every "margin kept" of a structure at an accepted risk of 1 in 1000 beside hands that broke the
margin. reach: the access test, for random cells and one of five instruments each, beside a dense search over poses in
a field of distances to true bone, and how deep the called poses lie in true bone.

Every interval is 95 %, from drawing whole ears with replacement, but for the clear calls (Clopper-Pearson).
"""

from __future__ import annotations

import argparse
import time
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from blocks import clicked_landmarks, scanned_block, with_interval
from ctmeasure_samples.model import build_ear
from ctmeasure_samples.parameters import HeadParameters, ScannerParameters, random_ear
from ctmeasure_samples.placement import place_ear
from ctmeasure_samples.scanner import make_grid
from ctmeasure_samples.truth import EarTruth
from drilling_truth import brute_gap, marked, simulated_hands, true_obstacles
from reach_truth import INSTRUMENTS, reach_rows

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.drilling.exits import MapGrid
from ctmeasure.planning.drilling.places import Places, measure_places
from ctmeasure.planning.drilling.risk import structure_risks
from ctmeasure.planning.drilling.scene import Scene, build_scene
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.quality import assess_fitness
from ctmeasure.volume.volume import Volume

BLOCK_MM = (30.0, 30.0, 28.0)
"""Slices, rows, columns of the block that is rendered: the canal from the rim outwards, and the nerve behind it."""
CLICK_NOISE_MM = 0.3
CLICKED = ("canal_medial", "canal_lateral", "annulus", "lateral_semicircular_canal", "second_genu")
STRICT = Settings(
    map_angle_step_deg=8.0, map_rim_step_mm=0.5, draws_maximum=20_000, risk_facial=0.001, risk_chorda=0.001,
    risk_dura_joint_vein=0.001, risk_other=0.001,
)  # fmt: skip
"""Every structure at an accepted risk of 1 in 1000."""
BINS = np.array([0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.97, 0.99])
PAIRS_A_BIN, HANDS, RANDOM_BORES, REACH_CELLS, CLEAR_CALLS = 10, 12, 8, 42, 200
RESAMPLES = 1000
BORDER_MM = 0.1
"""Poses that fit or fail by less are the border: the field of true bone is read to half of that."""
DEEPER_MM = 0.5
"""A true exit that lies this much deeper than the plan read it."""
TRUE_NAMES = (
    "facial_nerve", "chorda_tympani", "tegmen", "joint_fossa", "sigmoid_sinus", "jugular_bulb", "carotid_canal",
    "lateral_semicircular_canal", "ossicle_remnant", "footplate", "old_prosthesis",
)  # fmt: skip


def truth_of(seed: int) -> EarTruth:
    """A random ear, by turns left and right."""
    head, side = HeadParameters(), "left" if seed % 4 < 2 else "right"
    return EarTruth(build_ear(random_ear(seed), head), place_ear(head, side))  # type: ignore[arg-type]


def scan_block(truth: EarTruth, seed: int, out: Path) -> Volume:
    """The scan of the block, rendered once and kept."""
    sharp = seed % 2 == 1
    scanner = ScannerParameters(
        spacing_mm=(0.4, 0.3, 0.3), fwhm_in_plane_mm=0.45, fwhm_through_plane_mm=0.55, noise_hu=60.0,
        overshoot=0.3 if sharp else 0.0, noise_fwhm_mm=0.39 if sharp else 0.54, seed=seed,
    )  # fmt: skip
    medial, lateral = (truth.landmarks[name].points[0] for name in ("canal_medial", "canal_lateral"))
    axis = (lateral - medial) / np.linalg.norm(lateral - medial)
    grid = make_grid(medial + 2.5 * axis, BLOCK_MM, spacing_mm=scanner.spacing_mm)
    kept = out / f"scan_{seed:05d}.npy"
    return scanned_block(truth, grid, scanner, kept=kept)


def plan_scene(truth: EarTruth, seed: int, out: Path) -> Scene:
    """What the plan sees of an ear."""
    volume = scan_block(truth, seed, out)
    rng = np.random.default_rng([20257, seed])
    landmarks = clicked_landmarks(truth, CLICKED, noise_mm=CLICK_NOISE_MM, rng=rng)
    canal = canal_frame(landmarks, truth.side)  # type: ignore[arg-type]
    fitness = assess_fitness(volume)
    structures = marked(truth, volume, fitness, settings=STRICT, click_noise_mm=CLICK_NOISE_MM, rng=rng)
    return build_scene(
        volume, canal, rim=rim_curve(landmarks, canal), fitness=fitness, landmarks=landmarks, structures=structures,
        facts=CaseFacts(side=truth.side), settings=STRICT, seed=seed,  # type: ignore[arg-type]
    )  # fmt: skip


def map_places(scene: Scene) -> Places:
    """All cells of the map that have a wall."""
    wall = scene.wall
    angle, rim = (a.ravel() for a in np.meshgrid(wall.wall_angles_deg, wall.rim_distances_mm, indexing="ij"))
    points, normals = wall.points_lps.reshape(-1, 3), wall.normals_lps.reshape(-1, 3)
    rows = np.flatnonzero(np.isfinite(points).all(axis=1) & np.isfinite(normals).all(axis=1))
    return measure_places(
        scene, points[rows], normal_lps=normals[rows], wall_angle_deg=angle[rows], rim_distance_mm=rim[rows],
        depth_mm=wall.depth_mm.ravel()[rows], surface_u_mm=wall.u_mm.ravel()[rows], direction_lps=None,
        grid=MapGrid(rows, wall),
    )  # fmt: skip


def measure(seed: int, out: Path) -> dict[str, np.ndarray]:
    """Everything of one ear."""
    truth = truth_of(seed)
    scene = plan_scene(truth, seed, out)
    cpu = time.process_time()
    places = map_places(scene)
    rng = np.random.default_rng([20258, seed])
    true = true_obstacles(truth, scene)
    columns: dict[str, list] = {name: [] for name in ("exact", "traced", "pairs", "clear")}
    bur = scene.settings.bur_radius_mm
    known = np.flatnonzero(places.ends)
    for name, obstacle in true.items():
        rows = rng.choice(known, min(RANDOM_BORES, len(known)), replace=False)
        p, q = places.bores.entry[rows], places.bores.ends[rows]
        found = obstacle.gap_mm(p, q, bur_radius_mm=bur)
        columns["exact"] += [brute_gap(p[i], q[i], truth.structures[name], bur) - found[i] for i in range(len(rows))]
    calls, candidates = [], []
    for risk in structure_risks(scene, places, missing=np.zeros(len(places), bool), maximum=STRICT.draws_maximum):
        if risk.obstacle.id not in true or not risk.obstacle.measured:
            continue
        mine, theirs = risk.obstacle, true[risk.obstacle.id]
        p, q = places.bores.entry[known], places.bores.ends[known]
        inside = known[~mine.at_edge(p, q)]
        if mine.id in ("facial_nerve", "chorda_tympani"):
            near = inside[risk.central_mm[inside] < 4.0]
            p, q = places.bores.entry[near], places.bores.ends[near]
            off = mine.gap_mm(p, q, bur_radius_mm=bur) - theirs.gap_mm(p, q, bur_radius_mm=bur)
            columns["traced"] += [(float(mine.id == "facial_nerve"), x) for x in off]
        candidates += [(risk, int(row), theirs) for row in inside if risk.draws[row] >= 250]
        calls += [(risk, int(row), theirs) for row in inside if risk.verdicts[row] == "clear"]
    order = list(TRUE_NAMES)
    _pairs(columns["pairs"], candidates, places, truth, scene, rng, order)
    _clear(columns["clear"], calls, places, truth, scene, rng, order)
    columns["reach"] = _reach(scene, truth, rng)  # type: ignore[assignment]
    result = {name: np.array(rows, dtype=np.float64) for name, rows in columns.items()}
    return result | {"seconds": np.array([time.process_time() - cpu])}


def _pairs(rows: list, candidates: list, places, truth, scene, rng, order) -> None:  # type: ignore[no-untyped-def]
    """Predicted P of less than the margin beside the share of simulated hands that left less, over the bins of P."""
    p = np.array([risk.p_below[row] for risk, row, _ in candidates])
    for low, high in pairwise(BINS):
        for n in rng.permutation(np.flatnonzero((p >= low) & (p < high)))[:PAIRS_A_BIN]:
            risk, row, theirs = candidates[n]
            found = simulated_hands(truth, scene, places, row, theirs, HANDS, rng)
            found = found[np.isfinite(found[:, 0])]
            if len(found) >= HANDS // 2:
                seen = (found[:, :2] < risk.margin_mm[row]).mean(axis=0)
                which = order.index(risk.obstacle.id) if risk.obstacle.id in order else -1
                rows.append((_exact_p(scene, places, risk, row), *seen, len(found), np.median(found[:, 2]), which))


def _exact_p(scene: Scene, places: Places, risk, row: int) -> float:  # type: ignore[no-untyped-def]
    """P of less than the margin on 4,000 draws, so that the noise of few draws does not flatten the slope."""
    bores = places.bores.take(np.array([row]))
    gaps = [
        scene.doubts.gaps(bores, risk.obstacle, b, bur_radius_mm=scene.settings.bur_radius_mm)[0] for b in range(20, 24)
    ]
    return float(np.mean(np.concatenate(gaps) < risk.margin_mm[row]))


def _clear(rows: list, calls: list, places, truth, scene, rng, order) -> None:  # type: ignore[no-untyped-def]
    """Simulated hands for structures and cells called clear: as many that needed draws as that a bound settled."""
    drawn = np.array([risk.draws[row] > 0 for risk, row, _ in calls], dtype=bool)
    for kind in (False, True):
        for n in rng.permutation(np.flatnonzero(drawn == kind))[:CLEAR_CALLS]:
            risk, row, theirs = calls[n]
            found = simulated_hands(truth, scene, places, row, theirs, 1, rng)[0]
            if np.isfinite(found[0]):
                which = order.index(risk.obstacle.id) if risk.obstacle.id in order else -1
                rows.append((float(kind), *(found[:2] < risk.margin_mm[row]), found[2], which))


def _reach(scene: Scene, truth: EarTruth, rng) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Random cells of the map with one of several instruments each, called beside a search in true bone."""
    there = np.isfinite(scene.wall.points_lps).all(axis=-1) & np.isfinite(scene.wall.normals_lps).all(axis=-1)
    cells = rng.permutation(np.flatnonzero(there.ravel()))[:REACH_CELLS]
    return reach_rows(truth, scene, cells, rng)


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--ears", type=int, default=24)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--table", action="store_true")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    seeds = range(args.first, args.first + args.ears)
    for seed in () if args.table else seeds:
        file = args.out / f"ear_{seed:05d}.npz"
        if file.exists():
            continue
        try:
            np.savez(file, **measure(seed, args.out))
        except CtmeasureError as error:
            print(f"ear {seed}: {error}", flush=True)
    table([dict(np.load(f)) for s in seeds if (f := args.out / f"ear_{s:05d}.npz").exists()])


def by_ear(ears: list, number) -> str:  # type: ignore[no-untyped-def]
    """A number of all ears with its interval from drawing whole ears."""
    value, low, high = with_interval(ears, number, draws=RESAMPLES, seed=0)
    return f"{value:+.3f} ({low:+.3f} to {high:+.3f})"


def slope(ears: list, column: int = 1) -> float:
    """Weighted slope of the observed frequency on the predicted probability."""
    pairs = np.concatenate([e["pairs"] for e in ears if len(e["pairs"])])
    p, seen, hands = pairs[:, 0], pairs[:, column], pairs[:, 3]
    w = hands / hands.sum()
    x, y = p - w @ p, seen - w @ seen
    return float((w * x) @ y / ((w * x) @ x))


def table(ears: list) -> None:
    """Print what was collected."""
    from ctmeasure.planning.drilling.probability import clopper_pearson_arrays

    off = np.concatenate([e["exact"] for e in ears])
    print(f"{len(ears)} ears, {sum(float(e['seconds'][0]) for e in ears) / len(ears):.1f} s CPU an ear")
    print(f"exact inputs: {len(off)} bores, largest error {np.abs(off).max():.4f} mm")
    for nerve, words in ((1.0, "facial canal"), (0.0, "chorda")):
        parts = [e["traced"][e["traced"][:, 0] == nerve, 1] for e in ears if len(e["traced"])]
        parts = [part for part in parts if len(part)]
        if parts:
            bias = by_ear(parts, lambda some: float(np.mean(np.concatenate(some))))
            rms = by_ear(parts, lambda some: float(np.sqrt(np.mean(np.concatenate(some) ** 2))))
            bores = sum(map(len, parts))
            print(f"traced {words}: {bores} bores under 4 mm in {len(parts)} ears, bias {bias}, rms {rms}")
    pairs = np.concatenate([e["pairs"] for e in ears if len(e["pairs"])])
    for column, words in ((1, "true exit"), (2, "sheet")):
        found = by_ear(ears, partial(slope, column=column))
        print(f"P, {words}: {len(pairs)} ear-site pairs, {int(pairs[:, 3].sum())} hands, slope {found}")
        for low, high in pairwise(BINS):
            inside = [e["pairs"][(e["pairs"][:, 0] >= low) & (e["pairs"][:, 0] < high)] for e in ears]
            inside = [part for part in inside if len(part)]
            if inside:
                seen = by_ear(inside, partial(_mean, column=column))
                print(f"  P {low:.2f}-{high:.2f}: {sum(map(len, inside)):4d} pairs, predicted "
                      f"{np.concatenate(inside)[:, 0].mean():.3f}, observed {seen}")  # fmt: skip
    clear = np.concatenate([e["clear"] for e in ears if len(e["clear"])])
    as_deep = clear[:, 3] <= DEEPER_MM
    for column, hand in ((1, "true exit"), (2, "sheet")):
        for words, mask in (
            ("all", clear[:, 0] >= 0), ("needed draws", clear[:, 0] == 1),
            (f"true exit not over {DEEPER_MM} mm deeper than planned", as_deep),
        ):  # fmt: skip
            k, n = int(clear[mask, column].sum()), int(mask.sum())
            low, high = clopper_pearson_arrays(np.array([k]), n)
            print(f"clear, {hand} ({words}): {n} hands, {k} broke the margin: {1e3 * k / max(n, 1):.2f} in 1000 "
                  f"({1e3 * low[0]:.2f} to {1e3 * high[0]:.2f})")  # fmt: skip
    for which, name in enumerate(TRUE_NAMES):
        mine = clear[clear[:, 4] == which]
        if mine[:, 1].any():
            print(f"  broken: {name} {int(mine[:, 1].sum())} (sheet {int(mine[:, 2].sum())}) of {len(mine)}")
    reach_table([e["reach"] for e in ears])


def _agreement(ears: list) -> float:
    reach = np.concatenate(ears)
    return float(np.mean((reach[:, 0] == 1) == (reach[:, 1] >= 0)))


def reach_table(ears: list) -> None:
    """Access called beside access found, instrument by instrument, and where called poses lie in true bone."""
    reach = np.concatenate(ears)
    for number, changes in [(-1, None), *enumerate(INSTRUMENTS)]:
        mine = [e[np.isfinite(e[:, 0]) & ((e[:, 3] == number) | (number < 0))] for e in ears]
        mine = [part for part in mine if len(part)]
        if not mine:
            continue
        all_of = np.concatenate(mine)
        agree = by_ear(
            mine, lambda some: float(np.mean(np.concatenate([(e[:, 0] == 1) == (e[:, 1] >= 0) for e in some])))
        )
        words = "all" if number < 0 else f"instrument {changes or 'as set'}"
        called, fits = all_of[:, 0] == 1, all_of[:, 1]
        print(f"reach, {words}: {len(all_of)} cells, {int((fits >= 0).sum())} reachable; agreement {agree}; called "
              f"reachable without {BORDER_MM:g} mm of room by any pose {int((called & (fits < -BORDER_MM)).sum())}, "
              f"unreachable with more than that {int((~called & (fits > BORDER_MM)).sum())}")  # fmt: skip
    deep = -reach[np.isfinite(reach[:, 2]), 2]
    unknown, over = int(np.isnan(reach[:, 0]).sum()), int((deep > BORDER_MM).sum())
    print(f"reach: not assessed {unknown} of {len(reach)}; {len(deep)} called poses, deepest in true bone "
          f"{deep.max(initial=0.0):.2f} mm, over {BORDER_MM:g} mm in {over}")  # fmt: skip


def _mean(parts: list, column: int) -> float:
    return float(np.average(np.concatenate(parts)[:, column]))


if __name__ == "__main__":
    main()
