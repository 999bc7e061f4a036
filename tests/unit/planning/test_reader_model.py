"""A reader's measured doubt in a plan: drawn as stated, named in the budget, never narrower on synthetic ears."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from ear_marks import right_ear

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.errors import SettingsError
from ctmeasure.io.reader_model import FORMAT, read_reader_model
from ctmeasure.planning.measurands.draws import JointDraws, point_doubts
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.reader_model import ReaderLandmark, ReaderModel, placement_mm2, reader_terms
from ctmeasure.planning.settings import Settings

COVARIANCE = ((0.25, 0.0, 0.0), (0.0, 0.01, 0.0), (0.0, 0.0, 0.04))
BIAS = (0.2, 0.0, -0.4)
COUNT = 21
# u of the next placement about the truth, by hand: var (1 + 1/21) + bias^2
VARIANCES = np.array([0.25 * 22 / 21 + 0.04, 0.01 * 22 / 21, 0.04 * 22 / 21 + 0.16])


def model(origin: str = "experts", count: int = COUNT) -> ReaderModel:
    return ReaderModel("R7", origin, (ReaderLandmark("stapes_head", count, BIAS, COVARIANCE),))


def test_the_doubt_is_covariance_and_bias_in_the_directions_of_the_ear() -> None:
    term = reader_terms(model(), right_ear(), "right", floor_mm=0.3)["stapes_head"]
    # the canal of this ear runs along -x: lateral is x; the other two are rolled by 5 degrees about it
    assert term.scale_lps[0, 0] == pytest.approx(VARIANCES[0])
    assert np.trace(term.scale_lps) == pytest.approx(VARIANCES.sum())
    assert np.sort(np.linalg.eigvalsh(term.scale_lps))[0] < 0.02
    assert term.degrees_of_freedom == COUNT - 1


def test_synthetic_scatter_may_widen_and_never_narrows() -> None:
    term = reader_terms(model("synthetic"), right_ear(), "right", floor_mm=0.3)["stapes_head"]
    default = 0.3**2 * np.eye(3)
    assert np.linalg.eigvalsh(term.scale_lps - default).min() >= -1e-12
    plain = measure(MeasureInput(right_ear(), "right", seed=1))
    own = measure(MeasureInput(right_ear(), "right", seed=1, reader_model=model("synthetic")))
    for before, after in zip(plain, own, strict=True):
        if before.estimate is not None and after.estimate is not None:
            assert after.estimate.standard_uncertainty >= 0.97 * before.estimate.standard_uncertainty
            assert after.estimate.value == pytest.approx(before.estimate.value)


def test_draws_follow_the_predictive_t() -> None:
    terms = reader_terms(model(), right_ear(), "right", floor_mm=0.3)
    draws = JointDraws(right_ear(), Settings(), seed=3, readers=terms)
    points = draws.points_lps("stapes_head", 0, count=40_000)[:, 0]
    gaps = points - right_ear().point_lps("stapes_head")
    nu = COUNT - 1
    expected = VARIANCES[0] * nu / (nu - 2)
    assert gaps[:, 0].var() == pytest.approx(expected, rel=0.05)
    assert np.cov(gaps, rowvar=False) == pytest.approx(terms["stapes_head"].scale_lps * nu / (nu - 2), abs=0.02)
    doubt = point_doubts(right_ear()["stapes_head"], Settings(), reader=terms["stapes_head"])[0]
    assert doubt.covariance_lps == pytest.approx(terms["stapes_head"].scale_lps * nu / (nu - 2))


def test_without_a_model_not_a_bit_moves() -> None:
    plain = JointDraws(right_ear(), Settings(), seed=3).points_lps("stapes_head", 0)
    other = JointDraws(
        right_ear(), Settings(), seed=3, readers=reader_terms(model(), LandmarkSet(), "right", floor_mm=0.3)
    ).points_lps("drum_centre", 0)
    assert np.array_equal(JointDraws(right_ear(), Settings(), seed=3).points_lps("drum_centre", 0), other)
    assert plain.std(axis=0) == pytest.approx(0.3, abs=0.01)


def test_a_ring_moves_as_one_and_its_points_keep_a_scatter_of_their_own() -> None:
    row = ReaderLandmark("annulus", COUNT, BIAS, COVARIANCE, 0.4)
    terms = reader_terms(ReaderModel("R7", "experts", (row,)), right_ear(), "right", floor_mm=0.3)
    draws = JointDraws(right_ear(), Settings(), seed=3, readers=terms)
    points = draws.points_lps("annulus", 0, count=40_000) - right_ear()["annulus"].points_lps
    nu, count = COUNT - 1, points.shape[1]
    whole = np.cov(points.mean(axis=1), rowvar=False) - 0.4**2 / count * np.eye(3)
    assert whole == pytest.approx(terms["annulus"].scale_lps * nu / (nu - 2), abs=0.02)
    single = np.cov(points[:, 0], rowvar=False)
    assert single == pytest.approx(placement_mm2("annulus", terms, noise_mm=0.3), abs=0.02)
    synthetic = reader_terms(ReaderModel("R7", "synthetic", (row,)), right_ear(), "right", floor_mm=0.5)
    assert synthetic["annulus"].each_mm == 0.5


def test_repeats_keep_their_scatter_and_gain_the_bias() -> None:
    clicks = tuple(Placement((0.1 * n, 0.0, 0.0), repeat=n) for n in range(5))
    marks = right_ear().with_landmark(Landmark("stapes_head", "placed", clicks))
    term = reader_terms(model(), marks, "right", floor_mm=0.3)["stapes_head"]
    plain = point_doubts(marks["stapes_head"], Settings())[0].covariance_lps
    own = point_doubts(marks["stapes_head"], Settings(), reader=term)[0].covariance_lps
    assert np.trace(own - plain) == pytest.approx(0.2**2 + 0.4**2)


def test_the_budget_names_whose_scatter_it_is() -> None:
    found = measure(MeasureInput(right_ear(), "right", seed=1, reader_model=model()))
    height = next(item for item in found if item.id == "stapes_height")
    assert height.estimate is not None
    sources = [part.source for part in height.estimate.budget]
    assert "placement of stapes_head (measured on R7, 21 placements, experts)" in sources
    assert "placement of footplate_centre" in sources


@pytest.mark.parametrize(
    "change",
    [
        {"count": 5}, {"id": "elbow"}, {"covariance_mm2": [[1, 0, 0], [0, 1, 0], [0, 0, -1]]},
        {"covariance_mm2": [[1, 2, 0], [0, 1, 0], [0, 0, 1]]}, {"bias_mm": [0, 0]},
    ],
)  # fmt: skip
def test_models_that_cannot_be_are_refused_in_one_line(change: dict, tmp_path: Path) -> None:  # type: ignore[type-arg]
    row = {"id": "umbo", "count": 20, "bias_mm": [0, 0, 0], "covariance_mm2": np.eye(3).tolist()} | change
    data = {"format": FORMAT, "version": 1, "model": {"reader": "R1", "origin": "experts", "landmarks": [row]}}
    file = tmp_path / "m.json"
    file.write_text(json.dumps(data))
    with pytest.raises(SettingsError) as caught:
        read_reader_model(file)
    assert "\n" not in str(caught.value)


def test_files_that_are_no_model(tmp_path: Path) -> None:
    (tmp_path / "m.json").write_text("{}")
    with pytest.raises(SettingsError, match="is no reader model"):
        read_reader_model(tmp_path / "m.json")
    with pytest.raises(SettingsError, match="no reader model at"):
        read_reader_model(tmp_path / "none.json")
    with pytest.raises(SettingsError, match="origin 'guessed'"):
        ReaderModel("R1", "guessed", ())
