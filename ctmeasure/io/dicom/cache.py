"""Decoded volumes kept for the next time: only where a person switched it on, bounded, and private to one account.

Voxels are patient data (a face can be made from them), so nothing is kept unless the folder was made by `switch_on`,
with mode 0700. Names in it are digests; no identifier, path, date or free text of a scan is written.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import stat
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ctmeasure.errors import OutputError
from ctmeasure.io.dicom.headers import SliceHeader
from ctmeasure.io.dicom.order import Arrangement
from ctmeasure.io.dicom.pixels import Pixels, read_pixels
from ctmeasure.io.dicom.sources import ZipSource
from ctmeasure.progress import Progress, no_progress

FOLDER_VARIABLE = "CTMEASURE_CACHE_DIR"
"""Environment variable that names another folder."""

FORMAT = 1
"""Raised whenever the same files would give other voxels than before; older entries are then never found again."""

LARGEST_BYTES = 4 * 2**30
"""All entries together; the ones not used for longest go first."""

_OURS = re.compile(r"([0-9a-f]{64}(-[0-9a-f]{16}\.voxels|\.key)|part-\w+)")


@dataclass(frozen=True)
class CacheState:
    """Where the cache is, whether it is used, and what it holds."""

    folder: Path
    on: bool
    volumes: int
    size_bytes: int


def cache_folder() -> Path:
    """Give the folder the cache has, or would have.

    Returns
    -------
    Path
        In the account's own cache folder, or where ``CTMEASURE_CACHE_DIR`` says.

    Raises
    ------
    RuntimeError
        When the account has no home folder.
    """
    if named := os.environ.get(FOLDER_VARIABLE):
        return Path(named)
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "ctmeasure" / "volumes"


def is_on() -> bool:
    """Whether volumes are kept: the folder is there, is no link, and is open to this account alone."""
    try:
        found = cache_folder().lstat()
    except (OSError, RuntimeError):
        return False
    if not stat.S_ISDIR(found.st_mode):
        return False
    if sys.platform == "win32":  # the account's own folder is private there by inheritance; modes mean nothing
        return True
    return found.st_uid == os.getuid() and not found.st_mode & 0o077


def switch_on() -> Path:
    """Make the folder, readable by this account alone; volumes are kept from now on.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        When it cannot be made, or something else has its place.
    """
    folder = cache_folder()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        if not folder.is_symlink():
            folder.chmod(0o700)
    except OSError as error:
        raise OutputError(f"the cache folder cannot be made ({error.strerror})", expected="a folder") from None
    if not is_on():
        raise OutputError("the cache folder's place is taken by a link or another account", expected="a folder")
    return folder


def state() -> CacheState:
    """Say what there is.

    Returns
    -------
    CacheState

    Raises
    ------
    RuntimeError
        When the account has no home folder.
    """
    entries = _entries()
    volumes = [entry for entry in entries if entry.suffix == ".voxels"]
    return CacheState(cache_folder(), is_on(), len(volumes), sum(_size(entry) for entry in entries))


def purge(*, switch_off: bool = False) -> CacheState:
    """Delete every volume that is kept.

    Parameters
    ----------
    switch_off
        Whether to remove the folder too, so that nothing is kept from now on.

    Returns
    -------
    CacheState
        What is left: nothing, unless something could not be deleted.

    Raises
    ------
    OutputError
        When something could not be deleted.
    """
    for entry in _entries():
        try:
            entry.unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(
                f"a kept volume could not be deleted ({error.strerror})", expected="files nothing else holds open"
            ) from None
    if switch_off and cache_folder().is_dir() and not cache_folder().is_symlink():
        try:
            cache_folder().rmdir()
        except OSError as error:
            raise OutputError(
                f"the cache folder holds files that are not ours and stays ({error.strerror})", expected="only ours"
            ) from None
    return state()


def kept_or_read(
    arrangement: Arrangement, *, hash_content: bool = True, hu: bool = True, progress: Progress = no_progress
) -> Pixels:
    """Give the pixels of a series from the cache, or read them and keep them when it is on.

    Parameters
    ----------
    arrangement, hash_content, hu, progress
        As for `read_pixels`.

    Returns
    -------
    Pixels
        The same as `read_pixels` would give.

    Raises
    ------
    ctmeasure.errors.ScanError
        As `read_pixels`.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    Files are known again by place, size and time of change, members of a ZIP by their check sums; what was kept is
    compared with its own check sum before it is believed. Anything that is not as it was left is read anew.
    """
    if not is_on():
        return read_pixels(arrangement, hash_content=hash_content, hu=hu, progress=progress)
    try:
        key = cache_folder() / f"{_fingerprint(arrangement, hu)}.key"
        progress("looking whether the volume was kept", 0.0)
        if (pixels := _kept(key, arrangement)) is not None:
            progress("volume kept from an earlier time", 1.0)
            return pixels
    except OSError:
        return read_pixels(arrangement, hash_content=hash_content, hu=hu, progress=progress)
    pixels = read_pixels(arrangement, hash_content=True, hu=hu, progress=progress)
    with suppress(OSError):  # a full or vanished disk must not stop the reading
        _keep(key, pixels, _treatment(arrangement, hu))
    return pixels


def _fingerprint(arrangement: Arrangement, hu: bool) -> str:
    total = hashlib.sha256(f"{_treatment(arrangement, hu)} {arrangement.shape_kji}".encode())
    total.update(np.ascontiguousarray(arrangement.affine_lps, dtype="<f8").tobytes())
    seen: dict[int, str] = {}
    for header in arrangement.headers:
        known = seen.get(id(header.source))
        if known is None:
            known = seen[id(header.source)] = _of_source(header)
        total.update(f"{header.sop_uid} {header.frame} {known}\n".encode())
    return total.hexdigest()


def _of_source(header: SliceHeader) -> str:
    source = header.source
    if isinstance(source, ZipSource):
        return f"zip {source.info.CRC:08x} {source.info.file_size}"
    found = os.stat(source.path)  # type: ignore[attr-defined]  # noqa: PTH116
    return f"file {found.st_dev} {found.st_ino} {found.st_size} {found.st_mtime_ns}"


def _treatment(arrangement: Arrangement, hu: bool) -> str:
    """What besides the stored values decides the voxels: the format of this cache, the unit, and padding."""
    paddings = sorted({str(header.common.padding) for header in arrangement.headers})
    return hashlib.sha256(f"{FORMAT} {hu} {paddings}".encode()).hexdigest()[:16]


def _kept(key: Path, arrangement: Arrangement) -> Pixels | None:
    if not key.is_file():
        return None
    name = key.read_text("ascii", errors="replace").strip()
    entry = key.parent / name
    if not _OURS.fullmatch(name) or not entry.is_file():
        return None
    with entry.open("rb", buffering=0) as stream:
        length = int.from_bytes(stream.read(4), "little")
        try:
            head = json.loads(stream.read(min(length, 2**16)))
            dtype = np.dtype({"int16": "<i2", "float32": "<f4"}[head["type"]])
            pixels = Pixels(
                np.empty(arrangement.shape_kji, dtype), head["hash"], tuple(head["warnings"]), int(head["padded"])
            )
        except (ValueError, KeyError, TypeError):
            return None
        view = pixels.values.reshape(-1).view(np.uint8).data
        done = 0
        while done < len(view) and (got := stream.readinto(view[done:])):
            done += got
    if done != len(view) or hashlib.sha256(view).hexdigest() != head.get("sha256"):
        entry.unlink(missing_ok=True)
        return None
    for used in (key, entry):
        os.utime(used)
    return pixels


def _keep(key: Path, pixels: Pixels, treatment: str) -> None:
    size = pixels.values.nbytes
    folder = key.parent
    if size > LARGEST_BYTES or shutil.disk_usage(folder).free < 2 * size:
        return
    _make_room(size)
    little = pixels.values.astype(pixels.values.dtype.newbyteorder("<"), copy=False)
    view = little.reshape(-1).view(np.uint8).data
    head = json.dumps(
        {
            "type": str(pixels.values.dtype),
            "hash": pixels.content_hash,
            "warnings": list(pixels.warnings),
            "padded": pixels.padded,
            "sha256": hashlib.sha256(view).hexdigest(),
        }
    ).encode()
    name = f"{pixels.content_hash}-{treatment}.voxels"
    _written(folder / name, [len(head).to_bytes(4, "little"), head, view])
    _written(key, [name.encode()])


def _written(target: Path, pieces: list[bytes | memoryview]) -> None:
    """Write a file of mode 0600 whole or not at all."""
    number, part = tempfile.mkstemp(prefix="part-", dir=target.parent)
    try:
        with os.fdopen(number, "wb", buffering=0) as stream:
            for piece in pieces:
                rest = memoryview(piece)
                while rest:
                    rest = rest[stream.write(rest) :]
        Path(part).replace(target)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise


def _make_room(size: int) -> None:
    entries = sorted(_entries(), key=lambda entry: entry.stat().st_mtime)
    total = sum(_size(entry) for entry in entries)
    for entry in entries:
        if total + size <= LARGEST_BYTES:
            return
        total -= _size(entry)
        entry.unlink(missing_ok=True)


def _entries() -> list[Path]:
    folder = cache_folder()
    if folder.is_symlink() or not folder.is_dir():
        return []
    return [entry for entry in folder.iterdir() if _OURS.fullmatch(entry.name) and not entry.is_symlink()]


def _size(entry: Path) -> int:
    try:
        return entry.stat().st_size
    except OSError:
        return 0
