"""Where the bytes of a series lie: files of a folder, members of a ZIP (read in place), files a DICOMDIR names."""

from __future__ import annotations

import os
import stat
import threading
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import IO, Protocol

from ctmeasure.errors import ScanError

LARGEST_EXPANSION = 16 * 2**30
"""Bytes a ZIP may unpack to in all; more is refused before anything is read."""

LARGEST_RATIO = 250
"""How many times a ZIP member may grow; no CT slice compresses better than about 100 to 1."""

RATIO_MATTERS_BYTES = 4 * 2**20
"""Members smaller than this unpacked can do no harm, however well they compress."""

ZIP_SIGN = b"PK\x03\x04"
"""How a ZIP begins; without its end it is not one to the library."""


class Source(Protocol):
    """Something whose bytes can be read: a file, or a member of an archive."""

    @property
    def size(self) -> int:
        """Bytes."""
        ...

    def head(self, count: int) -> bytes:
        """Give the first `count` bytes, or fewer when there are no more."""
        ...

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill the buffer from `offset` on; the number of bytes there were."""
        ...

    def all(self) -> bytes:
        """Give everything."""
        ...

    def __hash__(self) -> int:
        """Tell sources apart."""
        ...


class FileSource:
    """A file on disk."""

    __slots__ = ("path", "stamp")

    def __init__(self, path: str | Path) -> None:
        self.path = os.fspath(path)
        self.stamp: tuple[int, int] | None = None

    @property
    def size(self) -> int:
        """Bytes."""
        return os.stat(self.path).st_size  # noqa: PTH116  (hot: thousands of files)

    def head(self, count: int) -> bytes:
        """Give the first bytes."""
        with open(self.path, "rb", buffering=0) as stream:  # noqa: PTH123
            self.stamp = _stamp(stream)
            return stream.read(count) or b""

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill the buffer from an offset on."""
        done = 0
        with open(self.path, "rb", buffering=0) as stream:  # noqa: PTH123
            self._check(_stamp(stream))
            stream.seek(offset)
            while done < len(buffer):
                got = stream.readinto(buffer[done:])
                if not got:
                    break
                done += got
        return done

    def all(self) -> bytes:
        """Give the whole file."""
        with open(self.path, "rb", buffering=0) as stream:  # noqa: PTH123
            self._check(_stamp(stream))
            return stream.read()

    def check_unchanged(self) -> None:
        """Raise OSError when the file is not the one whose first bytes were read."""
        found = os.stat(self.path)  # noqa: PTH116
        self._check((found.st_size, found.st_mtime_ns))

    def _check(self, stamp: tuple[int, int]) -> None:
        if self.stamp is not None and stamp != self.stamp:
            raise OSError("changed since its header was read")


def _stamp(stream: IO[bytes]) -> tuple[int, int]:
    found = os.fstat(stream.fileno())
    return (found.st_size, found.st_mtime_ns)


class Archive:
    """An open ZIP: one reader at a time, and the last large member as it came out, for the frames it holds."""

    __slots__ = ("kept", "lock", "zip")

    def __init__(self, opened: zipfile.ZipFile) -> None:
        self.zip, self.lock = opened, threading.Lock()
        self.kept: tuple[str, bytes] | None = None


