"""Needed lengths, intervals, P(fits) and sizes on the table on random synthetic ears with known contacts; resumes.

    python tests/bench/campaign_lengths.py --ears 500 --seed 1001 --out DIR
    python tests/bench/campaign_lengths.py --ears 500 --seed 1001 --out DIR --noise 0.1     clicks off by less
    python tests/bench/campaign_lengths.py --ears 24 --seed 1001 --out DIR --scan           points found in the image

With `--scan` a block around drum and footplate is scanned, clicked (0.3 mm per axis) and looked at; footplate, drum and
contact are then measured from the image where it agrees with the click. The contact is judged twice: where the
footplate's normal meets the drum (nothing on the drum is clicked) and at the click moved onto the drum, where the
click's own scatter along the slanted drum remains. Otherwise no scan is rendered: contacts, rim and canal
come from the shapes of each ear, are displaced by independent normal noise per axis (0.3 mm: a hand's click; the
settings are told the same), and by the length scale of its scanner (0.3 %).

What the plan cannot know is drawn once an ear from what the settings state: cartilage, seat, footplate, how the hand
reaches the planned tip. The needed length that comes true is computed from the shapes alone. "Of that the distance" has
cartilage and seat as the settings state them, so that only the placed points can be wrong.

Figures are over spans (reconstruction, geometry, contact), their 95 % intervals over whole ears drawn with replacement,
since the spans of an ear share points. One line an ear goes to DIR as soon as it is done.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from ctmeasure_samples.landmarks import TruePoint, true_landmarks
from ctmeasure_samples.layout import Layout, make_layout
from ctmeasure_samples.parameters import HeadParameters, random_ear
from ctmeasure_samples.placement import Placement as EarPlacement
from ctmeasure_samples.placement import place_ear
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.sizes import candidate_lengths
from ctmeasure.planning.lengths.spans import AS_IT_LIES, STRAIGHT
from ctmeasure.planning.lengths.table import TABLE_COVERAGE, table_set
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.results import ON_NORMAL, LengthRow
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.intervals import clopper_pearson

CLICK_NOISE_MM = 0.3
RESAMPLES = 400
USED = (
    "annulus", "canal_medial", "canal_lateral", "lateral_semicircular_canal", "drum_centre", "drum_contact", "umbo",
    "footplate_centre", "stapes_head", "incus_contact", "incus_long_process", "malleus_neck", "promontory",
    "anterior_tympanic_spine", "posterior_tympanic_spine",
)  # fmt: skip
SLIGHT = 1e-6
"""Added to the information, so that ears drawn with replacement among whom every size is decided end nowhere."""
LISTED_P = 0.01
"""Sizes likelier to fit than this count for the calibration; the others are all but decided."""
PLATE = "footplate_centre"
RELAID = " re-laid at the rim"
FROM_IMAGE = (
    ("normal meets drum, nothing on it clicked", f"{STRAIGHT}, {PLATE}", {PLATE, ON_NORMAL}),
    ("clicked contact, both from the image", f"drum_contact, {PLATE}", {PLATE, "drum_contact"}),
)
"""Where both ends of a total prosthesis come from the image: title, span, and what must have been found and used."""
Row = dict[str, Any]
Floats = NDArray[np.float64]


def one_ear(seed: int, noise_mm: float) -> list[Row]:
    """Every span of one ear: what was stated, and what came true."""
    rng = np.random.default_rng([71, seed])
    side = "left" if rng.random() < 0.5 else "right"
    head = HeadParameters(yaw_deg=float(rng.uniform(-12, 12)), roll_deg=float(rng.uniform(-8, 8)))
    layout = make_layout(random_ear(seed))
    marks, placed = true_landmarks(layout), place_ear(head, side)
    settings = Settings(placement_noise_mm=noise_mm, draws_maximum=20_000)
    given = LengthInput(
        MeasureInput(_clicked(marks, placed, noise_mm, settings, rng), side, settings=settings, seed=seed)
    )
    return _rows_of(given, _Happened(layout, marks, settings, rng), seed)


def _rows_of(given: LengthInput, happened: _Happened, seed: int) -> list[Row]:
    """Every span with a needed length against what came true."""
    rows: dict[tuple[str, ...], list[LengthRow]] = {}
    for row in candidate_lengths(given):
        if row.needed is not None:
            key = (row.reconstruction, row.geometry, row.lateral_contact, row.medial_contact)
            rows.setdefault(key, []).append(row)
    found = []
    for key, sizes in rows.items():
        true = happened.needed_mm(*key, flags=sizes[0].flags)
        if true is None or sizes[0].needed is None:
            continue
        known = happened.needed_mm(*key, flags=sizes[0].flags, drawn=False)
        distance = None if known is None else sizes[0].needed.value - known
        found.append(_judged(sizes, true) | {"seed": seed, "span": ", ".join(key), "distance": distance})
    return found


def one_scanned_ear(seed: int, keep: Path | None) -> list[Row]:
    """The same from a scan: footplate and drum are looked for in the image and used where they agree with the click."""
    from plate_ears import clicked, make_ear

    from ctmeasure.anatomy.facts import CaseFacts
    from ctmeasure.anatomy.frames import canal_frame
    from ctmeasure.app.refined import refine_landmarks
    from ctmeasure.case.model import Case, scan_reference
    from ctmeasure.volume.quality import assess_fitness

    volume, truth = make_ear(seed, "standard", keep)
    fitness, landmarks, settings = assess_fitness(volume), clicked(truth, seed), Settings(draws_maximum=20_000)
    side: Any = truth.side
    case = Case(side, scan_reference(volume), CaseFacts(side=side), landmarks, settings=settings)
    found = refine_landmarks(case, volume, fitness, canal=canal_frame(landmarks, side))
    given = LengthInput(
        MeasureInput(
            landmarks, side, settings=settings, seed=seed, geometry=volume.geometry,
            psf_fwhm_mm=fitness.point_spread_mm, refined=found.records, drum=found.drum, niche=found.niche,
        )
    )  # fmt: skip
    layout = truth.ear.layout
    happened = _Happened(layout, true_landmarks(layout), settings, np.random.default_rng([73, seed]))
    used = sorted(record.id for record in found.records if record.used)
    return [row | {"used": used} for row in _rows_of(given, happened, seed)]


def _clicked(
    marks: dict[str, TruePoint], placed: EarPlacement, noise_mm: float, settings: Settings, rng: np.random.Generator
) -> LandmarkSet:
    """The landmarks as a hand places them on a scan whose scale is a little off."""
    scale = 1.0 + settings.scanner_scale_u * rng.standard_normal()
    found = []
    for name in USED:
        mark = marks[name]
        if mark.status != "placed":
            found.append(Landmark(name, mark.status))
            continue
        points = placed.to_lps(mark.points / scale)
        points = points + rng.normal(0.0, noise_mm, points.shape)
        found.append(
            Landmark(name, "placed", tuple(Placement((x, y, z), i) for i, (x, y, z) in enumerate(points.tolist())))
        )
    return LandmarkSet(found)


class _Happened:
    """What comes true in one ear, in its own frame: rim plane through zero, all that no plan can know drawn once."""

    def __init__(
        self, layout: Layout, marks: dict[str, TruePoint], settings: Settings, rng: np.random.Generator
    ) -> None:
        self.layout, self.marks, self.settings = layout, marks, settings
        self.cartilage = rng.normal(settings.cartilage_under_drum_mm, settings.cartilage_u_mm)
        self.seat = rng.normal(0.0, settings.seat_u_mm)
        self.hand = rng.normal(0.0, settings.handle_placement_u_mm, 3)
        self.plate = rng.normal(settings.footplate_thickness_mm, 0.05)

    def needed_mm(
        self, reconstruction: str, geometry: str, lateral: str, medial: str, *, flags: Sequence[str], drawn: bool = True
    ) -> float | None:
        """Needed functional length of one span; None for one whose truth is not known here.

        Not ``drawn``: with cartilage and seat as the settings have them, so that only the distance can be wrong.
        """
        start = self._lateral(lateral, geometry, flags)
        end = self.marks[medial].points if medial in self.marks else np.zeros((0, 3))
        if start is None or not len(end):
            return None
        length = float(np.linalg.norm(start - end[0])) + (self.seat if drawn else 0.0)
        if "drum" in lateral and "handle" not in lateral:
            length -= self.cartilage if drawn else self.settings.cartilage_under_drum_mm
        if reconstruction == "piston":
            length += self.plate + self.settings.piston_protrusion_mm
        return length

    def _lateral(self, name: str, geometry: str, flags: Sequence[str]) -> np.ndarray | None:
        normal = self.layout.rim_normal
        if name.startswith("planned handle tip"):
            if "bent out" in name:
                return self.marks["drum_centre"].points[0] + self.hand
            return (_moved_mm(flags) - self.settings.handle_tip_medial_mm) * normal + self.hand
        # The true contact stands where the footplate's normal meets the drum.
        known = "drum_contact" if name == STRAIGHT else name.removesuffix(RELAID)
        points = self.marks[known].points if known in self.marks else np.zeros((0, 3))
        if not len(points):
            return None
        return points[0] - float(points[0] @ normal) * normal if name.endswith(RELAID) else points[0]


def _moved_mm(flags: Sequence[str]) -> float:
    """How far the plan moves the tip out, as it prints it."""
    words = next((flag for flag in flags if flag.startswith("tip moved ")), "")
    return float(words.split()[2]) if words else 0.0


def _judged(rows: Sequence[LengthRow], true_mm: float) -> Row:
    """What was stated about one span against what came true."""
    needed = rows[0].needed
    assert needed is not None
    sized = [row for row in rows if row.functional_mm is not None and row.p_fits is not None]
    table = table_set(sized)
    return {
        "error": needed.value - true_mm,
        "u": needed.standard_uncertainty,
        "inside": needed.low_95 <= true_mm <= needed.high_95,
        "sizes": [[row.p_fits, _fits(row.functional_mm, true_mm)] for row in sized if (row.p_fits or 0.0) > LISTED_P],
        "tray_stated": table.coverage if table else None,
        "tray_held": any(_fits(size, true_mm) for size in table.sizes_mm) if table else None,
        "tray_sizes": len(table.sizes_mm) if table else 0,
    }


def _fits(size_mm: float | None, true_mm: float) -> bool:
    window = Settings()
    return size_mm is not None and window.fit_window_low_mm <= size_mm - true_mm <= window.fit_window_high_mm


@dataclass(frozen=True, eq=False)
class Table:
    """Rows of many ears as columns, so that ears can be weighed by how often they are drawn."""

    ear: NDArray[np.intp]
    columns: dict[str, Floats]
    pair_ear: NDArray[np.intp]
    pairs: Floats

    def mean(self, weights: Floats, values: Floats, where: Any = None) -> float:
        """Weighted mean over spans, of those that have a value."""
        w = weights[self.ear] * np.isfinite(values) * (1.0 if where is None else where)
        return float((w * np.nan_to_num(values)).sum() / w.sum()) if w.sum() else float("nan")


def table_of(ears: Sequence[list[Row]]) -> Table:
    """Columns of the rows of many ears; what was not stated is no number."""
    rows = [(at, row) for at, ear in enumerate(ears) for row in ear]
    names = ("error", "distance", "u", "inside", "tray_stated", "tray_held", "tray_sizes")
    columns = {
        name: np.array([np.nan if row.get(name) is None else float(row[name]) for _, row in rows]) for name in names
    }
    pairs = [(at, *pair) for at, row in rows for pair in row["sizes"]]
    found = np.array(pairs, dtype=np.float64).reshape(-1, 3)
    return Table(np.array([at for at, _ in rows]), columns, found[:, 0].astype(int), found[:, 1:])


def slope(table: Table, weights: Floats) -> float:
    """Calibration slope: logistic regression of "it fits" on the log odds of the stated P(fits), by Newton's method.

    References
    ----------
    Cox DR (1958) Two further applications of a model for binary regression. Biometrika 45:562-565.
    """
    p = np.clip(table.pairs[:, 0], 1e-4, 1.0 - 1e-4)
    weight = weights[table.pair_ear]
    x = np.column_stack([np.ones(len(p)), np.log(p / (1.0 - p))])
    beta = np.array([0.0, 1.0])
    for _ in range(30):
        expected = 1.0 / (1.0 + np.exp(-x @ beta))
        information = x.T @ (x * (weight * expected * (1.0 - expected))[:, None]) + SLIGHT * np.eye(2)
        step = np.linalg.solve(information, x.T @ (weight * (table.pairs[:, 1] - expected)))
        beta = beta + step
        if np.abs(step).max() < 1e-7:
            break
    return float(beta[1])


def _covered(table: Table) -> Floats:
    """Spans whose sizes reach 95 %: near the ends of the catalogue they cannot."""
    return np.nan_to_num(table.columns["tray_stated"]) >= TABLE_COVERAGE


STATISTICS: tuple[tuple[str, Callable[[Table, Floats], float], str], ...] = (
    ("needed length, bias (mm)", lambda t, w: t.mean(w, t.columns["error"]), "within 0.03"),
    ("needed length, rms (mm)", lambda t, w: t.mean(w, t.columns["error"] ** 2) ** 0.5, "0.15 refined"),
    ("of that the distance, bias (mm)", lambda t, w: t.mean(w, t.columns["distance"]), "within 0.03 refined"),
    ("of that the distance, rms (mm)", lambda t, w: t.mean(w, t.columns["distance"] ** 2) ** 0.5, "0.15 refined"),
    ("stated standard uncertainty, rms (mm)", lambda t, w: t.mean(w, t.columns["u"] ** 2) ** 0.5, ""),
    ("95 % interval holds the truth", lambda t, w: t.mean(w, t.columns["inside"]), "0.93-0.97"),
    ("P(fits), calibration slope", slope, "0.9-1.1"),
    ("a size on the table fits, where 95 % is stated", lambda t, w: t.mean(w, t.columns["tray_held"], _covered(t)), ""),
    ("the same as stated", lambda t, w: t.mean(w, t.columns["tray_stated"], _covered(t)), "0.95"),
    ("sizes on the table there", lambda t, w: t.mean(w, t.columns["tray_sizes"], _covered(t)), ""),
)


def by_ears(ears: Sequence[list[Row]], statistic: Callable[[Table, Floats], float]) -> tuple[float, float, float]:
    """A statistic over all spans, and its 95 % interval over ears drawn with replacement."""
    table, count = table_of(ears), len(ears)
    value = statistic(table, np.ones(count))
    rng = np.random.default_rng(7)
    drawn = [statistic(table, rng.multinomial(count, np.full(count, 1.0 / count))) for _ in range(RESAMPLES)]
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    return value, float(low), float(high)


def report(ears: Sequence[list[Row]]) -> None:
    """Print the tables."""
    lying = [[row for row in ear if AS_IT_LIES in row["span"]] for ear in ears]
    groups = [("all spans", ears), ("spans as they lie on the scan", lying)]
    groups += [
        (words, [[row for row in ear if start in row["span"] and found <= set(row.get("used", ()))] for ear in lying])
        for words, start, found in FROM_IMAGE
    ]
    for title, some in ((title, [ear for ear in group if ear]) for title, group in groups):
        if not some:
            continue
        print(f"{title:47s} {'value':>8s}  {'95 % interval':20s} goal")
        for words, statistic, goal in STATISTICS:
            value, low, high = by_ears(some, statistic)
            print(f"{words:47s} {value:8.3f}  {low:8.3f} to {high:8.3f} {goal}", flush=True)
        print()
    print(f"{'span':74s} {'ears':>5s} {'bias':>7s} {'rms':>6s} {'inside, 95 % interval':>24s} {'tray':>6s}")
    for span in sorted({row["span"] for ear in ears for row in ear}):
        rows = [row for ear in ears for row in ear if row["span"] == span]
        inside = sum(row["inside"] for row in rows)
        low, high = clopper_pearson(inside, len(rows))
        errors = np.array([row["error"] for row in rows])
        held = [row["tray_held"] for row in rows if row["tray_held"] is not None]
        print(
            f"{span[:74]:74s} {len(rows):5d} {errors.mean():+7.3f} {np.sqrt((errors**2).mean()):6.3f} "
            f"{inside / len(rows):7.3f} ({low:.3f} to {high:.3f}) {np.mean(held) if held else np.nan:6.3f}"
        )


def main() -> None:
    """Run or resume, then print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--ears", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="first ear")
    parser.add_argument("--noise", type=float, default=CLICK_NOISE_MM, help="mm per axis of every placed point")
    parser.add_argument("--scan", action="store_true", help="scan each ear and look for footplate and drum in it")
    parser.add_argument("--keep", type=Path, help="folder that keeps the scans for another run")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--table", action="store_true", help="only print what is there")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    state = args.out / ("lengths_scan.jsonl" if args.scan else f"lengths_{args.noise:g}.jsonl")
    known: dict[int, list[Row]] = {}
    for line in state.read_text(encoding="utf-8").splitlines() if state.exists() else ():
        entry = json.loads(line)
        known[entry["seed"]] = entry["rows"]
    wanted = range(args.seed, args.seed + args.ears)
    for seed in wanted if not args.table else ():
        if seed in known:
            continue
        known[seed] = one_scanned_ear(seed, args.keep) if args.scan else one_ear(seed, args.noise)
        with state.open("a", encoding="utf-8") as out:
            out.write(json.dumps({"seed": seed, "rows": known[seed]}) + "\n")
        print(f"ear {seed} done", file=sys.stderr, flush=True)
    ears = [known[seed] for seed in wanted if known.get(seed)]
    how = "scanned, clicked, found in the image" if args.scan else "no scan"
    print(f"{len(ears)} ears from {args.seed}, {how}, placed points off by {args.noise:g} mm per axis\n")
    report(ears)


if __name__ == "__main__":
    main()
