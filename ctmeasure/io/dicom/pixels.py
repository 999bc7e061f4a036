"""Stored values into one array: copied straight from the files where they are not compressed, decoded where they are.

References: DICOM PS3.3 C.7.6.3.1 (bits stored, high bit, representation), C.7.5.1.1.2 (padding), C.11.1.1.2 (rescale).
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.encaps import encapsulate, get_frame
from pydicom.pixels import pixel_array
from pydicom.uid import (
    UID,
    ExplicitVRBigEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.formats import JPEG_LS, check_format, check_fragments, jpeg_ls_picture
from ctmeasure.io.dicom.headers import SliceHeader
from ctmeasure.io.dicom.order import Arrangement
from ctmeasure.io.dicom.sources import Source
from ctmeasure.io.dicom.unlocked import stored_unlocked, suits
from ctmeasure.io.dicom.workers import DecoderCrashedError, Decoders, decoders_for
from ctmeasure.progress import Progress, no_progress

AIR_HU = -1000
"""What padding becomes: outside the scanned circle there is nothing, and air is the nothing of a CT."""

SLICES_AT_ONCE = 16
"""Slices a thread takes at a time: long enough to be worth it, short enough for a lively progress bar."""

LEAST_EMPTY_ROWS = 3
"""Fewer rows of stored zeros than this may be chance."""

_BEST_DECODER = {
    JPEGLSLossless: "pyjpegls",
    RLELossless: "pylibjpeg",
    JPEG2000Lossless: "pylibjpeg",
    JPEGLossless: "gdcm",
    JPEGLosslessSV1: "gdcm",
}
"""The fastest of the installed decoders for each syntax; pydicom falls back to its own order for the others."""


@dataclass(frozen=True)
class Pixels:
    """Voxels in geometric order, their hash, what was odd about them, and how many of them are padding."""

    values: NDArray[np.int16] | NDArray[np.float32]
    content_hash: str
    warnings: tuple[str, ...]
    padded: int = 0


class _NeedsFloatError(Exception):
    """A rescaled value does not fit int16."""


def read_pixels(
    arrangement: Arrangement, *, hash_content: bool = True, hu: bool = True, progress: Progress = no_progress
) -> Pixels:
    """Read, rescale and hash the pixels of a series.

    Parameters
    ----------
    arrangement
        The slices in geometric order.
    hash_content
        Whether to compute the content hash on the way.
    hu
        Whether the unit is HU: then padding becomes -1000, else the lowest other value of its slice.
    progress
        Told after each few slices.

    Returns
    -------
    Pixels
        int16 when every slope is 1, every intercept whole and every value fits, else float32.

    Raises
    ------
    ScanError
        When pixels are missing, short, of a kind this reader does not know, or cannot be decoded.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The content hash is SHA-256 over the shape, the affine (to 1e-6), each slice's rescale and the SHA-256 of each
    slice's decoded stored values, in geometric order: a recompressed, renamed or reordered copy has the same hash.
    """
    headers = arrangement.headers
    for header in headers:
        check_format(header)
    whole = all(_slope(header) == 1.0 and float(_intercept(header)).is_integer() for header in headers)
    if whole and headers[0].common.bits_allocated <= 16:
        try:
            return _read(arrangement, np.dtype(np.int16), hash_content, hu, progress)
        except _NeedsFloatError:
            pass
    return _read(arrangement, np.dtype(np.float32), hash_content, hu, progress)


def _read(arrangement: Arrangement, dtype: np.dtype, hash_content: bool, hu: bool, progress: Progress) -> Pixels:
    headers = arrangement.headers
    values = np.empty(arrangement.shape_kji, dtype)
    digests: list[bytes] = [b""] * len(headers)
    padded = [0] * len(headers)
    empty = [0] * len(headers)

    def work(start: int, stop: int) -> int:
        for k in range(start, stop):
            stored = _by_threads(headers[k]) if threads else None
            if stored is None:
                stored = _stored(headers[k], values[k] if dtype == np.int16 else None, decoders)
            _trim_bits(stored, headers[k])
            if hash_content:
                digests[k] = hashlib.sha256(_little(stored)).digest()
            empty[k] = _empty_rows(stored)
            padded[k] = _rescale_into(values[k], stored, headers[k], hu)
        return stop - start

    pieces = [(k, min(k + SLICES_AT_ONCE, len(headers))) for k in range(0, len(headers), SLICES_AT_ONCE)]
    done = 0
    common = headers[0].common
    threads = suits(headers, checked_by=lambda header: _stored(header, None, Decoders(0)))
    slow = 0 if threads else len(headers)
    with (
        decoders_for(common.syntax, frames=slow, pixels=common.rows * common.columns) as decoders,
        ThreadPoolExecutor(max_workers=os.cpu_count() or 1, thread_name_prefix="ctmeasure-read") as pool,
    ):
        waiting = [pool.submit(work, start, stop) for start, stop in pieces]
        try:
            for piece in as_completed(waiting):
                done += piece.result()
                progress(f"reading slice {done} of {len(headers)}", done / len(headers))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        finally:
            _whole_file.cache_clear()
    warnings = _half_copied(headers, empty)
    if sum(padded):
        warnings.append(f"{sum(padded)} padding pixels outside the scanned field were set to air")
    digest = content_hash(arrangement, digests) if hash_content else ""
    return Pixels(values, digest, tuple(warnings), sum(padded))


def _empty_rows(stored: NDArray[Any]) -> int:
    """Count the rows of nothing but zero at the end of a slice."""
    rows = len(stored)
    while rows and not stored[rows - 1].any():
        rows -= 1
    return len(stored) - rows


def _half_copied(headers: Sequence[SliceHeader], empty: Sequence[int]) -> list[str]:
    """Refuse a slice that ends in zeros where no neighbour does: copiers that reserve space first leave them so."""
    blank = []
    for k, rows in enumerate(empty):
        beside = max((empty[n] for n in (k - 1, k + 1) if 0 <= n < len(empty)), default=rows)
        if rows < LEAST_EMPTY_ROWS or beside > 0:
            continue
        if rows == headers[k].common.rows:
            blank.append(headers[k].label)
            continue
        raise ScanError(
            f"the last {rows} rows of {headers[k].label} are zeros, those of its neighbours are not",
            expected="a file copied to its end",
            action="copy the series again",
        )
    return [f"{' and '.join(blank[:3])}: nothing but zeros stored, its neighbours hold a picture"] if blank else []


def content_hash(arrangement: Arrangement, slice_digests: Sequence[bytes]) -> str:
    """Join the slices' digests with what gives them meaning.

    Parameters
    ----------
    arrangement
        The slices in geometric order.
    slice_digests
        SHA-256 of each slice's decoded stored values (16-bit little endian, or 32-bit where stored so).

    Returns
    -------
    str
        SHA-256, hex.

    Raises
    ------
    ValueError
        When the lengths differ.
    """
    total = hashlib.sha256()
    total.update(repr(arrangement.shape_kji).encode())
    total.update((np.round(arrangement.affine_lps, 6) + 0.0).astype("<f8").tobytes())
    for header, digest in zip(arrangement.headers, slice_digests, strict=True):
        total.update(f"{_slope(header):.9g} {_intercept(header):.9g} ".encode())
        total.update(digest)
    return total.hexdigest()


def _slope(header: SliceHeader) -> float:
    return 1.0 if header.common.slope is None else header.common.slope


def _intercept(header: SliceHeader) -> float:
    return 0.0 if header.common.intercept is None else header.common.intercept


def _raw_dtype(header: SliceHeader) -> np.dtype:
    common = header.common
    order = ">" if common.syntax == ExplicitVRBigEndian else "<"
    return np.dtype(f"{order}{'i' if common.signed else 'u'}{common.bits_allocated // 8}")


def _stored(header: SliceHeader, target: NDArray[np.int16] | None, decoders: Decoders) -> NDArray[Any]:
    """Give the stored values of one slice, in `target`'s own memory where they fit there."""
    common = header.common
    dtype = _raw_dtype(header)
    shape = (common.rows, common.columns)
    if header.pixel_offset is None:
        return _decoded(header, decoders)
    buffer = target.view(dtype) if target is not None and dtype.itemsize == 2 else np.empty(shape, dtype)
    try:
        got = header.source.read_into(header.pixel_offset, buffer.data.cast("B"))
    except OSError as error:
        raise ScanError(f"{header.label} cannot be read ({error})", action="copy the series again") from error
    if got != buffer.nbytes:
        raise ScanError(
            f"pixel data of {header.label} short: {got} of {buffer.nbytes} bytes", action="copy the series again"
        )
    return _native(buffer)


