"""One byte flipped in each header field in turn: in its tag, its kind (VR), its length and its value."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

LONG_FORM = (b"OB", b"OW", b"SQ", b"UN", b"UT")


@dataclass(frozen=True)
class Field:
    """One element of a file (explicit little endian) and where its parts lie."""

    tag: int
    start: int
    value: int
    length: int

    @property
    def name(self) -> str:
        """Keyword, or the number of an element without one."""
        from pydicom.datadict import keyword_for_tag

        return keyword_for_tag(self.tag) or f"{self.tag:08X}"

    def places(self) -> Iterator[tuple[str, int]]:
        """Bytes worth flipping: both ends of the tag, the kind, the length, and up to three of the value."""
        yield from (("tag", self.start), ("tag end", self.start + 3), ("kind", self.start + 4))
        yield "length", self.start + 6 if self.value - self.start == 8 else self.start + 8
        for at in sorted({0, self.length // 2, self.length - 1}) if self.length else ():
            yield f"value {at}", self.value + at


def fields(path: Path) -> list[Field]:
    """The elements of a file, found by this little tokeniser of PS3.5 7.1.2; the pixels' own value is left out."""
    data = path.read_bytes()
    found, at = [], 132
    while at < len(data):
        group, number = struct.unpack_from("<HH", data, at)
        long_form = data[at + 4 : at + 6] in LONG_FORM
        value = at + (12 if long_form else 8)
        length = struct.unpack_from("<I" if long_form else "<H", data, value - (4 if long_form else 2))[0]
        pixels = (group, number) == (0x7FE0, 0x0010)
        found.append(Field(group << 16 | number, at, value, 0 if pixels else length))
        at = value + length
    return found


def flip(path: Path, at: int, bit: int) -> None:
    """Flip one bit of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(bytes(data))
