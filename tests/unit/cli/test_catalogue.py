"""`catalogue check` and `catalogue import` from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ctmeasure.cli.main import main

CSV = "name,reconstruction,label_mm,offset_mm\nA,total,4.0,0.2\nA,total,4.25,0.2\nA,total,4.5,0.2\n"


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "shelf.csv"
    path.write_text(CSV, encoding="utf-8")
    return path


def test_import_writes_a_catalogue_that_checks(table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "shelf.toml"
    assert main(["catalogue", "import", str(table), "--out", str(out)]) == 0
    assert main(["catalogue", "check", str(out), "--json"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found["name"] == "shelf"
    assert found["implants"][0]["functional_mm"] == [4.2, 4.45, 4.7]


def test_an_existing_file_is_never_overwritten(table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "shelf.toml"
    out.write_text("kept", encoding="utf-8")
    assert main(["catalogue", "import", str(table), "--out", str(out)]) == 2
    assert out.read_text(encoding="utf-8") == "kept"
    assert "exists" in capsys.readouterr().err


def test_check_says_what_was_noticed_with_exit_code_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "c.toml"
    path.write_text('[[size]]\nreconstruction = "total"\nlabel_mm = 4.0\n', encoding="utf-8")
    assert main(["catalogue", "check", str(path)]) == 1
    assert "no conversion" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (CSV.replace("4.25", "4,25"), "5 cells"),
        ("nothing\n", "add reconstruction"),
        (CSV.replace("4.25", "0.4 cm"), "unit"),
    ],
)
def test_a_wrong_table_is_one_line_and_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    path = tmp_path / "c.csv"
    path.write_text(text, encoding="utf-8")
    assert main(["catalogue", "import", str(path), "--out", str(tmp_path / "o.toml")]) == 2
    said = capsys.readouterr().err.strip()
    assert words in said
    assert "\n" not in said
    assert not (tmp_path / "o.toml").exists()
