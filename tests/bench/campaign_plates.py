"""Footplate and drum found in synthetic ears: how far off, how well their doubts hold, and what is refused.

    python tests/bench/campaign_plates.py --ears 24 --seed 1
    python tests/bench/campaign_plates.py --ears 24 --coarse        slices of 0.6 mm
    python tests/bench/campaign_plates.py --ears 24 --cone-beam     uncalibrated grey values, 0.2 mm voxels
    python tests/bench/campaign_plates.py --ears 12 --astray        clicks on other places: what is refused

Each ear is drawn (every third healthy, the others ready for a reconstruction), scanned in a block around drum and
footplate (0.3 mm pixel, 0.4 mm slice, point spread 0.45 mm in plane and 0.55 mm through, correlated noise of 60 HU,
every second ear with a sharp kernel), and clicked with 0.3 mm of scatter per axis. Truth comes from the shapes.
One line per ear
goes to a file as soon as it is done; started again, the campaign goes on where it stopped. Intervals are 95 percent, by
drawing whole ears with replacement.

The drum's height over the annulus is judged three times: over the true rim plane (what the image adds), over the plane
of the clicked ring, and over that of the ring moved to the bony edge (what a plan prints); beside them stands what the
rings do to a height known exactly.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from blocks import placements, with_interval
from ctmeasure_samples.truth import EarTruth
from plate_ears import CLICK_NOISE_MM, clicked, make_ear

from ctmeasure.anatomy.frames import annulus_plane, canal_frame, rim_points_lps
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.drum.find import find_drum
from ctmeasure.imaging.drum.rim import find_rim
from ctmeasure.imaging.footplate.find import find_footplate
from ctmeasure.imaging.footplate.niche import find_niche
from ctmeasure.volume.quality import ScanFitness, assess_fitness
from ctmeasure.volume.volume import Volume

WRONG_MM, WRONG_DEG = 0.3, 10.0
"""A plate found farther off than this is a wrong one."""

Row = dict[str, Any]


def plate_row(volume: Volume, fitness: ScanFitness, truth: EarTruth, marks: LandmarkSet) -> Row:
    """Footplate and niche of one ear against its shapes."""
    layout, place = truth.ear.layout, truth.placement
    axes = np.stack(
        [place.directions_to_lps(a) for a in (layout.footplate_long, layout.footplate_short, layout.stapes_axis)]
    )
    p = truth.ear.parameters
    click = marks.point_lps("footplate_centre")
    began, cpu = time.perf_counter(), time.process_time()
    try:
        plate = find_footplate(volume, click, side=truth.side, canal=canal_frame(marks, truth.side), fitness=fitness)  # type: ignore[arg-type]
    except CtmeasureError as error:
        return {"refused": str(error)}
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    off = axes @ (plate.centre_lps - truth.landmarks["footplate_centre"].points[0])
    u = np.sqrt(np.diag(axes @ plate.covariance @ axes.T))
    normal = axes @ plate.normal_lps
    nerve = truth.structures["facial_nerve"]
    niche = find_niche(volume, plate, facial_lps=nerve.points, radius_mm=np.asarray(nerve.radii), fitness=fitness)
    true_niche = truth.measurands.get(("oval_window_niche_height", "from the scan"))
    return {
        "off": off.tolist(),
        "score": (off / u).tolist(),
        "tilt": float(np.degrees(np.arccos(min(float(normal[2]), 1.0)))),
        "tilt_score": (np.arctan2(normal[:2], normal[2]) / plate.tilt_u_rad).tolist(),
        "half": (plate.half_axes_mm - 0.5 * np.array([p.footplate_length_mm, p.footplate_width_mm])).tolist(),
        "half_u": plate.half_axes_u_mm.tolist(),
        "state": plate.thickness.state,
        "held": bool(plate.thickness.at_most_mm >= p.footplate_thickness_mm),
        "niche": None if niche is None or true_niche is None else niche.height_mm - true_niche,
        "filled": "niche" in p.fills,
        "flags": list(plate.flags),
        "click": float(np.linalg.norm(click - truth.landmarks["footplate_centre"].points[0])),
        "seconds": seconds,
        "cpu": cpu,
    }


def drum_row(volume: Volume, fitness: ScanFitness, truth: EarTruth, marks: LandmarkSet) -> Row:
    """Drum of one ear against its shapes."""
    p = truth.ear.parameters
    canal = canal_frame(marks, truth.side)  # type: ignore[arg-type]
    click = marks.point_lps("drum_centre")
    medial = truth.measurands["drum_lateralisation", "medial face perpendicular"]
    lateral = truth.measurands["drum_lateralisation", "lateral face perpendicular"]
    true_centre = truth.landmarks["drum_centre"].points[0]
    row: Row = {"drum": p.drum, "malleus": p.malleus, "fluid": "mesotympanum" in p.fills, "true": medial}
    row["thick"] = p.drum_thickness_mm
    row["ring"] = float(annulus_plane(marks, canal).signed_distance_mm(true_centre)) - medial
    row["click"] = float(annulus_plane(marks, canal).signed_distance_mm(click)) - medial
    began, cpu = time.perf_counter(), time.process_time()
    try:
        found = find_drum(volume, rim_points_lps(marks, canal), canal=canal, click_lps=click, fitness=fitness)
    except CtmeasureError as error:
        return row | {"refused": str(error)}
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    exact = find_drum(volume, truth.landmarks["annulus"].points, canal=canal, click_lps=click, fitness=fitness)
    try:
        clicks = marks["annulus"].points_lps
        doubts = np.tile(CLICK_NOISE_MM**2 * np.eye(3), (len(clicks), 1, 1))
        rim = find_rim(volume, clicks, covariances=doubts, canal=canal, fitness=fitness)
        moved = marks.with_landmark(Landmark("annulus", "placed", placements(rim.points_lps)))
        over = find_drum(volume, rim_points_lps(moved, canal), canal=canal, click_lps=click, fitness=fitness)
        row["edged"] = over.medial_mm - medial
        row["rim"] = float(annulus_plane(moved, canal).signed_distance_mm(true_centre)) - medial
        row["rim_seen"] = float(rim.seen.mean())
    except CtmeasureError as error:
        row["rim_refused"] = str(error)
    value = exact.thickness.value_mm
    return row | {
        "image": exact.medial_mm - medial,
        "image_score": (exact.medial_mm - medial) / exact.height_u_mm,
        "outer": exact.lateral_mm - lateral,
        "clicked": found.medial_mm - medial,
        "form": exact.form,
        "thickness": None if value is None else value - p.drum_thickness_mm,
        "state": exact.thickness.state,
        "held": bool(exact.thickness.at_most_mm >= p.drum_thickness_mm),
        "flags": list(exact.flags),
        "seconds": seconds,
        "cpu": cpu,
    }


def one_ear(seed: int, kind: str, keep: Path | None) -> Row:
    """Both rows of one ear."""
    volume, truth = make_ear(seed, kind, keep)
    fitness = assess_fitness(volume)
    marks = clicked(truth, seed)
    plate, drum = (f(volume, fitness, truth, marks) for f in (plate_row, drum_row))
    return {"seed": seed, "side": truth.side, "plate": plate, "drum": drum}


def astray(seed: int, kind: str, keep: Path | None) -> Counter[str]:
    """Footplate clicks on other places: refused, or a wrong plate found, said or silent."""
    volume, truth = make_ear(seed, kind, keep)
    fitness = assess_fitness(volume)
    marks = clicked(truth, seed)
    canal = canal_frame(marks, truth.side)  # type: ignore[arg-type]
    centre = truth.landmarks["footplate_centre"].points[0]
    normal = truth.placement.directions_to_lps(truth.ear.layout.stapes_axis)
    rng = np.random.default_rng([932, seed])
    ways = rng.normal(size=(6, 3))
    ways *= rng.uniform(2.2, 5.5, (6, 1)) / np.linalg.norm(ways, axis=1, keepdims=True)
    places = [("vestibule", centre - 2.0 * normal), ("mesotympanum", centre + 3.0 * normal)]
    places += [(name, truth.landmarks[name].points[0]) for name in ("promontory", "round_window")]
    places += [("2.2 to 5.5 mm off", centre + way) for way in ways]
    places += [("0.6 mm per axis off", centre + rng.normal(0.0, 0.6, 3)) for _ in range(4)]
    counts: Counter[str] = Counter()
    for name, place in places:
        try:
            plate = find_footplate(volume, place, side=truth.side, canal=canal, fitness=fitness)  # type: ignore[arg-type]
        except CtmeasureError:
            counts[f"{name}: refused"] += 1
            continue
        off = float(np.linalg.norm(plate.centre_lps - centre))
        right = off < WRONG_MM and float(plate.normal_lps @ normal) > np.cos(np.radians(WRONG_DEG))
        counts[f"{name}: {'the right plate' if right else 'wrong, flagged' if plate.flags else 'wrong, silent'}"] += 1
    return counts


def pooled(rows: list[Row], key: str, *axes: int) -> np.ndarray:
    """Values of all ears together; of the named axes where a value has several."""
    values = [row[key] for row in rows if row.get(key) is not None]
    table = np.asarray(values, dtype=np.float64)
    return table[:, list(axes)] if axes and len(table) else table


def rms(values: np.ndarray) -> float:
    """Root mean square; over vectors their lengths'."""
    squares = values**2 if values.ndim == 1 else (values**2).sum(axis=1)
    return float(np.sqrt(squares.mean())) if len(values) else float("nan")


