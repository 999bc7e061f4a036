"""Needed lengths, intervals, P(fits) and sizes on the table on random synthetic ears with known contacts; resumes.

    python tests/bench/campaign_lengths.py --ears 500 --seed 1001 --out DIR
    python tests/bench/campaign_lengths.py --ears 500 --seed 1001 --out DIR --noise 0.1     clicks off by less

No scan is rendered: contacts, rim and canal come from the shapes of each ear, are displaced by independent normal noise
per axis (0.3 mm: a hand's click; the settings are told the same), and by the length scale of its scanner (0.3 %). What
the plan cannot know is drawn once an ear from what the settings state: cartilage, seat, footplate, how the hand reaches
the planned tip. The needed length that comes true is computed from the shapes alone. So the figures say whether the
arithmetic from placed points to sizes is honest; how well an image places the points is another campaign's matter.

Figures are over spans (reconstruction, geometry, contact), their 95 % intervals over whole ears drawn with replacement,
since the spans of an ear share points. One line an ear goes to DIR as soon as it is done.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from ctmeasure_samples.landmarks import TruePoint, true_landmarks
from ctmeasure_samples.layout import Layout, make_layout
from ctmeasure_samples.parameters import HeadParameters, random_ear
from ctmeasure_samples.placement import Placement as EarPlacement
from ctmeasure_samples.placement import place_ear

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.sizes import candidate_lengths
from ctmeasure.planning.lengths.spans import AS_IT_LIES
from ctmeasure.planning.lengths.table import TABLE_COVERAGE, table_set
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.results import LengthRow
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.intervals import clopper_pearson

CLICK_NOISE_MM = 0.3
RESAMPLES = 1000
USED = (
    "annulus", "canal_medial", "canal_lateral", "lateral_semicircular_canal", "drum_centre", "drum_contact", "umbo",
    "footplate_centre", "stapes_head", "incus_contact", "incus_long_process", "malleus_neck", "promontory",
    "anterior_tympanic_spine", "posterior_tympanic_spine",
)  # fmt: skip
LISTED_P = 0.01
"""Sizes likelier to fit than this count for the calibration; the others are all but decided."""
Row = dict[str, Any]


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
    happened = _Happened(layout, marks, settings, rng)
    rows: dict[tuple[str, ...], list[LengthRow]] = {}
    for row in candidate_lengths(given):
        if row.needed is not None:
            key = (row.reconstruction, row.geometry, row.lateral_contact, row.medial_contact)
            rows.setdefault(key, []).append(row)
    return [
        stated | {"seed": seed, "span": ", ".join(key)}
        for key, sizes in rows.items()
        if (true := happened.needed_mm(*key, flags=sizes[0].flags)) is not None and (stated := _judged(sizes, true))
    ]


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
        self, reconstruction: str, geometry: str, lateral: str, medial: str, *, flags: Sequence[str]
    ) -> float | None:
        """Needed functional length of one span; None for one whose truth is not known here."""
        start = self._lateral(lateral, geometry, flags)
        end = self.marks[medial].points if medial in self.marks else np.zeros((0, 3))
        if start is None or not len(end):
            return None
        length = float(np.linalg.norm(start - end[0])) + self.seat
        if "drum" in lateral and "handle" not in lateral:
            length -= self.cartilage
        if reconstruction == "piston":
            length += self.plate + self.settings.piston_protrusion_mm
        return length

    def _lateral(self, name: str, geometry: str, flags: Sequence[str]) -> np.ndarray | None:
        normal = self.layout.rim_normal
        if name.startswith("planned handle tip"):
            if "bent out" in name:
                return self.marks["drum_centre"].points[0] + self.hand
            return (_moved_mm(flags) - self.settings.handle_tip_medial_mm) * normal + self.hand
        known = name.removesuffix(" re-laid at the rim")
        points = self.marks[known].points if known in self.marks else np.zeros((0, 3))
        if not len(points):
            return None
        return points[0] - float(points[0] @ normal) * normal if known != name else points[0]


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


def slope(rows: Sequence[Row]) -> float:
    """Calibration slope: logistic regression of "it fits" on the log odds of the stated P(fits), by Newton's method.

    References
    ----------
    Cox DR (1958) Two further applications of a model for binary regression. Biometrika 45:562-565.
    """
    pairs = np.array([pair for row in rows for pair in row["sizes"]], dtype=np.float64)
    if not len(pairs):
        return float("nan")
    p = np.clip(pairs[:, 0], 1e-4, 1.0 - 1e-4)
    x = np.column_stack([np.ones(len(p)), np.log(p / (1.0 - p))])
    beta = np.array([0.0, 1.0])
    for _ in range(30):
        expected = 1.0 / (1.0 + np.exp(-x @ beta))
        information = x.T @ (x * (expected * (1.0 - expected))[:, None])
        step = np.linalg.solve(information, x.T @ (pairs[:, 1] - expected))
        beta = beta + step
        if np.abs(step).max() < 1e-9:
            break
    return float(beta[1])


def _mean(rows: Sequence[Row], key: str) -> float:
    values = [row[key] for row in rows if row[key] is not None]
    return float(np.mean(values)) if values else float("nan")


def _covered(rows: Sequence[Row]) -> list[Row]:
    """Spans whose sizes reach 95 %: near the ends of the catalogue they cannot."""
    return [row for row in rows if (row["tray_stated"] or 0.0) >= TABLE_COVERAGE]


STATISTICS: tuple[tuple[str, Callable[[Sequence[Row]], float], str], ...] = (
    ("needed length, bias (mm)", lambda r: _mean(r, "error"), "within 0.03"),
    ("needed length, rms (mm)", lambda r: float(np.sqrt(np.mean([x["error"] ** 2 for x in r]))), "0.15 refined"),
    ("stated standard uncertainty, rms (mm)", lambda r: float(np.sqrt(np.mean([x["u"] ** 2 for x in r]))), ""),
    ("95 % interval holds the truth", lambda r: _mean(r, "inside"), "0.93-0.97"),
    ("P(fits), calibration slope", slope, "0.9-1.1"),
    ("a size on the table fits, where 95 % is stated", lambda r: _mean(_covered(r), "tray_held"), "0.95"),
    ("the same as stated", lambda r: _mean(_covered(r), "tray_stated"), ""),
    ("sizes on the table there", lambda r: _mean(_covered(r), "tray_sizes"), ""),
)


def by_ears(ears: Sequence[list[Row]], statistic: Callable[[Sequence[Row]], float]) -> tuple[float, float, float]:
    """A statistic over all spans, and its 95 % interval over ears drawn with replacement."""
    value = statistic([row for ear in ears for row in ear])
    rng = np.random.default_rng(7)
    drawn = []
    for _ in range(RESAMPLES):
        picked = rng.integers(0, len(ears), len(ears))
        drawn.append(statistic([row for i in picked for row in ears[i]]))
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    return value, float(low), float(high)


def report(ears: Sequence[list[Row]]) -> None:
    """Print the tables."""
    lying = [[row for row in ear if AS_IT_LIES in row["span"]] for ear in ears]
    for title, some in (("all spans", ears), ("spans as they lie on the scan", [ear for ear in lying if ear])):
        print(f"{title:47s} {'value':>8s}  {'95 % interval':20s} goal")
        for words, statistic, goal in STATISTICS:
            value, low, high = by_ears(some, statistic)
            print(f"{words:47s} {value:8.3f}  {low:8.3f} to {high:8.3f} {goal}")
        print()
    print(f"{'span':74s} {'ears':>5s} {'bias':>7s} {'rms':>6s} {'inside, 95 % interval':>24s} {'tray':>6s}")
    for span in sorted({row["span"] for ear in ears for row in ear}):
        rows = [row for ear in ears for row in ear if row["span"] == span]
        inside = sum(row["inside"] for row in rows)
        low, high = clopper_pearson(inside, len(rows))
        rms = float(np.sqrt(np.mean([row["error"] ** 2 for row in rows])))
        held = _mean(rows, "tray_held")
        print(
            f"{span[:74]:74s} {len(rows):5d} {_mean(rows, 'error'):+7.3f} {rms:6.3f} "
            f"{inside / len(rows):7.3f} ({low:.3f} to {high:.3f}) {held:6.3f}"
        )


def main() -> None:
    """Run or resume, then print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--ears", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="first ear")
    parser.add_argument("--noise", type=float, default=CLICK_NOISE_MM, help="mm per axis of every placed point")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--table", action="store_true", help="only print what is there")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    state = args.out / f"lengths_{args.noise:g}.jsonl"
    known: dict[int, list[Row]] = {}
    for line in state.read_text(encoding="utf-8").splitlines() if state.exists() else ():
        entry = json.loads(line)
        known[entry["seed"]] = entry["rows"]
    wanted = range(args.seed, args.seed + args.ears)
    for seed in wanted if not args.table else ():
        if seed in known:
            continue
        known[seed] = one_ear(seed, args.noise)
        with state.open("a", encoding="utf-8") as out:
            out.write(json.dumps({"seed": seed, "rows": known[seed]}) + "\n")
        print(f"ear {seed} done", file=sys.stderr, flush=True)
    ears = [known[seed] for seed in wanted if known.get(seed)]
    print(f"{len(ears)} ears from {args.seed}, placed points off by {args.noise:g} mm per axis\n")
    report(ears)


if __name__ == "__main__":
    main()
