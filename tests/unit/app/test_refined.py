"""Footplate and drum found in the scan stand beside the clicks; which of the two is used is said and can be forced."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ctmeasure_samples import sample_path

from ctmeasure.anatomy.landmarks import Landmark, Placement
from ctmeasure.app.plan import new_case, read_inputs
from ctmeasure.app.refined import Refined, refine_landmarks
from ctmeasure.app.samples import sample_request
from ctmeasure.case.document import case_from_json, case_to_json
from ctmeasure.case.model import Case
from ctmeasure.io.dicom.load import load_series
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.volume.quality import ScanFitness, assess_fitness
from ctmeasure.volume.volume import Volume

SAMPLE = sample_path("revision_ear")
OFF_MM = np.array([0.25, -0.2, 0.3])


@pytest.fixture(scope="module")
def ear(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Volume, ScanFitness]:
    request = sample_request("revision_ear", Path(tmp_path_factory.mktemp("out")), seed=1)
    inputs = read_inputs(request)
    loaded = load_series(request.scan, side=inputs.side)
    return new_case(loaded, inputs, seed=1), loaded.volume, assess_fitness(loaded.volume)


def with_click(case: Case, name: str, off: np.ndarray, **settings: object) -> Case:
    p = case.landmarks.point_lps(name) + off
    mark = Landmark(name, "placed", (Placement((float(p[0]), float(p[1]), float(p[2]))),))
    return replace(
        case,
        landmarks=case.landmarks.with_landmark(mark),
        settings=replace(case.settings, **settings),  # type: ignore[arg-type]
    )


def look(ear: tuple[Case, Volume, ScanFitness], case: Case) -> Refined:
    from ctmeasure.anatomy.frames import canal_frame

    return refine_landmarks(
        case, ear[1], ear[2], canal=canal_frame(case.landmarks, case.side), structures=case.structures
    )


def test_a_click_nearby_gives_the_point_of_the_shapes(ear):
    case = with_click(ear[0], "footplate_centre", OFF_MM)
    found = {record.id: record for record in look(ear, case).records}
    plate = found["footplate_centre"]
    # The sample's own table holds the exact centre of its shape.
    true = ear[0].landmarks.point_lps("footplate_centre")
    assert plate.used
    assert np.linalg.norm(np.subtract(plate.found_lps, true)) < 0.12
    np.testing.assert_allclose(plate.placed_lps, true + OFF_MM, atol=1e-9)
    assert plate.apart_mm == pytest.approx(np.linalg.norm(np.subtract(plate.found_lps, plate.placed_lps)))
    assert dict(plate.details)["plate"].startswith("below resolution (present")
    assert {name for name, _ in plate.suggested} == {
        f"footplate_{end}" for end in ("anterior", "posterior", "superior", "inferior")
    }
    assert found["drum_centre"].used


def test_a_click_that_disagrees_is_used_and_flagged(ear):
    case = with_click(ear[0], "footplate_centre", 2.0 * OFF_MM, placement_noise_mm=0.05)
    found = look(ear, case)
    record = next(r for r in found.records if r.id == "footplate_centre")
    assert not record.used
    assert "the click is used; check it" in record.why
    assert any("footplate centre in the image" in words for words in found.warnings)
    assert found.niche is None
    forced = with_click(ear[0], "footplate_centre", 2.0 * OFF_MM, placement_noise_mm=0.05, image_landmarks="always")
    assert next(r for r in look(ear, forced).records if r.id == "footplate_centre").used


def test_a_click_on_nothing_says_so_and_stays(ear):
    case = with_click(ear[0], "footplate_centre", np.array([0.0, 3.0, 2.5]))
    record = next(r for r in look(ear, case).records if r.id == "footplate_centre")
    assert not record.used
    assert record.found_lps is None
    assert record.why.startswith("not found, the click is used: no footplate is seen")


def test_never_looks_for_nothing(ear):
    assert look(ear, with_click(ear[0], "footplate_centre", OFF_MM, image_landmarks="never")) == Refined()


def test_unknown_word_is_refused(ear):
    from ctmeasure.errors import SettingsError

    with pytest.raises(SettingsError, match="image_landmarks"):
        replace(ear[0].settings, image_landmarks="sometimes")


def test_measured_from_the_image_with_its_own_doubt(ear):
    case = with_click(ear[0], "footplate_centre", OFF_MM)
    found = look(ear, case)
    plain = MeasureInput(case.landmarks, case.side, structures=case.structures, geometry=ear[1].geometry, seed=3)
    rows = {
        how: {(m.id, m.qualifier): m for m in measure(given)}
        for how, given in {
            "placed": plain,
            "image": replace(plain, refined=found.records, drum=found.drum, niche=found.niche),
        }.items()
    }
    key = ("annulus_to_footplate", "")
    placed, image = (rows[how][key].estimate for how in ("placed", "image"))
    true = float(
        np.linalg.norm(
            ear[0].landmarks["annulus"].points_lps.mean(axis=0) - ear[0].landmarks.point_lps("footplate_centre")
        )
    )
    assert image.standard_uncertainty < 0.5 * placed.standard_uncertainty
    assert image.value == pytest.approx(true, abs=0.25)
    assert "footplate_centre found in the image" in [line.source for line in image.budget]
    assert "placement of footplate_centre" in [line.source for line in placed.budget]
    tilt = next(m for (name, _), m in rows["image"].items() if name == "prosthesis_axis_tilt").estimate
    assert "footplate normal found in the image" in [line.source for line in tilt.budget]
    assert rows["image"]["oval_window_niche_height", "from the scan"].estimate is not None


def test_records_survive_the_file(ear):
    from ctmeasure.planning.results import PlanResult

    records = look(ear, with_click(ear[0], "footplate_centre", OFF_MM)).records
    empty = PlanResult((), (), (), (), "", (), None, (), (), (), 1, "0", refined=records)
    case = replace(ear[0], results=empty)
    assert case_from_json(case_to_json(case)).results.refined == records


def test_a_contact_on_the_drum_moves_onto_it(ear):
    true = ear[0].landmarks.point_lps("drum_centre")
    mark = Landmark("drum_contact", "placed", (Placement(tuple(float(v) for v in true + OFF_MM)),))
    record = next(
        r
        for r in look(ear, replace(ear[0], landmarks=ear[0].landmarks.with_landmark(mark))).records
        if r.id == "drum_contact"
    )
    assert record.used
    moved = np.subtract(record.found_lps, record.placed_lps)
    u = np.sqrt(np.linalg.eigvalsh(np.array(record.covariance_mm2)))
    # The sample's drum centre lies on the medial face: across the face the point is known, along it as the click was.
    normal = moved / np.linalg.norm(moved)
    assert abs(np.subtract(record.found_lps, true) @ normal) < 0.2
    assert u[0] < 0.7 * ear[0].settings.placement_noise_mm
    assert u[1:] == pytest.approx(ear[0].settings.placement_noise_mm, abs=0.06)


def test_the_contact_on_the_footplates_normal_is_a_row_of_its_own(ear):
    from ctmeasure.planning.lengths.inputs import LengthInput
    from ctmeasure.planning.lengths.sizes import candidate_lengths
    from ctmeasure.planning.lengths.spans import FROM_SCAN_FLAG, STRAIGHT
    from ctmeasure.planning.lengths.table import CHOSEN_FLAG
    from ctmeasure.planning.results import ON_NORMAL

    records = look(ear, ear[0]).records
    record = next(r for r in records if r.id == ON_NORMAL)
    plate = next(r for r in records if r.id == "footplate_centre")
    line = np.subtract(record.found_lps, plate.found_lps)
    assert np.linalg.norm(np.cross(line, plate.normal_lps)) < 1e-6
    # The sample's own contact stands where the true footplate's normal meets the true drum.
    assert np.linalg.norm(np.subtract(record.found_lps, ear[0].landmarks.point_lps("drum_contact"))) < 0.4
    given = MeasureInput(
        ear[0].landmarks, ear[0].side, geometry=ear[1].geometry, seed=3, refined=records,
        settings=replace(
            ear[0].settings, drum_as_it_lies_limit_mm=5.0, reconstruction="total", lateral_contact="drum"
        ),
    )  # fmt: skip
    rows = [row for row in candidate_lengths(LengthInput(given)) if row.lateral_contact == STRAIGHT]
    assert rows[0].p_fits is not None
    assert FROM_SCAN_FLAG in rows[0].flags
    assert CHOSEN_FLAG not in rows[0].flags  # the surgeon chose a contact, not this line
    assert rows[0].needed.value == pytest.approx(np.linalg.norm(line) - 0.5, abs=0.02)
    assert f"{ON_NORMAL} found in the image" in [part.source for part in rows[0].needed.budget]
    plain = candidate_lengths(LengthInput(replace(given, refined=())))
    assert all(row.lateral_contact != STRAIGHT for row in plain)


@pytest.fixture(scope="module")
def later(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Volume, ScanFitness]:
    request = sample_request("revision_ear_later", Path(tmp_path_factory.mktemp("later")), seed=1)
    inputs = read_inputs(request)
    loaded = load_series(request.scan, side=inputs.side)
    return new_case(loaded, inputs, seed=1), loaded.volume, assess_fitness(loaded.volume)


def test_a_new_handle_is_measured_from_its_clicks(later):
    from ctmeasure.anatomy.frames import canal_frame
    from ctmeasure.app.refined_handle import refined_handle

    names = ("handle_tip", "handle_top", "handle_contact")
    true = {name: later[0].landmarks.point_lps(name) for name in names}
    case = later[0]
    for name, off in zip(names, (OFF_MM, -OFF_MM, np.array([-0.2, 0.25, 0.2])), strict=True):
        case = with_click(case, name, off)
    records = refined_handle(case, later[1], later[2], canal_frame(case.landmarks, case.side))
    found = {record.id: np.array(record.found_lps) for record in records}
    assert [record.id for record in records] == list(names)
    assert all(record.used for record in records)
    axis = (true["handle_top"] - true["handle_tip"]) / np.linalg.norm(true["handle_top"] - true["handle_tip"])
    # The sample's tip is the last point of the axis; the metal ends a tip's radius of 0.24 mm further.
    assert np.linalg.norm(found["handle_tip"] - (true["handle_tip"] - 0.24 * axis)) < 0.12
    assert np.linalg.norm(found["handle_top"] - true["handle_top"]) < 0.15
    across = np.eye(3) - np.outer(axis, axis)
    assert np.linalg.norm(across @ (found["handle_contact"] - true["handle_contact"])) < 0.12
    along = float(axis @ (found["handle_contact"] - true["handle_contact"] - np.array([-0.2, 0.25, 0.2])))
    assert abs(along) < 0.03
    covariance = np.array(records[2].covariance_mm2)
    assert np.sqrt(axis @ covariance @ axis) == pytest.approx(0.3, abs=0.06)
    assert np.sqrt(np.trace(across @ covariance @ across) / 2.0) < 0.12


def test_without_a_chosen_contact_one_is_suggested_and_nothing_is_measured_from_it(later):
    from ctmeasure.anatomy.frames import canal_frame
    from ctmeasure.app.refined_handle import refined_handle

    marks = later[0].landmarks.with_landmark(Landmark("handle_contact", "not_seen"))
    case = replace(later[0], landmarks=marks)
    records = refined_handle(case, later[1], later[2], canal_frame(case.landmarks, case.side))
    assert [record.id for record in records] == ["handle_tip", "handle_top"]
    assert [name for name, _ in records[0].suggested] == ["handle_contact"]


def test_the_ring_is_weighed_with_the_bony_edge(ear):
    from ctmeasure.anatomy.frames import annulus_plane, canal_frame

    case, true = ear[0], ear[0].landmarks["annulus"].points_lps
    moved = true + np.random.default_rng(5).normal(0.0, 0.3, true.shape)
    marks = tuple(Placement((float(p[0]), float(p[1]), float(p[2])), n) for n, p in enumerate(moved))
    case = replace(case, landmarks=case.landmarks.with_landmark(Landmark("annulus", "placed", marks)))
    record = next(r for r in look(ear, case).records if r.id == "annulus")
    assert record.used
    assert "weighed with them" in record.why
    canal = canal_frame(case.landmarks, case.side)
    normal = annulus_plane(ear[0].landmarks, canal).normal_lps
    off = [np.sqrt((((p - true) @ normal) ** 2).mean()) for p in (moved, np.array(record.points_lps))]
    assert off[1] < 0.85 * off[0]
    plain = MeasureInput(case.landmarks, case.side, geometry=ear[1].geometry, seed=3)
    rows = {
        how: next(m for m in measure(given) if m.id == "drum_lateralisation").estimate
        for how, given in (("placed", plain), ("image", replace(plain, refined=(record,))))
    }
    assert rows["image"].standard_uncertainty < rows["placed"].standard_uncertainty
    assert "annulus found in the image" in [line.source for line in rows["image"].budget]
