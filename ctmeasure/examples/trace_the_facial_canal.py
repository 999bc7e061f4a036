"""Trace the facial canal through a scan from four clicks."""

from __future__ import annotations

import numpy as np
from ctmeasure_samples import sample_path

from ctmeasure.imaging.tubes.trace import trace_tube
from ctmeasure.io.dicom.load import load_series
from ctmeasure.io.tables import read_structures
from ctmeasure.volume.quality import assess_fitness


def main() -> None:
    """Print what was found along the canal, and how far it lies from the path of the shipped table."""
    folder = sample_path("revision_ear")
    volume = load_series(folder / "dicom").volume
    marked = next(item for item in read_structures(folder / "structures.csv") if item.id == "facial_nerve")
    clicks = marked.points_lps[[2, 10, 20, -3]]
    tube = trace_tube(volume, clicks, structure_id="facial_nerve", side="right", fitness=assess_fitness(volume))
    for part in tube.segments:
        print(f"{part.part}: {part.length_mm:.1f} mm, {'confirmed' if part.confirmed else 'confirmed by nobody yet'}")
    beside = np.sqrt(((tube.points_lps[:, None] - marked.points_lps) ** 2).sum(axis=2)).min(axis=1)
    print(f"radius {np.median(tube.radius_mm):.2f} mm (u {np.median(tube.radius_u_mm):.2f})")
    print(f"median distance to the nearest vertex of the shipped path {np.median(beside):.2f} mm")
    for flag in tube.flags:
        print(flag)


if __name__ == "__main__":
    main()
