"""Pixels this reader takes, and whether they can all be there: told before anything is decoded.

References: DICOM PS3.3 C.7.6.3.1 (image pixel), PS3.5 8 and A.4 (native and encapsulated pixel data).
"""

from __future__ import annotations

import struct

from pydicom.encaps import get_frame
from pydicom.uid import JPEGLSLossless, JPEGLSNearLossless

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.headers import SliceHeader

UNDEFINED_LENGTH = 0xFFFFFFFF
"""The length of encapsulated pixel data (PS3.5 A.4)."""

JPEG_LS = (JPEGLSLossless, JPEGLSNearLossless)
END_OF_IMAGE = b"\xff\xd9"

GREY = ("", "MONOCHROME1", "MONOCHROME2")
"""Photometric interpretations of one grey value (PS3.3 C.7.6.3.1.2); a missing one is let pass."""


def check_format(header: SliceHeader) -> None:
    """Refuse pixels this reader does not know, or that are not all there, from the header alone.

    Parameters
    ----------
    header
        One slice.

    Raises
    ------
    ScanError
        Naming the slice and the fault.
    """
    common = header.common
    if not header.has_pixels:
        raise ScanError(f"{header.label} has no pixel data", expected="a picture", action="copy the series again")
    if common.samples != 1 or common.bits_allocated not in (8, 16, 32):
        raise ScanError(
            f"pixels of {common.samples} sample(s) of {common.bits_allocated} bits",
            expected="one grey value of 8, 16 or 32 bits",
        )
    if common.photometric not in GREY:
        raise ScanError(f"pixels of {common.photometric[:16]}", expected="grey values (MONOCHROME2)")
    if not (0 < common.bits_stored <= common.high_bit + 1 <= common.bits_allocated):
        raise ScanError(
            f"{common.bits_stored} bits stored below bit {common.high_bit} of {common.bits_allocated}",
            expected="stored bits that fit",
        )
    if header.pixel_offset is None or header.pixel_bytes is None:
        return
    if header.pixel_bytes == UNDEFINED_LENGTH:
        raise ScanError(
            f"compressed pixel data of {header.label} under an uncompressed syntax", expected="the true transfer syntax"
        )
    needed = common.rows * common.columns * common.bits_allocated // 8
    if header.frame is None and header.pixel_bytes >= needed + needed // common.rows:
        raise ScanError(
            f"pixel data of {header.label} longer than its picture: {header.pixel_bytes} of {needed} bytes",
            expected="rows, columns and bits that fit the pixels",
            action="copy the series again",
        )
    try:
        there = min(header.pixel_bytes, header.source.size - header.pixel_offset)
    except OSError as error:
        raise ScanError(f"{header.label} cannot be read any more", action="copy the series again") from error
    if there < needed:
        raise ScanError(
            f"pixel data of {header.label} short: {max(there, 0)} of {needed} bytes",
            expected="complete files",
            action="copy the series again",
        )


def check_fragments(data: memoryview) -> None:
    """Refuse encapsulated pixel data that is cut: some decoders work for seconds on what is left, or make it up.

    Parameters
    ----------
    data
        From the first item on.

    Raises
    ------
    ValueError
        When a fragment runs past the end, or nothing says where the last one ends (PS3.5 A.4).
    """
    at = 0
    while at + 8 <= len(data):
        tag, length = struct.unpack_from("<II", data, at)
        if tag == 0xE0DDFFFE:
            return
        if tag != 0xE000FFFE:
            break
        at += 8 + length
        if at == len(data):  # some writers leave the delimiter out
            return
    raise ValueError("cut short")


def jpeg_ls_picture(data: bytes) -> bytes:
    """Join the fragments of a JPEG-LS picture; one that is cut is refused: its decoders work on such for half a minute.

    Parameters
    ----------
    data
        Encapsulated pixel data of one picture, from the first item on.

    Returns
    -------
    bytes
        The encoded picture.

    Raises
    ------
    ValueError
        When the end-of-image marker is missing (ISO/IEC 14495-1; PS3.5 A.4 lets padding follow it).
    """
    picture = get_frame(data, 0, number_of_frames=1)
    if not picture.rstrip(b"\x00\xff").endswith(END_OF_IMAGE):
        raise ValueError("cut short")
    return picture
