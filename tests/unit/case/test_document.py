"""case.json: what is written is read back, every version loads, nothing half-written."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from ctmeasure.case.document import case_from_json, case_schema, case_to_json
from ctmeasure.case.model import SCHEMA_VERSION, Case
from ctmeasure.case.store import load_case, save_case
from ctmeasure.errors import CaseError, OutputError

VERSIONS = sorted(Path(__file__).with_name("versions").glob("case-*.json"))


@pytest.fixture
def case() -> Case:
    return load_case(VERSIONS[-1])


def test_there_is_a_sample_file_of_every_version() -> None:
    assert [path.name for path in VERSIONS] == [f"case-{n}.json" for n in range(1, SCHEMA_VERSION + 1)]


@pytest.mark.parametrize("path", VERSIONS, ids=lambda path: path.name)
def test_every_version_loads_and_keeps_its_content(path: Path) -> None:
    case = load_case(path)
    assert case.side == "right"
    assert case.landmarks.placed("annulus", "footplate_centre")
    assert case.results is not None
    assert case.results.measurement("drum_lateralisation").estimate.value == pytest.approx(2.4, abs=0.01)


def test_saving_and_loading_is_an_identity(case: Case, tmp_path: Path) -> None:
    save_case(case, tmp_path / "case.json")
    assert load_case(tmp_path) == case
    assert case_to_json(load_case(tmp_path)) == (tmp_path / "case.json").read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["case.json"], "no lock or temporary file is left"


def test_the_shipped_schema_is_that_of_the_code() -> None:
    text = resources.files("ctmeasure.case").joinpath("schema", f"case-{SCHEMA_VERSION}.json").read_text("utf-8")
    assert json.loads(text) == json.loads(json.dumps(case_schema()))


def test_a_failed_save_leaves_the_earlier_case_whole(case: Case, tmp_path: Path) -> None:
    path = tmp_path / "case.json"
    save_case(case, path)
    before = path.read_bytes()
    broken = replace(case, settings=case.settings, seed=float("nan"))  # type: ignore[arg-type]
    with pytest.raises((CaseError, OutputError, ValueError)):
        save_case(broken, path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda data: data.pop("landmarks"), "landmarks"),
        (lambda data: data.update(side="middle"), "side"),
        (lambda data: data.update(extra=1), "extra"),
        (lambda data: data["settings"].update(bur_diameter_mm=99), "bur_diameter_mm"),
        (lambda data: data["landmarks"][0].update(id="navel"), "navel"),
    ],
)
def test_a_case_that_contradicts_itself_is_refused_with_the_place(change, words: str) -> None:  # type: ignore[no-untyped-def]
    data = json.loads(VERSIONS[-1].read_text(encoding="utf-8"))
    change(data)
    with pytest.raises(CaseError, match=words):
        case_from_json(json.dumps(data))


def test_no_identity_and_no_path_is_in_a_case() -> None:
    text = VERSIONS[-1].read_text(encoding="utf-8")
    for word in ("PatientName", "SAMPLE^", "/home", "/tmp", "\\\\"):
        assert word not in text
