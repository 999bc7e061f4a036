"""Settings from a table: wrong kinds are refused in one line, and what is more lenient than the default is said."""

from __future__ import annotations

import pytest

from ctmeasure.errors import SettingsError
from ctmeasure.planning.settings import Settings, loosened, settings_from_mapping


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"bur_diameter_mm": [1]}, "bur_diameter_mm"),
        ({"bur_diameter_mm": {"a": 1}}, "bur_diameter_mm"),
        ({"bur_diameter_mm": "0.6"}, "bur_diameter_mm"),
        ({"bur_diameter_mm": True}, "bur_diameter_mm"),
        ({"bur_diameter_mm": float("nan")}, "bur_diameter_mm"),
        ({"draws_maximum": float("inf")}, "draws_maximum"),
        ({"draws_maximum": 2000.5}, "draws_maximum"),
        ({"angle_caution_deg": 80.0, "angle_refused_deg": 20.0}, "angle_caution_deg"),
        ({"instrument_shaft_diameter_mm": 4.0, "speculum_inner_diameter_mm": 3.0}, "speculum_inner_diameter_mm"),
    ],
)
def test_wrong_kinds_and_contradictions_are_refused(given: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        settings_from_mapping(given)


def test_whole_numbers_may_be_written_with_a_point() -> None:
    assert settings_from_mapping({"draws_maximum": 2000.0}).draws_maximum == 2000


def test_only_what_is_more_lenient_is_said() -> None:
    assert loosened(Settings()) == ()
    assert loosened(Settings(margin_facial_canal_mm=2.0, risk_facial=0.0005, hole_placement_u_mm=0.8)) == ()
    said = loosened(Settings(margin_facial_canal_mm=0.5, risk_facial=0.1, hole_placement_u_mm=0.1))
    assert len(said) == 3
    assert "0.5 mm (default 1)" in said[0]
