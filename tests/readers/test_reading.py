"""What a good series gives, which series is taken, and what is kept of a scan and what is not.

Damages stand in `corpus`. The truth is the array and affine the series was written from (conftest, `corpus.good`).
"""

from __future__ import annotations

import dataclasses
import shutil
import zipfile

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.uid import generate_uid

from ctmeasure.errors import Cancelled, ScanError
from ctmeasure.io.dicom import list_series, load_series


def refused(path, words, **more):
    """The series must be refused in one line with these words, and the listing must say the same."""
    with pytest.raises(ScanError, match=words) as caught:
        load_series(path, **more)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def loads(series, loaded=None, **more):
    """The series must load to exactly what was written."""
    loaded = loaded or load_series(series.folder, **more)
    np.testing.assert_array_equal(loaded.volume.values, series.hu)
    np.testing.assert_allclose(loaded.volume.geometry.affine_lps, series.affine_lps, atol=2e-8)
    return loaded


def set_position(series, k, position):
    def change(data):
        data.ImagePositionPatient = [float(value) for value in position]

    series.edit(k, change)


def place(series, k):
    return series.affine_lps[:3, 3] + k * series.affine_lps[:3, 0]


def test_good(good_once):
    loaded = loads(good_once)
    assert loaded.volume.values.dtype == np.int16
    assert loaded.warnings == ()
    source = loaded.volume.source
    assert (source.intensity_unit, source.kernel, source.patient_pseudonym) == ("HU", "sharp", "SAMPLE-7")
    assert len(source.content_hash) == 64


def test_missing_slice_names_the_pair(series):
    series.path(5).unlink()
    text = refused(series.folder, "gap")
    assert "slice 5" in text
    assert "slice 7" in text
    assert "0.600 mm" in text
    assert "0.300 mm" in text


def test_another_patient_among_them(series):
    series.edit(3, lambda data: setattr(data, "PatientID", "SAMPLE-8"))
    text = refused(series.folder, "more than one patient")
    assert "SAMPLE" not in text


def test_fractional_slope_becomes_float(series):
    def change(data):
        data.RescaleSlope, data.RescaleIntercept = 0.5, 10.25

    series.edit_all(change)
    values = load_series(series.folder).volume.values
    assert values.dtype == np.float32
    np.testing.assert_allclose(values, (series.hu.astype(float) + 24) * 0.5 + 10.25, atol=1e-3)


def test_too_large_for_int16_becomes_float(series):
    def change(data):
        data.PixelRepresentation, data.RescaleIntercept = 0, 0
        data.PixelData = np.full((40, 32), 60000, "<u2").tobytes()

    series.edit_all(change)
    values = load_series(series.folder).volume.values
    assert values.dtype == np.float32
    assert values.min() == values.max() == 60000


def test_another_series_among_them(series, another_series):
    other = another_series(series.folder / "other", series="9", hu=series.hu[:4], affine=series.affine_lps)
    assert sorted(row.slices for row in list_series(series.folder)) == [4, 12]
    loaded = loads(series)
    assert "best of 2" in loaded.chosen_because
    chosen = load_series(series.folder, series_uid="2.25.77.9")
    np.testing.assert_array_equal(chosen.volume.values, other.hu)


def test_finest_series_is_chosen(series, another_series):
    another_series(series.folder / "thick", series="9", affine=np.diag([1.0, 1.0, 1.0, 1.0])[[2, 1, 0, 3]])
    assert load_series(series.folder).volume.source.series_uid == "2.25.77.2"


def test_side_is_preferred(series, another_series):
    another_series(series.folder / "left", series="9")
    for k in range(12):
        path = series.folder / "left" / f"IM{k:03d}"
        data = dcmread(path)
        data.Laterality, data.SliceThickness = "L", 0.3
        data.save_as(path)
    series.edit_all(lambda data: setattr(data, "Laterality", "R"))
    for side, uid in (("left", "2.25.77.9"), ("right", "2.25.77.2")):
        assert load_series(series.folder, side=side).volume.source.series_uid == uid
    wrong = load_series(series.folder, side="left", series_uid="2.25.77.2")
    assert any("check the side" in text for text in wrong.warnings)


def test_unknown_series_uid(series):
    refused(series.folder, "no series 1.2.3 here", series_uid="1.2.3")


def test_localiser_secondary_capture_and_report(series, tmp_path):
    data = dcmread(series.path(0))
    data.SeriesInstanceUID, data.ImageType = generate_uid(entropy_srcs=["a"]), ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    data.save_as(series.folder / "scout")
    for name, uid in (("shot", "1.2.840.10008.5.1.4.1.1.7"), ("dose", "1.2.840.10008.5.1.4.1.1.88.67")):
        data = dcmread(series.path(0))
        data.SOPClassUID = data.file_meta.MediaStorageSOPClassUID = uid
        data.SeriesInstanceUID = generate_uid(entropy_srcs=[name])
        data.save_as(series.folder / name)
    rows = list_series(series.folder)
    assert [row.kind for row in rows if row.usable] == ["CT image"]
    assert {row.kind for row in rows if not row.usable} == {"localiser", "secondary capture", "dose report"}
    assert all(row.reason for row in rows if not row.usable)
    loads(series)


