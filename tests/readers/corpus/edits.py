"""Small ways to change a file's bytes that a well-behaved writer would not offer."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_file_meta_info
from pydicom.uid import JPEG2000Lossless

from corpus.good import Series

K = 8
"""The slice that is damaged when one is: inside the stack, so that nothing heals at its ends. Its number is K + 1."""


def setting(**values: Any) -> Callable[[Dataset], None]:
    """A change that sets elements by keyword; None removes."""

    def change(data: Dataset) -> None:
        for name, value in values.items():
            if value is None:
                del data[name]
            else:
                setattr(data, name, value)

    return change


def one(**values: Any) -> Callable[[Series], None]:
    """A damage: set elements in one slice."""
    return lambda series: series.edit(K, setting(**values))


def every(**values: Any) -> Callable[[Series], None]:
    """A damage: set elements in all slices."""
    return lambda series: series.edit_all(setting(**values))


def raw_value(path: Path, tag: int, value: bytes) -> None:
    """Put any bytes as an element's value (explicit little endian, short form); the length follows."""
    data = path.read_bytes()
    at = data.index(struct.pack("<HH", tag >> 16, tag & 0xFFFF), 132)
    (length,) = struct.unpack_from("<H", data, at + 6)
    value += b" " * (len(value) % 2)
    path.write_bytes(data[: at + 6] + struct.pack("<H", len(value)) + value + data[at + 8 + length :])


def raw(tag: int, value: bytes, *, everywhere: bool = False) -> Callable[[Series], None]:
    """A damage: any bytes as an element's value, in one slice or in all."""

    def act(series: Series) -> None:
        for k in range(len(series.hu)) if everywhere else (K,):
            raw_value(series.path(k), tag, value)

    return act


def body_at(data: bytes) -> int:
    """Where the data set begins, after the file meta information with its group length (PS3.10 7.1)."""
    return 144 + struct.unpack_from("<I", data, 140)[0]


def claim(path: Path, syntax: str) -> None:
    """Rewrite the file meta information to claim another transfer syntax; the data set stays as it is."""
    data = path.read_bytes()
    meta = dcmread(path, stop_before_pixels=True).file_meta
    meta.TransferSyntaxUID = syntax
    stream = DicomBytesIO()
    stream.is_implicit_VR, stream.is_little_endian = False, True
    write_file_meta_info(stream, meta, enforce_standard=bool(syntax))
    path.write_bytes(data[:132] + stream.getvalue() + data[body_at(data) :])


def compress(path: Path, syntax: str) -> None:
    """Compress a file's pixels, by an encoder that takes pictures this small."""
    if syntax != JPEG2000Lossless:
        data = dcmread(path)
        data.compress(syntax)
        data.save_as(path)
        return
    import gdcm

    reader, writer = gdcm.ImageReader(), gdcm.ImageWriter()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEG2000Lossless))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    writer.SetFileName(str(path))
    assert writer.Write()
