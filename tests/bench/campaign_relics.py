"""Metal, handles, ossicles and suggested landmarks on synthetic ears: how far off, and how well intervals hold.

    python tests/bench/campaign_relics.py --what metal --ears 16 --seed 0
    python tests/bench/campaign_relics.py --what metal --extended          values not cut off at 3071 HU
    python tests/bench/campaign_relics.py --what handle --ears 8
    python tests/bench/campaign_relics.py --what ossicles --ears 16 --coarse
    python tests/bench/campaign_relics.py --what suggest --ears 16 --cone-beam

Each ear is drawn, scanned in a block around its middle ear by the scanner of `campaign_tubes` (0.3 mm pixel, 0.4 mm
slice, point spread 0.45 and 0.55 mm, noise 60 HU, every other ear with a sharp kernel, streaks at metal) and measured
from clicks that are off by 0.3 mm per axis. Truth comes from the shapes. One line per ear goes to a file as soon as it
is done; started again, the campaign goes on where it stopped. Intervals are 95 percent, by drawing whole ears with
replacement; of counts Clopper-Pearson.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from blocks import scanned_block, with_interval
from campaign_tubes import CLICK_NOISE_MM, scanner_for
from ctmeasure_samples.catalog import SampleCase, case_truths, random_case
from ctmeasure_samples.implants import true_strut
from ctmeasure_samples.parameters import EarParameters, StrutState
from ctmeasure_samples.scanner import make_grid
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.errors import CtmeasureError
from ctmeasure.volume.quality import ScanFitness, assess_fitness
from ctmeasure.volume.volume import Volume

BLOCK_MM = (22.0, 24.0, 22.0)
BLOCK_CENTRE_EAR_MM = (-1.0, 1.5, 1.0)
EXTENDED_HU = (-1024.0, 30000.0)
Row = dict[str, Any]


def drawn_strut(seed: int) -> StrutState:
    """An old prosthesis of random size and place."""
    rng = np.random.default_rng([4401, seed])
    standing = rng.random() < 0.6
    return StrutState(
        "standing" if standing else "slipped",
        length_mm=float(rng.uniform(3.0, 5.5) if standing else rng.uniform(2.5, 5.5)),
        shaft_radius_mm=float(rng.uniform(0.1, 0.3)),
        head_radius_mm=0.0 if rng.random() < 0.2 else float(rng.uniform(0.9, 1.5)),
        head_thickness_mm=float(rng.uniform(0.12, 0.3)),
        gap_mm=float(rng.choice([0.0, 0.0, 0.2, 0.6])),
        lean=(float(rng.normal(0, 0.15)), float(rng.normal(0, 0.15))),
    )


def ear_for(parameters: EarParameters, what: str, seed: int) -> EarParameters:
    """The random ear, with metal where metal is measured."""
    if what == "metal":
        return replace(
            parameters, incus="absent", stapes_arch="absent", malleus="absent", old_strut=False, strut=drawn_strut(seed)
        )
    if what == "handle":
        return replace(parameters, incus="absent", malleus="absent", old_strut=False, drum="relaid", new_handle=True)
    return parameters


def scanned(
    what: str, seed: int, kind: str, *, extended: bool, keep: Path | None
) -> tuple[EarTruth, Volume, ScanFitness]:
    """One ear, its scan (kept for another run when a folder is given) and what the scan is good for."""
    case = random_case(seed)
    side, parameters = case.ears[0]
    case: SampleCase = replace(case, ears=((side, ear_for(parameters, what, seed)),))
    truth = case_truths(case)[case.side]
    scanner = scanner_for(case, seed, kind)
    if extended:
        scanner = replace(scanner, clip_hu=EXTENDED_HU)
    grid = make_grid(truth.placement.to_lps(np.array(BLOCK_CENTRE_EAR_MM)), BLOCK_MM, spacing_mm=scanner.spacing_mm)
    scene = what if what in ("metal", "handle") else "ear"
    kept = keep / f"{scene}_{kind}{'_extended' if extended else ''}_{seed}.npy" if keep is not None else None
    volume = scanned_block(truth, grid, scanner, kept=kept)
    return truth, volume, assess_fitness(volume)


def metal_row(truth: EarTruth, volume: Volume, fitness: ScanFitness, seed: int) -> Row:
    """An old prosthesis from two clicks."""
    from ctmeasure.imaging.metal.prosthesis import measure_prosthesis

    strut = true_strut(truth.ear.layout)
    assert strut is not None
    ends = truth.placement.to_lps(np.array([strut.foot, strut.top]))
    rng = np.random.default_rng([44, seed])
    clicks = ends + rng.normal(0.0, CLICK_NOISE_MM, (2, 3))
    stapes = truth.placement.directions_to_lps(truth.ear.layout.stapes_axis)
    tilt = float(np.degrees(np.arccos(abs(strut.axis @ truth.ear.layout.stapes_axis))))
    row: Row = {"length": strut.length_mm, "headed": strut.head_radius_mm > 0}
    began = time.process_time()
    try:
        found = measure_prosthesis(volume, clicks, fitness=fitness)
    except CtmeasureError as error:
        return {**row, "refused": str(error)}
    row |= {"cpu": time.process_time() - began, "flags": list(found.flags)}
    row["length_error"] = found.length.value - strut.length_mm
    row["length_holds"] = found.length.low_95 <= strut.length_mm <= found.length.high_95
    row["length_width"] = found.length.high_95 - found.length.low_95
    row["shaft_error"] = found.shaft_diameter.value - 2.0 * strut.shaft_radius_mm
    row["shaft_holds"] = found.shaft_diameter.low_95 <= 2.0 * strut.shaft_radius_mm <= found.shaft_diameter.high_95
    row["head_told"] = (found.head_diameter is not None) == row["headed"]
    if found.head_diameter is not None and row["headed"]:
        row["head_error"] = found.head_diameter.value - 2.0 * strut.head_radius_mm
    row["tilt_error"] = found.tilt(stapes, normal_u_deg=0.0, against="true normal").value - tilt
    return row


def handle_row(truth: EarTruth, volume: Volume, fitness: ScanFitness, seed: int) -> Row:
    """A replaced handle: its lower end is that of the metal, a tip radius past the last point of its axis."""
    from ctmeasure.imaging.metal.handle import measure_handle

    marks = truth.landmarks
    tip, top = marks["handle_tip"].points[0], marks["handle_top"].points[0]
    axis = (top - tip) / np.linalg.norm(top - tip)
    end = tip - 0.24 * axis
    rng = np.random.default_rng([45, seed])
    medial = marks["canal_medial"].points[0] - marks["canal_lateral"].points[0]
    found = measure_handle(
        volume,
        tip + rng.normal(0.0, CLICK_NOISE_MM, 3),
        top_lps=top + rng.normal(0.0, CLICK_NOISE_MM, 3),
        medial_lps=medial,
        fitness=fitness,
    )
    return {
        "tip_along": float((found.tip_lps - end) @ axis),
        "tip_across": float(np.linalg.norm(np.cross(found.tip_lps - end, axis))),
        "top": float(np.linalg.norm(found.top_lps - top)),
        "contact": float(np.linalg.norm(found.contact_lps - marks["handle_contact"].points[0])),
        "turn": float(np.degrees(np.arccos(np.clip(abs(found.fit.axis_lps @ axis), 0.0, 1.0)))),
    }


def _all(rows: list[Row], key: str) -> np.ndarray:
    return np.array([row[key] for row in rows if key in row], dtype=np.float64)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def print_table(rows: list[Row], table: list[tuple[str, Callable[[list[Row]], float], str]]) -> None:
    """One line a quantity, with its interval over ears."""
    print(f"{'quantity':48s} {'value':>8s}  {'95 % interval':18s} goal")
    for words, statistic, goal in table:
        value, low, high = with_interval(rows, statistic)
        print(f"{words:48s} {value:8.3f}  {low:7.3f} to {high:7.3f} {goal}")


def counted(words: str, hits: int, of: int) -> None:
    """A share with its Clopper-Pearson interval."""
    from ctmeasure.uncertainty.intervals import clopper_pearson

    if of:
        low, high = clopper_pearson(hits, of)
        print(f"{words:48s} {hits} of {of} ({100 * hits / of:.1f} %; {100 * low:.1f} to {100 * high:.1f})")


def metal_report(rows: list[Row]) -> None:
    """Table of the old prosthesis."""
    done = [row for row in rows if "refused" not in row]
    print_table(
        done,
        [
            ("length, bias (mm)", lambda r: float(_all(r, "length_error").mean()), "within 0.15"),
            ("length, rms (mm)", lambda r: _rms(_all(r, "length_error")), "< 0.20"),
            ("length, largest error (mm)", lambda r: float(np.abs(_all(r, "length_error")).max()), ""),
            ("length, mean width of the interval (mm)", lambda r: float(_all(r, "length_width").mean()), ""),
            ("shaft diameter, bias (mm)", lambda r: float(_all(r, "shaft_error").mean()), ""),
            ("shaft diameter, rms (mm)", lambda r: _rms(_all(r, "shaft_error")), ""),
            ("head diameter, bias (mm)", lambda r: float(_all(r, "head_error").mean()), ""),
            ("head diameter, rms (mm)", lambda r: _rms(_all(r, "head_error")), ""),
            ("tilt, rms (deg)", lambda r: _rms(_all(r, "tilt_error")), ""),
            ("processor time (s)", lambda r: float(np.median(_all(r, "cpu"))), ""),
        ],
    )
    counted("refused", len(rows) - len(done), len(rows))
    counted("95 % interval of the length holds", int(_all(done, "length_holds").sum()), len(done))
    counted("95 % interval of the shaft holds", int(_all(done, "shaft_holds").sum()), len(done))
    counted("head or none told right", int(_all(done, "head_told").sum()), len(done))


def handle_report(rows: list[Row]) -> None:
    """Table of the replaced handle."""
    print_table(
        rows,
        [
            ("tip along the axis, bias (mm; + is too short)", lambda r: float(_all(r, "tip_along").mean()), ""),
            ("tip along the axis, rms (mm)", lambda r: _rms(_all(r, "tip_along")), ""),
            ("tip across the axis, rms (mm)", lambda r: _rms(_all(r, "tip_across")), ""),
            ("top, rms (mm)", lambda r: _rms(_all(r, "top")), ""),
            ("contact, rms (mm)", lambda r: _rms(_all(r, "contact")), ""),
            ("direction, rms (deg)", lambda r: _rms(_all(r, "turn")), ""),
        ],
    )


def first_clicks(truth: EarTruth, seed: int) -> LandmarkSet:
    """The first clicks: two canal centres, footplate centre, eight points of the rim, three of the lateral canal."""
    rng = np.random.default_rng([4402, seed])
    picks = {"annulus": slice(None, None, 2), "lateral_semicircular_canal": [1, 3, 6]}
    marks = []
    for name in ("canal_medial", "canal_lateral", "footplate_centre", "annulus", "lateral_semicircular_canal"):
        points = truth.landmarks[name].points[picks.get(name, slice(None))]
        points = points + rng.normal(0.0, CLICK_NOISE_MM, points.shape)
        placed = tuple(Placement((float(x), float(y), float(z)), n) for n, (x, y, z) in enumerate(points))
        marks.append(Landmark(name, "placed", placed))
    return LandmarkSet(marks)


def true_places(truth: EarTruth) -> dict[str, np.ndarray]:
    """Places of the mean ear's table in this ear, (n, 3) LPS by id; only of what is there."""
    from ctmeasure_samples.mean_ear import places

    found: dict[str, list[np.ndarray]] = {}
    for (name, _), point in places(truth.ear.layout).items():
        mark = truth.landmarks.get(name)
        if mark is None or mark.status == "placed":
            found.setdefault(name, []).append(truth.placement.to_lps(point))
    return {name: np.array(points) for name, points in found.items()}