def _native(stored: NDArray[Any]) -> NDArray[Any]:
    if stored.dtype.itemsize == 1:
        return stored.astype(np.int16 if stored.dtype.kind == "i" else np.uint16)
    if stored.dtype.byteorder in ("=", "|") or (stored.dtype.byteorder == "<") == (sys.byteorder == "little"):
        return stored.view(stored.dtype.newbyteorder("="))
    return stored.byteswap(inplace=True).view(stored.dtype.newbyteorder("="))


def _little(stored: NDArray[Any]) -> memoryview:
    ordered = stored if sys.byteorder == "little" else stored.byteswap()
    return np.ascontiguousarray(ordered).data.cast("B")


def _by_threads(header: SliceHeader) -> NDArray[Any] | None:
    """Give the stored values outside the interpreter lock; None when the other way must say what is wrong."""
    try:
        return stored_unlocked(header)
    except Exception:
        return None


def _decoded(header: SliceHeader, decoders: Decoders) -> NDArray[Any]:
    common = header.common
    try:
        array = _inflated(header) if header.encoded_at is None else _decompressed(header, decoders)
    except DecoderCrashedError as error:
        raise ScanError(
            f"pixel data of {header.label} crashed the decoder ({UID(common.syntax).name})",
            expected="complete files of a known compression",
            action="copy the series again",
        ) from error
    except Exception as error:  # decoders raise many kinds on damaged bytes
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise ScanError(
            f"pixel data of {header.label} cannot be decoded ({UID(common.syntax).name}: {reason})",
            expected="complete files of a known compression",
            action="copy the series again",
        ) from error
    if array.shape != (common.rows, common.columns):
        raise ScanError(f"{header.label} decodes to {array.shape}", expected=f"{common.rows} x {common.columns}")
    return _native(array if array.flags.writeable and array.flags.c_contiguous else np.array(array, order="C"))


