"""Catalogue: steps, conversion of labels, and rows that must be refused."""

from __future__ import annotations

from itertools import pairwise

import pytest

from ctmeasure.errors import SettingsError
from ctmeasure.planning.lengths.catalogue import catalogue_from_mapping, catalogue_from_toml, generic_catalogue


def test_generic_catalogue_steps_evenly_and_label_is_functional_length() -> None:
    sizes = generic_catalogue(0.25).of("total")
    assert sizes[0].label_mm == 2.5
    assert sizes[-1].label_mm == 8.0
    assert {round(b.label_mm - a.label_mm, 9) for a, b in pairwise(sizes)} == {0.25}
    assert all(s.functional_mm == s.label_mm for s in sizes)


def test_label_converts_by_the_offset_of_its_row() -> None:
    text = '[[size]]\nreconstruction = "partial"\nlabel_mm = [2.0, 2.5]\noffset_mm = -0.3'
    assert [s.functional_mm for s in catalogue_from_toml(text).of("partial")] == pytest.approx([1.7, 2.2])


def test_a_row_without_conversion_gives_no_size() -> None:
    catalogue = catalogue_from_mapping({"size": [{"reconstruction": "total", "label_mm": 4.0}]})
    assert catalogue.of("total") == ()
    assert catalogue.without_conversion("total")
    assert not catalogue.without_conversion("partial")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"reconstruction": "total", "label_mm": -1.0, "offset_mm": 0.0}, "size of -1 mm"),
        ({"reconstruction": "total", "label_mm": 4500.0, "offset_mm": 0.0}, "check the unit"),
        ({"reconstruction": "total", "label_mm": 1.0, "offset_mm": -1.0}, "size of 0 mm"),
        ({"reconstruction": "tota", "label_mm": 4.0}, "'tota'"),
        ({"reconstruction": "total", "length": 4.0}, "'length'"),
        ({"reconstruction": "total"}, "lacks 'from_mm'"),
        ({"reconstruction": "total", "from_mm": 4.0, "to_mm": 3.0, "step_mm": 0.25}, "from 4 to 3"),
        ({"reconstruction": "total", "from_mm": 3.0, "to_mm": 4.0, "step_mm": 0.0}, "steps of 0"),
        ({"reconstruction": "total", "label_mm": "4.0"}, "label_mm"),
        ({"reconstruction": "total", "label_mm": float("nan")}, "label_mm"),
        ({"reconstruction": "total", "label_mm": [4.0, 4.0]}, "given twice"),
    ],
)
def test_rows_that_are_refused_name_what_is_wrong(row: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        catalogue_from_mapping({"size": [row]})


def test_text_that_is_no_toml_is_refused_with_its_line() -> None:
    with pytest.raises(SettingsError, match="line 2"):
        catalogue_from_toml('name = "x"\n[[size\n')
