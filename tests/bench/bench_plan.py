"""Time and memory of the whole `plan` on a 512 x 512 x 400 series: `python tests/bench/bench_plan.py`.

Prints wall seconds of the first run ever (kernels not compiled yet, in an empty cache) and of later runs, and the peak
memory above an idle process, in volumes. Figures vary by machine; nothing here is a test.
"""

from __future__ import annotations

import argparse
import copy
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROWS = COLUMNS = 512
SLICES = 400
VOLUME_BYTES = ROWS * COLUMNS * SLICES * 2

RUN = """
import resource, sys, time
start = time.perf_counter()
from pathlib import Path
from ctmeasure.app.plan import run_plan
from ctmeasure.app.samples import sample_request
from dataclasses import replace
request = replace(sample_request("revision_ear", Path(sys.argv[2]), seed=1, force=True), scan=Path(sys.argv[1]))
run_plan(request)
print(time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""
IDLE = """
import resource
import ctmeasure.app.plan, ctmeasure.report.write, ctmeasure.io.dicom.load, ctmeasure.planning.drilling
import ctmeasure.planning.measurands, ctmeasure.planning.lengths, matplotlib.figure, scipy.optimize
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
"""


def enlarged_series(folder: Path) -> Path:
    """The demo sample put into a 512 x 512 x 400 matrix of the same frame: air around it, the same ear inside."""
    import numpy as np
    import pydicom
    from ctmeasure_samples import sample_path

    files = sorted(sample_path("revision_ear").joinpath("dicom").glob("*.dcm"))
    slices = sorted((pydicom.dcmread(f) for f in files), key=lambda s: float(s.ImagePositionPatient[2]))
    pixels_of = [s.pixel_array for s in slices]
    for header in slices:
        del header.PixelData
    first = slices[0]
    inner_rows, inner_columns = int(first.Rows), int(first.Columns)
    row, column = np.array(first.ImageOrientationPatient[:3], float), np.array(first.ImageOrientationPatient[3:], float)
    step = np.array(slices[1].ImagePositionPatient, float) - np.array(slices[0].ImagePositionPatient, float)
    down_mm, right_mm = (float(v) for v in first.PixelSpacing)
    top, left = (ROWS - inner_rows) // 2, (COLUMNS - inner_columns) // 2
    below = (SLICES - len(slices)) // 2
    rng = np.random.default_rng(0)
    empty = rng.normal(-1000, 40, (ROWS, COLUMNS)).astype(np.int16)
    offset = -left * right_mm * row - top * down_mm * column
    for number in range(SLICES):
        inside = number - below
        source = slices[min(max(inside, 0), len(slices) - 1)]
        pixels = np.roll(empty, number, axis=0).copy()
        if 0 <= inside < len(slices):
            pixels[top : top + inner_rows, left : left + inner_columns] = pixels_of[inside]
        made = copy.deepcopy(source)
        made.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
        made.Rows, made.Columns, made.InstanceNumber = ROWS, COLUMNS, number + 1
        made.SOPInstanceUID = made.file_meta.MediaStorageSOPInstanceUID = f"{source.SeriesInstanceUID}.{number + 1}"[
            :64
        ]
        position = np.array(slices[0].ImagePositionPatient, float) + inside * step + offset
        made.ImagePositionPatient = [f"{v:.6f}"[:16] for v in position]
        made.PixelData = pixels.tobytes()
        made["PixelData"].VR = "OW"
        made.save_as(folder / f"{number:04d}.dcm", enforce_file_format=True)
    return folder


def run(code: str, *arguments: str, cache: Path) -> list[float]:
    """Run a snippet in a fresh process with its own kernel cache and return the numbers it prints."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], env=environment, capture_output=True, text=True, check=True
    )
    return [float(word) for word in done.stdout.split()]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=3)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "scan").mkdir()
        started = time.perf_counter()
        scan = enlarged_series(folder / "scan")
        print(f"series of {ROWS} x {COLUMNS} x {SLICES} written in {time.perf_counter() - started:.0f} s", flush=True)
        cache = folder / "cache"
        first = run(RUN, str(scan), str(folder / "out"), cache=cache)
        later = [run(RUN, str(scan), str(folder / "out"), cache=cache) for _ in range(arguments.runs)]
        idle = run(IDLE, cache=cache)[0]
    peak = max(memory for _, memory in later)
    print(f"{'':32}{'wall s':>8}{'volumes above idle':>20}")
    print(f"{'first run ever (compiling)':32}{first[0]:8.1f}{(first[1] - idle) / VOLUME_BYTES:20.2f}")
    print(f"{'later runs, median':32}{statistics.median(t for t, _ in later):8.1f}{(peak - idle) / VOLUME_BYTES:20.2f}")
    print(f"idle process {idle / 2**20:.0f} MiB, one volume {VOLUME_BYTES / 2**20:.0f} MiB, cores {os.cpu_count()}")


if __name__ == "__main__":
    main()
