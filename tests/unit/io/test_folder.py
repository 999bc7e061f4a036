"""Output folders are whole or not there; nothing of anybody's is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from ctmeasure.errors import OutputError
from ctmeasure.io.folder import check_output_folder, foreign_names, refuse_inputs_inside, replaced_folder


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_complete_folder_appears_at_once(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    with replaced_folder(out, force=False) as building:
        (building / "case.json").write_text("{}")
        assert not out.exists()
    assert names(out) == {"case.json"}
    assert names(out.parent) == {"out"}, "nothing temporary is left"


def test_a_failure_leaves_the_earlier_folder_whole(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with replaced_folder(out, force=False) as building:
        (building / "case.json").write_text("first")

    def fail(building: Path) -> None:
        (building / "case.json").write_text("second")
        raise RuntimeError

    with pytest.raises(RuntimeError), replaced_folder(out, force=True) as building:
        fail(building)
    assert (out / "case.json").read_text() == "first"
    assert names(tmp_path) == {"out"}


def test_replacing_needs_force(tmp_path: Path) -> None:
    out = tmp_path / "out"
    for content, force in (("first", False), ("second", True)):
        with replaced_folder(out, force=force) as building:
            (building / "case.json").write_text(content)
    assert (out / "case.json").read_text() == "second"
    with pytest.raises(OutputError, match="--force"), replaced_folder(out, force=False):
        pass


def test_somebody_elses_folder_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "mine.txt").write_text("keep")
    with pytest.raises(OutputError, match="not ours"), replaced_folder(tmp_path / "letters", force=True):
        pass
    (tmp_path / "file").write_text("keep")
    with pytest.raises(OutputError, match="is a file"), replaced_folder(tmp_path / "file", force=True):
        pass
    assert (tmp_path / "letters" / "mine.txt").read_text() == "keep"


def planned(out: Path) -> Path:
    """A folder as `plan` leaves it (names as written on the page of interfaces), contents made up."""
    (out / "figures").mkdir(parents=True)
    for name in ("case.json", "plan.json", "measurements.csv", "sites.csv", "zone.csv", "pairs.csv", "lengths.csv"):
        (out / name).write_text("{}")
    for name in ("report.html", "report.pdf", "figures/answer-3-holes.svg", "figures/map-verdict.svg"):
        (out / name).write_text("x")
    for name in ("figures/lengths-12.svg", "figures/down-the-canal.svg", "figures/hole_a-0123456789ab.png"):
        (out / name).write_text("x")
    return out


@pytest.mark.parametrize(
    "name",
    ["my_notes.txt", "figures/holiday.png", "figures/sub/x.svg", "landmarks.csv", "case.json.bak", "figures/notes.svg"],
)
def test_force_never_takes_a_file_that_is_not_ours(tmp_path: Path, name: str) -> None:
    out = planned(tmp_path / "out")
    (out / name).parent.mkdir(exist_ok=True)
    (out / name).write_text("keep")
    shown = "figures/sub" if "sub" in name else name
    with pytest.raises(OutputError, match=f"also holds {shown};") as refusal, replaced_folder(out, force=True):
        raise AssertionError("no work is done first")
    assert "move them elsewhere" in refusal.value.action
    assert (out / name).read_text() == "keep"
    assert (out / "case.json").read_text() == "{}"


def test_many_foreign_files_are_counted(tmp_path: Path) -> None:
    out = planned(tmp_path / "out")
    for i in range(8):
        (out / f"note-{i}.txt").write_text("keep")
    with pytest.raises(OutputError, match=r"note-0\.txt, .*note-4\.txt and 3 more"), replaced_folder(out, force=True):
        pass


def test_a_folder_of_ours_alone_is_replaced_even_with_what_a_file_manager_left(tmp_path: Path) -> None:
    out = planned(tmp_path / "out")
    for name in (".DS_Store", "figures/Thumbs.db"):
        (out / name).write_text("x")
    assert foreign_names(out) == ()
    with replaced_folder(out, force=True) as building:
        (building / "case.json").write_text("second")
    assert names(out) == {"case.json"}


def test_an_input_inside_the_output_folder_is_refused_through_links_too(tmp_path: Path) -> None:
    out = planned(tmp_path / "out")
    (tmp_path / "marks.csv").write_text("x")
    refuse_inputs_inside(out, (tmp_path / "marks.csv", None, tmp_path / "out2"))
    refuse_inputs_inside(out, (tmp_path,))  # results may stand beside or under the inputs
    (tmp_path / "link").symlink_to(out)
    for given in (out / "case.json", out, tmp_path / "link" / "figures", tmp_path / "x" / ".." / "out" / "a.csv"):
        with pytest.raises(OutputError, match="lies inside --out"):
            refuse_inputs_inside(out, (None, given))
    with pytest.raises(OutputError, match="lies inside --out"):
        refuse_inputs_inside(tmp_path / "link", (out / "case.json",))


@pytest.mark.parametrize("place", ["a_file/out", "x" * 260])
def test_a_place_that_cannot_be_written_is_refused_before_any_work(tmp_path: Path, place: str) -> None:
    (tmp_path / "a_file").write_text("not a folder")
    with pytest.raises(OutputError, match="cannot be written"):
        check_output_folder(tmp_path / place, force=False)
    assert names(tmp_path) == {"a_file"}


def test_a_folder_that_only_looks_writable_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.mkdtemp", full)
    with pytest.raises(OutputError, match="No space left"):
        check_output_folder(tmp_path / "out", force=False)
