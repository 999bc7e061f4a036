"""Values of raw DICOM elements: what cannot be read becomes nothing, and nothing runs on into the next element.

References: DICOM PS3.5 6.2 (value representations), 9.1 (UIDs), A.5 (deflated); PS3.3 C.12.1.1.2 (character sets).
"""

from __future__ import annotations

import hashlib
import math
import os
import re
import struct
import zlib
from typing import Any

from pydicom.charset import convert_encodings, decode_bytes

LARGEST_INFLATION, ALWAYS_INFLATED, LARGEST_DEFLATED = 20, 8 * 2**20, 2**31
"""How many times a deflated data set may grow when unpacked, what it may grow to in any case, and what never."""

LATIN_9 = ("ISO_IR 203", "ISO 2022 IR 203")
"""Latin alphabet No. 9 (PS3.3 C.12.1.1.2)."""

UID_FORM = re.compile(r"[0-9]+(\.[0-9]+)+")
"""What a UID looks like (PS3.5 9.1); a leading zero in a component is let pass."""

DECIMAL = re.compile(rb"[-+0-9.eE \\]+")
"""Characters of a decimal string or a list of them (PS3.5 6.2); Python alone would take 1_0 for 10."""

LARGEST_WHOLE = 2**31
"""An integer string is smaller than this in size (PS3.5 6.2)."""

CODE_FORM = re.compile(r"[A-Z0-9_ ]{0,16}")
"""A code string (PS3.5 6.2)."""

LONGEST_KERNEL, LONGEST_DESCRIPTION = 64, 64
"""Characters; a longer text has run on into the elements behind it, which may name the patient, and is not shown."""

ESCAPES = re.compile(r"\x1b[\x20-\x2f]*[\x30-\x7e]")
"""Switches between character sets (ISO/IEC 2022) that were not understood."""

_SALT = os.urandom(16)
"""Patients are told apart by a salted digest that means nothing outside this process."""


class NotDicom(Exception):
    """The file is something else."""


class Damaged(Exception):
    """A DICOM file whose header cannot be read."""


def inflated(data: bytes, start: int) -> bytes:
    """Unpack a deflated data set (PS3.5 A.5), but no bomb.

    Parameters
    ----------
    data
        The whole file.
    start
        Where its data set begins.

    Returns
    -------
    bytes
        The data set, in explicit VR little endian.

    Raises
    ------
    Damaged
        When it is cut, or grows more than any picture does.
    """
    most = min(max(ALWAYS_INFLATED, LARGEST_INFLATION * (len(data) - start)), LARGEST_DEFLATED)
    unpacker = zlib.decompressobj(wbits=-zlib.MAX_WBITS)
    whole = unpacker.decompress(memoryview(data)[start:], most)
    if unpacker.unconsumed_tail:
        raise Damaged("a deflated file that swells beyond measure")
    if not unpacker.eof:
        raise Damaged("a deflated file that is cut")
    return whole


def bytes_of(element: Any) -> bytes:
    """Give the bytes of a raw element; none for one that is not there."""
    if element is None or element.value is None:
        return b""
    return element.value if isinstance(element.value, bytes) else str(element.value).encode("latin-1", "replace")


def text_of(element: Any) -> str:
    """Give its text, byte for byte, without padding."""
    return bytes_of(element).decode("latin-1").strip(" \0")


def decoded_of(data: bytes, character_set: str) -> str:
    """Give a text in its character set, fit to be shown."""
    if character_set in LATIN_9:  # newer than pydicom's table
        return shown_of(data.decode("iso8859-15").strip(" \0"), LONGEST_DESCRIPTION)
    try:
        encodings = convert_encodings(character_set.split("\\") if character_set else "")
        text = decode_bytes(data, encodings, set()).strip(" \0")
    except (LookupError, UnicodeError, ValueError):
        text = data.decode("latin-1").strip(" \0")
    return shown_of(text, LONGEST_DESCRIPTION)


def shown_of(text: str, longest: int) -> str:
    """Give a text fit for a terminal: no control characters, and nothing that ran on into other elements."""
    clean = "".join(character for character in ESCAPES.sub("", text) if character.isprintable())
    return clean if len(clean) <= longest else "(not readable)"


def floats_of(data: bytes, count: int) -> tuple[float, ...] | None:
    """Give so many finite decimal strings, or None."""
    stripped = data.strip(b" \0")
    parts = stripped.split(b"\\")
    if len(parts) != count or not DECIMAL.fullmatch(stripped):
        return None
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        return None
    return numbers if all(math.isfinite(number) for number in numbers) else None


def whole_of(data: bytes) -> int | None:
    """Give an integer string, or None."""
    stripped = data.strip(b" \0")
    if not DECIMAL.fullmatch(stripped):
        return None
    try:
        number = int(stripped)
    except ValueError:
        return None
    return number if abs(number) < LARGEST_WHOLE else None


def frame_uid_of(text: str) -> str:
    """Give the frame of reference, or nothing for one of zeros or of no form at all (PS3.5 9.1): it names no frame."""
    named = UID_FORM.fullmatch(text) is not None and any(digit in text for digit in "123456789")
    return text if named else ""


def date_of(text: str) -> str:
    """Give a date of eight digits, or nothing."""
    return text if len(text) == 8 and text.isdigit() else ""


def digest_of(*parts: bytes) -> str:
    """Tell patients apart without knowing who they are."""
    return hashlib.blake2b(b"\0".join(part.strip(b" \0") for part in parts), key=_SALT, digest_size=8).hexdigest()


def padding_of(value: bytes, limit: bytes, signed: bool, little: bool) -> tuple[int, int] | None:
    """Give the lowest and highest padding value, or None."""
    # Both are in stored values and signed as the pixels are (PS3.3 C.7.5.1.1.2), whatever VR the writer chose.
    if len(value) < 2:
        return None
    code = ("<" if little else ">") + ("h" if signed else "H")
    first = struct.unpack(code, value[:2])[0]
    last = struct.unpack(code, limit[:2])[0] if len(limit) >= 2 else first
    return (min(first, last), max(first, last))
