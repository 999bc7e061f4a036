"""Shipped series and tables: complete, small, readable by others, and made again by the generator."""

from __future__ import annotations

import json
import shutil
import subprocess
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from ctmeasure_samples import case_grid, case_truths, sample_path, samples, scan_case
from ctmeasure_samples.__main__ import main
from ctmeasure_samples.catalog import random_case, series_bytes
from ctmeasure_samples.dicom import SeriesIdentity, derived_uid, write_series
from ctmeasure_samples.scanner import Grid, blurred_scene, metal_streaks, noise_field
from ctmeasure_samples.shipped import SAMPLE_NAMES, SERIES_FOLDER
from ctmeasure_samples.tables import write_tables

from ctmeasure.anatomy.facts import facts_from_mapping
from ctmeasure.anatomy.vocabulary import landmark_terms
from ctmeasure.io.tables import read_landmarks, read_sites, read_structures

NAMES = list(samples())
MOST_BYTES = 25_000_000
IDENTITY = SeriesIdentity("test", "1", "SAMPLE-T", "SAMPLE^TEST", "20250101", "test")


def small_case(seed: int = 3):
    """A random case cropped to a few millimetres."""
    return replace(random_case(seed), size_mm=(3.0, 10.0, 10.0))


def dicom_files(name: str) -> list[Path]:
    return sorted((sample_path(name) / "dicom").glob("*.dcm"))


def test_names_are_shipped_and_small_together() -> None:
    assert NAMES == ["revision_ear", "revision_ear_later", "cone_beam_ear"]
    assert series_bytes(SERIES_FOLDER) < MOST_BYTES
    assert tuple(samples()) == SAMPLE_NAMES


def test_unknown_sample_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of"):
        sample_path("no_such_ear")


@pytest.mark.parametrize("name", NAMES)
def test_shipped_headers(name: str) -> None:
    case = samples()[name]
    files = dicom_files(name)
    grid = case_grid(case)
    assert len(files) == grid.shape_kji[0]
    first = pydicom.dcmread(files[0])
    assert first.PatientID.startswith("SAMPLE-")
    assert str(first.PatientName).startswith("SAMPLE^")
    assert first.file_meta.TransferSyntaxUID == pydicom.uid.JPEGLSLossless
    assert first.RescaleType == ("HU" if case.scanner.calibrated else "US")
    uids = {pydicom.dcmread(f, stop_before_pixels=True).SOPInstanceUID for f in files}
    assert len(uids) == len(files)


