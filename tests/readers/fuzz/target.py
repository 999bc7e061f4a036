"""What a fuzzer asks of the reader: any bytes for one file of a series, and no answer but a volume or one line.

The first byte of an input says where the rest goes: one slice of a good series, a ZIP, a DICOMDIR, or a research file.
Beside "no traceback" stands a second opinion: what is loaded without a warning must agree with what pydicom reads
from the same bytes, in place, pixel size and value.
"""

from __future__ import annotations

import io
import math
import os
import tempfile
import warnings
from pathlib import Path

import numpy as np
from corpus.good import SECRET, write_good

from ctmeasure.errors import CtmeasureError
from ctmeasure.io.dicom import load_series

SLICES, ROWS, COLUMNS = 4, 8, 8
SLICE = 2
"""The slice whose file is replaced."""

WAYS = ("IM002", "scan.zip", "DICOMDIR", "scan.nii", "scan.nrrd", "scan.mha")

AGREE_MM = 0.05
"""Places that differ by more are a wrong millimetre; the reader's tolerance for uneven positions is below it."""


class Wrong(Exception):
    """Something was loaded that is not what the file says, or said in a way it must not be."""


class Target:
    """A folder with a good series, one file of which is written anew for each input."""

    def __init__(self) -> None:
        memory = Path("/dev/shm")
        self._keep = tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None)
        self.series = write_good(Path(self._keep.name) / "series", SLICES, ROWS, COLUMNS)
        self.good = self.series.path(SLICE).read_bytes()
        warnings.simplefilter("ignore")  # pydicom's remarks on odd bytes are no fault

    def __call__(self, data: bytes) -> str:
        """Read one input; the outcome in a few words, without numbers, for a fuzzer that collects outcomes.

        Raises
        ------
        Exception
            Whatever the reader lets through, and `Wrong`.
        """
        way = WAYS[data[0] % len(WAYS)] if data else WAYS[0]
        path = self.series.folder / way
        path.write_bytes(data[1:])
        opened = self.series.folder if way == WAYS[0] else path
        try:
            return self._outcome(opened, data[1:], one_slice=way == WAYS[0])
        finally:
            if way == WAYS[0]:
                path.write_bytes(self.good)
            else:
                path.unlink()

    def _outcome(self, opened: Path, data: bytes, *, one_slice: bool) -> str:
        try:
            loaded = load_series(opened, side="left", hash_content=False)
        except CtmeasureError as error:
            text = str(error)
            if "\n" in text or (SECRET in text and SECRET.encode() in data):
                raise Wrong(f"a refusal that should not read so: {text!r}") from error
            return _words(text)
        values = loaded.volume.values
        if not np.all(np.isfinite(values)):
            raise Wrong("values that are not finite")
        if any(SECRET in text for text in loaded.warnings):
            raise Wrong("the patient's name in a warning")
        if one_slice and loaded.row.kind == "CT image" and len(values) == SLICES and not loaded.warnings:
            _agrees(loaded.volume, data)
        return _words(" ".join(loaded.warnings))


def _words(text: str) -> str:
    return " ".join(word for word in text.split() if word.isalpha())


def _agrees(volume, data: bytes) -> None:
    """Compare with pydicom, where pydicom can read the bytes."""
    from pydicom import dcmread

    try:
        theirs = dcmread(io.BytesIO(data), force=True)
        place = np.array([float(value) for value in theirs.ImagePositionPatient])
        spacing = [float(value) for value in theirs.PixelSpacing]
        picture = theirs.pixel_array.astype(float) * float(theirs.RescaleSlope) + float(theirs.RescaleIntercept)
    except Exception:  # no second opinion
        return
    at = volume.geometry.to_kji(place)
    nearest = np.rint(at)
    off = float(np.linalg.norm((at - nearest) * volume.geometry.spacing_mm))
    if off > AGREE_MM or nearest[1] or nearest[2] or not 0 <= nearest[0] < SLICES:
        raise Wrong(f"pydicom places the slice at {place}, {off:.3f} mm off the grid")
    if not all(math.isclose(a, b, rel_tol=1e-3) for a, b in zip(spacing, volume.geometry.spacing_mm[1:], strict=True)):
        raise Wrong(f"pydicom reads a pixel spacing of {spacing}, here it is {volume.geometry.spacing_mm[1:]}")
    if picture.shape != (ROWS, COLUMNS) or np.abs(picture - volume.values[int(nearest[0])]).max() > 1e-3:
        raise Wrong("pydicom reads other pixels")
