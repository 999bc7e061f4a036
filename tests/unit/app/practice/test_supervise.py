"""Agreement between people: limits and correlation as published, who is left out, and the page as files."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from practice_sets import missed, small_set

pytest.importorskip("sqlalchemy", reason="the extra 'practice' is not installed")

from ctmeasure.app.practice import attempts as practice
from ctmeasure.app.practice.pages import write_supervision
from ctmeasure.app.practice.supervise import between_people, in_common, supervision, supervision_lines
from ctmeasure.planning.scoring.answers import Answer
from ctmeasure.store.attempts import join

# Shrout PE, Fleiss JL (1979) Psychol Bull 86:420, table 2 (doi:10.1037/0033-2909.86.2.420): six targets, four judges.
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
# Bland JM, Altman DG (1986) Lancet 327:307, table 1 (doi:10.1016/S0140-6736(86)90837-8): first readings of two meters.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
SMALL = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_people_who_read_like_the_published_judges_agree_like_them() -> None:
    found = between_people({f"ear {n}": {f"R{k}": float(v) for k, v in enumerate(row)} for n, row in enumerate(JUDGES)})
    assert found["icc"] == pytest.approx(0.2898, abs=5e-5)
    assert found["sem_mm"] == pytest.approx(2.503, abs=5e-4)  # by hand from the paper's mean squares
    assert len(found["pairs"]) == 6


def test_two_people_who_read_like_the_published_meters_differ_like_them() -> None:
    table = {f"ear {n}": {"R1": float(a), "R2": float(b)} for n, (a, b) in enumerate(zip(LARGE, SMALL, strict=True))}
    (pair,) = between_people(table)["pairs"]
    assert (pair["ears"], pair["bias_mm"]) == (17, pytest.approx(-2.1, abs=0.05))
    sd = (pair["high_mm"] - pair["bias_mm"]) / 1.959964
    assert sd == pytest.approx(38.8, abs=0.05)
    # the paper takes two standard deviations: -79.65 and 75.41 from its data
    assert (pair["bias_mm"] - 2 * sd, pair["bias_mm"] + 2 * sd) == pytest.approx((-79.65, 75.41), abs=0.01)


def test_who_did_other_ears_is_left_out_of_the_table_and_not_of_the_pairs() -> None:
    table = {f"ear {n}": {"R1": 1.0 + n, "R2": 1.1 + n} for n in range(5)}
    for n in range(3):
        table[f"ear {n}"]["R3"] = 1.3 + n
    table["ear 0"]["R4"] = 1.0
    assert in_common(table)[0] == ["R1", "R2", "R3"]
    assert len(in_common(table)[1]) == 3
    found = between_people(table)
    assert {(p["first"], p["second"], p["ears"]) for p in found["pairs"]} == {
        ("R1", "R2", 5), ("R1", "R3", 3), ("R2", "R3", 3)
    }  # fmt: skip
    assert "needs two people" in between_people({"ear 0": {"R1": 1.0, "R2": 2.0}})["why"]


def test_how_far_people_lie_apart_at_a_landmark_and_the_page_as_files(tmp_path: Path) -> None:
    opened, rng = small_set(tmp_path / "set", tasks=8), np.random.default_rng(313)
    store = practice.open_store(tmp_path / "p.db")
    drawn = {name: 0.3 * rng.standard_normal((8, 3)) for name in ("R1", "R2", "R3")}
    for name, errors in drawn.items():
        join(store, name)
        for n, error in enumerate(errors):
            record = practice.start(store, opened, f"ear-{n:02d}", name)
            practice.hand_in(store, opened, record, Answer("right", missed(error, np.zeros(3))), plans="none")
    found = supervision(store)
    # 8 ears x 3 people x 3 axes: known to about a tenth
    assert found["between"]["landmarks"]["stapes_head"] == pytest.approx(0.3, rel=0.35)
    words = "\n".join(supervision_lines(found))
    assert "stapes head: standard error of measurement between people" in words
    files = write_supervision(found, tmp_path / "out")
    assert set(files) == {"supervision.txt", "people.csv", "pairs.csv"}
    rows = list(csv.DictReader((tmp_path / "out" / "people.csv").open()))
    assert [row["reader"] for row in rows] == ["R1", "R2", "R3"]
    assert float(rows[0]["mean_error_mm"]) > 0.0
