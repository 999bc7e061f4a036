"""Kept volumes: off until switched on, private, bounded, told apart from changed files, and gone when purged."""

from __future__ import annotations

import shutil
import stat
import zipfile

import numpy as np
import pytest
from pydicom import dcmread

from ctmeasure.cli.main import main
from ctmeasure.errors import OutputError
from ctmeasure.io.dicom import cache, load_series


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    place = tmp_path / "account" / "kept"
    monkeypatch.setenv(cache.FOLDER_VARIABLE, str(place))
    return place


@pytest.fixture
def reads(monkeypatch):
    """How many times pixels were read from their own files."""
    calls = []
    real = cache.read_pixels
    monkeypatch.setattr(cache, "read_pixels", lambda *a, **k: calls.append(1) or real(*a, **k))
    return calls


def test_nothing_is_kept_until_it_is_switched_on(series, folder, reads):
    load_series(series.folder)
    assert not folder.exists()
    assert cache.state() == cache.CacheState(folder, False, 0, 0)
    assert len(reads) == 1


def test_the_second_opening_does_not_read_the_files_again(series, folder, reads):
    cache.switch_on()
    first = load_series(series.folder)
    second = load_series(series.folder)
    assert len(reads) == 1
    assert first.volume == second.volume
    assert first.warnings == second.warnings
    np.testing.assert_array_equal(second.volume.values, series.hu)
    assert cache.state().volumes == 1
    assert any(path.name.startswith(first.volume.source.content_hash) for path in folder.iterdir())


def test_a_zip_is_known_again_by_its_check_sums(series, tmp_path, reads):
    cache.switch_on()
    for name in ("one.zip", "two.zip"):
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(series.folder.iterdir()):
                archive.write(path, path.name)
    assert load_series(tmp_path / "one.zip").volume == load_series(tmp_path / "two.zip").volume
    assert len(reads) == 1


def test_floating_point_volumes_and_padding_are_kept_as_they_are(series, reads):
    def change(data):
        data.RescaleSlope = 0.5
        data.add_new(0x00280120, "SS", int(dcmread(series.path(0)).pixel_array.min()))

    series.edit_all(change)
    cache.switch_on()
    first, second = load_series(series.folder), load_series(series.folder)
    assert len(reads) == 1
    assert second.volume.values.dtype == np.float32
    assert first.volume == second.volume
    assert first.warnings == second.warnings
    assert any("padding" in warning for warning in second.warnings)


def test_a_file_changed_since_is_read_anew(series, reads):
    cache.switch_on()
    load_series(series.folder)
    data = dcmread(series.path(3))
    data.PixelData = (data.pixel_array + 5).astype("<i2").tobytes()
    data.save_as(series.path(3))
    again = load_series(series.folder)
    assert len(reads) == 2
    np.testing.assert_array_equal(again.volume.values[3], series.hu[3] + 5)


def test_a_position_changed_since_is_read_anew(series, reads):
    cache.switch_on()
    load_series(series.folder)

    def shifted(data):
        data.ImagePositionPatient = [float(x) + 7 for x in data.ImagePositionPatient]

    series.edit_all(shifted)
    np.testing.assert_allclose(
        load_series(series.folder).volume.geometry.affine_lps[:3, 3], series.affine_lps[:3, 3] + 7, atol=1e-6
    )
    assert len(reads) == 2


@pytest.mark.parametrize("damage", ["flipped", "cut", "empty", "head"])
def test_a_damaged_entry_is_never_believed(series, folder, reads, damage):
    cache.switch_on()
    load_series(series.folder)
    (entry,) = folder.glob("*.voxels")
    data = bytearray(entry.read_bytes())
    if damage == "flipped":
        data[-7] ^= 4
    elif damage == "cut":
        del data[-100:]
    elif damage == "empty":
        data.clear()
    else:
        data[10] ^= 255
    entry.write_bytes(data)
    np.testing.assert_array_equal(load_series(series.folder).volume.values, series.hu)
    assert len(reads) == 2


