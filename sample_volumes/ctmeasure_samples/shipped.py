"""What is shipped and where it lies; importing this compiles nothing."""

from __future__ import annotations

import json
from pathlib import Path

SERIES_FOLDER = Path(__file__).parent / "series"
"""One folder a sample."""

SAMPLE_NAMES = ("revision_ear", "revision_ear_later", "cone_beam_ear")
"""The shipped samples; their recipes are `catalog.samples`."""


def sample_path(name: str) -> Path:
    """Folder of a shipped sample: DICOM files, input tables, and `truth/`.

    Parameters
    ----------
    name
        Name of a shipped sample.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ValueError
        When there is no such sample or its files are missing.

    Example
    -------
    >>> sample_path("cone_beam_ear").name
    'cone_beam_ear'
    """
    if name not in SAMPLE_NAMES:
        raise ValueError(f"no sample '{name}'; expected one of {', '.join(SAMPLE_NAMES)}; choose one of them")
    folder = SERIES_FOLDER / name
    if not folder.is_dir():
        raise ValueError(
            f"sample '{name}' has no files; expected its folder; run: python -m ctmeasure_samples generate {name}"
        )
    return folder


def load_truth(name: str, side: str) -> dict[str, object]:
    """Shipped truth of one ear of a sample."""
    text = (sample_path(name) / "truth" / f"truth_{side}.json").read_text(encoding="utf-8")
    data: dict[str, object] = json.loads(text)
    return data
