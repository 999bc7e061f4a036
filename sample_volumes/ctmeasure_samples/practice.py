"""Twenty-four ears to practise on, from easy to hard: parameters only; each is scanned when somebody opens it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ctmeasure.progress import Progress, no_progress
from ctmeasure_samples.catalog import SampleCase, case_truths, scan_case
from ctmeasure_samples.parameters import HeadParameters, ScannerParameters, WallState, healthy_ear
from ctmeasure_samples.placement import Side

LEVELS = ("easy", "middle", "hard")
CROP_MM = (30.0, 34.0, 34.0)
"""Slices, rows, columns around the middle ear: rendered in seconds."""
FIRST_SEED = 8100
GONE: dict[str, Any] = {"malleus": "absent", "incus": "absent"}
DOWN = (WallState("taken_down", 55.0, 110.0),)
FINE, USUAL, COARSE = (0.3, 0.25, 0.25), (0.4, 0.3, 0.3), (0.65, 0.35, 0.35)
QUIET, NOISY = 40.0, 95.0
RECIPE: tuple[tuple[str, str, dict[str, Any], tuple[float, float, float], float], ...] = (
    ("easy", "whole chain", {}, FINE, QUIET),
    ("easy", "whole chain", {}, USUAL, QUIET),
    ("easy", "malleus gone", {"malleus": "absent"}, FINE, QUIET),
    ("easy", "incus gone", {"incus": "absent"}, FINE, QUIET),
    ("easy", "malleus and incus gone", GONE, FINE, QUIET),
    ("easy", "chorda divided", {**GONE, "chorda": "divided"}, USUAL, QUIET),
    ("easy", "airy mastoid, cells in the wall", {"wall": (WallState("cellular", 85.0, 50.0, 1.0),)}, FINE, QUIET),
    ("easy", "stapes arch gone", {"stapes_arch": "absent", "incus": "absent"}, FINE, QUIET),
    ("middle", "lateralised drum", {**GONE, "drum": "lateralised", "drum_lateralisation_mm": 1.5}, USUAL, QUIET),
    ("middle", "lateralised drum", {**GONE, "drum": "lateralised", "drum_lateralisation_mm": 2.6}, USUAL, NOISY),
    ("middle", "eroded incus", {"incus": "eroded", "stapes_arch": "eroded"}, USUAL, QUIET),
    ("middle", "eroded scutum", {**GONE, "wall": (WallState("scutum_eroded", 0.0, 60.0),)}, USUAL, QUIET),
    ("middle", "high jugular bulb", {**GONE, "jugular_bulb_top_mm": -3.2}, USUAL, QUIET),
    ("middle", "low tegmen", {"incus": "absent", "tegmen_height_mm": 4.8, "attic_width_mm": 5.6}, USUAL, QUIET),
    ("middle", "fluid below", {**GONE, "fills": ("mesotympanum",)}, USUAL, QUIET),
    ("middle", "coarse slices", {"incus": "absent"}, COARSE, QUIET),
    ("hard", "dehiscent nerve", {**GONE, "facial_dehiscence_mm": 2.4}, USUAL, NOISY),
    ("hard", "dehiscent nerve under a lateralised drum",
     {**GONE, "facial_dehiscence_mm": 1.8, "drum": "lateralised", "drum_lateralisation_mm": 2.0}, USUAL, QUIET),
    ("hard", "metal", {**GONE, "stapes_arch": "absent", "old_strut": True}, USUAL, QUIET),
    ("hard", "wall down", {**GONE, "wall": DOWN, "drum": "lateralised", "drum_lateralisation_mm": 1.2}, USUAL, QUIET),
    ("hard", "opacified", {**GONE, "fills": ("attic", "niche", "mesotympanum", "mastoid")}, USUAL, NOISY),
    ("hard", "opacified, arch gone", {**GONE, "stapes_arch": "absent", "fills": ("niche", "mesotympanum")},
     COARSE, QUIET),
    ("hard", "coarse slices, lateralised drum",
     {**GONE, "drum": "lateralised", "drum_lateralisation_mm": 2.8}, COARSE, NOISY),
    ("hard", "high bulb, low tegmen, wall down",
     {**GONE, "jugular_bulb_top_mm": -3.2, "tegmen_height_mm": 4.8, "attic_width_mm": 5.6, "wall": DOWN},
     USUAL, NOISY),
)  # fmt: skip
"""Level, what is special (said only in the feedback), changes to a healthy ear, voxel size, noise. Our own choice."""


@dataclass(frozen=True, slots=True)
class PracticeEar:
    """One ear of the recipe; ``special`` belongs to the sealed reference."""

    id: str
    level: str
    special: str
    case: SampleCase


def practice_ears() -> tuple[PracticeEar, ...]:
    """The twenty-four ears, easy first; sides and head poses vary.

    Example
    -------
    >>> len(practice_ears()), practice_ears()[0].level, practice_ears()[-1].level
    (24, 'easy', 'hard')
    """
    return tuple(_ear(number, *row) for number, row in enumerate(RECIPE, 1))


def _ear(
    number: int, level: str, special: str, changes: dict[str, Any], spacing: tuple[float, float, float], noise: float
) -> PracticeEar:
    rng = np.random.default_rng([88, number])
    side: Side = "left" if rng.random() < 0.5 else "right"
    yaw, pitch, roll = (float(a) for a in rng.uniform(-10.0, 10.0, 3))
    head = HeadParameters(yaw_deg=yaw, pitch_deg=pitch, roll_deg=roll, seed=FIRST_SEED + number)
    scanner = ScannerParameters(
        spacing_mm=spacing,
        fwhm_in_plane_mm=max(0.42, 1.3 * spacing[1]),
        fwhm_through_plane_mm=max(0.5, 1.2 * spacing[0]),
        noise_hu=noise,
        seed=FIRST_SEED + number,
    )
    name = f"ear-{number:02d}"
    case = SampleCase(
        name=name, title=f"practice {name}", side=side,
        ears=((side, replace(healthy_ear(FIRST_SEED + number), **changes)),), head=head, scanner=scanner,
        size_mm=CROP_MM, centre_ear_mm=(-1.0, 3.0, 0.0), patient_id=f"SAMPLE-P{number:02d}",
        patient_name=f"SAMPLE^PRACTICE {number:02d}", date="20250101",
    )  # fmt: skip
    return PracticeEar(name, level, special, case)


def write_scan(ear: PracticeEar, folder: Path, *, progress: Progress = no_progress) -> None:
    """Scan one ear into a DICOM folder.

    Parameters
    ----------
    ear
        One of `practice_ears`.
    folder
        Made when missing.
    progress
        Listener; may cancel.

    Raises
    ------
    OSError
        When the folder cannot be written.
    ctmeasure.errors.Cancelled
        When the listener stops it.
    """
    from ctmeasure_samples.dicom import SeriesIdentity, write_series

    case = ear.case
    values, grid = scan_case(case, case_truths(case), progress=progress)
    identity = SeriesIdentity(case.name, "1", case.patient_id, case.patient_name, case.date, case.title)
    write_series(values, grid, folder, identity=identity, scanner=case.scanner)
