"""A bounded run of the fuzzer, and every input that once went wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

FUZZ = Path(__file__).parent / "fuzz"
SECONDS = 60
"""How long CI fuzzes; longer by hand: ``python tests/readers/fuzz/run.py --seconds 36000``."""

KEPT = sorted(path for name in ("seeds", "found") for path in (FUZZ / name).glob("*"))


@pytest.fixture(scope="module")
def target():
    sys.path.insert(0, str(FUZZ))
    try:
        from target import Target
    finally:
        sys.path.remove(str(FUZZ))
    return Target()


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.name)
def test_kept_input(target, path: Path) -> None:
    target(path.read_bytes())


def test_seeds_are_read_as_what_they_are(target) -> None:
    """A seed that is refused at the door teaches the fuzzer nothing."""
    for path in (FUZZ / "seeds").iterdir():
        outcome = target(path.read_bytes())
        assert "expected" not in outcome, (path.name, outcome)


def test_fuzzing_looks_for_more(tmp_path: Path) -> None:
    """Guided by coverage where atheris is installed, else by outcomes, for a bounded time.

    What it finds fails here with its bytes, to be put into `found/` and mended.
    """
    keep = tmp_path / "failed"
    command = [sys.executable, "-W", "ignore", str(FUZZ / "run.py"), "--seconds", str(SECONDS), "--keep", str(keep)]
    environment = {**os.environ, "PYTHONPATH": os.environ.get("PYTHONPATH", "")}
    run = subprocess.run(command, capture_output=True, text=True, timeout=4 * SECONDS, env=environment, check=False)
    failed = {path.name: path.read_bytes().hex() for path in keep.glob("*-*") if path.is_file()}
    assert not failed, f"new inputs that go wrong, to be kept in found/ and mended: {failed}; {run.stderr[-2000:]}"
    assert run.returncode == 0, (run.stdout[-2000:], run.stderr[-4000:])