@pytest.mark.parametrize("name", NAMES)
def test_shipped_geometry_is_what_simpleitk_reads(name: str) -> None:
    grid = case_grid(samples()[name])
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([str(f) for f in dicom_files(name)])
    reader.MetaDataDictionaryArrayUpdateOff()
    headers = sitk.ImageFileReader()
    headers.SetFileName(str(dicom_files(name)[0]))
    headers.ReadImageInformation()
    assert headers.GetOrigin() == pytest.approx(tuple(grid.affine_lps[:3, 3]), abs=1e-6)
    last = sitk.ImageFileReader()
    last.SetFileName(str(dicom_files(name)[-1]))
    last.ReadImageInformation()
    assert last.GetOrigin() == pytest.approx(tuple(grid.to_lps([grid.shape_kji[0] - 1, 0, 0])), abs=1e-6)
    spacing = grid.spacing_mm
    assert headers.GetSpacing()[:2] == pytest.approx((spacing[2], spacing[1]), abs=1e-9)
    direction = np.array(headers.GetDirection()).reshape(3, 3)
    assert np.allclose(direction[:, 0], grid.affine_lps[:3, 2] / spacing[2], atol=1e-6)
    assert np.allclose(direction[:, 1], grid.affine_lps[:3, 1] / spacing[1], atol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_shipped_slices_are_what_the_generator_makes(name: str) -> None:
    case = samples()[name]
    grid = case_grid(case)
    truths = case_truths(case)
    k = grid.shape_kji[0] // 2
    affine = grid.affine_lps.copy()
    affine[:3, 3] = grid.to_lps([k, 0, 0])
    metal = any(t.ear.has("new handle") for t in truths.values())
    rows = grid.shape_kji[1] if metal else grid.shape_kji[1] // 2
    slab = Grid((1, rows, grid.shape_kji[2]), affine)
    values = blurred_scene([(t.ear, t.placement) for t in truths.values()], slab, case.scanner)
    if metal:
        values = values + metal_streaks(values, slab, case.scanner.seed)
    values = values + noise_field(grid, case.scanner)[k : k + 1, :rows]
    low, high = case.scanner.clip_hu
    made = np.rint(case.scanner.gain * np.clip(values, low, high) + case.scanner.offset).astype(int)[0]
    shipped = pydicom.dcmread(dicom_files(name)[k]).pixel_array[:rows].astype(int)
    # The slice is cut out of the grid here: coordinates differ in the last digit, a value may round differently.
    assert np.abs(made - shipped).max() <= 1
    assert (made != shipped).mean() < 1e-4


@pytest.mark.parametrize("name", NAMES)
def test_shipped_tables_are_read_and_say_the_truth(name: str) -> None:
    folder = sample_path(name)
    case = samples()[name]
    marks = read_landmarks(folder / "landmarks.csv")
    truth = json.loads((folder / "truth" / f"truth_{case.side}.json").read_text(encoding="utf-8"))
    assert set(truth["landmarks"]) == set(landmark_terms())
    for key in ("annulus", "drum_centre", "footplate_centre", "canal_medial"):
        assert np.allclose(marks[key].points_lps, truth["landmarks"][key]["points_lps"], atol=1e-3)
    assert len(read_structures(folder / "structures.csv")) >= 7
    assert len(read_sites(folder / "sites.csv")) == 6
    facts = facts_from_mapping(tomllib.loads((folder / "facts.toml").read_text(encoding="utf-8")))
    assert facts.side == case.side


@pytest.mark.parametrize("name", NAMES)
def test_shipped_truth_is_the_truth_of_the_shapes(name: str) -> None:
    case = samples()[name]
    truth = case_truths(case)[case.side]
    shipped = json.loads((sample_path(name) / "truth" / f"truth_{case.side}.json").read_text(encoding="utf-8"))
    for mark_id, mark in truth.landmarks.items():
        assert shipped["landmarks"][mark_id]["status"] == mark.status
        assert np.allclose(np.reshape(shipped["landmarks"][mark_id]["points_lps"], (-1, 3)), mark.points, atol=1e-3)


def test_planning_scan_tells_its_story() -> None:
    truth = json.loads((sample_path("revision_ear") / "truth" / "truth_right.json").read_text(encoding="utf-8"))
    values = {(m["id"], m["qualifier"]): m["value"] for m in truth["measurands"]}
    assert values["drum_lateralisation", "medial face perpendicular"] == pytest.approx(2.4, abs=0.01)
    assert truth["landmarks"]["umbo"]["status"] == "absent"
    assert truth["landmarks"]["incus_long_process"]["status"] == "absent"
    assert truth["landmarks"]["stapes_head"]["status"] == "absent"
    healthy = read_landmarks(sample_path("revision_ear") / "landmarks_left.csv")
    assert healthy.placed("umbo")
    later = json.loads((sample_path("revision_ear_later") / "truth" / "truth_right.json").read_text(encoding="utf-8"))
    assert later["landmarks"]["handle_tip"]["status"] == "placed"
    assert {m["id"] for m in later["measurands"]} >= {"handle_medialisation", "handle_to_footplate"}


def test_both_dates_are_one_ear_in_two_poses() -> None:
    truths = [json.loads((sample_path(s) / "truth" / "truth_right.json").read_text()) for s in NAMES[:2]]
    before, after = ({n: np.array(m["points_lps"]) for n, m in t["landmarks"].items()} for t in truths)
    names = ["footplate_centre", "promontory", "second_genu", "round_window", "canal_lateral"]
    a, b = (np.array([marks[n][0] for n in names]) for marks in (before, after))
    assert np.allclose(
        np.linalg.norm(a[:, None] - a[None], axis=2), np.linalg.norm(b[:, None] - b[None], axis=2), atol=1e-3
    )
    assert not np.allclose(a - a[0], b - b[0], atol=1.0)


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    case = small_case()
    for folder in ("a", "b"):
        truths = case_truths(case)
        values, grid = scan_case(case, truths)
        write_series(values, grid, tmp_path / folder, identity=IDENTITY, scanner=case.scanner)
        write_tables(truths[case.side], tmp_path / folder)
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_series_round_trip_and_no_complaint(tmp_path: Path) -> None:
    case = small_case(5)
    values, grid = scan_case(case)
    files = write_series(values, grid, tmp_path, identity=IDENTITY, scanner=case.scanner)
    read = np.stack([pydicom.dcmread(f).pixel_array for f in files])
    assert np.array_equal(read, values)
    plain = write_series(values, grid, tmp_path / "plain", identity=IDENTITY, scanner=case.scanner, compress=False)
    image = sitk.ReadImage([str(f) for f in plain])
    assert np.array_equal(sitk.GetArrayFromImage(image), values)
    last = [n - 1 for n in reversed(grid.shape_kji)]
    assert image.TransformIndexToPhysicalPoint(last) == pytest.approx(
        tuple(grid.to_lps(np.array(last[::-1]))), abs=1e-6
    )
    if shutil.which("dciodvfy"):
        done = subprocess.run(["dciodvfy", str(files[0])], capture_output=True, text=True, check=False)
        assert "Error" not in done.stdout + done.stderr


def test_picture_does_not_depend_on_how_it_is_cut_into_blocks() -> None:
    case = replace(random_case(3), size_mm=(1.0, 26.0, 26.0))
    grid = case_grid(case)
    ears = [(t.ear, t.placement) for t in case_truths(case).values()]
    moved = grid.affine_lps.copy()
    moved[:3, 3] = grid.to_lps([0, 3, 5])
    part = Grid((grid.shape_kji[0], grid.shape_kji[1] - 3, grid.shape_kji[2] - 5), moved)
    whole = blurred_scene(ears, grid, case.scanner)[:, 3:, 5:]
    assert np.abs(blurred_scene(ears, part, case.scanner) - whole).max() < 0.01


def test_identifiers_are_derived_and_valid() -> None:
    uid = derived_uid("revision_ear", "1", "series")
    assert uid == derived_uid("revision_ear", "1", "series")
    assert uid != derived_uid("revision_ear", "1", "study")
    assert pydicom.uid.UID(uid).is_valid


def test_random_cases_cover_sides_and_kernels() -> None:
    cases = [random_case(s) for s in range(24)]
    assert {c.side for c in cases} == {"left", "right"}
    assert sum(c.scanner.overshoot > 0 for c in cases) == 12
    assert {c.ears[0][1].malleus for c in cases} == {"present", "absent", "eroded"}
    assert {s.kind for c in cases for s in c.ears[0][1].wall} >= {"solid", "cellular", "suture", "earlier_hole"}
    assert all(0.1 <= c.scanner.spacing_mm[1] <= 0.6 and 0.2 <= c.scanner.spacing_mm[0] <= 0.7 for c in cases)


def test_command_lists_and_refuses(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list"]) == 0
    assert "revision_ear_later" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["generate", "no_such_ear"])


def test_click_noise_has_the_asked_spread(tmp_path: Path) -> None:
    from ctmeasure_samples.tables import write_landmarks

    truths = case_truths(small_case(5))
    truth = next(iter(truths.values()))
    write_landmarks(truth, tmp_path / "l.csv", noise_mm=0.3, observers=("a", "b"), repeats=20, seed=1)
    marks = read_landmarks(tmp_path / "l.csv")
    assert len(marks["annulus"].placements) == 2 * 20 * 16
    clicks = np.array([p.position_lps for p in marks["footplate_centre"].placements])
    assert clicks.std(axis=0).mean() == pytest.approx(0.3, rel=0.35)