def test_padding_of_the_lowest_number_stays_int16(series):
    def change(data):
        stored = np.frombuffer(data.PixelData, "<i2").reshape(40, 32).copy()
        stored[:, 0] = -32768
        data.PixelData = stored.tobytes()
        data.add_new(0x00280120, "SS", -32768)

    series.edit_all(change)
    values = load_series(series.folder).volume.values
    assert values.dtype == np.int16
    assert np.all(values[:, :, 0] == -1000)
    np.testing.assert_array_equal(values[:, :, 1:], series.hu[:, :, 1:])


def test_tilted_gantry(series):
    tilt = np.deg2rad(12.0)
    step = series.affine_lps[:3, 0]
    down = series.affine_lps[:3, 1] / 0.5
    for k in range(12):
        set_position(series, k, series.affine_lps[:3, 3] + k * (step + 0.3 * np.tan(tilt) * down))
    refused(series.folder, r"tilted gantry.*12\.00 degrees")
    assert list_series(series.folder)[0].tilt_deg == pytest.approx(12.0, abs=1e-3)
    loaded = load_series(series.folder, untilt=True)
    assert any("12.00 degrees" in text for text in loaded.warnings)
    # A stored voxel centre keeps its value at its true place: the pattern is smooth along rows and columns.
    geometry = loaded.volume.geometry
    k, j, i = 8, 10, 9
    truth = series.affine_lps[:3, 3] + k * (step + 0.3 * np.tan(tilt) * down) + series.affine_lps[:3, 1:3] @ (j, i)
    at = geometry.to_kji(truth)
    assert at[0] == pytest.approx(k, abs=1e-6)
    from ctmeasure.volume import sample

    value = sample(loaded.volume, truth, order="cubic").values
    assert float(value) == pytest.approx(float(series.hu[k, j, i]), abs=4.0)


def test_patient_position_is_never_read(series):
    before = load_series(series.folder).volume
    series.edit_all(lambda data: setattr(data, "PatientPosition", "HFS"))
    assert load_series(series.folder).volume == before


def test_identity_is_not_kept(series):
    def change(data):
        data.PatientID, data.PatientName, data.PatientBirthDate = "4711", "Invented^Person", "19010203"

    series.edit_all(change)
    loaded = loads(series)
    text = repr(loaded) + repr(list_series(series.folder))
    assert loaded.volume.source.patient_pseudonym == ""
    for word in ("4711", "Invented", "19010203"):
        assert word not in text


def test_unrelated_files_are_counted(series):
    (series.folder / "notes.txt").write_text("hello")
    assert any("1 file(s) that are not DICOM" in text for text in loads(series).warnings)


def test_cancel(series):
    def stop(text, fraction):
        raise Cancelled

    with pytest.raises(Cancelled):
        load_series(series.folder, progress=stop)


def test_progress_runs_to_one(series):
    seen = []
    load_series(series.folder, progress=lambda text, fraction: seen.append(fraction))
    assert seen == sorted(seen)
    assert seen[-1] == pytest.approx(1.0)


def test_zip_path_escape(series, tmp_path):
    target = tmp_path / "scan.zip"
    with zipfile.ZipFile(target, "w") as archive:
        for k in range(12):
            archive.write(series.path(k), series.path(k).name)
        archive.writestr("../evil", b"x")
        archive.writestr("/etc/evil", b"x")
    loaded = loads(series, load_series(target))
    assert any("2 ZIP member(s) that point outside" in text for text in loaded.warnings)
    assert not (tmp_path.parent / "evil").exists()


def test_content_hash_follows_content(series, tmp_path):
    first = load_series(series.folder).volume.source
    renamed = tmp_path / "renamed"
    renamed.mkdir()
    for k in range(12):
        shutil.copy(series.path(k), renamed / f"{99 - k}.dcm")
    assert load_series(renamed).volume.source == first

    def change(data):
        stored = np.frombuffer(data.PixelData, "<i2").copy()
        stored[7] += 1
        data.PixelData = stored.tobytes()

    series.edit(5, change)
    changed = load_series(series.folder).volume.source
    assert changed.content_hash != first.content_hash
    assert dataclasses.replace(changed, content_hash="") == dataclasses.replace(first, content_hash="")


def test_content_hash_follows_geometry(series):
    first = load_series(series.folder).volume.source.content_hash
    for k in range(12):
        set_position(series, k, place(series, k) + np.array([0.5, 0, 0]))
    assert load_series(series.folder).volume.source.content_hash != first
