"""Read a scan and say what it is good for."""

from __future__ import annotations

from ctmeasure_samples import sample_path

from ctmeasure.io.dicom.load import load_series
from ctmeasure.volume.quality import assess_fitness


def main() -> None:
    """Print what a shipped scan is, and what can be measured on it."""
    loaded = load_series(sample_path("revision_ear") / "dicom")
    fitness = assess_fitness(loaded.volume)
    print(f"{loaded.row.description}: taken because {loaded.chosen_because}")
    print(fitness.point_spread_words)
    print(f"noise {fitness.noise_hu:.0f} HU")
    for line in (*loaded.warnings, *fitness.warnings, *fitness.supports):
        print(line)


if __name__ == "__main__":
    main()
