"""Transfer syntaxes that are claimed and not there, compressed pixels that are damaged, streams that swell."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from pydicom import dcmread
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from corpus.edits import K, body_at, claim, compress
from corpus.good import Series
from corpus.registry import damage, register

ANY_REFUSAL = "gap|cannot be decoded|no DICOM|damaged|short|no pixel data|missing|pictures of|not a CT|mixed"
SYNTAXES = {
    "implicit": ImplicitVRLittleEndian,
    "big endian": ExplicitVRBigEndian,
    "deflated": DeflatedExplicitVRLittleEndian,
    "RLE": RLELossless,
    "JPEG baseline": JPEGBaseline8Bit,
    "JPEG lossless": JPEGLosslessSV1,
    "JPEG-LS": JPEGLSLossless,
    "JPEG 2000": JPEG2000Lossless,
    "a video": "1.2.840.10008.1.2.4.102",
    "an undefined": "1.2.840.10008.1.2.99",
    "a private": "1.2.3.4.5",
    "no": "",
}


def _claims(series: Series, syntax: str, slices: range | tuple[int, ...]) -> None:
    for k in slices:
        claim(series.path(k), syntax)


for _word, _syntax in SYNTAXES.items():
    register(
        f"{_word} syntax claimed in one slice",
        lambda series, syntax=_syntax: _claims(series, syntax, (K,)),
        refused=ANY_REFUSAL,
    )
    register(
        f"{_word} syntax claimed",
        lambda series, syntax=_syntax: _claims(series, syntax, range(24)),
        refused=ANY_REFUSAL,
    )


@damage(refused=f"slice {K + 1}|compressed|encapsulated|undefined length")
def compressed_pixels_claimed_as_plain(series: Series) -> None:
    """As long as the plain picture or longer, so that their number gives nothing away."""
    data = dcmread(series.path(K))
    data.PixelData = encapsulate([data.PixelData, data.PixelData])
    data["PixelData"].is_undefined_length = True
    data.file_meta.TransferSyntaxUID = RLELossless
    data.save_as(series.path(K))
    claim(series.path(K), "1.2.840.10008.1.2.1")


def _compress(series: Series, syntax: str, slices: range | tuple[int, ...] = (K,)) -> None:
    for k in slices:
        compress(series.path(k), syntax)


LOSSLESS = {"RLE": RLELossless, "JPEG-LS": JPEGLSLossless, "JPEG 2000": JPEG2000Lossless}


def _cut(series: Series, syntax: str, share: float) -> None:
    _compress(series, syntax)
    data = series.path(K).read_bytes()
    pixels = data.rindex(b"\xe0\x7f\x10\x00OB")
    series.path(K).write_bytes(data[: pixels + int((len(data) - pixels) * share)])


def _overwrite(series: Series, syntax: str, at: int, value: bytes) -> None:
    """Overwrite bytes of the coded picture itself, counted from its first byte."""
    _compress(series, syntax)
    data = bytearray(series.path(K).read_bytes())
    pixels = data.rindex(b"\xe0\x7f\x10\x00OB")
    table = struct.unpack_from("<I", data, pixels + 16)[0]
    start = pixels + 20 + table + 8
    data[start + at : start + at + len(value)] = value
    series.path(K).write_bytes(bytes(data))


for _word, _syntax in LOSSLESS.items():
    register(f"{_word} in one slice of a plain series", lambda series, s=_syntax: _compress(series, s), harmless=True)
    for _share in (0.1, 0.5, 0.9):
        register(
            f"{_word} cut at {_share:.0%}",
            lambda series, s=_syntax, share=_share: _cut(series, s, share),
            refused=f"slice {K + 1} cannot be decoded|{ANY_REFUSAL}",
        )
    register(
        f"{_word} of zero bytes", lambda series, s=_syntax: _overwrite(series, s, 0, bytes(200)), refused="decoded"
    )

# Byte places in the coded picture: PS3.5 Annex G (RLE header), ISO/IEC 15444-1 A.5.1 (SIZ), 14495-1 C.2.2 (SOF55).
register(
    "RLE that claims a billion segments",
    lambda series: _overwrite(series, RLELossless, 0, b"\xff\xff\xff\x7f"),
    refused="decoded",
    harmless=True,
)
register(
    "RLE whose segment starts outside",
    lambda series: _overwrite(series, RLELossless, 4, b"\xff\xff\xff\x7f"),
    refused="decoded",
)
register(
    "JPEG 2000 that claims a picture of 65535 squared",
    lambda series: _overwrite(series, JPEG2000Lossless, 8, struct.pack(">II", 65535, 65535)),
    refused="decode",
)


@damage(refused="decode|size")
def jpeg_ls_that_claims_a_picture_of_65535_squared(series: Series) -> None:
    _compress(series, JPEGLSLossless)
    data = bytearray(series.path(K).read_bytes())
    at = data.rindex(b"\xff\xf7\x00\x0b")
    struct.pack_into(">HH", data, at + 5, 65535, 65535)
    series.path(K).write_bytes(bytes(data))


@damage(refused="decode|fragment|frame")
def compressed_picture_of_another_slice_size(series: Series) -> None:
    data = dcmread(series.path(K))
    small = dcmread(series.path(K))
    small.Rows, small.PixelData = 10, data.PixelData[:320]
    small.compress(JPEGLSLossless)
    data.PixelData = small.PixelData
    data["PixelData"].is_undefined_length = True
    data.file_meta.TransferSyntaxUID = JPEGLSLossless
    data.save_as(series.path(K))


@damage(refused="sign|decode|mixed")
def compressed_picture_with_its_sign_denied(series: Series) -> None:
    """The header calls the values unsigned in one compressed slice."""
    _compress(series, JPEGLSLossless, range(24))
    series.edit(K, lambda data: setattr(data, "PixelRepresentation", 0))


@damage(refused=f"a gap between slice {K} .*damaged|large|swell|unpack")
def deflated_slice_that_swells(series: Series) -> None:
    """150 KB of deflated zeros in a private element: 150 MiB when unpacked (PS3.5 A.5)."""
    data = series.path(K).read_bytes()
    zeros = 150 * 2**20
    inside = data[body_at(data) :]
    private = struct.pack("<HH2sHI", 0x0009, 0x1001, b"OB", 0, zeros)
    at = inside.index(struct.pack("<HH", 0x0010, 0x0010))
    packer = zlib.compressobj(wbits=-zlib.MAX_WBITS)
    packed = [packer.compress(inside[:at] + private)]
    packed += [packer.compress(bytes(2**20)) for _ in range(150)]
    packed += [packer.compress(inside[at:]), packer.flush()]
    series.path(K).write_bytes(data[: body_at(data)] + b"".join(packed))
    claim(series.path(K), DeflatedExplicitVRLittleEndian)


@damage(refused=ANY_REFUSAL)
def element_that_claims_two_gigabytes(series: Series) -> None:
    data = series.path(K).read_bytes()
    at = data.index(struct.pack("<HH", 0x0010, 0x0010))
    private = struct.pack("<HH2sHI", 0x0009, 0x1001, b"OB", 0, 0x7FFFFFF0)
    series.path(K).write_bytes(data[:at] + private + data[at:])


@damage(refused=ANY_REFUSAL)
def file_meta_information_that_never_ends(series: Series) -> None:
    """Its first element has no length and no end."""
    data = series.path(K).read_bytes()
    endless = struct.pack("<HH2sHI", 0x0002, 0x0001, b"OB", 0, 0xFFFFFFFF)
    series.path(K).write_bytes(data[:132] + endless + data[132:])


@damage(refused=ANY_REFUSAL)
def sequence_that_never_ends(series: Series) -> None:
    data = series.path(K).read_bytes()
    at = data.index(struct.pack("<HH", 0x0010, 0x0010))
    private = struct.pack("<HH2sHI", 0x0008, 0x1140, b"SQ", 0, 0xFFFFFFFF)
    series.path(K).write_bytes(data[:at] + private + data[at:])


def _nested(series: Series, depth: int, slices: range | tuple[int, ...]) -> None:
    """Open sequences and items without end, by hand: no writer goes so deep."""
    opening = struct.pack("<HH2sHIHHI", 0x0008, 0x1140, b"SQ", 0, 0xFFFFFFFF, 0xFFFE, 0xE000, 0xFFFFFFFF)
    closing = struct.pack("<HHIHHI", 0xFFFE, 0xE00D, 0, 0xFFFE, 0xE0DD, 0)
    for k in slices:
        data = series.path(k).read_bytes()
        at = data.index(struct.pack("<HH", 0x0010, 0x0010))
        series.path(k).write_bytes(data[:at] + opening * depth + closing * depth + data[at:])


register("sequences ten deep", lambda series: _nested(series, 10, range(24)), harmless=True)
register("sequences three hundred deep", lambda series: _nested(series, 300, (K,)), harmless=True, refused=ANY_REFUSAL)
register("sequences five thousand deep", lambda series: _nested(series, 5000, (K,)), harmless=True, refused=ANY_REFUSAL)


@damage(harmless=True)
def header_of_a_megabyte(series: Series) -> None:
    """Private elements before the pixels, longer than what is read first."""
    for k in range(24):
        series.edit(k, lambda data: data.add_new(0x00091001, "OB", bytes(2**20 // 4)))


@damage(harmless=True)
def elements_of_unknown_kind(series: Series) -> None:
    series.edit_all(lambda data: data.add_new(0x00091001, "UN", np.arange(400, dtype="<i2").tobytes()))


@damage(refused="order|twice|" + ANY_REFUSAL, warned="order|twice")
def position_given_twice(series: Series) -> None:
    """A second Image Position after the pixel spacing, out of order (PS3.5 7.1: once each, in order)."""
    data = series.path(K).read_bytes()
    at = data.index(struct.pack("<HH", 0x0028, 0x0030))
    second = b"0\\0\\0 "
    element = struct.pack("<HH2sH", 0x0020, 0x0032, b"DS", len(second)) + second
    series.path(K).write_bytes(data[:at] + element + data[at:])
