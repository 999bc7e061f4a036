"""Positions, orientations and spacings that are missing, absurd, contradictory, or lie elsewhere in the header."""

from __future__ import annotations

import numpy as np

from corpus.edits import K, every, one, raw, setting
from corpus.good import Series
from corpus.registry import Opened, damage, register

POSITION, ORIENTATION, SPACING = 0x00200032, 0x00200037, 0x00280030
NO_POSITION = f"position missing or not three numbers in 1 of 24 slices \\(slice {K + 1}\\)"


def move(series: Series, k: int, position: np.ndarray) -> None:
    series.edit(k, setting(ImagePositionPatient=[f"{value:.9f}"[:16] for value in position]))


@damage(refused=f"a gap between slice {K} .* slice {K + 2} .* 0.600 mm where the others are 0.300 mm")
def slice_missing(series: Series) -> None:
    series.path(K).unlink()


@damage(refused="a gap between .* 0.900 mm where the others are 0.300 mm")
def two_slices_missing(series: Series) -> None:
    series.path(K).unlink(), series.path(K + 1).unlink()


@damage(refused="a gap|uneven slice spacing")
def every_second_slice_missing_in_one_half(series: Series) -> None:
    for k in range(1, 12, 2):
        series.path(k).unlink()


@damage(warned="slice numbers run against the positions")
def positions_of_two_slices_swapped(series: Series) -> Opened:
    move(series, 3, series.place(K)), move(series, K, series.place(3))
    hu = series.hu.copy()
    hu[[3, K]] = hu[[K, 3]]
    return Opened(hu=hu)


@damage(refused="at the same position")
def two_slices_at_one_position(series: Series) -> None:
    move(series, K, series.place(K - 1))


@damage(refused="at the same position")
def all_slices_at_one_position(series: Series) -> None:
    for k in range(len(series.hu)):
        move(series, k, series.place(0))


@damage(refused="uneven slice spacing")
def slice_off_along_the_normal(series: Series) -> None:
    move(series, K, series.place(K + 0.2))


@damage(refused="wander sideways")
def slice_off_sideways(series: Series) -> None:
    move(series, K, series.place(K) + 0.3 * series.affine_lps[:3, 2])


@damage(refused="uneven slice spacing|a gap")
def spacing_grows_along_the_stack(series: Series) -> None:
    for k in range(len(series.hu)):
        move(series, k, series.place(k + 0.01 * k * k))


@damage(refused=r"tilted gantry.*12\.00 degrees")
def tilted_gantry(series: Series) -> None:
    down = series.affine_lps[:3, 1] / np.linalg.norm(series.affine_lps[:3, 1])
    for k in range(len(series.hu)):
        move(series, k, series.place(k) + k * 0.3 * np.tan(np.deg2rad(12.0)) * down)


@damage(refused="slices 0.001 mm apart|at the same position")
def slices_a_micrometre_apart(series: Series) -> None:
    for k in range(len(series.hu)):
        move(series, k, series.place(k / 300))


@damage(refused="slices 30 mm apart")
def slices_thirty_millimetres_apart(series: Series) -> None:
    for k in range(len(series.hu)):
        move(series, k, series.place(k * 100))


@damage(refused="uneven|a gap|wander|position")
def positions_at_random(series: Series) -> None:
    rng = np.random.default_rng(1)
    for k in range(len(series.hu)):
        move(series, k, series.place(0) + rng.uniform(-20, 20, 3))


@damage(harmless=True)
def positions_rounded_to_a_hundredth(series: Series) -> Opened:
    for k in range(len(series.hu)):
        series.edit(k, setting(ImagePositionPatient=[round(float(value), 2) for value in series.place(k)]))
    return Opened(places_atol_mm=0.02)


@damage(harmless=True)
def files_named_in_another_order(series: Series) -> None:
    order = np.random.default_rng(2).permutation(len(series.hu))
    for k, other in enumerate(order):
        series.path(k).rename(series.folder / f"{other:05d}.x")


for words, value in {
    "nan": b"nan\\0\\0",
    "infinite": b"inf\\0\\0",
    "two numbers": b"1\\2",
    "four numbers": b"1\\2\\3\\4",
    "text": b"left\\0\\0",
    "empty": b"",
    "with decimal commas": b"1,5\\2,5\\3,5",
    "of control characters": b"\0\1\2\3",
    "with underscores": b"1_0\\2\\3",
}.items():
    register(f"position {words}", raw(POSITION, value), refused=NO_POSITION)
register("position missing", one(ImagePositionPatient=None), refused=NO_POSITION)
register("position of 1e300", raw(POSITION, b"1e300\\0\\0"), refused="a gap|uneven|wander|position|apart")
register("position 1 km away", raw(POSITION, b"0\\0\\1000000"), refused="a gap")
register("positions nan in all slices", raw(POSITION, b"nan\\nan\\nan", everywhere=True), refused="in 24 of 24 slices")
register("positions missing in all slices", every(ImagePositionPatient=None), refused="in 24 of 24 slices")

