"""Slices that do not belong, are there twice, or are no CT slices at all."""

from __future__ import annotations

import shutil

import numpy as np
from pydicom import dcmread
from pydicom.uid import generate_uid

from corpus.edits import K, every, one, setting
from corpus.good import ROOT, Series, write
from corpus.registry import Opened, damage, register

PATIENTS = "slices of more than one patient"
register("another patient's slice among them", one(PatientID="SAMPLE-8"), refused=PATIENTS)
register("a slice of another birth date", one(PatientBirthDate="19500101"), refused=PATIENTS)
register("a slice of another name", one(PatientName="Zzyxq^Other"), refused=PATIENTS)
register("another study's slice among them", one(StudyInstanceUID="2.25.9"), refused="stud")
register("another frame of reference in one slice", one(FrameOfReferenceUID="2.25.9"), refused="mixed frames of ref")
register("frame of reference missing in one slice", one(FrameOfReferenceUID=None), refused="mixed frames of reference")
register("frame of reference missing", every(FrameOfReferenceUID=None), warned="no frame of reference")
register("frame of reference empty", every(FrameOfReferenceUID=""), warned="no frame of reference")
register("another kernel in one slice", one(ConvolutionKernel="soft"), refused="mixed kernels")
register("another series' slice among them", one(SeriesInstanceUID="2.25.9"), refused=f"a gap between slice {K} ")
register("another class in one slice", one(SOPClassUID="1.2.840.10008.5.1.4.1.1.4"), refused="a gap between slice")
register("another modality in one slice", one(Modality="MR"), refused="modalit", warned="modalit")
register("modality MR", every(Modality="MR"), refused="modality MR")
register("modality missing", every(Modality=None), refused="modality", harmless=True)  # the class says CT
register("a derived series", every(ImageType=["DERIVED", "SECONDARY"]), warned="a derived series")
register("compressed with loss once", every(LossyImageCompression="01"), warned="compressed with loss")
register("series identifier missing", every(SeriesInstanceUID=None), refused="series", warned="series", harmless=True)
register("object identifiers missing", every(SOPInstanceUID=None), harmless=True)


@damage(refused=f"modality|a gap between slice {K}")
def modality_that_runs_on_into_the_name(series: Series) -> None:
    """A wrong length makes one value of all that follows, and that must not be read out to anybody."""
    data = bytearray(series.path(K).read_bytes())
    at = data.index(b"\x08\x00\x60\x00CS")
    data[at + 6] = 66
    series.path(K).write_bytes(bytes(data))


@damage(refused="two different slices under one identifier")
def one_identifier_for_two_slices(series: Series) -> None:
    series.edit(K, setting(SOPInstanceUID=f"{ROOT}.2.3.1"))


@damage(refused="two different slices under one identifier")
def one_identifier_for_all_slices(series: Series) -> None:
    series.edit_all(setting(SOPInstanceUID=f"{ROOT}.2.3.1"))


@damage(refused="two different slices under one identifier")
def one_identifier_two_pictures_at_one_place(series: Series) -> None:
    shutil.copy(series.path(K), series.folder / "copy")
    data = dcmread(series.path(K))
    data.PixelData = data.PixelData[::-1]
    data.save_as(series.path(K))


@damage(warned="1 exact copy of slices left out")
def slice_doubled(series: Series) -> None:
    shutil.copy(series.path(K), series.folder / "copy")


@damage(warned="24 exact copies of slices left out")
def whole_series_doubled(series: Series) -> None:
    shutil.copytree(series.folder, series.folder / "again")


@damage(refused="at the same position", warned="at the same position")
def slice_doubled_under_another_identifier(series: Series) -> None:
    shutil.copy(series.path(K), series.folder / "copy")
    data = dcmread(series.folder / "copy")
    data.SOPInstanceUID = "2.25.99"
    data.save_as(series.folder / "copy")


@damage(refused="mixed picture sizes")
def one_slice_of_another_size(series: Series) -> None:
    series.edit(K, setting(Rows=12, PixelData=bytes(12 * 16 * 2)))


@damage(refused="1 slice")
def one_slice_alone(series: Series) -> Opened:
    return Opened(path=series.path(K))


@damage(harmless=True)
def another_coarser_series_beside(series: Series) -> None:
    write(series.folder / "other", series.hu[::2], series.affine_lps @ np.diag([2.0, 1, 1, 1]), series="9")


@damage(harmless=True)
def another_patients_coarser_series_beside(series: Series) -> None:
    affine = series.affine_lps @ np.diag([2.0, 1, 1, 1])
    write(series.folder / "other", series.hu[::2], affine, series="9", patient="SAMPLE-8")


@damage(harmless=True)
def localiser_in_the_same_series(series: Series) -> None:
    data = dcmread(series.path(0))
    data.SOPInstanceUID, data.ImageType = "2.25.98", ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    data.ImageOrientationPatient = [0, 1, 0, 0, 0, -1]
    data.save_as(series.folder / "scout")


def _beside(word: str, sop_class: str, warned: str = "") -> None:
    def act(series: Series) -> None:
        data = dcmread(series.path(0))
        data.SOPClassUID = data.file_meta.MediaStorageSOPClassUID = sop_class
        data.SeriesInstanceUID, data.SOPInstanceUID = generate_uid(entropy_srcs=[word]), "2.25.97"
        data.save_as(series.folder / "other")

    register(f"{word} beside", act, harmless=True, warned=warned)


_beside("a secondary capture", "1.2.840.10008.5.1.4.1.1.7")
_beside("a dose report", "1.2.840.10008.5.1.4.1.1.88.67")
_beside("a presentation state", "1.2.840.10008.5.1.4.1.1.11.1")
_beside("a report", "1.2.840.10008.5.1.4.1.1.88.11")
_beside("an object of a private class", "1.2.3.4.5", warned="set aside")


@damage(refused="localiser")
def nothing_but_localisers(series: Series) -> None:
    series.edit_all(setting(ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"]))


@damage(refused="secondary capture")
def nothing_but_secondary_captures(series: Series) -> None:
    series.edit_all(setting(SOPClassUID="1.2.840.10008.5.1.4.1.1.7"))


@damage(warned="other|another|left out|2 series|further")
def last_slice_in_a_series_of_its_own(series: Series) -> Opened:
    """The stack is whole without it, one slice shorter; that one was set aside must be said."""
    series.edit(23, setting(SeriesInstanceUID="2.25.9"))
    return Opened(hu=series.hu[:23])


@damage(warned="other|another|left out|set aside|further|damaged|skipped")
def last_slice_whose_header_runs_astray(series: Series) -> Opened:
    """A wrong length swallows the identifiers behind it: the slice is of no series, no study and no class any more."""
    path = series.path(23)
    data = bytearray(path.read_bytes())
    data[data.index(b"\x10\x00\x10\x00PN") + 6] ^= 0x40
    path.write_bytes(bytes(data))
    return Opened(hu=series.hu[:23])


@damage(
    warned="other|another|left out|set aside|secondary capture|damaged|skipped", refused="samples|secondary capture"
)
def last_slice_of_no_samples(series: Series) -> Opened:
    """It then counts as a secondary capture; but it carries the series' own identifier."""
    series.edit(23, setting(SamplesPerPixel=0))
    return Opened(hu=series.hu[:23])
