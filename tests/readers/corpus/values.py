"""Rescale, padding, stored bits and pixels that are missing, contradictory or not all there."""

from __future__ import annotations

import numpy as np
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from corpus.edits import K, every, one, raw, setting
from corpus.good import Series
from corpus.registry import Opened, damage, register

INTERCEPT, SLOPE, TYPE = 0x00281052, 0x00281053, 0x00281054
MISSING = "rescale missing in 1 of 24"
register("rescale intercept missing in one slice", one(RescaleIntercept=None), refused=MISSING)
register("rescale slope missing in one slice", one(RescaleSlope=None), refused=MISSING)
register("rescale missing in one slice", one(RescaleSlope=None, RescaleIntercept=None), refused=MISSING)
register("rescale type missing in one slice", one(RescaleType=None), refused="mixed rescale types")
register("rescale type another in one slice", one(RescaleType="US"), refused="mixed rescale types")
register("rescale type not HU", every(RescaleType="US"), warned="not calibrated to HU")
register("rescale type missing", every(RescaleType=None), harmless=True)
register("rescale slope zero", every(RescaleSlope=0), refused="rescale slope 0")
register("rescale slope zero in one slice", one(RescaleSlope=0), refused="rescale slope 0")
for words, value in {"text": b"one", "nan": b"nan", "infinite": b"inf", "two numbers": b"1\\1"}.items():
    register(f"rescale slope {words}", raw(SLOPE, value), refused="RescaleSlope is not a number")
    register(f"rescale intercept {words}", raw(INTERCEPT, value), refused="RescaleIntercept is not a number")
register("rescale slope of 1e300", raw(SLOPE, b"1e300", everywhere=True), refused="slope|range|finite|too large")
register("rescale intercept of 1e300", raw(INTERCEPT, b"1e300", everywhere=True), refused="intercept|range|finite|HU")


@damage(warned="no rescale in the file")
def rescale_missing(series: Series) -> Opened:
    series.edit_all(setting(RescaleSlope=None, RescaleIntercept=None, RescaleType=None))
    return Opened(hu=series.hu + 24)


@damage(warned="applied slice by slice")
def rescale_different_in_one_slice(series: Series) -> None:
    series.edit(K, setting(RescaleIntercept=-124, PixelData=(series.hu[K] + 124).astype("<i2").tobytes()))


@damage(warned="applied slice by slice")
def rescale_slope_different_in_every_slice(series: Series) -> Opened:
    """Stored values as some PET-CT writers scale them: each slice by its own slope, rounded to it."""
    for k in range(len(series.hu)):
        slope = 0.1 + k / 100
        stored = np.rint((series.hu[k].astype(float) + 24) / slope).astype("<i2")
        series.edit(k, setting(RescaleSlope=slope, PixelData=stored.tobytes()))
    return Opened(values_atol=0.17)


@damage(refused="rescale slope -1")
def rescale_slope_negative(series: Series) -> Opened:
    series.edit_all(setting(RescaleSlope=-1))
    return Opened()


