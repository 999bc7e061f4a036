"""The header of one slice, read once and without its pixels.

pydicom does the tokenising. What a series shares is converted once and kept (`Common`), keyed by its raw bytes: the
four hundredth slice then costs only its position.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from pydicom.dataelem import RawDataElement
from pydicom.filereader import data_element_generator
from pydicom.tag import Tag
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from ctmeasure.io.dicom.description import plain_description
from ctmeasure.io.dicom.elements import (
    CODE_FORM,
    LONGEST_KERNEL,
    Damaged,
    NotDicom,
    bytes_of,
    date_of,
    decoded_of,
    digest_of,
    floats_of,
    frame_uid_of,
    inflated,
    padding_of,
    shown_of,
    text_of,
    whole_of,
)
from ctmeasure.io.dicom.sources import Source

HEAD_BYTES = 32 * 1024
"""Read first; nearly every slice header is shorter, and the rest is only read when it is not."""

AFTER_TAG = 8
"""Bytes between the tag of encapsulated pixel data and its first item: VR, two spare bytes, length (PS3.5 7.1.2)."""

LEAST_FRAME_BYTES = 8
"""A file smaller than this many bytes a frame cannot hold its frames, however well they are compressed."""

LARGEST_NUMBER = 1e6
"""A slope, intercept or thickness beyond this is a mistake of the writer; values would leave single precision."""

PSEUDONYM_PREFIX = "SAMPLE-"
"""Only identifiers that begin so are kept: they name invented or pseudonymous scans."""

_SHARED = {
    "SpecificCharacterSet": 0x00080005,
    "ImageType": 0x00080008,
    "SOPClassUID": 0x00080016,
    "StudyDate": 0x00080020,
    "SeriesDate": 0x00080021,
    "AcquisitionDate": 0x00080022,
    "Modality": 0x00080060,
    "SeriesDescription": 0x0008103E,
    "PatientName": 0x00100010,
    "PatientID": 0x00100020,
    "PatientBirthDate": 0x00100030,
    "SliceThickness": 0x00180050,
    "ConvolutionKernel": 0x00181210,
    "StudyInstanceUID": 0x0020000D,
    "SeriesInstanceUID": 0x0020000E,
    "AcquisitionNumber": 0x00200012,
    "ImageOrientationPatient": 0x00200037,
    "FrameOfReferenceUID": 0x00200052,
    "StackID": 0x00209056,
    "Laterality": 0x00200060,
    "ImageLaterality": 0x00200062,
    "SamplesPerPixel": 0x00280002,
    "PhotometricInterpretation": 0x00280004,
    "NumberOfFrames": 0x00280008,
    "Rows": 0x00280010,
    "Columns": 0x00280011,
    "PixelSpacing": 0x00280030,
    "BitsAllocated": 0x00280100,
    "BitsStored": 0x00280101,
    "HighBit": 0x00280102,
    "PixelRepresentation": 0x00280103,
    "PixelPaddingValue": 0x00280120,
    "PixelPaddingRangeLimit": 0x00280121,
    "RescaleIntercept": 0x00281052,
    "RescaleSlope": 0x00281053,
    "RescaleType": 0x00281054,
    "ModalityLUTSequence": 0x00283000,
    "LossyImageCompression": 0x00282110,
}
_SOP_UID, _INSTANCE, _POSITION = 0x00080018, 0x00200013, 0x00200032
_PIXELS = 0x7FE00010
PIXEL_KINDS = (None, "OB", "OW", "UN")
"""Value representations of pixel data (PS3.5 A.1 to A.4); None where they are implicit."""

_WANTED = [*_SHARED.values(), _SOP_UID, _INSTANCE, _POSITION, _PIXELS]  # plain ints: pydicom's tags compare slowly
_SHARED_TAGS = tuple(_SHARED.values())


@dataclass(frozen=True, slots=True)
class Common:
    """What slices of a series normally share. Unreadable values are None and named in `faults`."""

    sop_class_uid: str
    series_uid: str
    study_uid: str
    patient_key: str
    pseudonym: str
    modality: str
    description: str
    kernel: str
    date: str
    image_type: tuple[str, ...]
    laterality: str
    frame_of_reference_uid: str
    acquisition: str
    rows: int
    columns: int
    spacing_mm: tuple[float, float] | None
    orientation: tuple[float, ...] | None
    slice_thickness_mm: float | None
    samples: int
    photometric: str
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    padding: tuple[int, int] | None
    slope: float | None
    intercept: float | None
    rescale_type: str
    lossy: bool
    syntax: str
    frames: int
    stack: str = ""
    faults: tuple[str, ...] = ()

    @property
    def rescale(self) -> tuple[float | None, float | None]:
        """Slope and intercept."""
        return self.slope, self.intercept

    @property
    def shown_description(self) -> str:
        """The series description as it may be listed and kept; that of an invented scan as it stands."""
        return self.description if self.pseudonym else plain_description(self.description)


@dataclass(frozen=True, slots=True)
class SliceHeader:
    """One slice: what it shares, where it lies, where its pixels are.

    ``pixel_offset`` and ``pixel_bytes`` are None when the pixels must be decoded rather than copied; ``encoded_at`` is
    where the encapsulated value begins then; `frame` is the frame number inside a multi-frame file.
    """

    common: Common
    source: Source = field(repr=False)
    sop_uid: str
    instance: int | None
    position: tuple[float, float, float] | None
    pixel_offset: int | None
    pixel_bytes: int | None
    frame: int | None = None
    has_pixels: bool = True
    encoded_at: int | None = None

    @property
    def label(self) -> str:
        """How the slice is named in messages: never by its file name, which may hold a person's name."""
        return f"slice {self.instance}" if self.instance is not None else "a slice without a number"