def held(values: np.ndarray) -> float:
    """Share within a 95 % interval."""
    return float((np.abs(values) < 1.959964).mean()) if values.size else float("nan")


def mean(values: np.ndarray) -> float:
    """Mean; not a number when there is none."""
    return float(values.mean()) if values.size else float("nan")


def table(rows: list[Row], lines: list[tuple[str, Any, str]]) -> None:
    """Print statistics with their intervals and goals."""
    if not rows:
        return
    print(f"{'quantity':52s} {'value':>8s}  {'95 % interval':18s} goal")
    for words, statistic, goal in lines:
        value, low, high = with_interval(rows, statistic)
        print(f"{words:52s} {value:8.3f}  {low:7.3f} to {high:7.3f} {goal}")


def report_plates(rows: list[Row]) -> None:
    """Table of the footplates."""
    every = [row["plate"] for row in rows]
    done = [row for row in every if "refused" not in row]
    print(f"\nfootplate: {len(every)} ears, {len(every) - len(done)} refused")
    for row in rows:
        if "refused" in row["plate"]:
            print(f"  ear {row['seed']}: {row['plate']['refused']}")
    table(done, [
        ("centre in the plane, rms of the vector (mm)", lambda r: rms(pooled(r, "off", 0, 1)), "0.20"),
        ("centre along the normal, rms (mm)", lambda r: rms(pooled(r, "off", 2)), "0.10"),
        ("centre along the normal, bias (mm)", lambda r: mean(pooled(r, "off", 2)), ""),
        ("normal, rms (degrees)", lambda r: rms(pooled(r, "tilt")), "4"),
        ("worst centre of any ear (mm)", lambda r: float(np.linalg.norm(pooled(r, "off"), axis=1).max()), ""),
        ("95 % of a centre's axis holds", lambda r: held(pooled(r, "score")), ""),
        ("95 % of a tilt holds", lambda r: held(pooled(r, "tilt_score")), ""),
        ("half length, bias (mm)", lambda r: mean(pooled(r, "half", 0)), ""),
        ("half width, bias (mm)", lambda r: mean(pooled(r, "half", 1)), ""),
        ("upper limit of the thickness holds", lambda r: mean(pooled(r, "held")), ""),
        ("niche height, rms, exact facial canal (mm)", lambda r: rms(pooled(r, "niche")), ""),
        ("the click itself, rms (mm)", lambda r: rms(pooled(r, "click")), ""),
        ("processor time (s)", lambda r: float(np.median(pooled(r, "cpu"))), "0.5 (two cores)"),
    ])  # fmt: skip
    filled = [row for row in done if row["filled"]]
    if filled:
        plane, along, tilt = (
            rms(pooled(filled, "off", 0, 1)),
            rms(pooled(filled, "off", 2)),
            rms(pooled(filled, "tilt")),
        )
        print(f"  niche filled: {len(filled)} ears, in the plane {plane:.3f}, along the normal {along:.3f} mm")
        print(f"                normal {tilt:.1f} degrees")
    print(f"  thickness: {dict(Counter(row['state'] for row in done))}")


