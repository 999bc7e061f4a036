"""How long the measurands and the lengths of one ear take; prints a table, asserts nothing.

Run: python tests/bench/bench_measurands.py
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Patch, Tube
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.sizes import candidate_lengths
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry

POINTS = {
    "canal_medial": (0, 0, 0),
    "canal_lateral": (7, 0.3, 0.2),
    "drum_centre": (1.2, 0.2, -0.3),
    "drum_contact": (0.6, 1.0, 1.2),
    "footplate_centre": (-4, 2.2, 1.5),
    "footplate_anterior": (-4.2, 0.8, 1.3),
    "footplate_posterior": (-4.1, 3.6, 1.4),
    "footplate_superior": (-4.3, 2.2, 2.2),
    "footplate_inferior": (-4.0, 2.3, 0.8),
    "promontory": (-2.2, 0.5, -1.0),
    "stapes_head": (-0.9, 2.4, 0.9),
    "malleus_neck": (1.0, -0.8, 3.3),
    "scutum": (0, 0, 4.9),
    "chorda_entry": (-0.5, 4.2, 1.5),
    "sinus_tympani": (-4.2, 5.0, 0),
    "handle_tip": (-0.5, 0, -1),
    "incus_long_process": (-0.5, 2, 1.0),
    "anchor_1": (2, -1.5, 4.4),
    "anchor_2": (2, 2.0, 4.3),
}


def ear(settings: Settings) -> MeasureInput:
    """An invented ear with every kind of input, its facial canal a polyline of 80 vertices."""
    a = np.arange(12) * np.pi / 6 + 0.1
    rings = {
        "annulus": np.column_stack([0.8 * np.cos(a), 4.25 * np.sin(a), 4.6 * np.cos(a)]),
        "lateral_semicircular_canal": np.column_stack([-8 + 3 * np.cos(a), 4 + 3 * np.sin(a), 5 + 0 * a]),
        **{k: np.array([v], dtype=float) for k, v in POINTS.items()},
    }
    marks = [
        Landmark(k, "placed", tuple(Placement(tuple(map(float, p)), index=n) for n, p in enumerate(v)))
        for k, v in rings.items()
    ]
    knots = np.array([(-6, -3, 4.5), (-4.2, 2.2, 3.6), (-2.8, 6.5, 0), (-1, 7, -9)], dtype=float)
    share = np.linspace(0, 3, 80)
    course = np.column_stack([np.interp(share, np.arange(4), knots[:, k]) for k in range(3)])
    return MeasureInput(
        LandmarkSet(marks),
        "left",
        structures=(
            Tube("facial_nerve", "placed", tuple(map(tuple, course.tolist())), radii_mm=(0.6,) * 80),
            Tube(
                "chorda_tympani", "placed", ((-1.0, 6.8, -6.0), (-0.5, 4.2, 1.5), (0.0, 1.0, 3.0)), radii_mm=(0.2,) * 3
            ),
            Patch("tegmen", "placed", ((-4.0, -4.0, 9.0), (4.0, -4.0, 10.0), (-4.0, 4.0, 9.5), (4.0, 4.0, 9.8))),
        ),
        settings=settings,
        geometry=Geometry((100, 100, 100), np.diag([0.2, 0.2, 0.3, 1.0])[[2, 1, 0, 3]]),
        psf_fwhm_mm=(0.45, 0.5),
    )


def timed(work: Callable[[], object]) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def main() -> None:
    """Print wall and processor seconds by the most draws allowed."""
    print(f"{'draws at most':>14}{'':>4}{'measure wall':>14}{'cpu':>8}{'lengths wall':>14}{'cpu':>8}")
    first = ear(Settings(draws_maximum=20_000))
    wall, cpu = timed(lambda: measure(first))
    print(f"{'(first run)':>14}{'':>4}{wall:>14.2f}{cpu:>8.2f}")
    for most in (20_000, 50_000, 200_000):
        given = ear(Settings(draws_maximum=most))
        row = [
            *timed(lambda given=given: measure(given)),
            *timed(lambda given=given: candidate_lengths(LengthInput(given))),
        ]
        print(f"{most:>14}{'':>4}{row[0]:>14.2f}{row[1]:>8.2f}{row[2]:>14.2f}{row[3]:>8.2f}")


if __name__ == "__main__":
    main()
