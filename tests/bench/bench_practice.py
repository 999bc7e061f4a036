"""Simulated readers of known bias and covariance, through scoring and back: what is recovered, and what it predicts.

    python tests/bench/bench_practice.py --readers 200 --seed 3001

Every reader places points of an invented ear in 24 attempts; each attempt is scored as any attempt is, and bias,
scatter and the predictive t come from the scores alone. Printed per landmark: what was put in, what came out on average
with its standard error (a sample SD of 24 is 0.989 of the true one on average), and how often the next placement lay
within the predicted 95 % region.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from ear_marks import place, right_ear

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.planning.scoring.answers import Answer, Reference
from ctmeasure.planning.scoring.points import axes_of, point_score
from ctmeasure.uncertainty.observer.reader import reader_spread

ATTEMPTS = 24
READERS = {
    "stapes_head": ((0.30, -0.10, 0.05), (0.15, 0.25, 0.10)),
    "drum_centre": ((-0.40, 0.00, 0.20), (0.30, 0.20, 0.20)),
    "footplate_centre": ((0.00, 0.00, 0.00), (0.20, 0.20, 0.20)),
    "annulus": ((0.15, 0.10, -0.20), (0.20, 0.10, 0.15)),
}
"""Bias and SD in lateral, posterior, superior, mm; of the ring as a whole, its points scatter by `RING_MM` besides."""
RING_MM = 0.1


def main() -> None:
    """Print the table."""
    from scipy.special import fdtri

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readers", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    ear, rng = right_ear(), np.random.default_rng(given.seed)
    reference = Reference("right", (Answer("right", ear),))
    axes = axes_of(ear, "right")
    rows = np.array(axes.rows_lps)
    print(f"{given.readers} readers of {ATTEMPTS} attempts, seed {given.seed}")
    print("landmark           direction  bias in  out (SE)         SD in  out (SE)         next within 95 %")
    for name, (bias, sd) in READERS.items():
        spreads, within = [], 0
        for _ in range(given.readers):
            drawn = np.array(bias) + np.array(sd) * rng.standard_normal((ATTEMPTS + 1, 3))
            errors = np.array([_scored(name, shift @ rows, reference, axes, ear, rng) for shift in drawn])
            spread = reader_spread(errors[:ATTEMPTS])
            spreads.append(spread)
            gap, freedom = errors[ATTEMPTS] - spread.bias_mm, ATTEMPTS - 3
            scale = spread.covariance_mm2 * (1.0 + 1.0 / ATTEMPTS)
            squared = gap @ np.linalg.solve(scale, gap) * freedom / (3.0 * (ATTEMPTS - 1))
            within += squared <= float(fdtri(3.0, freedom, 0.95))
        found = np.array([s.bias_mm for s in spreads])
        scatter = np.sqrt([np.diag(s.covariance_mm2) for s in spreads])
        share = within / given.readers
        for at, direction in enumerate(("lateral", "posterior", "superior")):
            out, error = found[:, at].mean(), found[:, at].std(ddof=1) / given.readers**0.5
            wide, wide_error = scatter[:, at].mean(), scatter[:, at].std(ddof=1) / given.readers**0.5
            last = f"{share:.3f} (SE {(share * (1 - share) / given.readers) ** 0.5:.3f})" if at == 0 else ""
            print(
                f"{name if at == 0 else '':18s} {direction:10s} {bias[at]:+.3f}  {out:+.3f} ({error:.3f})  "
                f"{sd[at]:7.3f}  {wide:.3f} ({wide_error:.3f})  {last}"
            )


def _scored(
    name: str, shift_lps: np.ndarray, reference: Reference, axes: object, ear: LandmarkSet, rng: np.random.Generator
) -> np.ndarray:
    """Lateral, posterior and superior error of one attempt, as its score holds them."""
    points = ear[name].points_lps + shift_lps
    if len(points) > 1:
        points = points + RING_MM * rng.standard_normal(points.shape)
    answer = Answer("right", ear.with_landmark(place(name, points)))
    score = point_score(name, answer, reference, axes)  # type: ignore[arg-type]
    return np.array([score.lateral_mm, score.posterior_mm, score.superior_mm], dtype=float)


if __name__ == "__main__":
    main()
