"""ZIP archives and DICOMDIRs that swell, escape, lie or are broken."""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, MediaStorageDirectoryStorage

from corpus.edits import K
from corpus.good import SECRET, Series
from corpus.registry import Opened, damage, register

GAP = f"a gap between slice {K} "


def zipped(series: Series, *, method: int = zipfile.ZIP_DEFLATED, name: str = "a/{}", **more: bytes) -> Path:
    """The series as a ZIP, with other members added."""
    target = series.folder.parent / "scan.zip"
    with zipfile.ZipFile(target, "w", method) as archive:
        for k in range(len(series.hu)):
            archive.write(series.path(k), name.format(series.path(k).name))
        for extra, data in more.items():
            archive.writestr(extra, data)
    return target


@damage(harmless=True)
def zip_deflated(series: Series) -> Opened:
    return Opened(path=zipped(series))


@damage(harmless=True)
def zip_stored(series: Series) -> Opened:
    return Opened(path=zipped(series, method=zipfile.ZIP_STORED))


@damage(harmless=True)
def zip_under_another_name(series: Series) -> Opened:
    return Opened(path=zipped(series).rename(series.folder.parent / f"{SECRET}.dat"))


@damage(harmless=True)
def zip_with_something_before_it(series: Series) -> Opened:
    target = zipped(series)
    target.write_bytes(b"#!/bin/sh\n" * 20 + target.read_bytes())
    return Opened(path=target)


for word, member in {
    "climbs out": "../evil",
    "climbs out from inside": "a/../../evil",
    "is absolute": "/etc/evil",
    "climbs out with backslashes": "..\\evil",
    "names a drive": "C:\\evil",
}.items():
    register(
        f"zip member that {word}",
        lambda series, member=member: Opened(path=zipped(series, **{member: b"x" * 200})),
        warned=r"1 ZIP member\(s\) that point outside",
    )


def _bomb(size: int) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(size))
    return stream.getvalue()


@damage(refused="a ZIP that would unpack to 100 MiB")
def zip_bomb(series: Series) -> Opened:
    target = series.folder.parent / "bomb.zip"
    target.write_bytes(_bomb(100 * 2**20))
    return Opened(path=target)


@damage(refused="a ZIP that would unpack")
def zip_bomb_beside_the_slices(series: Series) -> Opened:
    return Opened(path=zipped(series, zeros=bytes(64 * 2**20)))


@damage(warned=r"1 file\(s\) that are not DICOM")
def zip_bomb_inside_the_zip(series: Series) -> Opened:
    return Opened(path=zipped(series, inner=_bomb(64 * 2**20)))


@damage(refused="could not be read|damaged|a gap")
def zip_bomb_that_lies_about_its_size(series: Series) -> Opened:
    """The directory says 600 bytes; the stream holds 64 MiB of zeros behind a DICOM preamble."""
    target = series.folder.parent / "liar.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(128) + b"DICM" + bytes(64 * 2**20))
    data = target.read_bytes().replace(struct.pack("<I", 132 + 64 * 2**20), struct.pack("<I", 600))
    target.write_bytes(data)
    return Opened(path=target)


@damage(refused="a ZIP that would unpack|more|members|files")
def zip_that_repeats_one_stream(series: Series) -> Opened:
    """Every directory entry points at the same 4 MiB of zeros: small file, 20 GiB in all."""
    target = series.folder.parent / "many.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros", bytes(4 * 2**20))
        first = archive.infolist()[0]
        archive.infolist().extend([first] * 5000)
        archive.filelist.extend([first] * 5000)
    return Opened(path=target)


@damage(refused="an encrypted ZIP")
def zip_with_a_password(series: Series) -> Opened:
    target = zipped(series)
    data = bytearray(target.read_bytes())
    at = 0
    while (at := data.find(b"PK\x01\x02", at)) >= 0:
        data[at + 8] |= 1
        at += 4
    target.write_bytes(bytes(data))
    return Opened(path=target)


@damage(refused="could not be read|damaged ZIP|no DICOM")
def zip_of_an_unknown_method(series: Series) -> Opened:
    target = zipped(series)
    data = bytearray(target.read_bytes())
    for mark, offset in ((b"PK\x01\x02", 10), (b"PK\x03\x04", 8)):
        at = 0
        while (at := data.find(mark, at)) >= 0:
            struct.pack_into("<H", data, at + offset, 98)
            at += 4
    target.write_bytes(bytes(data))
    return Opened(path=target)


@damage(refused="damaged ZIP|ZIP")
def zip_of_a_version_to_come(series: Series) -> Opened:
    target = zipped(series)
    data = bytearray(target.read_bytes())
    data[data.index(b"PK\x01\x02") + 6] = 110
    target.write_bytes(bytes(data))
    return Opened(path=target)


