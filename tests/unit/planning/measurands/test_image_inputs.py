"""Measurands from image results: canal diameters and overhang from a wall map, the drum profile, assessed holes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.planning.measurands.drum_profile import sheet_from_profile
from ctmeasure.planning.measurands.measure import measure
from ctmeasure.planning.results import CanalWallMap, Clearance, SiteResult, WallPath
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Estimate
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import ScanSource, Volume

QUICK = Settings(draws_maximum=20_000)


def _map(*, hump_mm: float = 0.0, missing: int = 0) -> CanalWallMap:
    """Canal along +x, 9.2 mm high and 8.4 mm wide, a hump in front at 4 mm, the first angles without a wall."""
    angle, rims = np.arange(0.0, 360.0, 10.0), np.arange(0.0, 8.1, 0.5)
    a = np.radians(angle)[:, None]
    radius = np.broadcast_to(4.6 * 4.2 / np.hypot(4.2 * np.cos(a), 4.6 * np.sin(a)), (36, 17)).copy()
    radius[27] -= hump_mm * np.exp(-((rims - 4.0) ** 2))
    points = np.stack([np.broadcast_to(rims, radius.shape), radius * np.sin(a), radius * np.cos(a)], axis=-1)
    points[:missing] = np.nan
    return CanalWallMap(angle, rims, points, -points, np.full(radius.shape, "wall"), points[:, 0].copy())


def _found(given):  # type: ignore[no-untyped-def]
    return {(m.id, m.qualifier): m for m in measure(given)}


def test_canal_diameters_from_the_wall_map(make_ear) -> None:  # type: ignore[no-untyped-def]
    found = _found(make_ear(wall_map=_map(), settings=QUICK))
    for depth in (2, 4, 6):
        assert found[("canal_diameter_max", f"depth {depth} mm")].estimate.value == pytest.approx(9.2, abs=1e-6)
        assert found[("canal_diameter_min", f"depth {depth} mm")].estimate.value == pytest.approx(8.4, abs=1e-6)
    estimate = found[("canal_diameter_max", "depth 2 mm")].estimate
    assert estimate.standard_uncertainty == pytest.approx(np.hypot(2 * 0.05, 9.2 * 0.003), rel=1e-3)
    assert {line.source for line in estimate.budget} >= {"edges in the scan", "scanner scale"}


def test_half_a_wall_gives_no_diameter(make_ear) -> None:  # type: ignore[no-untyped-def]
    row = _found(make_ear(wall_map=_map(missing=20), settings=QUICK))[("canal_diameter_max", "depth 4 mm")]
    assert row.estimate is None
    assert row.flags == ("not measured: wall found at 16 of 36 angles at this depth",)


@pytest.mark.parametrize("hump_mm", [0.0, 0.8])
def test_anterior_hump_hides_the_rim_by_its_height(make_ear, hump_mm: float) -> None:  # type: ignore[no-untyped-def]
    rows = [m for m in measure(make_ear(wall_map=_map(hump_mm=hump_mm), settings=QUICK)) if m.id == "canal_overhang"]
    assert rows[0].estimate is not None
    assert rows[0].estimate.value == pytest.approx(hump_mm, abs=1e-6)


def _drum_scan(thickness_mm: float, *, tissue_behind: bool = False, unit: str = "HU") -> Volume:
    """A sheet across x at 0..thickness between air, blurred to FWHM 0.45 mm, on a 0.1 mm grid."""
    from scipy.special import erf

    sigma = 0.45 / 2.354820
    x = (np.arange(100) - 50) * 0.1

    def step(at: float) -> np.ndarray:
        return 0.5 * (1 + erf((x - at) / (sigma * np.sqrt(2))))

    line = -1000.0 + 1040.0 * (step(0.0) - step(thickness_mm))
    if tissue_behind:
        line = -1000.0 + 1040.0 * (1.0 - step(thickness_mm))
    values = np.broadcast_to(line, (20, 20, 100)).astype(np.float32)
    affine = np.array([[0, 0, 0.1, -5.0], [0, 0.1, 0, -1.0], [0.1, 0, 0, -1.0], [0, 0, 0, 1.0]])
    return Volume(Geometry((20, 20, 100), affine), values, ScanSource(intensity_unit=unit))


def _sheet(volume: Volume):  # type: ignore[no-untyped-def]
    return sheet_from_profile(volume, (0.0, 0.0, 0.0), normal_lps=(1.0, 0, 0), psf_fwhm_mm=(0.45, 0.45))


@pytest.mark.parametrize("thickness_mm", [0.1, 0.2, 0.4])
def test_a_thin_drum_is_below_resolution_and_has_no_number(thickness_mm: float) -> None:
    sheet = _sheet(_drum_scan(thickness_mm))
    assert sheet.thickness is None
    assert sheet.thickness_class == "below resolution"


@pytest.mark.parametrize("thickness_mm", [0.8, 1.2])
def test_a_thick_drum_is_read(thickness_mm: float) -> None:
    sheet = _sheet(_drum_scan(thickness_mm))
    assert sheet.thickness_class == "resolved"
    assert sheet.thickness.value == pytest.approx(thickness_mm, abs=0.06)
    assert sheet.thickness.low_95 < thickness_mm < sheet.thickness.high_95


def test_profiles_that_say_nothing_are_not_measured() -> None:
    assert "soft tissue" in _sheet(_drum_scan(0.1, tissue_behind=True))
    assert "calibrated" in _sheet(_drum_scan(0.1, unit="grey"))
    blind = sheet_from_profile(_drum_scan(0.1), (0, 0, 0), normal_lps=(1.0, 0, 0), psf_fwhm_mm=None)
    assert "point spread" in blind
    outside = sheet_from_profile(_drum_scan(0.1), (30, 0, 0), normal_lps=(1.0, 0, 0), psf_fwhm_mm=(0.45, 0.45))
    assert "leaves the scan" in outside


def _site(site_id: str, entry: tuple[float, float, float], *, to_exit: float | None = 2.0) -> SiteResult:
    wall = WallPath(Estimate(1.5, 0.1, 1.3, 1.7, "mm", "test"), "model dependent", to_exit, "attic", 0.1)
    clearance = Clearance("facial_nerve", None, None, None, None, None, "not assessed", flags=("not marked",))
    return SiteResult(
        site_id, entry, (0.0, 0.0, 1.0), 0.0, 0.0, 12.0, 2.0, 2.0, 5.0, wall, 3.0, True, (clearance,), clearance
    )


def test_assessed_holes_give_thickness_clearance_and_the_bridge_at_the_exit(make_ear) -> None:  # type: ignore[no-untyped-def]
    sites = (
        _site("anchor_1", (2, -1.5, 4.4)),
        replace(_site("anchor_2", (2, 2.0, 4.4)), direction_lps=(0.0, 0.6, 0.8)),
    )
    found = _found(make_ear(sites=sites, settings=QUICK))
    assert found[("wall_thickness", "anchor_1 to_first_gap")].estimate.value == 1.5
    assert found[("wall_thickness", "anchor_1 to_exit")].estimate.value == 2.0
    # exits at (2, -1.5, 6.4) and (2, 3.2, 6.0)
    assert found[("bone_bridge", "at exit")].estimate.value == pytest.approx(np.hypot(4.7, 0.4) - 0.6)
    unmarked = found[("clearance", "anchor_1 facial_nerve")]
    assert unmarked.estimate is None
    assert "not assessed" in unmarked.flags


def test_no_exit_gives_no_bridge_there(make_ear) -> None:  # type: ignore[no-untyped-def]
    sites = (_site("anchor_1", (2, -1.5, 4.4)), _site("anchor_2", (2, 2.0, 4.4), to_exit=None))
    row = _found(make_ear(sites=sites, settings=QUICK))[("bone_bridge", "at exit")]
    assert row.estimate is None
    assert "needs the exit of anchor_2" in row.flags[0]
