"""Clicks along the facial canal become a traced canal in the plan, and the clicks stay what was entered."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ctmeasure_samples import sample_path

from ctmeasure.app.compute import compute_case
from ctmeasure.app.plan import PlanInputs, new_case, read_inputs
from ctmeasure.app.samples import sample_request
from ctmeasure.case.document import case_from_json, case_to_json
from ctmeasure.io.dicom.load import load_series
from ctmeasure.planning.settings import Settings

SAMPLE = sample_path("revision_ear")


def canal_of_the_shapes() -> np.ndarray:
    with (SAMPLE / "structures.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["id"] == "facial_nerve"]
    return np.array([[float(row[axis]) for axis in ("x_mm", "y_mm", "z_mm", "radius_mm")] for row in rows])


def clicked(inputs: PlanInputs) -> PlanInputs:
    """Six clicks on the canal without radii in place of its exact tube; few cells, for the map is not looked at."""
    canal = canal_of_the_shapes()
    chosen = canal[np.round(np.linspace(0, len(canal) - 1, 6)).astype(int), :3]
    tubes = tuple(
        replace(s, points=tuple(map(tuple, chosen.tolist())), radii_mm=(None,) * 6, surface_u_mm=None)
        if s.id == "facial_nerve"
        else s
        for s in inputs.structures
    )
    settings = Settings(map_angle_step_deg=30.0, map_rim_step_mm=2.0, draws_maximum=2000)
    return replace(inputs, structures=tubes, sites=(), settings=settings)


def test_clicks_are_traced_and_kept(tmp_path: Path) -> None:
    request = sample_request("revision_ear", tmp_path / "out", seed=1)
    inputs = clicked(read_inputs(request))
    loaded = load_series(request.scan, side=inputs.side)
    case = compute_case(new_case(loaded, inputs, seed=1), loaded.volume)
    entered = next(s for s in case.structures if s.id == "facial_nerve")
    planned = next(s for s in case.structures_in_plan if s.id == "facial_nerve")
    assert len(entered.points) == 6
    assert len(planned.points) > 30
    canal = canal_of_the_shapes()
    # Distance of each traced point from the polyline through the exact vertices.
    start, step = canal[:-1, :3], np.diff(canal[:, :3], axis=0)
    away = planned.points_lps[:, None] - start
    share = np.clip(np.sum(away * step, axis=2) / np.sum(step * step, axis=1), 0.0, 1.0)
    distance = np.min(np.linalg.norm(away - share[..., None] * step, axis=2), axis=1)
    assert np.mean(distance) < 0.15
    assert np.max(distance) < 0.5
    assert np.median(planned.radii) == pytest.approx(np.median(canal[:, 3]), abs=0.15)
    again = case_from_json(case_to_json(case))
    assert again.structures_in_plan == case.structures_in_plan