@damage(warned=f"applied slice by slice: slice {K + 1} ")
def rescale_slope_doubled_in_one_slice(series: Series) -> Opened:
    stored = series.hu[K] + 24
    halved = stored // 2 * 2
    series.edit(K, setting(RescaleSlope=2, PixelData=(halved // 2).astype("<i2").tobytes()))
    hu = series.hu.copy()
    hu[K] = halved - 24
    return Opened(hu=hu)


@damage(warned="may not be HU")
def rescale_intercept_a_thousand_off(series: Series) -> Opened:
    series.edit_all(setting(RescaleIntercept=976))
    return Opened(hu=series.hu + 1000)


@damage(harmless=True)
def rescale_with_a_fraction(series: Series) -> Opened:
    series.edit_all(setting(RescaleSlope=0.5, RescaleIntercept=-500.25))
    return Opened(hu=(series.hu.astype(float) + 24) * 0.5 - 500.25, values_atol=1e-3)


@damage(warned="may not be HU")
def values_beyond_sixteen_bits(series: Series) -> Opened:
    picture = np.full(series.hu.shape[1:], 60000, "<u2").tobytes()
    series.edit_all(setting(PixelRepresentation=0, RescaleIntercept=0, PixelData=picture))
    return Opened(hu=np.full(series.hu.shape, 60000.0))


@damage(refused="LUT|look-up|lookup")
def modality_table_instead_of_rescale(series: Series) -> None:
    """PS3.3 C.11.1: a Modality LUT gives the output units; stored values are then no grey values to be measured."""

    def change(data: Dataset) -> None:
        del data.RescaleSlope, data.RescaleIntercept, data.RescaleType
        item = Dataset()
        item.add_new(0x00283002, "SS", [4, -2000, 16])
        item.ModalityLUTType = "HU"
        item.add_new(0x00283006, "OW", np.array([5, 6, 7, 8], "<i2").tobytes())
        data.ModalityLUTSequence = Sequence([item])

    series.edit_all(change)


def _padded(series: Series, k: int, stored_padding: int, columns: int) -> None:
    stored = series.hu[k] + 24
    stored[:, :columns] = stored_padding

    def change(data: Dataset) -> None:
        data.PixelData = stored.astype("<i2").tobytes()
        data.add_new(0x00280120, "SS", stored_padding)

    series.edit(k, change)


@damage(warned="480 padding pixels")
def padding_outside_the_circle(series: Series) -> Opened:
    # Padding is in stored values, before rescale (PS3.3 C.7.5.1.1.2).
    hu = series.hu.copy()
    for k in range(len(hu)):
        _padded(series, k, -2000, 1)
    hu[:, :, 0] = -1000
    return Opened(hu=hu)


@damage(refused="padding", warned="20 padding pixels")
def padding_in_one_slice_alone(series: Series) -> Opened:
    hu = series.hu.copy()
    _padded(series, K, -2000, 1)
    hu[K, :, 0] = -1000
    return Opened(hu=hu)


@damage(warned="padding pixels")
def padding_of_the_lowest_number(series: Series) -> Opened:
    hu = series.hu.copy()
    for k in range(len(hu)):
        _padded(series, k, -32768, 1)
    hu[:, :, 0] = -1000
    return Opened(hu=hu)


@damage(refused="padding", warned="mixed padding|padding .*(differ|missing)")
def padding_value_missing_in_one_slice(series: Series) -> Opened:
    """The padded pixels of that slice would read -2024 HU, far below air, without a word."""
    hu = series.hu.copy()
    for k in range(len(hu)):
        _padded(series, k, -2000, 1)
    hu[:, :, 0] = -1000
    series.edit(K, setting(PixelPaddingValue=None))
    return Opened(hu=hu)


@damage(refused="padding", warned="mixed padding|padding .*differ")
def padding_value_another_in_one_slice(series: Series) -> Opened:
    """A value that is anatomy in that slice and padding in none."""
    hu = series.hu.copy()
    for k in range(len(hu)):
        _padded(series, k, -2000, 1)
    hu[:, :, 0] = -1000

    def change(data: Dataset) -> None:
        data.add_new(0x00280120, "SS", int(series.hu[K, 5, 5] + 24))

    series.edit(K, change)
    return Opened(hu=hu)


@damage(refused=f"slice {K + 1}|a gap|damaged")
def pixel_data_of_no_known_kind(series: Series) -> None:
    """One bit of the word OW: where the pixels begin is then a guess."""
    data = bytearray(series.path(K).read_bytes())
    data[data.rindex(b"\xe0\x7f\x10\x00OW") + 4] ^= 0x40
    series.path(K).write_bytes(bytes(data))


BITS = "bits"
register("more bits stored than allocated", every(BitsStored=17), refused=BITS)
register("no bits stored", every(BitsStored=0), refused=BITS)
register("high bit below the stored bits", every(HighBit=7), refused=BITS)
register("high bit above the word", every(HighBit=40), refused=BITS)
register("twelve bits allocated", every(BitsAllocated=12), refused=BITS)
register("one bit allocated", every(BitsAllocated=1, BitsStored=1, HighBit=0), refused=BITS)
register("sixty-four bits allocated", every(BitsAllocated=64), refused=BITS)
register("another sign in one slice", one(PixelRepresentation=0), refused="mixed sign")
register("absurd sign", every(PixelRepresentation=77), refused="representation|sign")
register("fewer bits stored in one slice", one(BitsStored=8, HighBit=7), refused="mixed .*bits|bits stored|stored bits")
register(
    "eight bits claimed for sixteen",
    every(BitsAllocated=8, BitsStored=8, HighBit=7),
    refused="pixel data of .* (long|larger|more)|640 of 320|bytes",
)
register("half the rows claimed", every(Rows=10), refused="pixel data of .* (long|larger|more)|640 of 320|bytes")
register("three samples claimed", every(SamplesPerPixel=3), refused="3 sample|secondary capture")
register("a palette claimed", every(PhotometricInterpretation="PALETTE COLOR"), refused="PALETTE")
register("colour claimed in one sample", every(PhotometricInterpretation="RGB"), refused="RGB")
register("photometric interpretation missing", every(PhotometricInterpretation=None), harmless=True, refused="photom")
register("white is low", every(PhotometricInterpretation="MONOCHROME1"), harmless=True)  # display only, C.7.6.3.1.2
register("no rows", every(Rows=0), refused="pictures of 0 x 16")
register("no columns", every(Columns=0), refused="pictures of 20 x 0")
register("rows missing", every(Rows=None), refused="pictures of 0 x 16")
register("rows and columns absurd", every(Rows=65535, Columns=65535), refused="short: 640 of 8589672450 bytes")
register("rows absurd in one slice", one(Rows=65535), refused="mixed picture sizes")
register("pixel data missing in one slice", one(PixelData=None), refused="no pixel data")
register("pixel data missing", every(PixelData=None), refused="no pixel data|without pixels")
register("pixel data short in one slice", one(PixelData=bytes(540)), refused=f"of slice {K + 1} short: 540 of 640")
register("pixel data empty in one slice", one(PixelData=b""), refused=f"slice {K + 1} (short|has no pixel data)")
register(
    "pixel data of two pictures in one slice",
    one(PixelData=bytes(1280)),
    refused="pixel data of .* (long|larger|more)|1280 of 640|bytes",
)
register("frames claimed that are not there", one(NumberOfFrames=3), refused="short|frame|gap|position")
register("frames without number", every(NumberOfFrames=2**31 - 1), refused="frame|short|damaged|no DICOM")
register("frames negative", every(NumberOfFrames=-5), harmless=True, refused="frame")
