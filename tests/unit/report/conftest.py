"""The invented case that every test of the report prints; rendered once."""

from __future__ import annotations

from types import ModuleType

import pytest
import report_fabricated


@pytest.fixture(scope="session")
def fabricated() -> ModuleType:
    """The module that invents ears."""
    return report_fabricated


@pytest.fixture(scope="session")
def case(fabricated):
    """A planned right ear, its results stamped with what they were made from, as every saved case is."""
    from ctmeasure.case.document import stamped

    return stamped(fabricated.fabricated_case())


@pytest.fixture(scope="session")
def volume(fabricated):
    """Its voxels."""
    return fabricated.fabricated_volume()


@pytest.fixture(scope="session")
def progress_seen():
    """Fractions the listener of the one full run was told, filled by `written`."""
    return []


@pytest.fixture(scope="session")
def written(case, volume, tmp_path_factory, progress_seen):
    """The one full run: the case as saved, and its folder."""
    from ctmeasure.report.write import write_outputs

    folder = tmp_path_factory.mktemp("out")
    listener = lambda text, fraction: progress_seen.append(fraction)  # noqa: E731
    return write_outputs(case, volume=volume, out_dir=folder, progress=listener), folder


@pytest.fixture(scope="session")
def pictures(written):
    """Its key pictures."""
    saved, folder = written
    return [(picture, (folder / "figures" / picture.file).read_bytes()) for picture in saved.pictures]


@pytest.fixture(scope="session")
def content(case, pictures):
    """What its report says."""
    from ctmeasure.report.assemble import build_content

    return build_content(case, pictures)


@pytest.fixture(scope="session")
def html(content):
    """Its HTML text, built a second time from the same case."""
    from ctmeasure.report.html import render_html

    return render_html(content)


@pytest.fixture(scope="session")
def pdf(content):
    """Its PDF, built a second time from the same case."""
    from ctmeasure.report.pdf import render_pdf

    return render_pdf(content)


@pytest.fixture(scope="session")
def mapless(case):
    """The same ear with results but no map, which takes most of the time to draw."""
    from dataclasses import replace

    return replace(case, results=replace(case.results, zone=()))
