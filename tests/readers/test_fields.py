"""One byte flipped in each header field in turn, in a slice inside the stack and in the last one.

Whatever is loaded afterwards must hold the true voxels at the true places, or say in a warning what is odd; a flip that
moves nothing beyond the reader's own tolerances needs no word.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from corpus.flips import fields, flip
from corpus.good import SECRET, Series, write_good

from ctmeasure.errors import CtmeasureError
from ctmeasure.io.dicom import load_series

INSIDE, LAST = 3, 7
ROUNDING_MM = 0.02
"""What one bit may move a voxel without a word: the reader's own tolerance for uneven positions, twice."""

BITS = (0, 3, 6)
"""A digit becomes its neighbour, a letter or control sign, and something else altogether."""


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Series:
    """Eight slices suffice: what is damaged is one header."""
    series = write_good(tmp_path_factory.mktemp("fields") / "series", slices=8)
    series.edit_all(lambda data: data.add_new(0x00280120, "SS", -5000))
    return series


def names() -> list[str]:
    """The fields of a slice, read from one written for this list."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        series = write_good(Path(folder) / "series", slices=2)
        series.edit_all(lambda data: data.add_new(0x00280120, "SS", -5000))
        return [field.name for field in fields(series.path(0))]


def silently_wrong(series: Series) -> str:
    """Load, and say what is wrong and not spoken of; empty when all is well."""
    try:
        loaded = load_series(series.folder, hash_content=False)
    except CtmeasureError as error:
        text = str(error)
        return "" if "\n" not in text and SECRET not in text else f"a refusal that should not read so: {text!r}"
    if any(SECRET in text for text in loaded.warnings):
        return "the patient's name in a warning"
    if loaded.warnings:
        return ""
    values, affine = loaded.volume.values, loaded.volume.geometry.affine_lps
    count = len(values)
    if count < len(series.hu):
        return f"{len(series.hu) - count} slice(s) left out without a word"
    if not np.array_equal(values, series.hu):
        return f"{np.count_nonzero(values != series.hu)} voxels wrong without a word"
    far = np.array([(k, j, i, 1.0) for k in (0, count - 1) for j in (0, 19) for i in (0, 15)])
    moved = float(np.abs(far @ (affine - series.affine_lps).T).max())
    return f"voxels {moved:.3f} mm from their place without a word" if moved > ROUNDING_MM else ""


@pytest.mark.parametrize("name", names())
def test_one_byte_flipped(small: Series, name: str) -> None:
    faults = []
    for k in (INSIDE, LAST):
        path = small.path(k)
        good = path.read_bytes()
        (field,) = (field for field in fields(path) if field.name == name)
        try:
            for place, at in field.places():
                for bit in BITS:
                    flip(path, at, bit)
                    if fault := silently_wrong(small):
                        faults.append(f"slice {k + 1}, {place}, bit {bit}: {fault}")
                    path.write_bytes(good)
        finally:
            path.write_bytes(good)
    assert not faults, "\n".join(faults)
