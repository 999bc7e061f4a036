"""Fuzz the reader. ``python tests/readers/fuzz/run.py --seconds 60`` is what CI does; an hour or a night by hand.

With atheris installed the run is guided by coverage; without it (it is not built for every Python) the small fuzzer in
`mutate` takes its place. An input the reader does not stand goes to --keep; put it into ``found/`` with its mending.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import traceback
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

LONGEST_INPUT = 2**16
MEMORY_MIB = 2500
LONGEST_S = 10


def inputs() -> list[Path]:
    """Seeds, and inputs that once went wrong."""
    return sorted(path for name in ("seeds", "found") for path in (HERE / name).glob("*"))


def own(seconds: float, seed: int, keep: Path) -> int:
    """The fuzzer of our own; the number of different faults."""
    from mutate import fuzz
    from target import Target

    faults: dict[str, bytes] = {}

    def failed(data: bytes, error: Exception) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        place = next((f"{Path(f.filename).name}:{f.name}" for f in reversed(frames) if "ctmeasure" in f.filename), "")
        sign = f"{type(error).__name__} in {place}: {str(error)[:90]}" if place else f"{type(error).__name__}: {error}"
        if (known := "".join(char for char in sign if not char.isdigit())) in faults:
            return
        faults[known] = data
        path = keep / f"crash-{hashlib.sha256(data).hexdigest()[:12]}"
        path.write_bytes(data)
        print(f"{path}: {sign}", flush=True)

    tried, outcomes = fuzz(
        Target(), [path.read_bytes() for path in inputs()], seconds=seconds, seed=seed, failed=failed
    )
    print(f"own fuzzer: {tried} inputs, {outcomes} different outcomes, {len(faults)} fault(s)")
    return len(faults)


def guided(seconds: float, seed: int, keep: Path) -> None:
    """atheris: guided by coverage of the reader and of pydicom; ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["ctmeasure.io", "pydicom"]):
        from target import Target

        import ctmeasure.io.dicom.find
        import ctmeasure.io.dicom.load  # noqa: F401

    target = Target()
    work = tempfile.mkdtemp(prefix="ctmeasure-fuzz-", dir=keep)
    options = [
        f"-max_total_time={seconds:.0f}",
        f"-seed={seed}",
        f"-max_len={LONGEST_INPUT}",
        f"-rss_limit_mb={MEMORY_MIB}",
        f"-timeout={LONGEST_S}",
        f"-artifact_prefix={keep}{os.sep}",
        "-print_final_stats=1",
    ]
    folders = [work, *(str(HERE / name) for name in ("seeds", "found") if (HERE / name).is_dir())]
    atheris.Setup([sys.argv[0], *options, *folders], lambda data: target(data) and None)
    atheris.Fuzz()


def main() -> int:
    """Parse the words and run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--engine", choices=("any", "atheris", "own"), default="any")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()), help="where inputs that failed go")
    words = parser.parse_args()
    words.keep.mkdir(parents=True, exist_ok=True)
    if words.engine != "own":
        try:
            import atheris  # noqa: F401
        except ImportError:
            if words.engine == "atheris":
                raise
            print("atheris is not installed: the fuzzer of our own runs instead", flush=True)
        else:
            guided(words.seconds, words.seed, words.keep)
            return 0
    return 1 if own(words.seconds, words.seed, words.keep) else 0


if __name__ == "__main__":
    raise SystemExit(main())
