"""A made-up ear for every test of the window; tests that need the toolkit or a display say so when they are skipped."""

from __future__ import annotations

import os
import sys
from types import ModuleType

import pytest
import window_phantom


@pytest.fixture(scope="session")
def phantom() -> ModuleType:
    """The shapes, as a module."""
    return window_phantom


@pytest.fixture(scope="session")
def right_ear():
    """Case and scan of a right ear."""
    volume = window_phantom.phantom_volume("right")
    return window_phantom.phantom_case(volume, "right"), volume


@pytest.fixture(scope="session")
def left_ear():
    """Case and scan of a left ear."""
    volume = window_phantom.phantom_volume("left")
    return window_phantom.phantom_case(volume, "left"), volume


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