class HeaderReader:
    """Reads headers and remembers what they share; one per search."""

    def __init__(self) -> None:
        self._known: dict[tuple[Any, ...], Common] = {}

    def read(self, source: Source, head: bytes | None = None) -> list[SliceHeader]:
        """Read the header of one file.

        Parameters
        ----------
        source
            The file.
        head
            Its first `HEAD_BYTES`, when they were read ahead.

        Returns
        -------
        list of SliceHeader
            One, or one per frame of an enhanced multi-frame object.

        Raises
        ------
        NotDicom
            When it is another kind of file.
        Damaged
            When it is DICOM and its header cannot be read.
        OSError
            When it cannot be opened.
        """
        head = source.head(HEAD_BYTES) if head is None else head
        try:
            start, syntax = _start(head)
            if syntax == DeflatedExplicitVRLittleEndian:
                whole = inflated(source.all(), start)
                raw, size = _tokens(whole, 0, ExplicitVRLittleEndian), len(whole)
            else:
                raw, size = _tokens(head, start, syntax), source.size
                if _PIXELS not in raw and len(head) >= HEAD_BYTES:
                    raw = _tokens(source.all(), start, syntax)
            frames = whole_of(bytes_of(raw.get(_SHARED["NumberOfFrames"]))) or 1
            if frames * LEAST_FRAME_BYTES > size:
                raise Damaged("more frames than bytes")
            if frames > 1:
                return _from_dataset(source)
            return [self._slice(raw, syntax, source)]
        except (NotDicom, Damaged, OSError):
            raise
        except Exception as error:  # pydicom and struct raise many kinds on damaged bytes
            raise Damaged(type(error).__name__) from error

    def _slice(self, raw: dict[int, Any], syntax: str, source: Source) -> SliceHeader:
        key = (syntax, *[None if (element := raw.get(tag)) is None else element.value for tag in _SHARED_TAGS])
        common = self._known.get(key)
        if common is None:
            common = self._known[key] = common_of(raw, syntax)
        pixels = raw.get(_PIXELS)
        offset = size = encoded = None
        if pixels is not None:
            if pixels.VR not in PIXEL_KINDS:
                raise Damaged("pixel data of no known kind")
            if syntax == DeflatedExplicitVRLittleEndian:
                pass
            elif _is_compressed(syntax):
                encoded = pixels.value_tell + AFTER_TAG
            else:
                offset, size = pixels.value_tell, pixels.length
        return SliceHeader(
            common,
            source,
            text_of(raw.get(_SOP_UID)),
            whole_of(bytes_of(raw.get(_INSTANCE))),
            position_of(raw),
            offset,
            size,
            None,
            pixels is not None,
            encoded,
        )


def _from_dataset(source: Source) -> list[SliceHeader]:
    from ctmeasure.io.dicom.multiframe import read_frames

    return read_frames(source)


@lru_cache(maxsize=64)
def _is_compressed(syntax: str) -> bool:
    return UID(syntax).is_compressed


def _start(head: bytes) -> tuple[int, str]:
    """Find where the data set begins and its transfer syntax."""
    if head[128:132] == b"DICM":
        if quick := _start_by_length(head):
            return quick
        meta = io.BytesIO(head)
        meta.seek(132)
        syntax, start = "", 132
        for element in data_element_generator(meta, False, True, lambda tag, vr, length: tag >> 16 != 2):
            if element.tag == 0x00020010:
                syntax = text_of(element)
        start = meta.tell()
        if not syntax:
            raise Damaged("no transfer syntax")
        return start, syntax
    # Without the 128-byte preamble some exports begin right with group 8 (or the file's own group 2).
    if head[:2] == b"\x08\x00" and head[3:4] == b"\x00" and len(head) > 16:
        explicit = head[4:6].isalpha() and head[4:6].isupper()
        return 0, ExplicitVRLittleEndian if explicit else ImplicitVRLittleEndian
    raise NotDicom


def _start_by_length(head: bytes) -> tuple[int, str] | None:
    """Find the same from the group length that should come first (PS3.10 7.1); None when it is not as it should be."""
    if head[132:140] != b"\x02\x00\x00\x00UL\x04\x00":
        return None
    start = 144 + int.from_bytes(head[140:144], "little")
    at = head.find(b"\x02\x00\x10\x00UI", 144, start)
    if at < 0 or len(head) < start + 8 or head[start : start + 2] == b"\x02\x00":
        return None
    length = int.from_bytes(head[at + 6 : at + 8], "little")
    syntax = head[at + 8 : at + 8 + length].decode("latin-1").strip(" \0")
    return (start, syntax) if at + 8 + length <= start and syntax.startswith("1.2.840.10008.1.2") else None