def report_drums(rows: list[Row]) -> None:
    """Table of the drums."""
    every = [row["drum"] for row in rows]
    done = [row for row in every if "refused" not in row]
    print(f"\ndrum: {len(every)} ears, {len(every) - len(done)} refused")
    for row in rows:
        if "refused" in row["drum"]:
            print(f"  ear {row['seed']}: {row['drum']['refused']}")
    table(done, [
        ("medial face over the true rim, rms (mm)", lambda r: rms(pooled(r, "image")), "0.10"),
        ("medial face over the true rim, bias (mm)", lambda r: mean(pooled(r, "image")), ""),
        ("lateral face over the true rim, rms (mm)", lambda r: rms(pooled(r, "outer")), "0.10"),
        ("medial face over the clicked ring, rms (mm)", lambda r: rms(pooled(r, "clicked")), "0.10"),
        ("medial face over the ring moved to the bony edge, rms", lambda r: rms(pooled(r, "edged")), "0.10"),
        ("  the same, bias (mm)", lambda r: mean(pooled(r, "edged")), ""),
        ("  what that ring alone does, rms (mm)", lambda r: rms(pooled(r, "rim")), ""),
        ("  share of its points where the edge is seen", lambda r: mean(pooled(r, "rim_seen")), ""),
        ("  what the clicked ring alone does, rms (mm)", lambda r: rms(pooled(r, "ring")), ""),
        ("  the click itself over the clicked ring, rms (mm)", lambda r: rms(pooled(r, "click")), ""),
        ("95 % of the height over the true rim holds", lambda r: held(pooled(r, "image_score")), ""),
        ("upper limit of the thickness holds", lambda r: mean(pooled(r, "held")), ""),
        ("thickness where given, rms (mm)", lambda r: rms(pooled(r, "thickness")), ""),
        ("processor time (s)", lambda r: float(np.median(pooled(r, "cpu"))), "0.5 (two cores)"),
    ])  # fmt: skip
    kinds = {
        "healthy form": lambda r: r["drum"] != "lateralised",
        "lateralised": lambda r: r["drum"] == "lateralised",
        "thicker than 0.3 mm": lambda r: r["thick"] > 0.3,
        "handle in the drum": lambda r: r["malleus"] == "present",
        "fluid in the middle ear": lambda r: r["fluid"],
    }
    for words, chosen in kinds.items():
        some = [row for row in done if chosen(row)]
        if some:
            print(f"  {words}: {len(some)} ears, medial face over the true rim rms {rms(pooled(some, 'image')):.3f}, "
                  f"bias {mean(pooled(some, 'image')):+.3f} mm")  # fmt: skip
    print(f"  thickness: {dict(Counter(row['state'] for row in done))}")


