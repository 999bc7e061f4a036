"""Synthetic ears for the campaign of footplate and drum: a block around both, scanned at the stated settings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from blocks import clicked_landmarks, scanned_block
from ctmeasure_samples.catalog import random_case
from ctmeasure_samples.model import build_ear
from ctmeasure_samples.parameters import ScannerParameters, healthy_ear
from ctmeasure_samples.placement import place_ear
from ctmeasure_samples.scanner import make_grid
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.volume.volume import Volume

BLOCK_MM = (20.0, 20.0, 21.0)
"""Slices, rows, columns of the block that is rendered."""
CENTRE_EAR_MM = (0.5, 0.8, 0.8)
CLICK_NOISE_MM = 0.3
HEALTHY_EVERY = 3
"""Every third ear is a healthy one; the others are ears that need a reconstruction."""
CLICKED = (
    "canal_medial", "canal_lateral", "annulus", "lateral_semicircular_canal", "drum_centre", "footplate_centre",
    "drum_contact",
)  # fmt: skip
KINDS = ("standard", "coarse", "cone-beam")


def scanner_of(seed: int, kind: str) -> ScannerParameters:
    """Scanner of one ear: every second one has a sharp kernel that overshoots."""
    rng = np.random.default_rng([930, seed])
    if kind == "cone-beam":
        return ScannerParameters(
            spacing_mm=(0.2, 0.2, 0.2),
            fwhm_in_plane_mm=0.32,
            fwhm_through_plane_mm=0.32,
            noise_hu=70.0,
            noise_fwhm_mm=0.34,
            clip_hu=(-1100.0, 4200.0),
            gain=0.82,
            offset=930.0,
            kernel="CONE-BEAM",
            seed=seed,
        )
    sharp = seed % 2 == 1
    coarse = kind == "coarse"
    return ScannerParameters(
        spacing_mm=(0.6 if coarse else 0.4, 0.3, 0.3),
        fwhm_in_plane_mm=0.45,
        fwhm_through_plane_mm=0.75 if coarse else 0.55,
        overshoot=float(rng.uniform(0.15, 0.6)) if sharp else 0.0,
        noise_hu=60.0,
        noise_fwhm_mm=0.39 if sharp else 0.54,
        kernel="BONE-SHARP" if sharp else "BONE-SMOOTH",
        seed=seed,
    )


def make_ear(seed: int, kind: str = "standard", keep: Path | None = None) -> tuple[Volume, EarTruth]:
    """The scan of a block around drum and footplate of one random ear, and its truth.

    Parameters
    ----------
    seed
        Same seed, same ear.
    kind
        One of `KINDS`.
    keep
        Folder that keeps the voxels for another run.
    """
    case = random_case(seed)
    parameters = healthy_ear(seed) if seed % HEALTHY_EVERY == 0 else case.ears[0][1]
    truth = EarTruth(build_ear(replace(parameters), case.head), place_ear(case.head, case.side))
    scanner = scanner_of(seed, kind)
    centre = truth.placement.to_lps(np.array(CENTRE_EAR_MM))
    grid = make_grid(centre, BLOCK_MM, spacing_mm=scanner.spacing_mm)
    kept = keep / f"{kind}_{seed:05d}.npy" if keep is not None else None
    return scanned_block(truth, grid, scanner, kept=kept), truth


def clicked(truth: EarTruth, seed: int, noise_mm: float = CLICK_NOISE_MM) -> LandmarkSet:
    """Landmarks as a person might click them: off by `noise_mm` per axis."""
    return clicked_landmarks(truth, CLICKED, noise_mm=noise_mm, rng=np.random.default_rng([931, seed]))
