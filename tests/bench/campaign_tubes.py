"""Facial canal and chorda traced in synthetic ears: how far off, how wide off, how well their intervals hold.

    python tests/bench/campaign_tubes.py --ears 20 --seed 0
    python tests/bench/campaign_tubes.py --ears 20 --coarse        slices of 0.6 mm
    python tests/bench/campaign_tubes.py --ears 20 --cone-beam     uncalibrated grey values, 0.2 mm voxels
    python tests/bench/campaign_tubes.py --ears 20 --stray         one click of four 1 to 4 mm off

Each ear is drawn, scanned in a block around its canal (0.3 mm pixel, 0.4 mm slice, point spread 0.45 mm in plane and
0.55 mm through, correlated noise of 60 HU, every other ear with a sharp kernel) and traced from two to six clicks that
are off by 0.3 mm per axis (number and offsets drawn per ear). Truth comes from the shapes. One line per ear goes to a
file as soon as it is done; started again, the campaign goes on where it stopped (another file, or none, starts afresh).
Intervals are 95 percent, by drawing whole ears with replacement, since samples of one ear share their errors.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from blocks import scanned_block, with_interval
from ctmeasure_samples.catalog import SampleCase, case_truths, random_case
from ctmeasure_samples.nerves import CHORDA_RADIUS_MM, chorda_bone_part, dehiscent_range
from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.scanner import make_grid
from ctmeasure_samples.truth import EarTruth

from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.tubes.trace import trace_tube
from ctmeasure.volume.quality import ScanFitness, assess_fitness
from ctmeasure.volume.volume import Volume

MARGIN_MM = 9.0
CLICK_NOISE_MM = 0.3
SHORTCUT_MM = 1.0
"""A place of the true canal farther than this from the traced line was cut off."""
FROM_FACIAL_MM = 1.35
"""The chorda is looked at from where a wall separates it from the facial canal."""
STRAY_WRONG_MM = 0.6
"""About the canal's radius: a traced line farther out than this runs outside the canal."""


def scanner_for(case: SampleCase, seed: int, kind: str) -> ScannerParameters:
    """The stated scanner; odd ears get a sharp kernel."""
    rng = np.random.default_rng([910, seed])
    sharp = bool(seed % 2)
    base = replace(
        case.scanner,
        spacing_mm=(0.4, 0.3, 0.3),
        fwhm_in_plane_mm=0.45,
        fwhm_through_plane_mm=0.55,
        noise_hu=60.0,
        overshoot=float(rng.uniform(0.3, 0.9)) if sharp else 0.0,
        noise_fwhm_mm=0.39 if sharp else 0.54,
        kernel="BONE-SHARP" if sharp else "BONE-SMOOTH",
        seed=seed,
    )
    if kind == "coarse":
        return replace(base, spacing_mm=(0.6, 0.3, 0.3), fwhm_through_plane_mm=0.75)
    if kind == "cone-beam":
        return replace(
            base,
            spacing_mm=(0.2, 0.2, 0.2),
            fwhm_in_plane_mm=0.32,
            fwhm_through_plane_mm=0.32,
            overshoot=0.0,
            noise_hu=70.0,
            noise_fwhm_mm=0.34,
            clip_hu=(-1100.0, 4200.0),
            gain=0.82,
            offset=930.0,
            kernel="CONE-BEAM",
        )
    return base


def scanned(
    case: SampleCase, truth: EarTruth, scanner: ScannerParameters, keep: Path | None
) -> tuple[Volume, ScanFitness]:
    """A block around the facial canal, scanned (or read, when an earlier run kept it)."""
    points = truth.structures["facial_nerve"].points
    low, high = points.min(axis=0) - MARGIN_MM, points.max(axis=0) + MARGIN_MM
    grid = make_grid((low + high) / 2.0, (high - low)[::-1], spacing_mm=scanner.spacing_mm)
    kept = keep / f"{case.name}.npy" if keep is not None else None
    volume = scanned_block(truth, grid, scanner, kept=kept)
    return volume, assess_fitness(volume)