class ZipSource:
    """A member of a ZIP archive; nothing is ever unpacked to disk."""

    __slots__ = ("archive", "info")

    def __init__(self, archive: Archive, info: zipfile.ZipInfo) -> None:
        self.archive, self.info = archive, info

    @property
    def size(self) -> int:
        """Bytes, unpacked."""
        return self.info.file_size

    def head(self, count: int) -> bytes:
        """Give the first bytes, unpacking no more than that."""
        return self._read(count)

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill the buffer from an offset on."""
        data = self._read(None)[offset : offset + len(buffer)]
        buffer[: len(data)] = data
        return len(data)

    def all(self) -> bytes:
        """Give the whole member."""
        return self._read(None)

    def _read(self, count: int | None) -> bytes:
        archive, name = self.archive, self.info.filename
        try:
            with archive.lock:
                if count is not None:
                    with archive.zip.open(self.info) as stream:
                        return stream.read(count)
                if archive.kept is not None and archive.kept[0] == name:
                    return archive.kept[1]
                # Read to the very end: only then is the member's check sum compared.
                data = archive.zip.read(self.info)
                # One file of many frames is asked for frame by frame, and must not be unpacked for each.
                archive.kept = (name, data) if len(data) > RATIO_MATTERS_BYTES else None
                return data
        except OSError:
            raise
        except Exception as error:  # the library raises many kinds on damaged input
            raise OSError(f"a ZIP member that cannot be unpacked ({type(error).__name__})") from error


def find_sources(path: Path, notes: list[str]) -> list[Source]:
    """List everything under a path that might be DICOM.

    Parameters
    ----------
    path
        A folder (searched in full, links not followed), a ZIP, a DICOMDIR, or one file.
    notes
        Sentences about what was skipped are appended here.

    Returns
    -------
    list of Source
        In a fixed order.

    Raises
    ------
    ScanError
        When there is nothing at the path, it cannot be read, the folder is empty, or a ZIP is damaged or unpacks to
        an absurd size.
    """
    if not path.exists():
        raise ScanError(
            "nothing at the path given", expected="a DICOM folder, file, ZIP or DICOMDIR", action="check it"
        )
    try:
        if path.is_dir():
            sources: list[Source] = [FileSource(name) for name in _walk(path, notes)]
            if not sources:
                raise ScanError(
                    "an empty folder", expected="a DICOM folder, file, ZIP or DICOMDIR", action="check the path"
                )
            return sources
        if zipfile.is_zipfile(path):
            return _zip_members(path, notes)
        if path.name.upper().split(".")[0] == "DICOMDIR":
            return _dicomdir_files(path, notes)
    except OSError as error:
        raise ScanError(f"a path that cannot be read ({error.strerror or type(error).__name__})") from error
    if _begins_like_zip(path):
        raise ScanError("a ZIP that is cut short or damaged", expected="a whole ZIP", action="copy it again")
    if _is_special(os.fspath(path)):
        raise ScanError("a pipe or device", expected="a DICOM folder, file, ZIP or DICOMDIR")
    return [FileSource(path)]


def _begins_like_zip(path: Path) -> bool:
    if _is_special(os.fspath(path)):
        return False
    with path.open("rb") as stream:
        return stream.read(len(ZIP_SIGN)) == ZIP_SIGN


def _walk(folder: Path, notes: list[str]) -> Iterator[str]:
    unreadable: list[OSError] = []
    special = 0
    for root, folders, names in os.walk(folder, followlinks=False, onerror=unreadable.append):
        folders.sort()
        for name in sorted(names):
            if name.upper() == "DICOMDIR":
                continue
            full = f"{root}{os.sep}{name}"
            if _is_special(full):
                special += 1
            else:
                yield full
    if special:
        notes.append(f"{special} pipe(s) or device(s) skipped")
    if unreadable:
        notes.append(f"{len(unreadable)} folder(s) could not be opened and were skipped")


def _is_special(path: str) -> bool:
    """Whether opening a path could wait for ever: a pipe, a socket or a device."""
    try:
        return not stat.S_ISREG(os.stat(path).st_mode)  # noqa: PTH116
    except OSError:
        return False  # said when it is opened


def _zip_members(path: Path, notes: list[str]) -> list[Source]:
    try:
        archive = zipfile.ZipFile(path)
        members = [info for info in archive.infolist() if not info.filename.endswith("/")]
    except Exception as error:  # the library raises many kinds on damaged input
        raise ScanError(
            "a damaged ZIP, or one of an unknown kind", expected="a ZIP that opens", action="copy it again"
        ) from error
    swollen = any(
        info.file_size > RATIO_MATTERS_BYTES and info.file_size > LARGEST_RATIO * max(info.compress_size, 1)
        for info in members
    )
    total = sum(info.file_size for info in members)
    if swollen or total > LARGEST_EXPANSION:
        raise ScanError(
            f"a ZIP that would unpack to {total / 2**20:.0f} MiB from {path.stat().st_size / 2**20:.1f} MiB",
            expected=f"at most {LARGEST_EXPANSION // 2**30} GiB and {LARGEST_RATIO} to 1 per file",
            action="unpack it yourself if you trust it",
        )
    if any(info.flag_bits & 1 for info in members):
        raise ScanError("an encrypted ZIP", expected="a ZIP without a password", action="unpack it first")
    inside = [info for info in members if _stays_inside(info.filename)]
    if len(inside) < len(members):
        notes.append(
            f"{len(members) - len(inside)} ZIP member(s) that point outside the archive or have no name were skipped"
        )
    if not inside:
        found = f"a ZIP whose {len(members)} member(s) all point outside it" if members else "a ZIP without files"
        raise ScanError(found, expected="a ZIP with the files of a series", action="export the series again")
    inside.sort(key=lambda info: info.filename)
    shared = Archive(archive)
    return [ZipSource(shared, info) for info in inside]


def _stays_inside(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/"))
    return bool(name) and not parts.is_absolute() and ".." not in parts.parts and ":" not in name.split("/")[0]


def _dicomdir_files(path: Path, notes: list[str]) -> list[Source]:
    from pydicom import dcmread
    from pydicom.dataelem import RawDataElement

    try:
        directory = dcmread(path, specific_tags=["DirectoryRecordSequence"])
        sequence = directory.get_item("DirectoryRecordSequence")
        cut = isinstance(sequence, RawDataElement) and len(sequence.value or b"") < sequence.length < 0xFFFFFFFF
        records = [record.get("ReferencedFileID") for record in directory.get("DirectoryRecordSequence") or []]
    except Exception as error:  # pydicom raises many kinds on damaged input
        raise ScanError("a DICOMDIR that cannot be read", action="give its folder instead") from error
    if cut:
        raise ScanError("a DICOMDIR that is cut short", expected="all of it", action="give its folder instead")
    found: list[Source] = []
    missing = outside = 0
    for parts in records:
        if not parts:
            continue
        names = [parts] if isinstance(parts, str) else list(parts) if isinstance(parts, Sequence) else []
        if not names or not all(isinstance(name, str) for name in names):
            missing += 1
            continue
        if not _stays_inside("/".join(names)):
            outside += 1
            continue
        target = _below(path.parent, names)
        if target is None:
            missing += 1
        else:
            found.append(FileSource(target))
    if outside:
        notes.append(f"{outside} DICOMDIR entries that point outside its folder were skipped")
    if missing:
        notes.append(f"{missing} of {missing + len(found)} files the DICOMDIR names are missing")
    if not found:
        raise ScanError("a DICOMDIR that names no file that is there", action="give its folder instead")
    return found


def _below(folder: Path, names: list[str]) -> Path | None:
    # Disks copied to other systems often change the case of their names.
    for name in names:
        exact = folder / name
        if not exact.exists():
            entries = folder.iterdir() if folder.is_dir() else ()
            alike = [entry for entry in entries if entry.name.upper() == name.upper()]
            if not alike:
                return None
            exact = alike[0]
        folder = exact
    return folder
