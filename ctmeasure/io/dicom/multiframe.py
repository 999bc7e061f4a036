"""Objects that hold many slices in one file, and deflated ones: read through pydicom's full data set.

References: DICOM PS3.3 C.7.6.16 (multi-frame functional groups; each macro may be shared or per frame), A.38 (Enhanced
CT), A.64 (X-Ray 3D craniofacial, cone beam).
"""

from __future__ import annotations

import io
import struct
from typing import Any

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filereader import data_element_generator
from pydicom.filewriter import write_dataset
from pydicom.uid import UID, DeflatedExplicitVRLittleEndian, ExplicitVRBigEndian, ImplicitVRLittleEndian

from ctmeasure.io.dicom.headers import Common, SliceHeader, common_of, position_of
from ctmeasure.io.dicom.sources import Source


def read_frames(source: Source) -> list[SliceHeader]:
    """Read every frame's header of one file.

    Parameters
    ----------
    source
        The file.

    Returns
    -------
    list of SliceHeader
        One per frame, in stored order; the pixels are to be decoded through pydicom.

    Raises
    ------
    Exception
        Whatever pydicom raises on damaged bytes; the caller turns it into one sentence.
    """
    stream = io.BytesIO(source.all())
    data = dcmread(stream, stop_before_pixels=True)
    syntax = data.file_meta.TransferSyntaxUID
    has_pixels, offset, encoded = _pixels_at(stream, syntax)
    frames = int(data.get("NumberOfFrames") or 1)
    per_frame = data.get("PerFrameFunctionalGroupsSequence")
    shared = (data.get("SharedFunctionalGroupsSequence") or [Dataset()])[0]
    known: dict[tuple[Any, ...], Common] = {}
    headers = []
    for number in range(frames):
        groups = [per_frame[number], shared] if per_frame else [shared]
        flat = _flat(data, groups)
        key = tuple(str(flat.get(_PLAIN.get(name, name))) for name in _PER_FRAME)
        if key not in known:
            known[key] = common_of(_raw(flat), str(syntax))
        position = position_of(_raw(_only_position(flat)))
        common = known[key]
        size = common.rows * common.columns * common.samples * common.bits_allocated // 8
        headers.append(
            SliceHeader(
                common,
                source,
                f"{data.get('SOPInstanceUID', '')}#{number}" if frames > 1 else str(data.get("SOPInstanceUID", "")),
                number + 1 if frames > 1 else _instance(data),
                position,
                None if offset is None else offset + number * size,
                None if offset is None else size,
                number if frames > 1 else None,
                has_pixels,
                encoded,
            )
        )
    return headers


def _pixels_at(stream: io.BytesIO, syntax: UID) -> tuple[bool, int | None, int | None]:
    """Say whether pixel data follow, and where their bytes begin: those to be copied, and those to be decoded."""
    if syntax == DeflatedExplicitVRLittleEndian:
        stream.seek(0)
        return "PixelData" in dcmread(stream), None, None
    start = stream.tell()
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    if stream.read(4) != struct.pack(f"{order}HH", 0x7FE0, 0x0010):
        return False, None, None
    # Tag and length, with VR and two spare bytes between them unless the VR is implicit (PS3.5 7.1).
    value = start + (8 if syntax == ImplicitVRLittleEndian else 12)
    return (True, None, value) if syntax.is_compressed else (True, value, None)


_MACROS = {
    "PixelMeasuresSequence": ("PixelSpacing", "SliceThickness"),
    "PlanePositionSequence": ("ImagePositionPatient",),
    "PlaneOrientationSequence": ("ImageOrientationPatient",),
    "PixelValueTransformationSequence": ("RescaleSlope", "RescaleIntercept", "RescaleType"),
    "CTImageFrameTypeSequence": ("FrameType",),
    "XRay3DFrameTypeSequence": ("FrameType",),
    "FrameContentSequence": ("StackID", "TemporalPositionIndex", "FrameAcquisitionNumber"),
    "CTReconstructionSequence": ("ConvolutionKernel",),
    "FrameAnatomySequence": ("FrameLaterality",),
}
_PER_FRAME = [name for names in _MACROS.values() for name in names if name != "ImagePositionPatient"]
_PLAIN = {"FrameType": "ImageType", "FrameLaterality": "ImageLaterality", "FrameAcquisitionNumber": "AcquisitionNumber"}
"""What a frame's own attribute is called where single-frame objects have it."""


def _flat(data: Dataset, groups: list[Dataset]) -> Dataset:
    """Lift one frame's macros to the top level, where single-frame objects have them."""
    flat = Dataset()
    for element in data:
        if element.VR != "SQ" and element.keyword not in ("PixelData", "NumberOfFrames"):
            flat.add(element)
    for macro, names in _MACROS.items():
        for group in reversed(groups):
            sequence = group.get(macro)
            for name in names if sequence else ():
                if name in sequence[0]:
                    setattr(flat, _PLAIN.get(name, name), sequence[0].get(name))
    if "TemporalPositionIndex" in flat:
        # Frames of two points in time are two stacks (PS3.3 C.7.6.16.2.2.1, C.7.6.16.2.2.6).
        flat.StackID = f"{flat.get('StackID', '')}/{flat.TemporalPositionIndex}"[:16]
    return flat


def _only_position(flat: Dataset) -> Dataset:
    position = Dataset()
    if "ImagePositionPatient" in flat:
        position.ImagePositionPatient = flat.ImagePositionPatient
    return position


def _raw(flat: Dataset) -> dict[int, Any]:
    # Written out and tokenised again, so that one converter serves every kind of file.
    stream = DicomBytesIO()
    stream.is_implicit_VR, stream.is_little_endian = True, True
    write_dataset(stream, flat)
    stream.seek(0)
    return {int(element.tag): element for element in data_element_generator(stream, True, True)}


def _instance(data: Dataset) -> int | None:
    value = data.get("InstanceNumber")
    return None if value is None else int(value)