def _tokens(data: bytes, start: int, syntax: str) -> dict[int, Any]:
    stream = io.BytesIO(data)
    stream.seek(start)
    raw: dict[int, Any] = {}
    compressed = _is_compressed(syntax)
    # Uncompressed pixels are stepped over by their length; compressed ones have none, so reading stops there.
    stop = (lambda tag, vr, length: tag == _PIXELS) if compressed else None
    for element in data_element_generator(
        stream, syntax == ImplicitVRLittleEndian, syntax != ExplicitVRBigEndian, stop, 8192, specific_tags=_WANTED
    ):
        tag = int(element.tag)
        raw[tag] = element
        if tag == _PIXELS:
            return raw
    after = stream.read(4)
    if len(after) == 4:
        group, number = struct.unpack("<HH" if syntax != ExplicitVRBigEndian else ">HH", after)
        if group << 16 | number == _PIXELS:
            raw[_PIXELS] = RawDataElement(Tag(_PIXELS), "OB", 0, b"", stream.tell(), False, True)
    return raw


def position_of(raw: dict[int, Any]) -> tuple[float, float, float] | None:
    """Give Image Position (Patient), or None when it is missing or not three finite numbers."""
    position = floats_of(bytes_of(raw.get(_POSITION)), 3)
    return None if position is None else (position[0], position[1], position[2])


def common_of(raw: dict[int, Any], syntax: str) -> Common:
    """Convert what slices share from raw elements by tag; unreadable values become None."""
    little = syntax != ExplicitVRBigEndian
    faults: list[str] = []

    def value(name: str) -> bytes:
        return bytes_of(raw.get(_SHARED[name]))

    def word(name: str, otherwise: int = 0) -> int:
        data = value(name)
        return struct.unpack("<H" if little else ">H", data[:2])[0] if len(data) >= 2 else otherwise

    def text(name: str) -> str:
        return text_of(raw.get(_SHARED[name]))

    def number(name: str) -> float | None:
        numbers = floats_of(value(name), 1)
        if numbers is None and value(name).strip(b" \0"):
            faults.append(f"{name} is not a number")
        elif numbers is not None and abs(numbers[0]) > LARGEST_NUMBER:
            faults.append(f"{name} out of range ({numbers[0]:g})")
        return None if numbers is None else numbers[0]

    spacing = floats_of(value("PixelSpacing"), 2)
    orientation = floats_of(value("ImageOrientationPatient"), 6)
    pseudonym = text("PatientID")
    signed = word("PixelRepresentation") == 1
    if word("PixelRepresentation") > 1:
        faults.append(f"pixel representation (sign) {word('PixelRepresentation')}, neither 0 nor 1")
    if _SHARED["ModalityLUTSequence"] in raw:
        faults.append("a modality lookup table in place of slope and intercept (PS3.3 C.11.1)")
    bits = word("BitsAllocated")
    return Common(
        sop_class_uid=text("SOPClassUID"),
        series_uid=text("SeriesInstanceUID"),
        study_uid=text("StudyInstanceUID"),
        patient_key=digest_of(value("PatientID"), value("PatientName"), value("PatientBirthDate")),
        pseudonym=pseudonym if pseudonym.startswith(PSEUDONYM_PREFIX) else "",
        modality=text("Modality") if CODE_FORM.fullmatch(text("Modality")) else "not readable",
        description=decoded_of(value("SeriesDescription"), text("SpecificCharacterSet")),
        kernel=shown_of(text("ConvolutionKernel"), LONGEST_KERNEL),
        date=date_of(text("AcquisitionDate")) or date_of(text("SeriesDate")) or date_of(text("StudyDate")),
        image_type=tuple(part.strip() for part in text("ImageType").split("\\")),
        laterality=text("Laterality") or text("ImageLaterality"),
        frame_of_reference_uid=frame_uid_of(text("FrameOfReferenceUID")),
        acquisition=text("AcquisitionNumber"),
        rows=word("Rows"),
        columns=word("Columns"),
        spacing_mm=None if spacing is None else (spacing[0], spacing[1]),
        orientation=orientation,
        slice_thickness_mm=number("SliceThickness"),
        samples=word("SamplesPerPixel", 1),
        photometric=text("PhotometricInterpretation"),
        bits_allocated=bits,
        bits_stored=word("BitsStored", bits),
        high_bit=word("HighBit", max(word("BitsStored", bits) - 1, 0)),
        signed=signed,
        padding=padding_of(value("PixelPaddingValue"), value("PixelPaddingRangeLimit"), signed, little),
        slope=number("RescaleSlope"),
        intercept=number("RescaleIntercept"),
        rescale_type=text("RescaleType"),
        lossy=text("LossyImageCompression") == "01",
        syntax=syntax,
        frames=whole_of(value("NumberOfFrames")) or 1,
        stack=text("StackID"),
        faults=tuple(faults),
    )
