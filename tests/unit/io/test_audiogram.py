"""Audiograms from tables: both forms say the same, and each slip is named with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from ctmeasure.errors import CtmeasureError
from ctmeasure.io.audiogram import read_audiograms

CSV = "when,conduction,frequency_hz,level_db,masked,transducer\n"
TOML = """
[[audiogram]]
when = "before"
transducer = "supra-aural"
masked_bone = [500]
[audiogram.air]
500 = 55
1000 = "no response 110"
[audiogram.bone]
500 = 15
"""


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_table_and_toml_say_the_same(tmp_path: Path) -> None:
    lines = "before,air,500,55,,supra-aural\nbefore,air,1000,no response 110,,\nbefore,bone,500,15,true,\n"
    (table,) = read_audiograms(written(tmp_path, "a.csv", CSV + lines))
    (toml,) = read_audiograms(written(tmp_path, "a.toml", TOML))
    assert table == toml
    silent = table.threshold("air", 1000)
    assert silent is not None
    assert (silent.level_db, silent.limit_db) == (None, 110.0)
    assert table.threshold("bone", 500).masked is True  # type: ignore[union-attr]


def test_before_comes_first(tmp_path: Path) -> None:
    found = read_audiograms(written(tmp_path, "a.csv", CSV + "after,air,500,30,,\nbefore,air,500,55,,\n"))
    assert [test.when for test in found] == ["before", "after"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("later,air,500,55,,", "line 2 has when 'later'"),
        ("before,skull,500,55,,", "line 2 has conduction 'skull'"),
        ("before,air,0.5,55,,", "line 2 has frequency '0.5'.*give hertz"),
        ("before,air,500,555,,", "line 2 has level '555'"),
        ("before,air,500,,,", "line 2 has level ''.*leave the line out"),
        ("before,air,500,nan,,", "line 2 has level 'nan'"),
        ("before,air,500,55,perhaps,", "line 2 has masked 'perhaps'"),
        ("before,air,500,55,,\nbefore,air,500,60,,", "line 3: air at 500 Hz given twice"),
        ("", "has no threshold"),
    ],
)
def test_each_slip_is_named(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(CtmeasureError, match=words):
        read_audiograms(written(tmp_path, "a.csv", CSV + line + "\n"))


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("500 = 15", '"0.5k" = 15', "frequency '0.5k'.*give hertz"),
        ("masked_bone = [500]", "masked_bone = true", "masked_bone = True.*a list of the frequencies"),
    ],
)
def test_a_slip_in_the_other_form_is_named_too(tmp_path: Path, right: str, wrong: str, words: str) -> None:
    with pytest.raises(CtmeasureError, match=words):
        read_audiograms(written(tmp_path, "a.toml", TOML.replace(right, wrong)))


def test_two_tests_before_are_refused(tmp_path: Path) -> None:
    with pytest.raises(CtmeasureError, match="two audiograms 'before'"):
        read_audiograms(written(tmp_path, "a.toml", TOML + TOML))


def test_of_a_table_of_both_ears_the_wanted_one_is_taken(tmp_path: Path) -> None:
    lines = "before,air,500,55,,,right\nbefore,air,500,20,,,left\nbefore,air,1000,50,,,\n"
    path = written(tmp_path, "a.csv", CSV.strip() + ",side\n" + lines)
    (right,) = read_audiograms(path, side="right")
    assert {t.frequency_hz: t.level_db for t in right.thresholds} == {500: 55.0, 1000: 50.0}
    other = written(tmp_path, "b.csv", CSV.strip() + ",side\nbefore,air,500,55,,,right\n")
    with pytest.raises(CtmeasureError, match="no threshold of the left ear"):
        read_audiograms(other, side="left")
    wrong = written(tmp_path, "c.csv", CSV.strip() + ",side\nbefore,air,500,55,,,middle\n")
    with pytest.raises(CtmeasureError, match="line 2 has side 'middle'"):
        read_audiograms(wrong, side="left")
