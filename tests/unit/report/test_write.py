import json
from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.errors import Cancelled, CaseError, OutputError
from ctmeasure.report.pictures import PICTURES_ON_PAGE, key_pictures, picture_specs, stored_pictures
from ctmeasure.report.write import text_files, write_outputs


def contents(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_everything_is_there(written):
    _, folder = written
    names = {p.name for p in folder.iterdir()}
    assert names == {
        "case.json", "plan.json", "measurements.csv", "sites.csv", "zone.csv", "pairs.csv", "lengths.csv",
        "report.html", "report.pdf", "figures", "cautions.txt",
    }  # fmt: skip
    assert len(list((folder / "figures").glob("*.png"))) == PICTURES_ON_PAGE


def test_the_folder_can_be_replaced_for_every_file_in_it_is_known_as_ours(written):
    from ctmeasure.io.folder import foreign_names

    _, folder = written
    assert foreign_names(folder) == ()


def test_equal_input_gives_equal_bytes(written, case, volume, html, pdf, content):
    saved, folder = written
    assert (folder / "report.html").read_text(encoding="utf-8") == html
    assert (folder / "report.pdf").read_bytes() == pdf
    for name, data in text_files(case).items():
        assert (folder / name).read_bytes() == data, name
    for image in content.images:
        assert (folder / "figures" / image.file).read_bytes() == image.data, image.file
    one = dict(list(picture_specs(case).items())[:1])
    ((picture, data),) = key_pictures(case, volume, one)
    assert picture == saved.pictures[0]
    assert (folder / "figures" / picture.file).read_bytes() == data


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
    moved = replace(moved, results=replace(moved.results, zone=()))
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


def test_without_scan_and_pictures_the_report_says_so(mapless, tmp_path):
    saved = write_outputs(mapless, volume=None, out_dir=tmp_path)
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


@pytest.mark.parametrize("at", [0.5, 0.8])
def test_a_listener_can_stop_it_before_anything_is_written(mapless, volume, tmp_path, at):
    def stop(text, fraction):
        if fraction >= at:
            raise Cancelled

    with pytest.raises(Cancelled):
        write_outputs(mapless, volume=volume, out_dir=tmp_path, specs={}, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_progress_only_rises(written, progress_seen):
    assert len(progress_seen) > PICTURES_ON_PAGE
    assert progress_seen == sorted(progress_seen)
    assert progress_seen[-1] == 1.0


def test_the_cautions_stand_beside_the_tables(written):
    from ctmeasure.planning.cautions import CAUTIONS

    _, folder = written
    assert (folder / "cautions.txt").read_text(encoding="utf-8").splitlines() == list(CAUTIONS)
