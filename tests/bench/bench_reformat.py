"""A 512 x 512 oblique picture from a 512 x 512 x 400 int16 volume, beside scipy and SimpleITK at equal accuracy.

Run: ``python tests/bench/bench_reformat.py [--runs N]``. Linear against linear; each round runs each method once, in
turn, on the same plane, and the ratios are medians of the ratios within a round.
"""

from __future__ import annotations

import argparse
import statistics
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from ctmeasure.volume import Geometry, PlaneSpec, Volume, reformat

SCIPY_WHOLE = "scipy, its coordinates included"
OURS, SCIPY, SIMPLEITK = "ctmeasure linear", "scipy map_coordinates order 1", "SimpleITK Resample linear"

SWEEP = np.ones(8 * 2**20)
"""64 MiB: more than the caches of this kind of machine hold."""

GOAL_SCIPY, GOAL_SIMPLEITK = 15.0, 4.0

TURNS_DEG = {
    "nearly axial": (10, 5, 3),
    "oblique": (35, 10, 0),
    "doubly oblique": (20, 30, 15),
    "steep": (60, 20, 10),
    "sagittal": (0, 90, 0),
}


def scan() -> Volume:
    """Smooth shapes and noise, 0.2 x 0.25 x 0.25 mm."""
    shape = (400, 512, 512)
    rng = np.random.default_rng(3)
    values = np.empty(shape, np.int16)
    wave = 900 * np.sin(np.arange(512) / 9.0)
    for k in range(shape[0]):
        values[k] = wave[:, None] + wave * np.cos(k / 11.0) + rng.integers(-60, 60, shape[1:])
    affine = np.diag([0.2, 0.25, 0.25, 1.0])[[2, 1, 0, 3]]
    affine[:3, 3] = (-64.0, -64.0, -40.0)
    return Volume(Geometry(shape, affine, "1.2.3"), values)


def index_of_first(volume: Volume, spec: PlaneSpec) -> np.ndarray:
    return volume.geometry.to_kji(spec.pixel_to_lps((0.0, 0.0)))


def methods(volume: Volume, spec: PlaneSpec) -> dict[str, Callable[[], Any]]:
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(volume.values)
    image.SetSpacing(volume.geometry.spacing_mm[::-1])
    image.SetOrigin(volume.geometry.affine_lps[:3, 3].tolist())
    rows, columns = spec.shape
    grid = sitk.Image(columns, rows, 1, sitk.sitkFloat32)
    grid.SetSpacing((spec.pixel_mm, spec.pixel_mm, 1.0))
    grid.SetOrigin(spec.pixel_to_lps((0, 0)).tolist())
    grid.SetDirection(np.stack([spec.right_lps, spec.down_lps, spec.normal_lps], axis=1).ravel().tolist())
    resampler = sitk.ResampleImageFilter()
    resampler.SetReferenceImage(grid)
    resampler.SetInterpolator(sitk.sitkLinear)
    resampler.SetOutputPixelType(sitk.sitkFloat32)
    resampler.SetDefaultPixelValue(np.nan)
    pixels = np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1)
    steps = volume.geometry.affine_kji[:3, :3] @ np.stack([spec.down_lps, spec.right_lps], axis=1) * spec.pixel_mm
    first = index_of_first(volume, spec)

    def coordinates() -> np.ndarray:
        """As lean as numpy allows."""
        down, right = np.arange(rows)[:, None], np.arange(columns)
        return np.stack([first[a] + steps[a, 0] * down + steps[a, 1] * right for a in range(3)])

    # scipy's coordinates are worked out beforehand: only its interpolation is timed.
    index = np.moveaxis(volume.geometry.to_kji(spec.pixel_to_lps(pixels)), -1, 0).copy()
    cubic = PlaneSpec.from_dict(spec.to_dict() | {"order": "cubic"})
    slab = PlaneSpec.from_dict(spec.to_dict() | {"slab_mm": 1.0})
    return {
        OURS: lambda: reformat(volume, spec).image,
        SCIPY: lambda: map_coordinates(volume.values, index, order=1, output=np.float32, cval=np.nan),
        SCIPY_WHOLE: lambda: map_coordinates(volume.values, coordinates(), order=1, output=np.float32, cval=np.nan),
        SIMPLEITK: lambda: resampler.Execute(image),
        "ctmeasure cubic": lambda: reformat(volume, cubic).image,
        "ctmeasure linear, 1 mm mean slab": lambda: reformat(volume, slab).image,
    }


