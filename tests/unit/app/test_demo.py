"""The whole job on the shipped planning scan, held against the truth of the shapes it was made from."""

from __future__ import annotations

import csv
import html
import json
from pathlib import Path

import pytest
from ctmeasure_samples import sample_path

from ctmeasure.app.demo import run_demo
from ctmeasure.app.opened import open_case
from ctmeasure.app.plan import PlanOutcome
from ctmeasure.app.report import run_report
from ctmeasure.case.answers import five_answers, summary_text
from ctmeasure.case.store import load_case
from ctmeasure.errors import CaseError
from ctmeasure.planning.cautions import CAUTIONS
from ctmeasure.planning.drilling.far_words import spaces_of

SAMPLE = sample_path("revision_ear")
TRUTH = json.loads((SAMPLE / "truth" / "truth_right.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> PlanOutcome:
    return run_demo(tmp_path_factory.mktemp("demo") / "out")


def rows(outcome: PlanOutcome, name: str) -> list[dict[str, str]]:
    with (outcome.out / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def true_value(measurand: str, qualifier: str = "") -> float:
    return next(
        item["value"] for item in TRUTH["measurands"] if (item["id"], item["qualifier"]) == (measurand, qualifier)
    )


@pytest.mark.parametrize(
    ("measurand", "qualifier"),
    [
        ("drum_lateralisation", "medial face perpendicular"),
        ("drum_lateralisation", "medial face along axis"),
        ("drum_to_promontory", ""),
        ("drum_to_footplate", ""),
        ("footplate_to_facial_nerve", ""),
        ("footplate_length", ""),
        ("hole_span", ""),
        ("tegmen_height", ""),
    ],
)
def test_distances_between_points_agree_with_the_shapes(outcome: PlanOutcome, measurand: str, qualifier: str) -> None:
    # the sample's points are exact to the four decimals of its table; structures are polylines of curved shapes
    # footplate and drum are measured where the scan shows them: each point within about its standard uncertainty
    estimate = outcome.case.results.measurement(measurand, qualifier).estimate
    truth = true_value(measurand, qualifier)
    # the ring is weighed with edges of bone known to 0.2 mm a point: half of what a number over its plane states
    from_the_image = any("found in the image" in line.source for line in estimate.budget)
    over_the_ring = any(line.source == "annulus found in the image" for line in estimate.budget)
    image = 0.5 * estimate.standard_uncertainty if over_the_ring else 0.08
    assert estimate.value == pytest.approx(truth, abs=image if from_the_image else 0.03)
    assert estimate.low_95 <= truth <= estimate.high_95
    assert estimate.standard_uncertainty > 0


@pytest.mark.parametrize("depth", ["depth 4 mm", "depth 6 mm"])
def test_the_canal_wall_found_in_the_scan_has_the_diameters_of_the_shape(outcome: PlanOutcome, depth: str) -> None:
    for measurand in ("canal_diameter_max", "canal_diameter_min"):
        found = outcome.case.results.measurement(measurand, depth).estimate.value
        assert found == pytest.approx(true_value(measurand, depth), abs=0.25)


def test_bone_over_the_planned_holes_is_found_within_its_uncertainty(outcome: PlanOutcome) -> None:
    truths = {site["id"]: site for site in TRUTH["sites"]}
    for site in outcome.case.results.sites:
        if site.id in ("anterior_hole", "posterior_hole", "superior_hole", "inferior_anterior"):
            found = site.wall.to_first_gap
            truth = truths[site.id]["to_first_gap_mm"]
            assert found.value == pytest.approx(truth, abs=0.25), site.id
            assert found.standard_uncertainty > 0


FAR_SIDE_WORDS = {"nerve": "facial canal"}
"""The shapes' word for what a hole meets, where the trade's is another."""


def test_every_hole_holds_the_shapes_bone_exit_and_far_side(outcome: PlanOutcome) -> None:
    truths = {site["id"]: site for site in TRUTH["sites"]}
    sites = outcome.case.results.sites
    assert len(sites) == len(truths) == 6
    for site in sites:
        truth, wall = truths[site.id], site.wall
        assert wall.to_first_gap is not None, site.id
        assert wall.to_first_gap.low_95 <= truth["to_first_gap_mm"] <= wall.to_first_gap.high_95, site.id
        assert wall.to_exit_mm is not None, site.id
        assert wall.to_exit_u_mm is not None, site.id
        assert abs(wall.to_exit_mm - truth["to_exit_mm"]) < 1.96 * wall.to_exit_u_mm, site.id
        assert spaces_of(wall.far_side)[0] == FAR_SIDE_WORDS.get(truth["far_side"], truth["far_side"]), site.id


def test_the_hole_at_the_nerve_is_kept_out_and_the_unmarked_sector_not_assessed(outcome: PlanOutcome) -> None:
    verdicts = {row["id"]: row["verdict"] for row in rows(outcome, "sites.csv") if row["structure"] == "any"}
    assert verdicts["at_the_nerve"] == "keep out"
    assert verdicts["inferior_anterior"] == "not assessed"
    assert [item.kind for item in outcome.attention] == ["site not assessed"]


def test_no_pair_is_offered_beyond_its_limits(outcome: PlanOutcome) -> None:
    settings = outcome.case.settings
    pairs = rows(outcome, "pairs.csv")
    assert pairs
    for pair in pairs:
        assert settings.span_low_mm <= float(pair["span_mm"]) <= settings.span_high_mm
        assert float(pair["bridge_entry_mm"]) >= settings.bridge_mm
        assert pair["verdict"] in ("clear", "caution")


def test_probabilities_of_every_length_sum_to_one(outcome: PlanOutcome) -> None:
    sized = [row for row in rows(outcome, "lengths.csv") if row["size_mm"]]
    assert sized
    for row in sized:
        assert sum(float(row[c]) for c in ("p_short", "p_fits", "p_long")) == pytest.approx(1.0, abs=2e-3)


def test_every_number_has_its_interval(outcome: PlanOutcome) -> None:
    for row in rows(outcome, "measurements.csv"):
        if row["value"]:
            assert row["low_95"], row
            assert row["high_95"], row
            assert row["standard_uncertainty"], row
        else:
            assert row["flags"], f"{row['id']}: no value and no reason"


def test_the_five_answers_and_the_cautions_are_in_the_report(outcome: PlanOutcome) -> None:
    page = html.unescape((outcome.out / "report.html").read_text(encoding="utf-8"))
    for answer in five_answers(outcome.case):
        assert answer.question in page
    for caution in CAUTIONS:
        assert caution in page
    text = summary_text(outcome.case, report="out/report.html")
    assert "malleus absent, incus absent, stapes arch absent" in text
    assert "2.4 mm outside the rim" in text


def test_a_report_made_again_from_the_case_has_the_same_bytes(outcome: PlanOutcome, tmp_path: Path) -> None:
    again = run_report(outcome.out, scan=None, out=tmp_path / "again")
    first = {path.relative_to(outcome.out): path for path in outcome.out.rglob("*") if path.is_file()}
    second = {path.relative_to(again.out): path for path in again.out.rglob("*") if path.is_file()}
    assert first.keys() == second.keys()
    for name, path in first.items():
        assert path.read_bytes() == second[name].read_bytes(), name


def test_the_saved_case_is_the_case(outcome: PlanOutcome) -> None:
    assert load_case(outcome.out) == outcome.case


def test_a_case_refuses_another_scan(outcome: PlanOutcome) -> None:
    with pytest.raises(CaseError, match="another series"):
        open_case(outcome.out, scan=sample_path("cone_beam_ear") / "dicom")