@damage(refused="a ZIP without files|empty")
def zip_of_nothing(series: Series) -> Opened:
    target = series.folder.parent / "empty.zip"
    zipfile.ZipFile(target, "w").close()
    return Opened(path=target)


@damage(refused="a ZIP that is cut short")
def zip_cut_in_half(series: Series) -> Opened:
    target = zipped(series)
    target.write_bytes(target.read_bytes()[: target.stat().st_size // 2])
    return Opened(path=target)


@damage(refused="a damaged ZIP|cut short or damaged|could not be read")
def zip_with_a_damaged_directory(series: Series) -> Opened:
    target = zipped(series)
    data = bytearray(target.read_bytes())
    at = data.index(b"PK\x01\x02")
    data[at : at + 3000] = b"\xa5" * 3000
    target.write_bytes(bytes(data))
    return Opened(path=target)


def _flipped(series: Series, method: int) -> Opened:
    """One byte flipped in the pixels of one slice: only the archive's check sum can tell."""
    target = zipped(series, method=method)
    with zipfile.ZipFile(target) as archive:
        after = archive.infolist()[K + 1].header_offset
    data = bytearray(target.read_bytes())
    data[after - 40] ^= 0x10
    target.write_bytes(bytes(data))
    return Opened(path=target)


register(
    "zip with a byte flipped in its pixels",
    lambda series: _flipped(series, zipfile.ZIP_STORED),
    refused=GAP + r".*1 file\(s\) that could not be read",
)
register(
    "zip with a byte flipped in its stream",
    lambda series: _flipped(series, zipfile.ZIP_DEFLATED),
    refused=GAP + r".*1 file\(s\) that could not be read",
)


@damage(warned="exact cop")
def zip_with_a_member_twice(series: Series) -> Opened:
    target = zipped(series)
    with zipfile.ZipFile(target, "a") as archive:
        archive.write(series.path(K), f"again/{series.path(K).name}")
    return Opened(path=target)


def directory(series: Series, names: list[list[str]]) -> Path:
    """A DICOMDIR of image records alone (PS3.10 8.6, PS3.3 F.3)."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = MediaStorageDirectoryStorage
    meta.MediaStorageSOPInstanceUID = "2.25.96"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    records = []
    for name in names:
        record = Dataset()
        record.DirectoryRecordType, record.ReferencedFileID = "IMAGE", name
        record.OffsetOfTheNextDirectoryRecord = record.OffsetOfReferencedLowerLevelDirectoryEntity = 4  # a lie
        records.append(record)
    data.FileSetID = ""
    data.OffsetOfTheFirstDirectoryRecordOfTheRootDirectoryEntity = 4
    data.DirectoryRecordSequence = Sequence(records)
    target = series.folder / "DICOMDIR"
    data.save_as(target, enforce_file_format=True)
    return target


def _names(series: Series) -> list[list[str]]:
    return [[series.path(k).name] for k in range(len(series.hu))]


@damage(harmless=True)
def dicomdir_with_offsets_in_a_circle(series: Series) -> Opened:
    return Opened(path=directory(series, _names(series)))


@damage(warned="1 DICOMDIR entries that point outside")
def dicomdir_that_climbs_out(series: Series) -> Opened:
    return Opened(path=directory(series, [*_names(series), ["..", "..", "etc", "passwd"]]))


@damage(refused=GAP + ".*1 of 24 files the DICOMDIR names are missing")
def dicomdir_that_names_a_missing_file(series: Series) -> Opened:
    target = directory(series, _names(series))
    series.path(K).unlink()
    return Opened(path=target)


@damage(refused="names no file that is there")
def dicomdir_alone(series: Series) -> Opened:
    target = directory(series, _names(series))
    for k in range(len(series.hu)):
        series.path(k).unlink()
    return Opened(path=target)


@damage(harmless=True, warned="cop|twice")
def dicomdir_that_names_every_file_twice(series: Series) -> Opened:
    return Opened(path=directory(series, _names(series) * 2))


@damage(refused="DICOMDIR")
def dicomdir_of_rubbish(series: Series) -> Opened:
    target = series.folder / "DICOMDIR"
    target.write_bytes(b"not a directory at all" * 20)
    return Opened(path=target)


@damage(refused="DICOMDIR")
def dicomdir_truncated(series: Series) -> Opened:
    target = directory(series, _names(series))
    target.write_bytes(target.read_bytes()[:380])
    return Opened(path=target)


@damage(refused="DICOMDIR")
def dicomdir_with_an_unknown_kind(series: Series) -> Opened:
    target = directory(series, _names(series))
    data = target.read_bytes()
    target.write_bytes(data.replace(b"\x04\x00\x00\x15CS", b"\x04\x00\x00\x15C\xfe", 1))
    return Opened(path=target)


@damage(harmless=True)
def rubbish_dicomdir_in_the_folder(series: Series) -> None:
    (series.folder / "DICOMDIR").write_bytes(b"rubbish")
