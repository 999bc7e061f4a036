"""Set up and run, on a bare machine with Python 3.11 or newer: `python3 .ci/set_up.py demo` or `... test`.

Standard library only. It makes a virtual environment, installs the pinned and hashed requirements, builds the wheel of
this checkout with the pinned build backend, installs it without dependencies, and then runs what was asked for. For
the tests it also installs the few system packages that a window needs, where it can.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
TOP = HERE.parent
SYSTEM_TOOLS = ("Xvfb", "dcmcjpeg", "dciodvfy", "pg_ctlcluster")
"""What the tests call besides Python; their system packages are installed when one of them is missing."""
SYSTEM_PACKAGES = (
    "dcmtk",
    "dicom3tools",
    "postgresql",
    "xvfb",
    "xauth",
    "libgl1",
    "libegl1",
    "libglx-mesa0",
    "libgl1-mesa-dri",
    "libopengl0",
    "libxkbcommon-x11-0",
    "libxcb-cursor0",
    "libxcb-icccm4",
    "libxcb-keysyms1",
    "libxcb-image0",
    "libxcb-render-util0",
    "libxcb-randr0",
    "libxcb-shape0",
    "libxcb-xfixes0",
    "libxcb-xkb1",
    "libdbus-1-3",
    "libfontconfig1",
)


def run(*command: str | Path, **options: object) -> None:
    print("+", *command, flush=True)
    subprocess.run([str(part) for part in command], check=True, **options)  # type: ignore[call-overload]


def python_of(environment: Path) -> Path:
    return environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def make_environment(environment: Path, pins: str) -> Path:
    if not python_of(environment).exists():
        run(sys.executable, "-m", "venv", environment)
    python = python_of(environment)
    pip = (python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check")
    run(*pip, "--require-hashes", "-r", HERE / pins)
    run(*pip, "--require-hashes", "-r", HERE / "build.txt")
    with tempfile.TemporaryDirectory() as folder:
        run(python, "-m", "hatchling", "build", "-t", "wheel", "-d", folder, cwd=TOP, stdout=subprocess.DEVNULL)
        (wheel,) = Path(folder).glob("*.whl")
        run(*pip, "--no-deps", "--force-reinstall", wheel)
    return python


def install_system_packages() -> None:
    may = shutil.which("apt-get") and (not hasattr(os, "geteuid") or os.geteuid() == 0)
    if not may or all(shutil.which(tool) for tool in SYSTEM_TOOLS):
        return
    run("apt-get", "update", "-qq", stdout=subprocess.DEVNULL)
    run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *SYSTEM_PACKAGES, stdout=subprocess.DEVNULL)


def demo(arguments: argparse.Namespace) -> int:
    python = make_environment(arguments.environment, "base.txt")
    return subprocess.call([str(python), "-m", "ctmeasure", "demo", *arguments.rest])


def test(arguments: argparse.Namespace) -> int:
    install_system_packages()
    python = make_environment(arguments.environment, "checks.txt")
    for step in ("-m ruff check .", "-m ruff format --check .", "-m mypy"):
        run(python, *step.split(), cwd=TOP)
    run(python, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()", cwd=TOP)
    environment = {**os.environ, "CTMEASURE_FROM_WHEEL": "1", "PYTHONPATH": ""}
    return subprocess.call([str(python), "-P", "-m", "pytest", "-q", *arguments.rest], cwd=TOP, env=environment)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("demo", "test"))
    parser.add_argument("--environment", type=Path, help="folder of the virtual environment")
    arguments, arguments.rest = parser.parse_known_args()
    if arguments.environment is None:
        arguments.environment = TOP / (".venv" if arguments.what == "demo" else ".venv-test")
    try:
        return {"demo": demo, "test": test}[arguments.what](arguments)
    except subprocess.CalledProcessError as error:
        print(f"failed: {' '.join(error.cmd)}", file=sys.stderr)
        return error.returncode or 1


if __name__ == "__main__":
    raise SystemExit(main())
