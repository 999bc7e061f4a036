"""Files that are cut, half copied, unreadable, linked in circles, or drown among others."""

from __future__ import annotations

import os
import shutil
import struct
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from corpus.edits import K, body_at
from corpus.good import SECRET, Series
from corpus.guard import longest_s
from corpus.registry import Opened, damage, register

GAP = f"a gap between slice {K} .* slice {K + 2} "
NOBODY = 65534


def _cut(series: Series, k: int, length: int) -> None:
    path = series.path(k)
    data = path.read_bytes()
    path.write_bytes(data[:length] if length >= 0 else data[: len(data) + length])


for name, length, words in (
    ("to nothing", 0, GAP + r".*1 file\(s\) that are not DICOM"),
    ("in the preamble", 100, GAP + r".*1 file\(s\) that are not DICOM"),
    ("in the word DICM", 131, GAP + r".*1 file\(s\) that are not DICOM"),
    ("in the file meta information", 150, GAP + r".*1 damaged DICOM file\(s\)"),
    ("before the transfer syntax's value", 250, GAP),
    ("in the identity", 520, "gap|mixed|missing|no pixel data|patient"),
    ("in the geometry", 760, "gap|mixed|missing|no pixel data"),
    ("before the last header fields", -700, "gap|mixed|missing|no pixel data"),
    ("before the pixel data's tag", -652, "no pixel data|short"),
    ("in the pixel data's tag", -650, "no pixel data|short|damaged"),
    ("in the pixel data's length", -642, "no pixel data|short|damaged"),
    ("before the first pixel", -640, f"slice {K + 1} short: 0 of 640|no pixel data"),
    ("in the middle of the pixels", -300, f"pixel data of slice {K + 1} short: 340 of 640"),
    ("by one byte", -1, f"pixel data of slice {K + 1} short: 639 of 640"),
):
    register(f"truncated {name}", lambda series, length=length: _cut(series, K, length), refused=words)


@damage(warned="1 damaged DICOM file")
def last_slice_truncated_in_its_header(series: Series) -> Opened:
    _cut(series, 23, 180)
    return Opened(hu=series.hu[:23])


@damage(warned=r"1 file\(s\) that are not DICOM")
def last_slice_truncated_to_nothing(series: Series) -> Opened:
    _cut(series, 23, 0)
    return Opened(hu=series.hu[:23])


@damage(refused="pixel data of slice 24 short")
def copy_stopped_in_the_last_slice(series: Series) -> None:
    _cut(series, 23, -200)


@damage(refused="zero|copied|copying", warned="zero|copied|copying")
def copy_in_progress_with_space_reserved(series: Series) -> Opened:
    """Copiers that reserve the whole length first leave zero bytes where the rest is still to come."""
    path = series.path(23)
    data = path.read_bytes()
    path.write_bytes(data[:-401] + bytes(401))
    return Opened(hu=series.hu)


def _while_reading(act):
    """Options whose progress listener acts once all headers are read, before any pixel is."""
    done = []

    def listen(text: str, fraction: float) -> None:
        if not done and text == "reading header 24 of 24":
            done.append(act())

    return {"progress": listen}


@damage(refused=f"pixel data of slice {K + 1} short: 240 of 640")
def file_cut_while_reading(series: Series) -> Opened:
    return Opened(options=_while_reading(lambda: _cut(series, K, -400)))


@damage(refused=f"slice {K + 1} cannot be read")
def file_gone_while_reading(series: Series) -> Opened:
    return Opened(options=_while_reading(lambda: series.path(K).unlink()))


@damage(refused=f"slice {K + 1} cannot be read")
def file_became_a_folder_while_reading(series: Series) -> Opened:
    def act() -> None:
        series.path(K).unlink()
        series.path(K).mkdir()

    return Opened(options=_while_reading(act))


@damage(refused="changed|copied|copying|slice 9")
def file_replaced_by_another_slice_while_reading(series: Series) -> Opened:
    def act() -> None:
        shutil.copy(series.path(0), series.path(K))

    return Opened(options=_while_reading(act))


@damage(warned=r"1 file\(s\) that are not DICOM")
def file_of_zero_bytes_beside(series: Series) -> None:
    (series.folder / "IM024.part").write_bytes(bytes(1500))


