"""Decoding in threads: SimpleITK lets go of the interpreter lock while it decodes, the decoders behind pydicom do not.

So a folder of compressed slices is decoded by SimpleITK, a thread a core, without the start of helper processes; but
only after it gave what pydicom gives for one slice of the series. Whatever it cannot read goes back to pydicom, whose
error then names the fault (``tests/bench/bench_decode.py`` measures both).

References: DICOM PS3.5 A.4 (encapsulated syntaxes).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.uid import JPEG2000Lossless, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless

from ctmeasure.io.dicom.headers import SliceHeader
from ctmeasure.io.dicom.sources import FileSource

SYNTAXES = frozenset({JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless})
"""Where it pays. Not RLE: pydicom's decoder is ten times faster than SimpleITK's, even under the lock."""

MOST_FORMATS = 4
"""A series of more formats than this is decoded the other way altogether."""

WORTH_SLICES = 32
"""Fewer slices than this are decoded before SimpleITK is even imported."""


def suits(headers: Sequence[SliceHeader], *, checked_by: Callable[[SliceHeader], NDArray[Any]]) -> bool:
    """Whether the slices of a series can be decoded by `stored_by_simpleitk`.

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
        import SimpleITK as sitk

        sitk.ProcessObject.SetGlobalWarningDisplay(False)  # its warnings name the file
        return all(np.array_equal(stored_by_simpleitk(one), checked_by(one)) for one in formats.values())
    except Exception:  # whatever is wrong is said by the other way, slice by slice
        return False


def _format(header: SliceHeader) -> tuple[object, ...]:
    common = header.common
    return (common.syntax, common.bits_stored, common.high_bit, common.signed, common.intercept, common.photometric)


def stored_by_simpleitk(header: SliceHeader) -> NDArray[Any]:
    """Decode one slice outside the interpreter lock.

    Parameters
    ----------
    header
        A slice of a series that `suits`.

    Returns
    -------
    ndarray
        Stored values, writable: the rescale that SimpleITK applies is taken out again, exactly.

    Raises
    ------
    Exception
        Whatever SimpleITK raises on damaged files, or when it does not give whole numbers.
    """
    import SimpleITK as sitk

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
    wanted = np.dtype(np.int16 if header.common.signed else np.uint16)
    intercept = int(header.common.intercept or 0.0)
    if intercept == 0 and values.dtype == wanted:
        return np.array(values, order="C")
    return np.subtract(values, intercept, dtype=np.int32).astype(wanted)