def main() -> None:
    """Run or resume, then print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--ears", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1, help="first ear")
    parser.add_argument("--coarse", action="store_true")
    parser.add_argument("--cone-beam", action="store_true")
    parser.add_argument("--astray", action="store_true", help="clicks on other places instead of the table")
    parser.add_argument("--state", type=Path, help="file with one line per ear; default in the temporary folder")
    parser.add_argument("--keep", type=Path, help="folder that keeps the scans for another run")
    given = parser.parse_args()
    kind = "coarse" if given.coarse else "cone-beam" if given.cone_beam else "standard"
    wanted = range(given.seed, given.seed + given.ears)
    if given.astray:
        total: Counter[str] = Counter()
        for seed in wanted:
            total += astray(seed, kind, given.keep)
        print(f"{kind} scans, {given.ears} ears from {given.seed}, clicks on other places")
        for words, count in sorted(total.items()):
            print(f"  {words}: {count}")
        return
    state = given.state or Path(tempfile.gettempdir()) / f"campaign_plates_{kind}.jsonl"
    known: dict[int, Row] = {}
    if state.exists():
        known = {row["seed"]: row for row in map(json.loads, state.read_text(encoding="utf-8").splitlines())}
    for seed in wanted:
        if seed in known:
            continue
        known[seed] = one_ear(seed, kind, given.keep)
        with state.open("a", encoding="utf-8") as out:
            out.write(json.dumps(known[seed]) + "\n")
        print(f"ear {seed} done", file=sys.stderr, flush=True)
    rows = [known[seed] for seed in wanted]
    print(f"{kind} scans, {given.ears} ears from {given.seed}; state in {state.name}")
    report_plates(rows)
    report_drums(rows)


if __name__ == "__main__":
    main()
