"""case.json: what is written is read back, every version loads, nothing half-written."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from ctmeasure.case.document import case_from_json, case_schema, case_to_json, stamped
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
        (lambda data: data["facts"].update(earlier_operations=5), "earlier_operations is 5; expected a list of texts"),
        (lambda data: data["facts"].update(canal_wall="x"), "canal_wall is 'x'; expected a table of words"),
        (
            lambda data: data["facts"].update(wall_taken_down="yes"),
            "wall_taken_down is 'yes' and canal_wall says intact",
        ),
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


@pytest.fixture
def computed(case: Case) -> Case:
    """The sample as if its results had just been computed."""
    assert case.results is not None
    return replace(case, results=replace(case.results, provenance={"content_hash": case.scan.content_hash}))


def moved_drum(data: dict) -> None:
    mark = next(mark for mark in data["landmarks"] if mark["id"] == "drum_centre")
    mark["placements"][0]["position_lps"][0] += 5.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (moved_drum, "landmarks"),
        (lambda data: data["other_ear"].clear(), "other ear"),
        (lambda data: data["structures"].pop(), "structures"),
        (lambda data: data["structures"][0].update(confirmed_by="somebody else"), "structures"),
        (lambda data: data["sites"].pop(), "sites"),
        (lambda data: data["facts"].update(chorda_cut="yes"), "facts"),
        (lambda data: data["settings"].update(bur_diameter_mm=0.8), "settings"),
        (lambda data: data.update(seed=2), "seed"),
        (lambda data: data["scan"].update(content_hash="ab" * 32), "scan"),
    ],
)
def test_results_of_other_inputs_are_refused_and_the_input_is_named(computed: Case, change, words: str) -> None:  # type: ignore[no-untyped-def]
    data = json.loads(case_to_json(computed))
    change(data)
    with pytest.raises(CaseError, match=f"its results were not made from its {words}; expected .* plan again"):
        case_from_json(json.dumps(data))
    data["results"] = None
    assert case_from_json(json.dumps(data)).results is None, "the marks can be opened and planned again"


def test_an_untouched_case_loads_whatever_its_layout(computed: Case) -> None:
    data = json.loads(case_to_json(computed))
    again = case_from_json(json.dumps(data, indent=4, sort_keys=True))
    assert again == stamped(computed)
    assert set(again.results.provenance["inputs"]) == {  # type: ignore[union-attr]
        "side", "facts", "landmarks", "other_ear", "structures", "sites", "settings", "seed", "scan",
            "catalogues", "audiograms", "reader_model",
    }  # fmt: skip


def test_a_setting_that_a_later_version_adds_is_no_change(computed: Case, tmp_path: Path) -> None:
    data = json.loads(case_to_json(computed))
    del data["settings"]["skid_mm"]
    text = json.dumps(data["settings"], sort_keys=True, separators=(",", ":"))
    data["results"]["provenance"]["inputs"]["settings"] = hashlib.sha256(text.encode()).hexdigest()[:12]
    case = case_from_json(json.dumps(data))
    save_case(case, tmp_path / "case.json")
    assert load_case(tmp_path) == case


def test_a_case_of_an_earlier_version_says_that_its_results_cannot_be_checked(case: Case, tmp_path: Path) -> None:
    assert case.results is not None
    data = json.loads(VERSIONS[0].read_text(encoding="utf-8"))
    assert "inputs" not in data["results"]["provenance"]
    moved_drum(data)
    (tmp_path / "case.json").write_text(json.dumps(data), encoding="utf-8")
    for _ in range(2):  # saving it again does not make its results checked
        case = load_case(tmp_path)
        assert [w for w in case.results.warnings if "could not be checked" in w] == [  # type: ignore[union-attr]
            "results could not be checked against the marks and facts: the case was saved by an earlier version"
        ]
        save_case(case, tmp_path / "case.json")


@pytest.mark.parametrize("with_facts", [False, True])
def test_a_case_of_the_wrong_side_is_refused(with_facts: bool) -> None:
    # the sample is a right ear; LPS +x is the patient's left, and its canal opens towards -x
    data = json.loads(VERSIONS[-1].read_text(encoding="utf-8"))
    data["side"] = "left"
    if with_facts:
        data["facts"]["side"] = "left"
    words = "the canal axis" if with_facts else "the side is left, and the facts say right"
    with pytest.raises(CaseError, match=words) as refusal:
        case_from_json(json.dumps(data))
    assert "\n" not in str(refusal.value)
    assert refusal.value.action
