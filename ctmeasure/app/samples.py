"""The shipped samples as requests: scan, tables and facts, ready to plan."""

from __future__ import annotations

from pathlib import Path

from ctmeasure.app.plan import PlanRequest
from ctmeasure.errors import ScanError

DEMO_SAMPLE = "revision_ear"
"""The sample that `demo` plans on: an ear operated on before, the other one healthy."""


def sample_request(name: str, out: Path, *, seed: int, force: bool = False) -> PlanRequest:
    """A plan request on a shipped sample.

    Parameters
    ----------
    name
        Name of the sample.
    out
        Output folder.
    seed
        Seed of the draws.
    force
        Whether an earlier output folder may be replaced.

    Returns
    -------
    PlanRequest

    Raises
    ------
    ScanError
        When no sample of that name is shipped.
    """
    from ctmeasure_samples import SAMPLE_NAMES, sample_path

    if name not in SAMPLE_NAMES:
        raise ScanError(f"no sample '{name}'", expected=", ".join(SAMPLE_NAMES), action="name one of these")
    folder = sample_path(name)

    def table(file: str) -> Path | None:
        return folder / file if (folder / file).is_file() else None

    return PlanRequest(
        scan=folder / "dicom",
        landmarks=folder / "landmarks.csv",
        out=out,
        structures=table("structures.csv"),
        other_ear=table("landmarks_left.csv"),
        sites=table("sites.csv"),
        facts=table("facts.toml"),
        seed=seed,
        force=force,
    )
