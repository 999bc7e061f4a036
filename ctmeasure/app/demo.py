"""`demo`: the whole job on a shipped sample scan."""

from __future__ import annotations

from pathlib import Path

from ctmeasure.app.plan import PlanOutcome, run_plan
from ctmeasure.app.samples import DEMO_SAMPLE, sample_request
from ctmeasure.progress import Progress, no_progress


def run_demo(out: Path, *, seed: int = 1, force: bool = False, progress: Progress = no_progress) -> PlanOutcome:
    """Plan on the demo sample.

    Parameters
    ----------
    out
        Output folder.
    seed
        Seed of the draws.
    force
        Whether an earlier output folder may be replaced.
    progress
        Listener; may cancel.

    Returns
    -------
    PlanOutcome

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the folder cannot be written.
    """
    return run_plan(sample_request(DEMO_SAMPLE, out, seed=seed, force=force), progress=progress)
