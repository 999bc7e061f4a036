"""A small good CT series of invented content, and the tools to damage it."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # the corpus is a package of its own, beside these tests

from corpus.good import Series, true_affine, true_hu, write, write_good


@pytest.fixture(scope="session")
def good_once(tmp_path_factory: pytest.TempPathFactory) -> Series:
    """A good series of 12 x 40 x 32 voxels, written once and never changed."""
    return write(tmp_path_factory.mktemp("good") / "series", true_hu(), true_affine())


@pytest.fixture
def series(good_once: Series, tmp_path: Path) -> Series:
    """A copy of the good series, to be damaged."""
    return copied(good_once, tmp_path / "series")


@pytest.fixture
def another_series() -> Callable[..., Series]:
    """The writer, for a second series in the same folder."""
    return lambda folder, **more: write(folder, more.pop("hu", true_hu()), more.pop("affine", true_affine()), **more)


@pytest.fixture(scope="session")
def corpus_once(tmp_path_factory: pytest.TempPathFactory) -> Series:
    """The good series of the corpus, 24 x 20 x 16 voxels, written once and never changed."""
    return write_good(tmp_path_factory.mktemp("corpus") / "series")


@pytest.fixture
def corpus_series(corpus_once: Series, tmp_path: Path) -> Series:
    """A copy of it, to be damaged."""
    return copied(corpus_once, tmp_path / "series")


def copied(good: Series, folder: Path) -> Series:
    """The same series in another folder."""
    shutil.copytree(good.folder, folder)
    return Series(folder, good.hu, good.affine_lps)
