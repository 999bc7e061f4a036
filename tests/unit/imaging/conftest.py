"""Phantom canals for every test here."""

from __future__ import annotations

import canal_phantoms
import pytest


@pytest.fixture(scope="session")
def phantoms():
    return canal_phantoms
