"""Canals in bone for every test here."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


def _load(name: str, path: Path):
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def tubes():
    return _load("tube_phantoms", Path(__file__).parent / "phantoms.py")


@pytest.fixture(scope="session")
def ear(tubes):
    return tubes.facial_canal()