@contextmanager
def _as_nobody() -> Iterator[None]:
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def _readable_by_nobody(series: Series) -> Path:
    """A copy where another user may look; only root can try what a user without rights sees."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("only root can become a user without rights")
    folder = Path(tempfile.mkdtemp(prefix="ctmeasure-corpus-"))
    folder.chmod(0o755)
    return Path(shutil.copytree(series.folder, folder / "series"))


def _unreadable(series: Series, name: str, mode: int) -> Opened:
    folder = _readable_by_nobody(series)
    (folder / name).chmod(mode)

    @contextmanager
    def during() -> Iterator[None]:
        try:
            with _as_nobody():
                yield
        finally:
            (folder / name).chmod(0o755)
            shutil.rmtree(folder.parent)

    return Opened(path=folder, during=during)


@damage(refused=GAP + r".*1 file\(s\) that could not be read")
def file_without_the_right_to_read(series: Series) -> Opened:
    return _unreadable(series, series.path(K).name, 0)


@damage(refused="could not be|cannot be read|empty")
def folder_without_the_right_to_read(series: Series) -> Opened:
    return _unreadable(series, ".", 0)


@damage(warned=r"1 folder\(s\) could not be opened")
def inner_folder_without_the_right_to_read(series: Series) -> Opened:
    (series.folder / "closed").mkdir()
    return _unreadable(series, "closed", 0)


@damage(warned=r"1 file\(s\) that could not be read")
def link_to_nothing(series: Series) -> None:
    (series.folder / "link").symlink_to("nowhere")


@damage(warned=r"1 file\(s\) that could not be read")
def link_to_itself(series: Series) -> None:
    (series.folder / "loop").symlink_to("loop")


@damage(harmless=True)
def folder_link_to_its_own_parent(series: Series) -> None:
    (series.folder / "a").mkdir()
    (series.folder / "a" / "up").symlink_to("..", target_is_directory=True)


@damage(harmless=True)
def two_folders_linked_to_each_other(series: Series) -> None:
    for name, other in (("a", "b"), ("b", "a")):
        (series.folder / name).mkdir()
        (series.folder / name / other).symlink_to(f"../{other}", target_is_directory=True)


@contextmanager
def _relieved(pipe: Path) -> Iterator[None]:
    """A reader that waits at the pipe is let go after the time of a hang, so that the test can say so."""
    done = threading.Event()

    def write() -> None:
        while not done.wait(longest_s() + 1):
            with suppress(OSError):
                os.close(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    try:
        yield
    finally:
        done.set()
        writer.join()


@damage(warned="skipped|could not be read|not DICOM|no plain file")
def named_pipe_among_the_files(series: Series) -> Opened:
    os.mkfifo(series.folder / "IM099")
    return Opened(during=lambda: _relieved(series.folder / "IM099"))


@damage(warned="skipped|could not be read|not DICOM|no plain file")
def device_among_the_files(series: Series) -> None:
    (series.folder / "IM099").symlink_to("/dev/zero")


@damage(warned=r"10000 file\(s\) that are not DICOM")
def ten_thousand_unrelated_files(series: Series) -> None:
    folder = series.folder / "papers"
    folder.mkdir()
    for n in range(10_000):
        (folder / f"{n}.txt").write_bytes(b"a letter, not a scan\n")


@damage(warned=r"1 file\(s\) that are not DICOM")
def picture_named_like_a_slice(series: Series) -> None:
    (series.folder / "IM024.dcm").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(500))


@damage(harmless=True)
def folders_two_hundred_deep(series: Series) -> None:
    folder = series.folder
    for _ in range(200):
        folder /= "d"
    folder.mkdir(parents=True)
    series.path(K).rename(folder / "x")


@damage(warned="1 damaged DICOM file")
def file_names_of_any_bytes(series: Series) -> None:
    """A file name may hold a person's name, and need be no text: it is never shown."""
    bad = os.fsencode(series.folder) + b"/\xff\xfe\n" + SECRET.encode() + b".dcm"
    shutil.copy(series.path(K), bad)
    Path(os.fsdecode(bad)).write_bytes(series.path(K).read_bytes()[:180])
    series.path(0).rename(os.fsdecode(os.fsencode(series.folder) + b"/\xe9t\xe9"))


@damage(harmless=True)
def no_preamble(series: Series) -> None:
    for k in range(len(series.hu)):
        data = series.path(k).read_bytes()
        series.path(k).write_bytes(data[body_at(data) :])


@damage(harmless=True)
def preamble_of_another_format(series: Series) -> None:
    """Dual-personality files begin with another format's signature (PS3.10 7.1)."""
    for k in range(len(series.hu)):
        data = series.path(k).read_bytes()
        series.path(k).write_bytes(b"II*\0" + data[4:])


@damage(refused=GAP, harmless=True)
def group_length_lies(series: Series) -> None:
    """Group length is only a shortcut: reading on element by element finds the data set all the same."""
    data = bytearray(series.path(K).read_bytes())
    struct.pack_into("<I", data, 140, 0x7FFFFFFF)
    series.path(K).write_bytes(bytes(data))


@damage(warned="after|longer|trailing", harmless=True)
def rubbish_after_the_pixels(series: Series) -> None:
    """Sectors of a disk image often follow a file; the data set ends where its pixels end (PS3.3 A.1.2)."""
    with series.path(K).open("ab") as stream:
        stream.write(b"\xff" * 333)


@damage(refused="nothing at the path")
def path_that_is_not_there(series: Series) -> Opened:
    return Opened(path=series.folder / "nowhere")


@damage(refused="an empty folder")
def folder_that_is_empty(series: Series) -> Opened:
    (series.folder / "empty").mkdir()
    return Opened(path=series.folder / "empty")


@damage(refused="no DICOM slice among 1 file")
def folder_of_letters(series: Series) -> Opened:
    (series.folder / "letters").mkdir()
    (series.folder / "letters" / "a.txt").write_text("hello")
    return Opened(path=series.folder / "letters")