def true_line(truth: EarTruth, which: str) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Vertices, radii and whether the wall is open there; None when the ear has no such tube."""
    layout = truth.ear.layout
    facial = truth.placement.to_lps(layout.facial_path)
    if which == "facial_nerve":
        first, last = dehiscent_range(layout)
        number = np.arange(len(facial))
        return facial, layout.facial_radii, (number >= first) & (number <= last) & (last > first)
    if truth.structures["chorda_tympani"].status != "placed":
        return None
    chorda = truth.placement.to_lps(chorda_bone_part(layout))
    far = np.linalg.norm(chorda[:, None] - facial[None], axis=2).min(axis=1) > FROM_FACIAL_MM
    chorda = chorda[far]
    # Air cells reach into the chorda's course; nothing bony is seen there.
    return chorda, np.full(len(chorda), CHORDA_RADIUS_MM), _in_air(truth, chorda)


def _in_air(truth: EarTruth, chorda: np.ndarray) -> np.ndarray:
    tangent = np.gradient(chorda, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    first = np.cross(tangent, [0.31, 0.52, 0.80])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(tangent, first)
    turn = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = np.cos(turn)[None, :, None] * first[:, None] + np.sin(turn)[None, :, None] * second[:, None]
    spaces = truth.ear.at(truth.placement.from_lps((chorda[:, None] + (CHORDA_RADIUS_MM + 0.1) * ring).reshape(-1, 3)))
    bony = np.array([e is not None and e.is_bone for e in spaces]).reshape(len(chorda), -1)
    return bony.mean(axis=1) < 0.8


def densely(points: np.ndarray, values: np.ndarray, parts: int = 25) -> tuple[np.ndarray, np.ndarray]:
    """Places on the segments between vertices, and values there."""
    at = np.linspace(0.0, len(points) - 1.0, (len(points) - 1) * parts + 1)
    number = np.arange(len(points))
    return np.stack([np.interp(at, number, points[:, a]) for a in range(3)], axis=1), np.interp(at, number, values)


def trace_one(volume: Volume, fitness: ScanFitness, truth: EarTruth, which: str, seed: int) -> dict[str, Any] | None:
    """Trace one tube of one ear and compare it with its shape."""
    from scipy.spatial import cKDTree

    line = true_line(truth, which)
    if line is None or len(line[0]) < 8:
        return None
    points, radii, open_wall = line
    rng = np.random.default_rng([1, seed])
    count = int(rng.integers(2, 7))
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = min(count, max(2, int(arc[-1] / 2.5)))
    places = np.linspace(0.5, arc[-1] - (1.5 if which == "facial_nerve" else 0.6), count)
    clicks = np.stack([np.interp(places, arc, points[:, a]) for a in range(3)], axis=1)
    clicks = clicks + rng.normal(0.0, CLICK_NOISE_MM, clicks.shape)
    began, cpu = time.perf_counter(), time.process_time()
    try:
        tube = trace_tube(volume, clicks, structure_id=which, side=truth.side, fitness=fitness, confirmed=True)
    except CtmeasureError as error:
        return {"which": which, "clicks": count, "refused": str(error)}
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    dense, true_radius = densely(points, radii)
    _, opened = densely(points, open_wall.astype(np.float64))
    distance, index = cKDTree(dense).query(tube.points_lps)
    inner = (index > 0) & (index < len(dense) - 1)
    off = tube.points_lps - dense[index]
    tangent = np.gradient(tube.points_lps, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    first = np.cross(tangent, [0.31, 0.52, 0.80])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    scores = [
        (off * axis).sum(axis=1) / np.sqrt(np.einsum("ni,nij,nj->n", axis, tube.covariance, axis))
        for axis in (first, np.cross(tangent, first))
    ]
    span = (arc >= places[0] + 0.8) & (arc <= places[-1] - 0.8)
    missed = cKDTree(tube.points_lps).query(points[span])[0] if span.any() else np.zeros(1)
    return {
        "which": which,
        "clicks": count,
        "distance": np.round(distance[inner], 4).tolist(),
        "radius_error": np.round((tube.radius_mm - true_radius[index])[inner], 4).tolist(),
        "open": (opened[index] > 0.0)[inner].astype(int).tolist(),
        "found_open": (tube.marks.open_wall | tube.marks.no_wall)[inner].astype(int).tolist(),
        "doubtful": tube.marks.doubtful[inner].astype(int).tolist(),
        "centre_score": np.round(np.stack(scores, axis=1)[inner], 3).tolist(),
        "radius_score": np.round(((tube.radius_mm - true_radius[index]) / tube.radius_u_mm)[inner], 3).tolist(),
        "missed": float(missed.max()),
        "seconds": seconds,
        "cpu": cpu,
        "genua": [round(g.angle_deg, 1) for g in tube.genua],
        "true_genu": truth.ear.parameters.second_genu_deg,
        "parts": [[p.part, round(p.length_mm, 2)] for p in tube.segments],
        "flags": list(tube.flags),
    }


def one_ear(seed: int, kind: str, keep: Path | None) -> list[dict[str, Any]]:
    """All rows of one ear."""
    case = random_case(seed)
    truth = case_truths(case)[case.side]
    scanner = scanner_for(case, seed, kind)
    volume, fitness = scanned(case, truth, scanner, keep)
    rows = []
    for which in ("facial_nerve", "chorda_tympani"):
        row = trace_one(volume, fitness, truth, which, seed)
        if row is not None:
            rows.append({"seed": seed, "side": case.side, "sharp": scanner.overshoot > 0.0, **row})
    return rows


def stray_clicks(seed: int, kind: str, keep: Path | None, tries: int = 6) -> dict[str, int]:
    """Facial canals traced with one of four clicks far off: how often that ends in a wrong line, said or silent."""
    from scipy.spatial import cKDTree

    case = random_case(seed)
    truth = case_truths(case)[case.side]
    volume, fitness = scanned(case, truth, scanner_for(case, seed, kind), keep)
    points = truth.placement.to_lps(truth.ear.layout.facial_path)
    tree = cKDTree(densely(points, truth.ear.layout.facial_radii)[0])
    rng = np.random.default_rng([3, seed])
    counts = {"tried": 0, "refused": 0, "wrong and flagged": 0, "wrong and silent": 0}
    for _ in range(tries):
        at = np.sort(rng.choice(np.arange(2, len(points) - 3), 4, replace=False))
        clicks = points[at] + rng.normal(0.0, CLICK_NOISE_MM, (4, 3))
        way = rng.normal(size=3)
        clicks[rng.integers(4)] += way / np.linalg.norm(way) * rng.uniform(1.0, 4.0)
        counts["tried"] += 1
        try:
            tube = trace_tube(volume, clicks, side=truth.side, fitness=fitness, confirmed=True)
        except CtmeasureError:
            counts["refused"] += 1
            continue
        if (tree.query(tube.points_lps)[0] > STRAY_WRONG_MM).any():
            counts["wrong and flagged" if tube.flags else "wrong and silent"] += 1
    return counts


def _pool(rows: list[dict[str, Any]], key: str, *, walled: bool | None = None, clean: bool = False) -> np.ndarray:
    parts = []
    for row in rows:
        values = np.asarray(row[key], dtype=np.float64)
        keep = np.ones(len(values), np.bool_)
        if walled is not None:
            keep &= np.asarray(row["open"], dtype=np.bool_) != walled
        if clean:
            keep &= ~np.asarray(row["doubtful"], dtype=np.bool_)
        parts.append(values[keep].ravel())
    return np.concatenate(parts) if parts else np.zeros(0)


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else float("nan")


def report(rows: list[dict[str, Any]], which: str) -> None:
    """Print the table of one tube."""
    mine = [row for row in rows if row["which"] == which]
    done = [row for row in mine if "refused" not in row]
    print(f"\n{which}: {len(mine)} ears, {len(mine) - len(done)} refused")
    for row in mine:
        if "refused" in row:
            print(f"  ear {row['seed']} ({row['clicks']} clicks) refused: {row['refused']}")
    if not done:
        return
    table: list[tuple[str, Any, str]] = [
        ("centre line, mean (mm)", lambda r: _mean(_pool(r, "distance")), "< 0.10"),
        ("centre line, 95th percentile (mm)", lambda r: float(np.percentile(_pool(r, "distance"), 95)), "< 0.25"),
        ("worst place of the worst ear (mm)", lambda r: float(_pool(r, "distance").max()), "< 0.45"),
        ("mean over ears of the worst place (mm)", lambda r: _mean(np.array([max(x["distance"]) for x in r])), ""),
        ("radius, bias, walled (mm)", lambda r: _mean(_pool(r, "radius_error", walled=True)), "< 0.05"),
        ("radius, rms, walled (mm)", lambda r: _mean(_pool(r, "radius_error", walled=True) ** 2) ** 0.5, "< 0.10"),
        ("95 % of a centre's axis holds (walled)", lambda r: _holds(r, "centre_score"), "0.93-0.97"),
        ("95 % of a radius holds (walled)", lambda r: _holds(r, "radius_score"), "0.93-0.97"),
        ("centre line where the wall is open (mm)", lambda r: _mean(_pool(r, "distance", walled=False)), ""),
        ("open wall found", lambda r: _mean(_pool(r, "found_open", walled=False)), ""),
        ("closed wall called open", lambda r: _mean(_pool(r, "found_open", walled=True)), ""),
        ("centre line where nothing is flagged, 95th", lambda r: _clean95(r), ""),
        ("processor time (s)", lambda r: float(np.median([x["cpu"] for x in r])), "< 1 (two cores)"),
    ]
    print(f"{'quantity':44s} {'value':>8s}  {'95 % interval':18s} goal")
    for words, statistic, goal in table:
        value, low, high = with_interval(done, statistic)
        print(f"{words:44s} {value:8.3f}  {low:7.3f} to {high:7.3f} {goal}")
    cut = [row for row in done if row["missed"] > SHORTCUT_MM]
    print(
        f"shortcuts (true canal more than {SHORTCUT_MM:g} mm off the line): {len(cut)} {[row['seed'] for row in cut]}"
    )
    for count in range(2, 7):
        some = [row for row in done if row["clicks"] == count]
        if some:
            pooled = _pool(some, "distance")
            print(f"  {count} clicks: {len(some):3d} ears, mean {pooled.mean():.3f}, worst {pooled.max():.3f}")
    for words, kept in (("smooth kernels", False), ("sharp kernels", True)):
        some = [row for row in done if row["sharp"] is kept]
        if some:
            error = _pool(some, "radius_error", walled=True)
            pooled = _pool(some, "distance")
            print(f"  {words}: {len(some)} ears, mean {pooled.mean():.3f}, radius bias {error.mean():+.3f}")
    both = [row for row in done if len(row["genua"]) == 2]
    if which == "facial_nerve":
        off = np.array([row["genua"][1] - row["true_genu"] for row in both])
        print(
            f"  both genua named in {len(both)} of {len(done)}; second genu {off.mean():+.1f} deg (sd {off.std():.1f})"
        )


def _holds(rows: list[dict[str, Any]], key: str) -> float:
    scores = _pool(rows, key, walled=True)
    return _mean(np.abs(scores) < 1.96) if scores.size else float("nan")


def _clean95(rows: list[dict[str, Any]]) -> float:
    pooled = _pool(rows, "distance", clean=True)
    return float(np.percentile(pooled, 95)) if pooled.size else float("nan")


def main() -> None:
    """Run or resume, then print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--ears", type=int, default=8)
    parser.add_argument("--seed", type=int, default=0, help="first ear")
    parser.add_argument("--coarse", action="store_true")
    parser.add_argument("--cone-beam", action="store_true")
    parser.add_argument("--stray", action="store_true", help="one click far off instead of the table")
    parser.add_argument("--state", type=Path, help="file with one line per ear; default in the temporary folder")
    parser.add_argument("--keep", type=Path, help="folder that keeps the scans for another run")
    given = parser.parse_args()
    kind = "coarse" if given.coarse else "cone-beam" if given.cone_beam else "standard"
    keep = given.keep / kind if given.keep else None
    wanted = range(given.seed, given.seed + given.ears)
    if given.stray:
        total: dict[str, int] = {}
        for seed in wanted:
            for words, count in stray_clicks(seed, kind, keep).items():
                total[words] = total.get(words, 0) + count
        print(f"{kind} scans, {given.ears} ears, one click of four 1 to 4 mm off: {total}")
        return
    state = given.state or Path(tempfile.gettempdir()) / f"campaign_tubes_{kind}.jsonl"
    known: dict[int, list[dict[str, Any]]] = {}
    if state.exists():
        for line in state.read_text(encoding="utf-8").splitlines():
            entry = json.loads(line)
            known[entry["seed"]] = entry["rows"]
    for seed in wanted:
        if seed in known:
            continue
        known[seed] = one_ear(seed, kind, keep)
        with state.open("a", encoding="utf-8") as out:
            out.write(json.dumps({"seed": seed, "rows": known[seed]}) + "\n")
        print(f"ear {seed} done", file=sys.stderr, flush=True)
    rows = [row for seed in wanted for row in known[seed]]
    print(f"{kind} scans, {given.ears} ears from {given.seed}; state in {state.name}")
    for which in ("facial_nerve", "chorda_tympani"):
        report(rows, which)


if __name__ == "__main__":
    main()
