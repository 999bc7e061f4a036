"""The hearing sheet: what cannot be given says why, and nothing is made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.planning.hearing import Audiogram, Threshold, average, difference, gap_band, hearing_sheet
from ctmeasure.planning.settings import Settings

AIR = {500: 55.0, 1000: 50.0, 2000: 45.0, 3000: 50.0, 4000: 60.0}
BONE = {500: 15.0, 1000: 20.0, 2000: 25.0, 3000: 25.0, 4000: 30.0}


def audiogram_of(air: dict[int, float | None], bone: dict[int, float | None], when: str = "before") -> Audiogram:
    levels = [("air", f, db) for f, db in air.items()] + [("bone", f, db) for f, db in bone.items()]
    return Audiogram(when, tuple(Threshold(c, f, db) for c, f, db in levels))  # type: ignore[arg-type]


def numbers(sheet_part: tuple) -> dict[str, float | None]:  # type: ignore[type-arg]
    return {n.words: n.estimate.value if n.estimate else None for n in sheet_part}


def test_without_bone_conduction_the_air_average_still_comes_out() -> None:
    sheet = hearing_sheet((audiogram_of(AIR, {}),), Settings())
    found = numbers(sheet.before)
    assert found["air conduction, average"] == 50.0
    assert found["air-bone gap"] is None
    assert any(
        "air-bone gap" in line and "no bone conduction was entered" in line and "\n" not in line
        for line in sheet.missing
    )
    assert sheet.change == ()


def test_no_response_is_no_number() -> None:
    sheet = hearing_sheet((audiogram_of({**AIR, 3000: None}, BONE),), Settings())
    assert numbers(sheet.before)["air conduction, average"] is None
    assert any("no response at 3 kHz: not a number" in line for line in sheet.missing)


def test_an_untested_frequency_other_than_3_khz_has_no_substitute() -> None:
    air = {f: db for f, db in AIR.items() if f != 1000}
    found = average(audiogram_of(air, {}), "air", Settings())
    assert found.estimate is None
    assert found.flags == ("air conduction not tested at 1 kHz",)


def test_negative_gaps_are_kept() -> None:
    sheet = hearing_sheet((audiogram_of(dict.fromkeys(AIR, 10.0), dict.fromkeys(BONE, 15.0)),), Settings())
    assert numbers(sheet.before)["air-bone gap"] == -5.0


def test_change_needs_both_tests_and_uses_bone_of_its_own_test() -> None:
    before, after = audiogram_of(AIR, BONE), audiogram_of(AIR, {}, "after")
    sheet = hearing_sheet((before, after), Settings())
    assert numbers(sheet.change)["gap closed (before less after)"] is None
    assert hearing_sheet((before,), Settings()).change == ()


def test_uncertainty_is_that_of_steps_and_retest() -> None:
    """Thresholds displaced by retest noise and rounded to 5 dB scatter an average of four as the sheet states it."""
    settings = Settings()
    stated = average(audiogram_of(AIR, BONE), "air", settings).estimate
    rng = np.random.default_rng(3)
    true = np.array([52.1, 48.7, 44.2, 51.3])
    read = np.round((true + rng.normal(0.0, settings.audiometry_u_db, (100_000, 4))) / 5.0) * 5.0
    assert stated.standard_uncertainty == pytest.approx(read.mean(axis=1).std(), rel=0.03)


def test_the_substitute_widens_the_interval_once_a_gap() -> None:
    settings = replace(Settings(), audiometry_u_db=0.0)
    without = audiogram_of(
        {f: db for f, db in AIR.items() if f != 3000}, {f: db for f, db in BONE.items() if f != 3000}
    )
    air, bone = average(without, "air", settings), average(without, "bone", settings)
    gap = difference("gap", air, bone, within_test=True).estimate
    assert [part.source for part in gap.budget].count("substitute for 3 kHz") == 1
    assert gap.standard_uncertainty > 1.7


@pytest.mark.parametrize(("gap", "band"), [(20.0, "11 to 20 dB"), (20.1, "21 to 30 dB"), (30.0, "21 to 30 dB")])
def test_bands(gap: float, band: str) -> None:
    assert gap_band(gap) == band