def suggest_row(truth: EarTruth, volume: Volume, fitness: ScanFitness, seed: int) -> Row:
    """Every suggested landmark, and the plain mean ear beside it; along curves only the distance across counts."""
    from ctmeasure.imaging.snaps.mean_ear import lay_mean_ear
    from ctmeasure.imaging.snaps.propose import propose

    clicks, true = first_clicks(truth, seed), true_places(truth)
    began = time.process_time()
    found = propose(clicks, truth.side, volume=volume, fitness=fitness)
    row: Row = {"cpu": time.process_time() - began, "errors": {}, "plain": {}, "scores": {}, "wrongly_there": []}
    plain = lay_mean_ear(clicks, truth.side)
    for item in found.suggestions:
        if item.id not in true:
            row["wrongly_there"].append(item.id)
            continue
        curve = item.structure or "semicircular" in item.id
        for n, point in enumerate(item.points_lps):
            error = _off(np.array(point), true[item.id], n, curve=curve)
            row["errors"].setdefault(item.id, []).append(error)
            row["plain"].setdefault(item.id, []).append(
                _off(plain.point_lps(item.id, n), true[item.id], n, curve=curve)
            )
            row["scores"].setdefault(item.id, []).append(error**2 / ((2 if curve else 3) * item.u_mm[n] ** 2))
    return row


