"""Loading a compressed series, beside SimpleITK's series reader, pydicom in a loop, and plainly reading the bytes.

Run: ``python tests/bench/bench_decode.py [FOLDER] [--slices 400] [--runs 3] [--only rle,jls]``. FOLDER keeps the
series for the next time. Every round runs each reader once, in turn, so that a busy machine slows all alike; the
ratios are medians of the ratios within a round. The page cache is warm. The last table says which decoder lets go of
the interpreter lock: another thread then gets its turn all the time, and on idle cores two threads are faster than one.

JPEG lossless needs dcmtk's ``dcmcjpeg`` to be written; without it that row is left out, and said to be.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from pydicom import dcmread
from pydicom.encaps import get_frame
from pydicom.pixels import get_decoder
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless
from series import SHAPE_KJI, write_series

GOALS = {"raw": 0.25, "rle": 0.10, "jpll": 0.9, "jls": 0.6, "j2k": 0.95}
"""Of SimpleITK's time (names, Execute and the array copy)."""

NAMES = {"raw": "uncompressed", "rle": "RLE", "jpll": "JPEG lossless", "jls": "JPEG-LS", "j2k": "JPEG 2000"}
SYNTAXES = {"rle": RLELossless, "jls": JPEGLSLossless, "j2k": JPEG2000Lossless}


def prepare(folder: Path, name: str, slices: int) -> Path | None:
    """Write the series once; None when the tool for it is not installed."""
    raw = folder / f"raw-{slices}"
    if not raw.is_dir():
        write_series(raw, (slices, *SHAPE_KJI[1:]))
    target = folder / f"{name}-{slices}"
    if target.is_dir():
        return target
    program = shutil.which("dcmcjpeg")
    if name == "jpll" and program is None:
        return None
    target.mkdir()
    for path in sorted(raw.iterdir()):
        if name == "jpll":
            subprocess.run([str(program), "+e1", path, target / path.name], check=True)
        else:
            data = dcmread(path)
            data.compress(SYNTAXES[name])
            data.save_as(target / path.name)
    return target


def plain_bytes(folder: Path) -> None:
    for path in sorted(folder.iterdir()):
        path.read_bytes()


def ours(folder: Path) -> np.ndarray:
    from ctmeasure.io.dicom import load_series

    return load_series(folder, hash_content=False).volume.values


def simpleitk(folder: Path) -> np.ndarray:
    import SimpleITK as sitk

    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    return sitk.GetArrayFromImage(reader.Execute())


def pydicom_loop(folder: Path) -> np.ndarray:
    slices = [dcmread(path) for path in folder.iterdir()]
    slices.sort(key=lambda data: float(data.ImagePositionPatient[2]))
    return np.stack([data.pixel_array for data in slices])


READERS: dict[str, Callable[[Path], object]] = {
    "plain bytes": plain_bytes,
    "ctmeasure": ours,
    "SimpleITK": simpleitk,
    "pydicom": pydicom_loop,
}


def measure(folder: Path, name: str, runs: int) -> None:
    same = np.array_equal(ours(folder), simpleitk(folder))
    times: dict[str, list[float]] = {reader: [] for reader in READERS}
    for _ in range(runs):
        for reader, work in READERS.items():
            start = time.perf_counter()
            work(folder)
            times[reader].append(time.perf_counter() - start)
    share = statistics.median(a / b for a, b in zip(times["ctmeasure"], times["SimpleITK"], strict=True))
    columns = "".join(f"{statistics.median(times[reader]):>13.3f}" for reader in READERS)
    verdict = "met" if share <= GOALS[name] else "MISSED"
    print(
        f"{NAMES[name]:15}{columns}{share:>11.2f}{GOALS[name]:>7.2f} {verdict:7}{'same voxels' if same else 'DIFFER'}"
    )


def lock_row(folder: Path, name: str) -> None:
    """Time one slice in one thread and in two, for each decoder that is installed."""
    slices = [dcmread(path) for path in sorted(folder.iterdir())[:16]]
    decoder = get_decoder(slices[0].file_meta.TransferSyntaxUID)
    for plugin in decoder.available_plugins:

        def work(data: object, plugin: str = plugin) -> None:
            decoder.as_array(data, raw=True, decoding_plugin=plugin)

        lock_line(f"{NAMES[name]:15}{plugin:12}", work, slices)

    if name == "jls":
        import imagecodecs

        pictures = [get_frame(data.PixelData, 0, number_of_frames=1) for data in slices]
        lock_line(f"{NAMES[name]:15}{'imagecodecs':12}", imagecodecs.jpegls_decode, pictures)

    def by_simpleitk(path: object) -> None:
        import SimpleITK as sitk

        sitk.ReadImage(str(path), imageIO="GDCMImageIO")

    lock_line(f"{NAMES[name]:15}{'SimpleITK':12}", by_simpleitk, sorted(folder.iterdir())[:16])


def lock_line(label: str, work: Callable[[object], None], slices: Sequence[object]) -> None:
    """Print times in one thread and in two, and how much of the first another thread could run."""
    work(slices[0])
    start = time.perf_counter()
    for data in slices:
        work(data)
    one = time.perf_counter() - start
    with ThreadPoolExecutor(2) as pool:
        start = time.perf_counter()
        list(pool.map(work, slices))
        two = time.perf_counter() - start
    turns = turns_of_another(lambda: [work(data) for data in slices])
    held = "holds it" if turns < 0.5 else "lets go"
    print(f"{label}{1000 * one / len(slices):>9.2f}{1000 * two / len(slices):>9.2f}{100 * turns:>8.0f} %  {held}")


def turns_of_another(work: Callable[[], object]) -> float:
    """Give the share of the millisecond-long pieces of `work` in which another Python thread got its turn."""
    stamps: list[float] = []
    running = True

    def watch() -> None:
        while running:
            stamps.append(time.perf_counter())
            time.sleep(0)

    watcher = threading.Thread(target=watch)
    watcher.start()
    start = time.perf_counter()
    work()
    stop = time.perf_counter()
    running = False
    watcher.join()
    pieces = {int(1000 * (stamp - start)) for stamp in stamps if start <= stamp < stop}
    return len(pieces) / max(int(1000 * (stop - start)), 1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--slices", type=int, default=SHAPE_KJI[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", default=",".join(GOALS))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        sets = {name: prepare(folder, name, options.slices) for name in options.only.split(",")}
        print(
            f"{options.slices} slices of 512 x 512, int16, seconds (median of {options.runs} rounds), warm page cache"
        )
        print(f"{'':15}" + "".join(f"{reader:>13}" for reader in READERS) + f"{'of SimpleITK':>13} goal")
        for name, path in sets.items():
            if path is None:
                print(f"{NAMES[name]:15}not measured: dcmcjpeg is not installed")
            else:
                measure(path, name, options.runs)
        print(f"\n{'':15}{'decoder':12}{'1 thread':>9}{'2':>9}{'turns':>10}  interpreter lock (ms a slice)")
        for name, path in sets.items():
            if path is not None and name != "raw":
                lock_row(path, name)


if __name__ == "__main__":
    main()
