"""Which series is taken: the stated rules, one by one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import pytest

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.choose import choose
from ctmeasure.io.dicom.find import Found, SeriesRow, Survey
from ctmeasure.io.dicom.kinds import side_hint

BASE = SeriesRow("5", "1", "ear", "CT", "sharp", "", 512, 512, 200, (0.2, 0.2), 0.3, 60.0, "", "CT image", True, "")


@dataclass(frozen=True)
class Header:
    common: SimpleNamespace


def found(derived: bool = False, **changes) -> Found:
    row = replace(BASE, **changes)
    types = ("DERIVED",) if derived else ("ORIGINAL",)
    error = None if row.usable else ScanError(row.reason)
    return Found(row, (Header(SimpleNamespace(image_type=types)),), None, error)


@pytest.mark.parametrize(
    "worse",
    [
        {"series_uid": "1", "slice_spacing_mm": 0.6},
        {"series_uid": "1", "spacing_mm": (0.4, 0.4)},
        {"series_uid": "1", "slices": 150},
        {"series_uid": "1", "coverage_mm": 12.0, "slice_spacing_mm": 0.1},
        {"series_uid": "1", "side_hint": "right", "slice_spacing_mm": 0.1},
        {"series_uid": "1", "derived": True, "slice_spacing_mm": 0.1},
        {"series_uid": "1", "tilt_deg": 10.0, "slice_spacing_mm": 0.1},
        {"series_uid": "1", "usable": False, "reason": "a gap", "slice_spacing_mm": 0.1},
        {"series_uid": "6"},
    ],
)
def test_each_rule(worse):
    other = found(**worse)
    for pair in ((found(), other), (other, found())):
        chosen, because = choose(Survey(pair, ()), side="left")
        assert chosen.row.series_uid == "5"
        assert because


def test_equal_series_are_said_to_be_equal():
    assert "equal series" in choose(Survey((found(), found(series_uid="6")), ()))[1]


def test_the_fault_of_the_only_series_is_given_with_what_was_skipped():
    only = found(usable=False, reason="a gap")
    with pytest.raises(ScanError, match=r"a gap \(1 damaged"):
        choose(Survey((only,), ("1 damaged DICOM file(s) skipped",)))


def test_none_usable_gives_every_reason():
    faulty = (found(usable=False, reason="a gap"), found(series_uid="6", usable=False, reason="modality MR"))
    with pytest.raises(ScanError, match=r"none of 2 series.*a gap; modality MR"):
        choose(Survey(faulty, ()))


@pytest.mark.parametrize(
    ("laterality", "description", "side"),
    [
        ("L", "right", "left"),
        ("", "Temporal bone RT", "right"),
        ("", "left and right", "both"),
        ("", "bilateral", "both"),
        ("", "bright bone", ""),
        ("U", "", ""),
    ],
)
def test_side_hint(laterality, description, side):
    assert side_hint(laterality, description) == side