def _off(point: np.ndarray, true: np.ndarray, index: int, *, curve: bool) -> float:
    if not curve:
        return float(np.linalg.norm(point - true[index]))
    along = np.linspace(0.0, len(true) - 1.0, 400)
    line = np.stack([np.interp(along, np.arange(len(true)), true[:, a]) for a in range(3)], axis=1)
    return float(np.linalg.norm(line - point, axis=1).min())


def suggest_report(rows: list[Row]) -> None:
    """Median and 95th percentile of each landmark, beside the plain mean ear."""
    print(f"{'landmark':30s} {'n':>4s} {'median':>7s} {'95th':>6s} {'worst':>6s}   plain mean ear   chi2")
    for name in sorted({name for row in rows for name in row["errors"]}):
        error, plain, score = (
            np.concatenate([row[key].get(name, []) for row in rows]) for key in ("errors", "plain", "scores")
        )
        print(
            f"{name:30s} {len(error):4d} {np.median(error):7.2f} {np.percentile(error, 95):6.2f} {error.max():6.2f}   "
            f"{np.median(plain):6.2f} {np.percentile(plain, 95):6.2f}   {score.mean():5.2f}"
        )
    everything: list[tuple[str, Callable[[list[Row]], float], str]] = [
        (f"all landmarks, {words} (mm)", lambda r, q=share: _pooled(r, q), "")  # type: ignore[misc]
        for words, share in (("median", 50.0), ("95th percentile", 95.0))
    ]
    print_table(rows, everything)
    print(f"processor time, median: {np.median(_all(rows, 'cpu')):.1f} s")
    print("suggested though not there:", [name for row in rows for name in row["wrongly_there"]])


