import json
from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.errors import Cancelled, CaseError, OutputError
from ctmeasure.report.pictures import PICTURES_ON_PAGE, key_pictures, picture_specs, stored_pictures
from ctmeasure.report.write import write_outputs


@pytest.fixture(scope="module")
def written(case, volume, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    return write_outputs(case, volume=volume, out_dir=folder), folder


def contents(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_everything_is_there(written):
    _, folder = written
    names = {p.name for p in folder.iterdir()}
    assert names == {
        "case.json", "plan.json", "measurements.csv", "sites.csv", "zone.csv", "pairs.csv", "lengths.csv",
        "report.html", "report.pdf", "figures",
    }  # fmt: skip
    assert len(list((folder / "figures").glob("*.png"))) == PICTURES_ON_PAGE


def test_equal_input_gives_equal_bytes(written, case, volume, tmp_path):
    _, folder = written
    write_outputs(case, volume=volume, out_dir=tmp_path)
    assert contents(tmp_path) == contents(folder)


def test_the_report_comes_again_from_the_stored_case_without_the_scan(written, tmp_path):
    from ctmeasure.case.store import load_case

    _, folder = written
    case = load_case(folder)
    again = write_outputs(case, volume=None, out_dir=tmp_path, stored_dir=folder)
    assert again.results.attention == case.results.attention
    first, second = contents(folder), contents(tmp_path)
    assert second["report.pdf"] == first["report.pdf"]
    assert second["report.html"] == first["report.html"]
    assert first.keys() == second.keys()


def test_a_moved_point_makes_stored_pictures_stale_and_says_so(written, tmp_path):
    saved, folder = written
    mark = saved.landmarks["drum_centre"]
    mark = replace(mark, placements=(replace(mark.placements[0], position_lps=tuple(mark.point_lps + 0.2)),))
    moved = replace(saved, landmarks=saved.landmarks.with_landmark(mark))
    found, notes = stored_pictures(moved, folder / "figures")
    assert found == []
    assert len(notes) == PICTURES_ON_PAGE
    assert all("stale" in note for note in notes)
    again = write_outputs(moved, volume=None, out_dir=tmp_path, stored_dir=folder)
    kinds = [item["kind"] for item in json.loads((tmp_path / "plan.json").read_text())["attention"]]
    assert kinds.count("stale picture") == PICTURES_ON_PAGE
    assert again.pictures == ()
    assert "the stored picture is stale" in (tmp_path / "report.html").read_text()


def test_a_deleted_picture_is_named(written, tmp_path):
    import shutil

    saved, folder = written
    shutil.copytree(folder / "figures", tmp_path / "figures")
    gone = saved.pictures[2]
    (tmp_path / "figures" / gone.file).unlink()
    found, notes = stored_pictures(saved, tmp_path / "figures")
    assert len(found) == PICTURES_ON_PAGE - 1
    assert notes == [f"{gone.recipe['name']}: the stored picture is missing; give the scan to draw it again"]


def test_a_stored_name_cannot_lead_out_of_the_folder(written, tmp_path):
    saved, _ = written
    secret = tmp_path / "secret.png"
    secret.write_bytes(b"secret")
    figures = tmp_path / "inner" / "figures"
    figures.mkdir(parents=True)
    evil = tuple(replace(p, file="../../secret.png") for p in saved.pictures)
    found, _ = stored_pictures(replace(saved, pictures=evil), figures)
    assert found == []


def test_without_scan_and_pictures_the_report_says_so(case, tmp_path):
    saved = write_outputs(case, volume=None, out_dir=tmp_path)
    assert [a.kind for a in saved.results.attention].count("stale picture") == 1
    assert "neither the scan nor stored pictures were given" in (tmp_path / "report.html").read_text()


def test_another_scan_is_refused(case, volume):
    other = replace(volume, source=replace(volume.source, content_hash="cd" * 32, series_uid="2.25.1"))
    with pytest.raises(CaseError, match="another series"):
        key_pictures(case, other)


def test_pictures_are_named_by_what_they_show(case, volume, pictures):
    specs = picture_specs(case)
    assert [p.made_from[:12] in p.file for p, _ in pictures] == [True] * len(specs)
    assert len({p.made_from for p, _ in pictures}) == len(specs)
    longer = replace(case.results.sites[0], drill_depth_mm=4.0)
    changed = replace(case, results=replace(case.results, sites=(longer, case.results.sites[1])))
    one = dict(list(specs.items())[:1])
    assert key_pictures(changed, volume, one)[0][0].made_from != key_pictures(case, volume, one)[0][0].made_from


def test_planes_through_the_holes_hold_their_drill_paths(case):
    specs, pair = picture_specs(case), case.results.pairs[0]
    for key, entry, direction in (
        ("hole_a", pair.entry_1_lps, pair.direction_1_lps),
        ("hole_b", pair.entry_2_lps, pair.direction_2_lps),
    ):
        ends = np.stack([entry, np.add(entry, 2.0 * np.array(direction))])
        assert np.abs(specs[key].offset_mm(ends)).max() < 1e-9


def test_a_case_without_results_is_not_written(case, tmp_path):
    with pytest.raises(OutputError, match="without results"):
        write_outputs(replace(case, results=None), volume=None, out_dir=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_listener_can_stop_it_before_anything_is_written(case, volume, tmp_path):
    def stop(text, fraction):
        if fraction >= 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        write_outputs(case, volume=volume, out_dir=tmp_path, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_progress_only_rises(case, volume, tmp_path):
    seen = []
    write_outputs(case, volume=volume, out_dir=tmp_path, progress=lambda text, fraction: seen.append(fraction))
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
