"""Every shipped sample can be planned: its tables read, and everything marked lies inside its scan."""

from __future__ import annotations

from pathlib import Path

import pytest
from ctmeasure_samples import SAMPLE_NAMES

from ctmeasure.app.plan import new_case, read_inputs
from ctmeasure.app.samples import sample_request
from ctmeasure.io.dicom.load import load_series


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_a_sample_becomes_a_case(name: str, tmp_path: Path) -> None:
    request = sample_request(name, tmp_path / "out", seed=1)
    inputs = read_inputs(request)
    case = new_case(load_series(request.scan, side=inputs.side), inputs, seed=1)
    assert case.structures
    assert case.landmarks.placed("canal_medial", "canal_lateral", "footplate_centre")