def _pooled(rows: list[Row], share: float) -> float:
    return float(np.percentile(np.concatenate([e for row in rows for e in row["errors"].values()]), share))


STATES = {"present": "present", "eroded": "partial", "absent": "absent"}


def ossicles_row(truth: EarTruth, volume: Volume, fitness: ScanFitness, seed: int) -> Row:
    """States of the three ossicles, true and found."""
    from ctmeasure.imaging.ossicles.find import find_ossicles
    from ctmeasure.imaging.snaps.mean_ear import lay_mean_ear

    p = truth.ear.parameters
    found = find_ossicles(volume, lay_mean_ear(first_clicks(truth, seed), truth.side), fitness=fitness)
    true = (p.malleus, p.incus, p.stapes_arch)
    return {"pairs": [[item.id, STATES[state], item.state] for item, state in zip(found, true, strict=True)]}


def ossicles_report(rows: list[Row]) -> None:
    """Found states by true state."""
    pairs = [tuple(pair) for row in rows for pair in row["pairs"]]
    for name in dict.fromkeys(pair[0] for pair in pairs):
        for true in ("present", "partial", "absent"):
            own = [pair[2] for pair in pairs if pair[0] == name and pair[1] == true]
            for state in dict.fromkeys(own):
                counted(f"{name}: {true}, found {state}", own.count(state), len(own))
    wrong = [pair for pair in pairs if pair[1] != "absent" and pair[2] == "absent"]
    there = [pair for pair in pairs if pair[1] != "absent"]
    counted("something there called absent", len(wrong), len(there))


PARTS: dict[str, tuple[Callable[[EarTruth, Volume, ScanFitness, int], Row], Callable[[list[Row]], None]]] = {
    "metal": (metal_row, metal_report),
    "handle": (handle_row, handle_report),
    "suggest": (suggest_row, suggest_report),
    "ossicles": (ossicles_row, ossicles_report),
}


def main() -> None:
    """Run or resume, then print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--what", choices=sorted(PARTS), default="metal")
    parser.add_argument("--ears", type=int, default=8)
    parser.add_argument("--seed", type=int, default=0, help="first ear")
    parser.add_argument("--coarse", action="store_true", help="slices of 0.6 mm")
    parser.add_argument("--cone-beam", action="store_true", help="uncalibrated grey values, 0.2 mm voxels")
    parser.add_argument("--extended", action="store_true", help="values up to 30000 HU are kept")
    parser.add_argument("--state", type=Path, help="file with one line per ear; default in the temporary folder")
    parser.add_argument("--keep", type=Path, help="folder that keeps the scans for another run")
    given = parser.parse_args()
    kind = "coarse" if given.coarse else "cone-beam" if given.cone_beam else "standard"
    name = f"campaign_relics_{given.what}_{kind}{'_extended' if given.extended else ''}"
    state = given.state or Path(tempfile.gettempdir()) / f"{name}.jsonl"
    known: dict[int, Row] = {}
    if state.exists():
        known = {entry["seed"]: entry for entry in map(json.loads, state.read_text(encoding="utf-8").splitlines())}
    measure, report = PARTS[given.what]
    wanted = range(given.seed, given.seed + given.ears)
    for seed in wanted:
        if seed in known:
            continue
        truth, volume, fitness = scanned(given.what, seed, kind, extended=given.extended, keep=given.keep)
        known[seed] = {"seed": seed, "sharp": bool(seed % 2), **measure(truth, volume, fitness, seed)}
        with state.open("a", encoding="utf-8") as out:
            out.write(json.dumps(known[seed], default=float) + "\n")
        print(f"ear {seed} done", file=sys.stderr, flush=True)
    scale = ", extended scale" if given.extended else ""
    print(f"{given.what}, {kind} scans{scale}: {given.ears} ears from {given.seed}")
    report([known[seed] for seed in wanted])


if __name__ == "__main__":
    main()