def test_only_the_account_may_look(series, folder):
    cache.switch_on()
    load_series(series.folder)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


def test_a_folder_others_may_read_is_not_used(series, folder, reads):
    cache.switch_on()
    folder.chmod(0o750)
    load_series(series.folder)
    assert not list(folder.iterdir())
    assert len(reads) == 1


def test_a_link_is_not_used(series, folder, tmp_path):
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    folder.parent.mkdir()
    folder.symlink_to(tmp_path / "elsewhere")
    assert not cache.is_on()
    with pytest.raises(OutputError, match="link"):
        cache.switch_on()
    load_series(series.folder)
    assert not list((tmp_path / "elsewhere").iterdir())


def test_nothing_of_the_patient_is_in_it(series, folder):
    series.edit_all(lambda data: setattr(data, "PatientName", "Qqzzyx^Invented"))
    cache.switch_on()
    loaded = load_series(series.folder)
    kept = b"".join(path.read_bytes() + path.name.encode() for path in folder.iterdir())
    for word in ("Qqzzyx", "SAMPLE-7", "20300102", str(series.folder), loaded.volume.source.series_uid):
        assert word.encode() not in kept
        assert word.encode("utf-16-le") not in kept


def test_it_stays_within_its_bound(series, another_series, tmp_path, folder, monkeypatch, reads):
    monkeypatch.setattr(cache, "LARGEST_BYTES", series.hu.nbytes * 2)
    cache.switch_on()
    others = [another_series(tmp_path / f"more{n}", series=f"2.{n}", hu=series.hu + n) for n in range(1, 4)]
    for one in (series, *others):
        load_series(one.folder)
        assert cache.state().size_bytes <= cache.LARGEST_BYTES
    assert cache.state().volumes == 1
    load_series(others[-1].folder)
    assert len(reads) == 4


def test_too_large_for_it_is_not_kept(series, monkeypatch):
    monkeypatch.setattr(cache, "LARGEST_BYTES", 100)
    cache.switch_on()
    np.testing.assert_array_equal(load_series(series.folder).volume.values, series.hu)
    assert cache.state().volumes == 0


def test_a_full_disk_does_not_stop_the_reading(series, monkeypatch):
    cache.switch_on()

    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(cache, "_written", full)
    np.testing.assert_array_equal(load_series(series.folder).volume.values, series.hu)


def test_purge_deletes_what_is_ours_and_nothing_else(series, folder):
    cache.switch_on()
    load_series(series.folder)
    (folder / "letter.txt").write_text("not ours")
    assert cache.purge().volumes == 0
    assert [path.name for path in folder.iterdir()] == ["letter.txt"]
    with pytest.raises(OutputError, match="not ours"):
        cache.purge(switch_off=True)
    assert (folder / "letter.txt").read_text() == "not ours"


def test_off_leaves_nothing(series, folder):
    cache.switch_on()
    load_series(series.folder)
    assert not cache.purge(switch_off=True).on
    assert not folder.exists()


def test_a_series_that_fails_is_not_kept(series):
    cache.switch_on()
    shutil.copy(series.path(2), series.folder / "again")
    data = dcmread(series.path(4))
    data.PixelData = data.PixelData[:-2]
    data.save_as(series.path(4))
    with pytest.raises(ValueError, match="short"):
        load_series(series.folder)
    assert cache.state().volumes == 0


def test_from_the_command_line(series, folder, capsys):
    assert main(["cache"]) == 0
    assert "off" in capsys.readouterr().out
    assert main(["cache", "on"]) == 0
    load_series(series.folder)
    assert main(["cache", "show", "--json"]) == 0
    assert '"volumes": 1' in capsys.readouterr().out
    assert main(["cache", "purge"]) == 0
    assert "0 scan(s)" in capsys.readouterr().out
    assert main(["cache", "off"]) == 0
    assert not folder.exists()
    assert main(["cache", "forget"]) == 2
    assert "forget" in capsys.readouterr().err