def _decompressed(header: SliceHeader, decoders: Decoders) -> NDArray[Any]:
    common = header.common
    if header.frame is None:
        data = header.source.all()[header.encoded_at :]
        check_fragments(memoryview(data))
    else:
        data = _frame_of(header.source, header.encoded_at or 0, header.frame, common.frames)
    if common.syntax in JPEG_LS:
        jpeg_ls_picture(data)
    options = {
        "syntax": common.syntax,
        "plugin": _BEST_DECODER.get(UID(common.syntax), ""),
        "index": 0,
        "pixels": {
            "rows": common.rows,
            "columns": common.columns,
            "number_of_frames": 1,
            "samples_per_pixel": common.samples,
            "photometric_interpretation": common.photometric or "MONOCHROME2",
            "bits_allocated": common.bits_allocated,
            "bits_stored": common.bits_stored,
            "pixel_representation": int(common.signed),
            "pixel_keyword": "PixelData",
        },
    }
    return decoders.decode(options, data)


@lru_cache(maxsize=1)
def _whole_file(source: Source) -> bytes:
    """The file of a multi-frame object, kept while its frames are read (emptied by `read_pixels`)."""
    return source.all()


def _frame_of(source: Source, start: int, number: int, frames: int) -> bytes:
    """Cut one frame out of encapsulated pixel data and wrap it up again (PS3.5 A.4)."""
    stream = io.BytesIO(_whole_file(source))
    stream.seek(start)
    return encapsulate([get_frame(stream, number, number_of_frames=frames)], has_bot=False)


def _inflated(header: SliceHeader) -> NDArray[Any]:
    """Give the stored values of a deflated file (PS3.5 A.5)."""
    data = dcmread(io.BytesIO(_whole_file(header.source) if header.frame is not None else header.source.all()))
    return pixel_array(data, index=header.frame, raw=True)


def _trim_bits(stored: NDArray[Any], header: SliceHeader) -> None:
    """Drop what stands above and below the stored bits, and extend the sign: two shifts, in place."""
    common = header.common
    width = 8 * stored.dtype.itemsize
    if common.bits_stored == width or (common.bits_allocated == 8 and common.bits_stored == 8):
        return
    left = width - 1 - common.high_bit
    if left:
        np.left_shift(stored, left, out=stored)
    # A right shift of a signed type repeats its sign bit.
    np.right_shift(stored, width - common.bits_stored, out=stored)


def _rescale_into(target: NDArray[Any], stored: NDArray[Any], header: SliceHeader, hu: bool) -> int:
    """Write HU (or grey values) of one slice; the number of padding pixels."""
    slope, intercept = _slope(header), _intercept(header)
    mask = None
    if header.common.padding is not None:
        low, high = header.common.padding
        mask = stored == low if low == high else (stored >= low) & (stored <= high)
        if not mask.any():
            mask = None
    if target.dtype == np.int16:
        _rescale_whole(target, stored, int(intercept), mask)
    else:
        target[...] = stored
        if slope != 1.0:
            target *= np.float32(slope)
        if intercept != 0.0:
            target += np.float32(intercept)
    if mask is None:
        return 0
    rest = target[~mask]
    target[mask] = AIR_HU if hu or not rest.size else rest.min()
    return int(mask.sum())


def _rescale_whole(
    target: NDArray[np.int16], stored: NDArray[Any], intercept: int, mask: NDArray[np.bool_] | None
) -> None:
    kept = stored if mask is None else stored[~mask]
    if kept.size and (stored.dtype != np.int16 or intercept):
        limits = np.iinfo(np.int16)
        if int(kept.min()) + intercept < limits.min or int(kept.max()) + intercept > limits.max:
            raise _NeedsFloatError
    signed = stored.view(np.int16) if stored.dtype == np.uint16 else stored
    if intercept == 0:
        if not np.shares_memory(target, signed):
            target[...] = signed
    else:
        # Wrap-around arithmetic on 16 bits is exact here: the true results were just seen to fit.
        np.add(signed, np.array(intercept).astype(np.int16), out=target)
