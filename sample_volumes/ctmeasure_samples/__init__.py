"""The synthetic ear: a generator of temporal-bone CT with exact truth, and the small series shipped with it.

Parameters of one ear go in (`parameters`), analytic shapes are built from them (`layout`, `skull`, `cavity`,
`inner_ear`, `nerves`, `ossicles`, `implants`), painted, blurred and sampled (`scanner`), written as DICOM (`dicom`)
with input tables (`tables`). Truth (`truth`) is computed from the shapes, never from voxels. All of it is
invented.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ctmeasure_samples.catalog import (
        SampleCase,
        case_grid,
        case_truths,
        generate,
        random_case,
        samples,
        scan_case,
    )
    from ctmeasure_samples.model import EarModel, WallReading, build_ear
    from ctmeasure_samples.parameters import (
        EarParameters,
        HeadParameters,
        ScannerParameters,
        WallState,
        healthy_ear,
        random_ear,
        random_scanner,
    )
    from ctmeasure_samples.shipped import SAMPLE_NAMES, sample_path
    from ctmeasure_samples.truth import EarTruth

_HOMES = {
    "catalog": (
        "SampleCase", "case_grid", "case_truths", "generate", "random_case", "samples", "scan_case",
    ),
    "model": ("EarModel", "WallReading", "build_ear"),
    "parameters": (
        "EarParameters",
        "HeadParameters",
        "ScannerParameters",
        "WallState",
        "healthy_ear",
        "random_ear",
        "random_scanner",
    ),
    "shipped": ("SAMPLE_NAMES", "sample_path"),
    "truth": ("EarTruth",),
}  # fmt: skip

__all__ = [
    "SAMPLES",
    "SAMPLE_NAMES",
    "EarModel",
    "EarParameters",
    "EarTruth",
    "HeadParameters",
    "SampleCase",
    "ScannerParameters",
    "WallReading",
    "WallState",
    "build_ear",
    "case_grid",
    "case_truths",
    "generate",
    "healthy_ear",
    "random_case",
    "random_ear",
    "random_scanner",
    "sample_path",
    "samples",
    "scan_case",
]


def __getattr__(name: str) -> Any:
    """Import on first use: the generator compiles kernels, finding a shipped sample does not need them."""
    from importlib import import_module

    if name == "SAMPLES":
        from ctmeasure_samples.catalog import samples

        return samples()
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"ctmeasure_samples.{home}"), name)
    raise AttributeError(f"module 'ctmeasure_samples' has no attribute '{name}'")
