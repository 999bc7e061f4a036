"""A made-up ear for every test of the window; tests that need the toolkit or a display say so when they are skipped."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import pytest

_SPEC = importlib.util.spec_from_file_location("window_phantom", Path(__file__).with_name("phantom.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
_PHANTOM = importlib.util.module_from_spec(_SPEC)
sys.modules["window_phantom"] = _PHANTOM
_SPEC.loader.exec_module(_PHANTOM)


@pytest.fixture(scope="session")
def phantom() -> ModuleType:
    """The shapes, as a module."""
    return _PHANTOM


@pytest.fixture(scope="session")
def right_ear():
    """Case and scan of a right ear."""
    volume = _PHANTOM.phantom_volume("right")
    return _PHANTOM.phantom_case(volume, "right"), volume


@pytest.fixture(scope="session")
def left_ear():
    """Case and scan of a left ear."""
    volume = _PHANTOM.phantom_volume("left")
    return _PHANTOM.phantom_case(volume, "left"), volume


@pytest.fixture(scope="session")
def results():
    """An empty plan: stands for "computed" where no number is asked about."""
    from ctmeasure.planning.results import PlanResult

    return PlanResult((), (), (), (), "nothing was asked", (), None, (), (), (), 0, "test")


@pytest.fixture
def display():
    """Skips where no picture can be drawn: Linux without a display and without Xvfb."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.skip("no display, and Xvfb is not installed to stand in for one")
