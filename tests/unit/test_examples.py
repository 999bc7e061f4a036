"""Every example runs and says something."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import ctmeasure.examples

NAMES = [module.name for module in pkgutil.iter_modules(ctmeasure.examples.__path__)]


def test_there_are_examples() -> None:
    assert len(NAMES) >= 3


@pytest.mark.parametrize("name", NAMES)
def test_an_example_runs(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    importlib.import_module(f"ctmeasure.examples.{name}").main()
    assert "mm" in capsys.readouterr().out
