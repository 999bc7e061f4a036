"""Output folders are whole or not there; nothing of anybody's is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from ctmeasure.errors import OutputError
from ctmeasure.io.folder import replaced_folder


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
