"""Files that leave the practice database: one person's data, and one person's measured placement doubt."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ctmeasure.app.practice.progress import PARTS, counted
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.reader_model import LEAST_ATTEMPTS, ReaderLandmark, ReaderModel

if TYPE_CHECKING:
    from ctmeasure.store.database import Store


def write_export(store: Store, reader: str, out: Path) -> str:
    """Write everything stored of one person; returns what was written in words.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the person is unknown or the file is there already.
    """
    from ctmeasure.io.reader_model import write_new
    from ctmeasure.store.people import export_person

    data = export_person(store, reader)
    write_new(out, json.dumps(data, indent=1, sort_keys=True, ensure_ascii=False) + "\n")
    return f"everything of {reader} written to {out}: {len(data['attempt'])} attempts, {len(data['step'])} steps"


def reader_model(store: Store, reader: str) -> ReaderModel:
    """The measured placement doubt of one person.

    Parameters
    ----------
    store, reader
        Database and pseudonym.

    Returns
    -------
    ReaderModel
        Of the landmarks placed often enough; repeats after the reference was seen do not count. When any attempt was at
        a synthetic ear the whole model counts as synthetic, so that it can only widen.

    Raises
    ------
    CtmeasureError
        When no landmark was placed often enough.
    """
    from ctmeasure.store.attempts import REPEAT_FLAG

    contents = [score.content for record, score in counted(store, reader) if REPEAT_FLAG not in record.flags]
    placed: dict[str, list[dict[str, Any]]] = {}
    for content in contents:
        for point in content["points"]:
            if point["radial_mm"] is not None:
                placed.setdefault(point["id"], []).append(point)
    found = [_landmark(name, points) for name, points in sorted(placed.items()) if len(points) >= LEAST_ATTEMPTS]
    if not found:
        most = max((len(points) for points in placed.values()), default=0)
        raise CtmeasureError(
            f"{reader} placed no landmark more than {most} times",
            expected=f"at least {LEAST_ATTEMPTS} placements of a landmark",
            action="practise more ears first",
        )
    experts = all(content["origin"] == "experts" for content in contents)
    return ReaderModel(reader, "experts" if experts else "synthetic", tuple(found))


def _landmark(name: str, points: Sequence[dict[str, Any]]) -> ReaderLandmark:
    from ctmeasure.uncertainty.observer.reader import reader_spread

    spread = reader_spread([[point[part] for part in PARTS] for point in points])
    scatters = [point["scatter_mm"] for point in points if point.get("scatter_mm") is not None]
    bias = tuple(float(v) for v in spread.bias_mm)
    covariance = tuple(tuple(float(v) for v in row) for row in spread.covariance_mm2)
    scatter = float(np.sqrt(np.mean(np.square(scatters)))) if scatters else None
    return ReaderLandmark(name, spread.count, bias, covariance, scatter)  # type: ignore[arg-type]


def write_reader_model(store: Store, reader: str, out: Path) -> str:
    """Write a person's measured placement doubt for ``plan --reader-model``; returns what was written in words.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        As `reader_model`, or when the file is there already.
    """
    from ctmeasure.io.reader_model import write_reader_model as write

    model = reader_model(store, reader)
    write(model, out)
    note = (
        "; measured on synthetic ears: it may widen a plan and never narrows it" if model.origin == "synthetic" else ""
    )
    return f"{len(model.landmarks)} landmarks of {reader} written to {out}{note}"
