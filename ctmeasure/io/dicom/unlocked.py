"""Decoding in threads: imagecodecs and SimpleITK let go of the interpreter lock, the decoders behind pydicom do not.

So a folder of compressed slices is decoded by one of them, a thread a core, without the start of helper processes; but
only after it gave what pydicom gives for one slice of the series. Whatever it cannot read goes back to pydicom, whose
error then names the fault (``tests/bench/bench_decode.py`` measures them).

JPEG-LS goes to imagecodecs, which takes three quarters of SimpleITK's time. Its decoders of the other syntaxes would be
quicker too, but bring down the process on damaged bytes.

References: DICOM PS3.5 A.4 (encapsulated syntaxes).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.uid import JPEG2000Lossless, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless

from ctmeasure.io.dicom.formats import check_fragments, jpeg_ls_picture
from ctmeasure.io.dicom.headers import SliceHeader
from ctmeasure.io.dicom.sources import FileSource

SYNTAXES = frozenset({JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless})
"""Where it pays. Not RLE: pydicom's decoder is ten times faster than SimpleITK's, even under the lock."""

MOST_FORMATS = 4
"""A series of more formats than this is decoded the other way altogether."""

WORTH_SLICES = 32
"""Fewer slices than this are decoded before the other libraries are even imported."""


def suits(headers: Sequence[SliceHeader], *, checked_by: Callable[[SliceHeader], NDArray[Any]]) -> bool:
    """Whether the slices of a series can be decoded by `stored_unlocked`.

    Parameters
    ----------
    headers
        All slices.
    checked_by
        Gives the stored values of a slice by the other way; asked for one slice of each format.

    Returns
    -------
    bool
        False when any of them is not a plain file of its own, has a rescale that cannot be taken out exactly, or when
        a slice of any of its formats does not come out the same.

    Raises
    ------
    ValueError
        Never.
    """
    if len(headers) < WORTH_SLICES:
        return False
    if not all(isinstance(header.source, FileSource) and header.frame is None for header in headers):
        return False
    for common in {header.common for header in headers}:
        plain = common.bits_allocated == 16 and common.samples == 1 and common.syntax in SYNTAXES
        if not plain or common.slope not in (None, 1.0) or not float(common.intercept or 0.0).is_integer():
            return False
    formats = {_format(header): header for header in headers}
    if len(formats) > MOST_FORMATS:
        return False
    try:
        return all(np.array_equal(stored_unlocked(one), checked_by(one)) for one in formats.values())
    except Exception:  # whatever is wrong is said by the other way, slice by slice
        return False


def _format(header: SliceHeader) -> tuple[object, ...]:
    common = header.common
    return (common.syntax, common.bits_stored, common.high_bit, common.signed, common.intercept, common.photometric)


def stored_unlocked(header: SliceHeader) -> NDArray[Any]:
    """Decode one slice outside the interpreter lock.

    Parameters
    ----------
    header
        A slice of a series that `suits`.

    Returns
    -------
    ndarray
        Stored values, writable.

    Raises
    ------
    Exception
        Whatever the decoder raises on damaged files, or when it does not give whole numbers.
    """
    wanted = np.dtype(np.int16 if header.common.signed else np.uint16)
    if header.common.syntax == JPEGLSLossless:
        return _by_imagecodecs(header).view(wanted)
    return _by_simpleitk(header, wanted)


def _by_imagecodecs(header: SliceHeader) -> NDArray[Any]:
    import imagecodecs

    data = header.source.all()[header.encoded_at :]
    check_fragments(memoryview(data))
    return imagecodecs.jpegls_decode(jpeg_ls_picture(data)).reshape(header.common.rows, header.common.columns)


@lru_cache(maxsize=1)
def _silent_simpleitk() -> Any:
    """The library, loaded when it is needed, without its warnings: they name the file."""
    import SimpleITK as sitk

    sitk.ProcessObject.SetGlobalWarningDisplay(False)
    return sitk


def _by_simpleitk(header: SliceHeader, wanted: np.dtype) -> NDArray[Any]:
    """The rescale that SimpleITK applies is taken out again, exactly."""
    sitk = _silent_simpleitk()
    assert isinstance(header.source, FileSource)
    reader = sitk.ImageFileReader()
    reader.SetImageIO("GDCMImageIO")
    reader.SetFileName(header.source.path)
    image = reader.Execute()
    header.source.check_unchanged()
    # The view must not outlive the image, so the image has a name.
    values = sitk.GetArrayViewFromImage(image).reshape(header.common.rows, header.common.columns)
    if values.dtype.kind not in "iu":
        raise ValueError("SimpleITK did not give whole numbers")
    intercept = int(header.common.intercept or 0.0)
    if intercept == 0 and values.dtype == wanted:
        return np.array(values, order="C")
    return np.subtract(values, intercept, dtype=np.int32).astype(wanted)
