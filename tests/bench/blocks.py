"""What every campaign does with a synthetic ear: scan a block of it, click landmarks, mark structures, count by ear."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.scanner import Grid, scan
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

FRAME_OF_REFERENCE = "1.2.826.0.1.3680043.10.543.1"


def scanned_block(
    truth: EarTruth, grid: Grid, scanner: ScannerParameters, *, kept: Path | None = None, keep: bool = True
) -> Volume:
    """The scan of a block of one ear, read where an earlier run kept it.

    Parameters
    ----------
    truth
        The ear.
    grid
        Of the block.
    scanner
        What scans it.
    kept
        File of the voxels for another run.
    keep
        Whether to write that file when it is not there.
    """
    if kept is not None and kept.exists():
        values = np.load(kept)
    else:
        values = scan([(truth.ear, truth.placement)], grid, scanner)
        if kept is not None and keep:
            kept.parent.mkdir(parents=True, exist_ok=True)
            np.save(kept, values)
    unit = "HU" if scanner.calibrated else "grey"
    source = ScanSource(kernel=scanner.kernel, spacing_mm=scanner.spacing_mm, intensity_unit=unit)
    return Volume(Geometry(grid.shape_kji, grid.affine_lps, FRAME_OF_REFERENCE), values, source)


def clicked_landmarks(truth: EarTruth, names: Iterable[str], *, noise_mm: float, rng: Any) -> LandmarkSet:
    """Landmarks that are there, as a person might click them: off by `noise_mm` per axis."""
    items = []
    for name in names:
        mark = truth.landmarks.get(name)
        if mark is not None and len(mark.points):
            moved = mark.points + noise_mm * rng.standard_normal(mark.points.shape)
            items.append(Landmark(name, "placed", placements(moved)))
    return LandmarkSet(items)


def placements(points: np.ndarray) -> tuple[Placement, ...]:
    """Points (n, 3) as placements with indices from nought."""
    return tuple(Placement(point, index) for index, point in enumerate(triples(points)))


def true_structures(truth: EarTruth, by: str) -> tuple[Structure, ...]:
    """The structures as they are, confirmed by somebody of that name."""
    found: list[Structure] = []
    for name, item in truth.structures.items():
        if item.status != "placed" or not len(item.points):
            continue
        points = triples(item.points)
        if item.shape == "tube":
            found.append(Tube(name, "placed", points, None, by, tuple(map(float, item.radii))))
        elif item.shape == "patch":
            found.append(Patch(name, "placed", points, None, by))
        else:
            found.append(Ball(name, "placed", points, None, by, float(np.ravel(item.radii)[0])))
    return tuple(found)


def triples(points: np.ndarray) -> tuple[tuple[float, float, float], ...]:
    """Points as tuples of plain numbers."""
    return tuple((float(p[0]), float(p[1]), float(p[2])) for p in np.atleast_2d(points))


def with_interval(
    ears: Sequence[Any], statistic: Callable[[list[Any]], float], *, draws: int = 500, seed: int = 7
) -> tuple[float, float, float]:
    """A statistic over ears, and its 95 % interval by drawing whole ears with replacement."""
    rng = np.random.default_rng(seed)
    drawn = [statistic([ears[i] for i in rng.integers(0, len(ears), len(ears))]) for _ in range(draws)]
    low, high = np.nanpercentile(drawn, [2.5, 97.5])
    return float(statistic(list(ears))), float(low), float(high)
