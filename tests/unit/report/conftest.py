"""The invented case that every test of the report prints; rendered once."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _load() -> ModuleType:
    name = "report_fabricated"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("fabricated.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def fabricated() -> ModuleType:
    """The module that invents ears."""
    return _load()


@pytest.fixture(scope="session")
def case(fabricated):
    """A planned right ear."""
    return fabricated.fabricated_case()


@pytest.fixture(scope="session")
def volume(fabricated):
    """Its voxels."""
    return fabricated.fabricated_volume()


@pytest.fixture(scope="session")
def pictures(case, volume):
    """Its key pictures."""
    from ctmeasure.report.pictures import key_pictures

    return key_pictures(case, volume)


@pytest.fixture(scope="session")
def content(case, pictures):
    """What its report says."""
    from ctmeasure.report.assemble import build_content

    return build_content(case, pictures)
