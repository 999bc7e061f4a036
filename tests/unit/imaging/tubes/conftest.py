"""Canals in bone for every test here."""

from __future__ import annotations

import pytest
import tube_phantoms


@pytest.fixture(scope="session")
def tubes():
    return tube_phantoms


@pytest.fixture(scope="session")
def ear(tubes):
    return tubes.facial_canal()
