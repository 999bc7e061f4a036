"""What every test may rely on."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def pytest_report_header() -> str:
    import ctmeasure

    return f"ctmeasure {ctmeasure.__version__} from {'the wheel' if _from_wheel() else 'the checkout'}"


def _from_wheel() -> bool:
    import ctmeasure

    return "site-packages" in Path(ctmeasure.__file__).parts


@pytest.fixture(scope="session", autouse=True)
def _installed_package() -> None:
    """CI tests the installed wheel, never the checkout beside the tests."""
    if os.environ.get("CTMEASURE_FROM_WHEEL") == "1":
        assert _from_wheel(), "the tests ran against the checkout, expected the installed wheel"
