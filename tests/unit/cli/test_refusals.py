"""Bad input on the command line: exit code 2, one line, nothing written, nothing lost."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from ctmeasure_samples import sample_path

from ctmeasure.cli import main

SAMPLE = sample_path("revision_ear")
SCAN = SAMPLE / "dicom"
MARKS = SAMPLE / "landmarks.csv"


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_rows(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def changed_marks(tmp_path: Path, change: Callable[[dict[str, str]], None]) -> Path:
    rows = rows_of(MARKS)
    for row in rows:
        change(row)
    return write_rows(tmp_path / "marks.csv", rows)


def refused(capsys: pytest.CaptureFixture[str], out: Path, *words: str) -> str:
    """Run, check that it is a refusal in one line that left nothing behind, and give the line."""
    before = sorted(out.parent.iterdir())
    code = main([*words, "--out", str(out)])
    captured = capsys.readouterr()
    assert code == 2, captured
    assert captured.out == ""
    assert captured.err.count("\n") == 1, captured.err
    assert "Traceback" not in captured.err
    assert sorted(out.parent.iterdir()) == before, "something was written"
    return captured.err


def test_a_missing_scan_an_empty_folder_and_a_folder_of_something_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "a.txt").write_text("not a scan")
    for scan in ("nowhere", "empty", "letters"):
        line = refused(capsys, tmp_path / "out", "plan", str(tmp_path / scan), "--landmarks", str(MARKS))
        assert "DICOM" in line


def test_a_missing_table_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(tmp_path / "none.csv"))
    assert "none.csv" in line


def test_the_wrong_side_names_the_remedy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(MARKS), "--side", "left")
    assert "--side right" in line


def test_negated_axes_are_refused_by_side_and_by_the_missing_wall(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def to_ras(row: dict[str, str]) -> None:
        if row["x_mm"]:
            row["x_mm"], row["y_mm"] = str(-float(row["x_mm"])), str(-float(row["y_mm"]))

    marks = changed_marks(tmp_path, to_ras)
    plan = ("plan", str(SCAN), "--landmarks", str(marks))
    assert "points out of a left ear" in refused(capsys, tmp_path / "out", *plan, "--side", "right")
    assert "check the canal landmarks" in refused(capsys, tmp_path / "out", *plan)


def test_swapped_canal_points_and_marks_of_the_other_ear_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def swap(row: dict[str, str]) -> None:
        names = {"canal_medial": "canal_lateral", "canal_lateral": "canal_medial"}
        row["id"] = names.get(row["id"], row["id"])

    marks = changed_marks(tmp_path, swap)
    assert "may be swapped" in refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(marks))
    other = {row["id"]: row for row in rows_of(SAMPLE / "landmarks_left.csv")}

    def mix(row: dict[str, str]) -> None:
        if row["id"] == "round_window":
            row.update({axis: other["round_window"][axis] for axis in ("x_mm", "y_mm", "z_mm")})

    marks = changed_marks(tmp_path, mix)
    line = refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(marks), "--side", "right")
    assert "of one ear" in line


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"x_mm": "500"}, "outside the scan"),
        ({"radius_mm": "30"}, "at most 3 mm"),
    ],
)
def test_impossible_structures_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: dict[str, str], words: str
) -> None:
    rows = rows_of(SAMPLE / "structures.csv")
    next(row for row in rows if row["id"] == "facial_nerve").update(change)
    table = write_rows(tmp_path / "structures.csv", rows)
    plan = ("plan", str(SCAN), "--landmarks", str(MARKS), "--structures", str(table))
    line = refused(capsys, tmp_path / "out", *plan)
    assert "facial_nerve" in line
    assert words in line


def test_swapped_axes_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def swap(row: dict[str, str]) -> None:
        row["x_mm"], row["z_mm"] = row["z_mm"], row["x_mm"]

    refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(changed_marks(tmp_path, swap)))


def test_not_a_number_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def spoil(row: dict[str, str]) -> None:
        if row["id"] == "drum_centre":
            row["y_mm"] = "NaN"

    line = refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(changed_marks(tmp_path, spoil)))
    assert "y_mm" in line


def test_a_landmark_outside_the_scan_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def move(row: dict[str, str]) -> None:
        if row["id"] == "drum_centre":
            row["z_mm"] = "900"

    line = refused(capsys, tmp_path / "out", "plan", str(SCAN), "--landmarks", str(changed_marks(tmp_path, move)))
    assert "drum_centre" in line
    assert "outside the scan" in line


def test_unknown_settings_and_facts_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "table.toml"
    table.write_text("bur_diametre_mm = 0.5\n")
    common = ("plan", str(SCAN), "--landmarks", str(MARKS))
    assert "did you mean 'bur_diameter_mm'" in refused(capsys, tmp_path / "out", *common, "--settings", str(table))
    table.write_text("bur_diameter_mm = 'wide'\n")
    refused(capsys, tmp_path / "out", *common, "--settings", str(table))
    table.write_text("side = \n")
    assert "not TOML" in refused(capsys, tmp_path / "out", *common, "--facts", str(table))


def test_an_output_folder_of_somebody_else_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("keep")
    refused(capsys, out, "plan", str(SCAN), "--landmarks", str(MARKS), "--force")
    assert (out / "mine.txt").read_text() == "keep"


def test_wrong_words_on_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["plann"], ["plan"], ["plan", "x", "--nonsense"], ["demo", "--seed", "-1"]):
        assert main(words) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_a_case_that_is_damaged_or_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = tmp_path / "case.json"
    assert "no case" in refused(capsys, tmp_path / "out", "report", str(case))
    case.write_text('{"schema_version": 99}')
    assert "schema version 99" in refused(capsys, tmp_path / "out", "report", str(case))
    case.write_text('{"schema_version": 1, "side": "right"')
    assert "not JSON" in refused(capsys, tmp_path / "out", "report", str(case))
    assert case.read_text().startswith('{"schema_version"')


def test_the_demo_ends_well_and_prints_one_json_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import json

    assert main(["demo", "--out", str(tmp_path / "out"), "--json"]) == 0
    printed = capsys.readouterr().out
    summary = json.loads(printed)
    assert summary["side"] == "right"
    assert [answer["number"] for answer in summary["answers"]] == [1, 2, 3, 4, 5]
    assert Path(summary["report"]).is_file()
    assert "not a medical device" in summary["cautions"][0]
