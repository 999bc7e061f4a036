"""`ctmeasure practice` from the command line: one line for every refusal, exit codes, nothing half done."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from practice_sets import small_set

pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")

from ctmeasure.cli.main import main

TABLE = """id,index,x_mm,y_mm,z_mm,status
stapes_head,0,,,,absent
drum_centre,0,-38.4,10.0,60.5,placed
"""


def test_a_task_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ctmeasure.app.practice import attempts
    from ctmeasure.store.attempts import join

    opened = small_set(tmp_path / "set")
    db = ["--db", str(tmp_path / "p.db")]
    store = attempts.open_store(tmp_path / "p.db")
    join(store, "R1")
    attempts.start(store, opened, "ear-00", "R1")
    (tmp_path / "l.csv").write_text(TABLE)
    words = ["practice", "hand-in", str(tmp_path / "set"), "--task", "ear-00", "--as", "R1", "--side", "right", *db]
    words += ["--landmarks", str(tmp_path / "l.csv"), "--no-plan"]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "stapes head: you said absent; it is there" in said
    assert "drum centre: 0.50 mm off" in said
    assert main(words) == 2
    assert "was handed in before" in capsys.readouterr().err
    shown = ["practice", "score", str(tmp_path / "set"), "--task", "ear-00", "--as", "R1", "--json", *db]
    assert main(shown) == 0
    assert json.loads(capsys.readouterr().out)["scores"][0]["points"][0]["given"] == "absent"
    assert main(["practice", "progress", "--as", "R1", *db]) == 0
    assert "1 attempts that count" in capsys.readouterr().out
    assert main(["practice", "supervise", *db]) == 0
    assert main(["practice", "backup", "--out", str(tmp_path / "copy.db"), *db]) == 0
    assert main(["practice", "delete", "--as", "R1", *db]) == 2
    assert main(["practice", "delete", "--as", "R1", "--yes", *db]) == 0
    assert "1 attempt" in capsys.readouterr().out
    assert main(["practice", "progress", "--as", "R1", *db]) == 2
    assert "nobody is known as 'R1'" in capsys.readouterr().err


def test_a_half_finished_attempt_is_not_scored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ctmeasure.app.practice import attempts
    from ctmeasure.store.attempts import join

    opened = small_set(tmp_path / "set")
    store = attempts.open_store(tmp_path / "p.db")
    join(store, "R1")
    words = [
        "practice",
        "score",
        str(tmp_path / "set"),
        "--task",
        "ear-00",
        "--as",
        "R1",
        "--db",
        str(tmp_path / "p.db"),
    ]
    assert main(words) == 2
    assert "has not started task" in capsys.readouterr().err
    attempts.start(store, opened, "ear-00", "R1")
    assert main(words) == 2
    assert "is not handed in" in capsys.readouterr().err


def test_a_drill_reads_answers_line_by_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from ctmeasure.planning.scoring.drills import questions

    asked = questions("clock", 2, seed=1)
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{asked[0].right[0]}\n13\n"))
    words = ["practice", "drill", "clock", "--as", "R1", "--count", "2", "--seed", "1", "--db", str(tmp_path / "p.db")]
    assert main(words) == 2
    assert "nobody is known" in capsys.readouterr().err
    assert main([*words, "--new"]) == 0
    assert "1 of 2 right" in capsys.readouterr().out


def test_without_the_extra_one_line_says_what_to_install(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ctmeasure.app.practice.attempts.LIBRARIES", ("sqlalchemy_that_is_not_here",))
    assert main(["practice", "supervise", "--db", str(tmp_path / "p.db")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "pip install 'ctmeasure[practice]'" in said
    assert not (tmp_path / "p.db").exists()


def test_cases_and_scans_must_match(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["practice", "make", "--out", str(tmp_path / "s"), "--case", "a", "--case", "b", "--scan", "c"]) == 2
    assert "2 cases and 1 scans" in capsys.readouterr().err
