"""`ctmeasure series`: what it says, what it takes, and that a person is only named on request."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from ctmeasure.cli import main
from ctmeasure.io.dicom import load_series

NAMES = {
    "ISO_IR 100": ("Müller^Zoë", "Müller^Zoë"),
    "ISO_IR 192": ("Ωμέγα^Žofie", "Ωμέγα^Žofie"),
    "ISO_IR 144": ("Люкceмбypг", "Люкceмбypг"),
}
"""Invented words in Latin-1, UTF-8 and Cyrillic (PS3.5 H, I show the form of such names)."""


def run(capsys, *words):
    code = main(["series", *map(str, words)])
    captured = capsys.readouterr()
    assert captured.err == ""
    assert code == 0
    return captured.out


@pytest.mark.parametrize("charset", NAMES)
def test_identity_only_on_request(series, capsys, charset):
    name, shown = NAMES[charset]

    def change(data):
        data.SpecificCharacterSet = charset
        data.PatientName, data.PatientID, data.PatientBirthDate = name, "ID-4711", "19700102"

    series.edit_all(change)
    for options in ([], ["--json"]):
        text = run(capsys, series.folder, *options)
        assert all(part not in text for part in (*shown.split("^"), "4711", "19700102"))
    assert f"patient: {shown}, identifier ID-4711, born 19700102" in run(capsys, series.folder, "--identity")
    record = json.loads(run(capsys, series.folder, "--identity", "--json"))
    assert record["series"][0]["identity"]["name"] == shown
    loaded = load_series(series.folder)
    kept = repr((loaded.volume.source, loaded.row, loaded.warnings, loaded.chosen_because))
    assert all(part not in kept for part in (*shown.split("^"), "4711", "19700102"))


def test_control_characters_do_not_reach_the_terminal(series, capsys):
    series.edit_all(lambda data: setattr(data, "PatientName", "A\x1b[31mB"))
    assert "\x1b" not in run(capsys, series.folder, "--identity")


def test_rows_hold_coverage_side_and_the_choice(series, another_series, capsys):
    another_series(series.folder / "other", series="9")
    series.edit_all(lambda data: setattr(data, "SeriesDescription", "ear LT 0.3"))
    text = run(capsys, series.folder)
    assert "3.6 mm covered   side left" in text
    assert "side not stated" in text
    assert "plan takes 2.25.77.2: one of several equal series" in text
    assert "rules, in this order: usable; not said to be of the other side" in text
    assert "plan takes 2.25.77.9" in run(capsys, series.folder, "--side", "right")
    record = json.loads(run(capsys, series.folder, "--json"))
    assert record["would_take"] == "2.25.77.2"
    assert {row["side_hint"] for row in record["series"]} == {"left", ""}
    assert {row["coverage_mm"] for row in record["series"]} == {3.6}


def test_every_rule_is_said_when_it_decides(series, another_series, capsys):
    other = another_series(series.folder / "other", series="9", hu=series.hu[:9])
    assert other.hu.shape[0] == 9
    assert "decided by: most slices" in run(capsys, series.folder)


def test_nothing_usable_says_why(series, capsys):
    series.path(4).unlink()
    text = run(capsys, series.folder)
    assert "not usable: a gap between slice 4 at" in text
    assert "plan: a gap between" in text


def test_a_cut_compressed_file_is_one_line(series):
    """What the DICOM library warns about damaged fragments does not reach the terminal."""
    from pydicom import dcmread
    from pydicom.uid import JPEGLSLossless

    data = dcmread(series.path(4))
    data.compress(JPEGLSLossless)
    data.save_as(series.path(4))
    whole = series.path(4).read_bytes()
    series.path(4).write_bytes(whole[: len(whole) - 300])
    marks = series.folder.parent / "marks.csv"
    marks.write_text("id,index,x_mm,y_mm,z_mm\n")
    words = ["plan", series.folder, "--landmarks", marks, "--side", "left", "--out", marks.parent / "out"]
    done = subprocess.run([sys.executable, "-m", "ctmeasure", *map(str, words)], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "slice 5 cannot be decoded" in done.stderr
