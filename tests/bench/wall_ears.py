"""Invented ears for the wall campaign: scans of a block around one random ear's canal, and clicked landmarks."""

from __future__ import annotations

import argparse

import numpy as np
from blocks import clicked_landmarks, scanned_block
from ctmeasure_samples.model import build_ear
from ctmeasure_samples.parameters import HeadParameters, ScannerParameters, random_ear
from ctmeasure_samples.placement import place_ear
from ctmeasure_samples.scanner import make_grid
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.volume.volume import Volume

BLOCK_MM = (28.0, 28.0, 23.0)
"""Slices, rows, columns of the block around the canal that is rendered."""
CLICK_NOISE_MM = 0.3
CLICKED = ("canal_medial", "canal_lateral", "annulus", "lateral_semicircular_canal")


def scanner_of(seed: int, args: argparse.Namespace) -> ScannerParameters:
    """Scanner of one ear: every second one has a sharp kernel that overshoots."""
    rng = np.random.default_rng([20254, seed])
    sharp = seed % 2 == 1
    if args.cone_beam:
        return ScannerParameters(
            spacing_mm=(0.2, 0.2, 0.2), fwhm_in_plane_mm=0.32, fwhm_through_plane_mm=0.32, noise_hu=70.0,
            noise_fwhm_mm=0.34, clip_hu=(-1100.0, 4200.0), gain=0.82, offset=930.0, seed=seed,
        )  # fmt: skip
    return ScannerParameters(
        spacing_mm=(0.6 if args.coarse else 0.4, 0.3, 0.3),
        fwhm_in_plane_mm=0.45,
        fwhm_through_plane_mm=0.75 if args.coarse else 0.55,
        overshoot=float(rng.uniform(0.15, 0.6)) if sharp else 0.0,
        noise_hu=60.0,
        noise_fwhm_mm=0.39 if sharp else 0.54,
        seed=seed,
    )


def make_ear(seed: int, args: argparse.Namespace) -> tuple[Volume, LandmarkSet, EarTruth]:
    """Scan of a block around one random ear's canal, and clicked landmarks."""
    side = "left" if seed % 4 < 2 else "right"
    head = HeadParameters()
    truth = EarTruth(build_ear(random_ear(seed), head), place_ear(head, side))  # type: ignore[arg-type]
    scanner = scanner_of(seed, args)
    marks = truth.landmarks
    medial, lateral = marks["canal_medial"].points[0], marks["canal_lateral"].points[0]
    axis = (lateral - medial) / np.linalg.norm(lateral - medial)
    grid = make_grid(medial + 4.0 * axis, BLOCK_MM, spacing_mm=scanner.spacing_mm)
    kept = args.out / f"scan_{seed:05d}.npy"
    volume = scanned_block(truth, grid, scanner, kept=kept, keep=args.keep_scans)
    landmarks = clicked_landmarks(truth, CLICKED, noise_mm=CLICK_NOISE_MM, rng=np.random.default_rng([20255, seed]))
    return volume, landmarks, truth
