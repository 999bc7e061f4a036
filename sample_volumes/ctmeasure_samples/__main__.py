"""Command line of the samples: `python -m ctmeasure_samples list`, `python -m ctmeasure_samples generate ...`."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from ctmeasure_samples.catalog import case_truths, generate, random_case, samples, series_bytes, write_case_tables
from ctmeasure_samples.shipped import SERIES_FOLDER


def _tell(text: str, fraction: float) -> None:
    print(f"\r{text} {100 * fraction:3.0f} %", end="", file=sys.stderr, flush=True)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m ctmeasure_samples", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("list", help="name the shipped samples")
    commands.add_parser("mean-ear", help="print the table of the mean ear behind suggestions")
    make = commands.add_parser("generate", help="make a shipped sample again, or random ears")
    make.add_argument("name", nargs="?", help="a shipped sample; none: all of them")
    make.add_argument("--seed", type=int, help="first seed of random ears")
    make.add_argument("--count", type=int, default=1, help="how many random ears")
    make.add_argument("--tables-only", action="store_true", help="write tables and truth, leave the scan as it is")
    make.add_argument("--out", type=Path, default=None, help="folder to write to (default: the shipped folder)")
    choice = parser.parse_args(arguments)
    if choice.command == "list":
        for name, case in samples().items():
            print(f"{name:20s} {case.title}")
        return 0
    if choice.command == "mean-ear":
        from ctmeasure_samples.mean_ear import mean_ear_table

        print(mean_ear_table(), end="")
        return 0
    out = SERIES_FOLDER if choice.out is None else choice.out
    if choice.seed is not None:
        if choice.out is None:
            parser.error("random ears need --out DIR")
        cases = [random_case(choice.seed + n) for n in range(choice.count)]
    elif choice.name is None:
        cases = list(samples().values())
    elif choice.name in samples():
        cases = [samples()[choice.name]]
    else:
        parser.error(f"no sample '{choice.name}'; expected one of {', '.join(samples())}")
    for case in cases:
        start = time.perf_counter()
        if choice.tables_only:
            write_case_tables(case, case_truths(case), out / case.name)
        else:
            generate(case, out / case.name, progress=_tell)
        size = series_bytes(out / case.name) / 1e6
        print(f"\r{case.name}: {size:.1f} MB in {time.perf_counter() - start:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