def array(result: Any) -> np.ndarray:
    """The picture of any method as an array (SimpleITK's image is copied here, outside the timing)."""
    if isinstance(result, np.ndarray):
        return result
    import SimpleITK as sitk

    return sitk.GetArrayFromImage(result)[0]


def timed(call: Callable[[], Any], *, cold: bool) -> tuple[float, float]:
    """Milliseconds of one call, wall and processor (all threads): after itself, or after 64 MiB of other memory."""
    if cold:
        SWEEP.sum()
    else:
        call()
    start, used = time.perf_counter(), time.process_time()
    call()
    return 1000 * (time.perf_counter() - start), 1000 * (time.process_time() - used)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=25)
    runs = parser.parse_args().runs
    volume = scan()
    print(f"512x512 float32 picture, 0.15 mm pixels, from 512x512x400 int16; {runs} paired runs a plane; milliseconds")
    print("warm: the same plane just before; cold: 64 MiB of other memory read just before; x: beside ctmeasure linear")
    print("processor: time of all threads together, warm. On a busy machine only this column means anything.")
    overall: dict[tuple[str, str], list[float]] = {}
    for plane, turn in TURNS_DEG.items():
        axes = Rotation.from_euler("xyz", turn, degrees=True).as_matrix()
        spec = PlaneSpec(plane, "", volume.geometry.centre_lps, axes[0], axes[1], 76.8, 76.8, 0.15)
        work = methods(volume, spec)
        start = time.perf_counter()
        pictures = {name: array(call()) for name, call in work.items()}
        print(f"\n{plane} (first calls of all methods {time.perf_counter() - start:.2f} s)")
        print(f"  {'':36}" + "".join(f"{head:>10}{'best':>8}{'x':>7}" for head in ("warm", "cold", "processor")))
        times: dict[tuple[str, str], list[float]] = {}
        for _ in range(runs):
            for name, call in work.items():
                wall, processor = timed(call, cold=False)
                times.setdefault((name, "warm"), []).append(wall)
                times.setdefault((name, "processor"), []).append(processor)
            for name, call in work.items():
                times.setdefault((name, "cold"), []).append(timed(call, cold=True)[0])
        for name in work:
            line = f"  {name:36}"
            for kind in ("warm", "cold", "processor"):
                values = times[name, kind]
                ratios = [a / b for a, b in zip(values, times[OURS, kind], strict=True)]
                overall.setdefault((name, kind), []).extend(ratios)
                line += f"{statistics.median(values):>10.2f}{min(values):>8.2f}{statistics.median(ratios):>7.1f}"
            if name in (SCIPY, SIMPLEITK):
                both = np.isfinite(pictures[name]) & np.isfinite(pictures[OURS])
                line += f"   largest difference {np.abs(pictures[name][both] - pictures[OURS][both]).max():.1e}"
            print(line)
    print()
    for kind in ("warm", "cold", "processor"):
        scipy_x, whole_x, sitk_x = (statistics.median(overall[n, kind]) for n in (SCIPY, SCIPY_WHOLE, SIMPLEITK))
        print(
            f"{kind:10} scipy takes {scipy_x:.1f} x as long, {whole_x:.1f} x with its coordinates (goal "
            f"{GOAL_SCIPY:g}), SimpleITK {sitk_x:.1f} x (goal {GOAL_SIMPLEITK:g})"
        )
    tracemalloc.start()
    reformat(volume, spec)
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    print(f"memory of one picture: {peak:.1f} MiB at its peak, 1.0 MiB of it the picture")
    tracemalloc.stop()


if __name__ == "__main__":
    main()
