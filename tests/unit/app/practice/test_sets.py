"""Sets from the recipe and from experts' cases: what is asked, what is sealed, which voxels are kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ear_marks import CENTRE_LPS, place, right_ear
from practice_sets import grey_block, small_set

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.app.practice import sets
from ctmeasure.case.model import Case, scan_reference
from ctmeasure.case.store import save_case
from ctmeasure.errors import CtmeasureError, OutputError
from ctmeasure.io.practice import SetError, open_reference, reference_of, write_nifti
from ctmeasure.io.research import load_research
from ctmeasure.volume.volume import Volume


def test_voxels_keep_their_place_in_the_identifier_free_copy(tmp_path: Path) -> None:
    block = grey_block()
    write_nifti(block, tmp_path / "a" / "scan.nii.gz")
    again = load_research(tmp_path / "a" / "scan.nii.gz", side="right").volume
    for index in ((0, 0, 0), (69, 3, 7), (12, 99, 50)):
        where = block.geometry.to_lps(np.array(index, dtype=float))
        there = tuple(int(v) for v in np.rint(again.geometry.to_kji(where)))
        assert again.values[there] == block.values[index]


def test_experts_cases_of_one_scan_are_one_task_with_their_spread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    block = grey_block()
    for n, shift in enumerate((-0.2, 0.0, 0.2)):
        moved = place("stapes_head", right_ear()["stapes_head"].points_lps + np.array([0, 0, shift]))
        marks = right_ear().with_landmark(moved)
        save_case(Case("right", scan_reference(block), CaseFacts(side="right"), marks), tmp_path / f"{n}.json")

    def opened(path: Path, **_: object) -> tuple[Case, Volume]:
        from ctmeasure.case.store import load_case

        return load_case(path), block

    monkeypatch.setattr("ctmeasure.app.opened.open_case", opened)
    pairs = [(tmp_path / f"{n}.json", tmp_path) for n in range(3)]
    made = sets.make_case_set(tmp_path / "set", pairs, name="ours")
    assert [task.id for task in made.document.tasks] == ["case-01"]
    task = made.document.tasks[0]
    assert "stapes_head" in task.landmarks
    reference = reference_of(open_reference(made.folder, task))
    spread = reference.spread("stapes_head")
    assert spread is not None
    mean, sd, freedom = spread
    # squares -0.2, 0, 0.2 along one axis, pooled over three axes of two degrees of freedom each
    assert (sd, freedom) == (pytest.approx((0.08 / 6) ** 0.5), 6.0)
    assert mean[0] == pytest.approx(right_ear().point_lps("stapes_head"))
    volume = sets.task_volume(made, "case-01", "right")
    assert volume.source.series_uid == ""
    assert bool(volume.geometry.contains_lps(CENTRE_LPS))
    file = made.folder / task.scan
    write_nifti(Volume(volume.geometry, volume.values[::-1].copy()), file)
    with pytest.raises(SetError, match="scan of task 'case-01' was changed"):
        sets.task_volume(made, "case-01", "right")
    file.unlink()
    with pytest.raises(SetError, match="is not there"):
        sets.task_volume(made, "case-01", "right")


def bare_case() -> Case:
    return Case("right", scan_reference(grey_block()), CaseFacts(side="right"), LandmarkSet())


def test_a_set_asks_for_what_it_was_made_to_ask(tmp_path: Path) -> None:
    case = replace(bare_case(), landmarks=right_ear())
    asked = sets.Asked(("stapes_head", "umbo"), (), 1, False)
    (task,) = sets.make_open_set(
        tmp_path / "a", [(case, grey_block())], name="stapes", level="hard", asked=asked
    ).document.tasks
    # nobody said anything about the umbo, so nobody is asked
    assert (task.landmarks, task.structures, task.holes, task.length) == (("stapes_head",), (), 1, False)
    assert task.level == "hard"


def test_sets_that_cannot_be_made(tmp_path: Path) -> None:
    with pytest.raises(SetError, match="no case"):
        sets.make_case_set(tmp_path / "a", [], name="none")
    with pytest.raises(SetError, match="nothing is placed"):
        sets.make_open_set(tmp_path / "d", [(bare_case(), grey_block())], name="none")
    for asked, words in (({"landmarks": ("elbow",)}, "elbow"), ({"holes": 3}, "3 holes"),
                         ({"landmarks": (), "structures": (), "holes": 0, "length": False}, "nothing")):  # fmt: skip
        with pytest.raises(CtmeasureError, match=words):
            sets.Asked(**asked)  # type: ignore[arg-type]
    with pytest.raises(SetError, match="easy or middle or hard"):
        sets.make_recipe_set(tmp_path / "b", levels=("lethal",))
    small_set(tmp_path / "c")
    with pytest.raises(OutputError, match="is not empty"):
        sets.make_recipe_set(tmp_path / "c")
    with pytest.raises(SetError, match="scan of task 'ear-00' is not there"):
        sets.scan_path(sets.open_set(tmp_path / "c"), "ear-00")


def test_the_recipe_holds_twenty_four_ears_from_easy_to_hard() -> None:
    from ctmeasure_samples.practice import LEVELS, practice_ears

    ears = practice_ears()
    assert len({ear.id for ear in ears}) == 24
    assert [LEVELS.index(ear.level) for ear in ears] == sorted(LEVELS.index(ear.level) for ear in ears)
    assert {ear.case.side for ear in ears} == {"left", "right"}
    told = " ".join(ear.special for ear in ears)
    for words in ("lateralised", "dehiscent", "high jugular bulb", "low tegmen", "fluid", "metal", "wall down",
                  "opacified", "coarse slices"):  # fmt: skip
        assert words in told
    assert all(ear.special not in ear.case.title for ear in ears), "a scan's title must not tell"


def test_an_ear_of_the_recipe_is_sealed_and_scanned_on_demand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from ctmeasure_samples import practice as recipe

    ear = recipe.practice_ears()[2]
    small = replace(ear, case=replace(ear.case, size_mm=(4.0, 6.0, 6.0)))
    monkeypatch.setattr(recipe, "practice_ears", lambda: (small,))
    made = sets.make_recipe_set(tmp_path / "set")
    assert not (tmp_path / "set" / "scans").exists()
    document = open_reference(made.folder, made.task(ear.id))
    assert (document.side, document.origin, document.special) == (ear.case.side, "synthetic", "malleus gone")
    assert reference_of(document).status("umbo") == "absent"
    volume = sets.task_volume(made, ear.id, document.side)
    assert volume.source.patient_pseudonym == "SAMPLE-P03"
    assert sorted(p.name for p in (tmp_path / "set" / "scans").iterdir()) == [ear.id]