COSINES = "not two unit vectors at right angles"
for words, value in {
    "sheared": b"1\\0\\0\\0.5\\1\\0",
    "of zero length": b"0\\0\\0\\0\\0\\0",
    "twice as long": b"2\\0\\0\\0\\2\\0",
    "parallel": b"1\\0\\0\\1\\0\\0",
    "of 1e200": b"1e200\\0\\0\\0\\1e200\\0",
}.items():
    register(f"orientation {words} in one slice", raw(ORIENTATION, value), refused=COSINES)
    register(f"orientation {words}", raw(ORIENTATION, value, everywhere=True), refused=COSINES)
for words, value in {
    "nan": b"nan\\0\\0\\0\\1\\0",
    "five numbers": b"1\\0\\0\\0\\1",
    "empty": b"",
    "text": b"A",
}.items():
    register(f"orientation {words}", raw(ORIENTATION, value), refused=r"orientation missing or not six .* 1 slice")
register("orientation missing in one slice", one(ImageOrientationPatient=None), refused="orientation missing")
register("orientation missing", every(ImageOrientationPatient=None), refused="orientation missing.* 24 slice")
register("orientation another", one(ImageOrientationPatient=[1, 0, 0, 0, 1, 0]), refused="mixed orientations")


@damage(refused="mixed orientations, up to 180")
def rows_run_the_other_way_in_one_slice(series: Series) -> None:
    series.edit(
        K, lambda data: setattr(data, "ImageOrientationPatient", [-float(v) for v in data.ImageOrientationPatient])
    )


for words, value in {
    "zero": b"0\\0",
    "negative": b"-0.5\\0.4",
    "absurdly small": b"0.0005\\0.0004",
    "absurdly large": b"500\\400",
    "one of them zero": b"0.5\\0",
}.items():
    register(f"pixel spacing {words}", raw(SPACING, value, everywhere=True), refused=r"pixel spacing \(")
    register(f"pixel spacing {words} in one slice", raw(SPACING, value), refused="pixel spacing")
for words, value in {"nan": b"nan\\0.4", "one number": b"0.5", "empty": b"", "text": b"half\\0.4"}.items():
    register(f"pixel spacing {words}", raw(SPACING, value), refused="pixel spacing missing or not two numbers")
register("pixel spacing with underscores", raw(SPACING, b"0_5\\0.4", everywhere=True), refused="not two numbers")
register("pixel spacing missing", every(PixelSpacing=None), refused="pixel spacing missing")
register("pixel spacing missing in one slice", one(PixelSpacing=None), refused="pixel spacing missing")
register("pixel spacing mixed", one(PixelSpacing=[0.5, 0.5]), refused="mixed pixel spacing")
register("pixel spacing swapped in one slice", one(PixelSpacing=[0.4, 0.5]), refused="mixed pixel spacing")

# Tags that lie: positions, orientation and pixel spacing alone decide (PS3.3 C.7.6.2.1.1).
register("spacing between slices lies", every(SpacingBetweenSlices=7), harmless=True)
register("spacing between slices negative", every(SpacingBetweenSlices=-0.3), harmless=True)
register("slice location lies", every(SliceLocation=5), harmless=True)
register("slice thicker than its step", every(SliceThickness=0.6), harmless=True)
register("slice thickness missing", every(SliceThickness=None), harmless=True)
register("slice thickness zero", every(SliceThickness=0), harmless=True)
register("slice thickness text", raw(0x00180050, b"thin"), refused="SliceThickness is not a number")
register("slice thinner than its step", every(SliceThickness=0.1), warned="what lies between was not measured")
register("imager pixel spacing lies", every(ImagerPixelSpacing=[9, 9]), harmless=True)
register("patient position says the opposite", every(PatientPosition="HFS"), harmless=True)
register("patient position missing", every(PatientPosition=None), harmless=True)
register("instance numbers missing", every(InstanceNumber=None), harmless=True)
register("instance numbers text", raw(0x00200013, b"one", everywhere=True), harmless=True)
register("one instance number absurd", raw(0x00200013, b"999999999999999999999999"), warned="slice numbers")
register("one instance number twice", one(InstanceNumber=1), warned="slice numbers run against the positions")


@damage(harmless=True)
def instance_numbers_reversed(series: Series) -> None:
    for k in range(len(series.hu)):
        series.edit(k, setting(InstanceNumber=len(series.hu) - k))


@damage(warned="slice numbers are not consecutive")
def instance_numbers_with_a_hole(series: Series) -> None:
    for k in range(12, len(series.hu)):
        series.edit(k, setting(InstanceNumber=k + 101))
