"""The unrolled map against a cylinder: areas, area-weighted statistics, reading across 0 degrees, status words."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.facts import WallState
from ctmeasure.errors import GeometryError
from ctmeasure.imaging.canal_wall import find_canal_wall
from ctmeasure.imaging.unrolled import UnrolledMap, cell_areas_mm2, unroll

ANGLES = np.arange(0.0, 360.0, 8.0)
RIMS = np.arange(0.0, 6.1, 1.0)


@pytest.fixture(scope="module")
def wall_and_ear(phantoms):
    ear = phantoms.make_ear(noise=60.0)
    return (
        find_canal_wall(
            ear.volume, ear.canal, rim=ear.rim, fitness=phantoms.fitness(), wall_angles_deg=ANGLES,
            rim_distances_mm=RIMS,
        ),
        ear,
    )  # fmt: skip


def flat_map(values) -> UnrolledMap:
    values = np.array(values, float)
    return UnrolledMap(
        np.arange(4) * 90.0, np.array([0.0, 1.0]), values, np.array([[1.0, 3.0]] * 4),
        np.full(values.shape, "measured"), "mm",
    )  # fmt: skip


def test_the_area_is_that_of_the_cylinder(wall_and_ear):
    wall, ear = wall_and_ear
    found = unroll(wall, wall.u_mm)
    assert found.area_mm2() == pytest.approx(2.0 * np.pi * ear.radius_mm * 6.0, rel=0.02)
    half = found.within(270.0, 90.0, rim_low_mm=0.0, rim_high_mm=6.0)
    assert found.area_mm2(half) == pytest.approx(np.pi * ear.radius_mm * 6.0, rel=0.04)


def test_a_cone_counts_its_wide_end_more():
    """Radius 1 + z from 0 to 4: the mean of z over the area is the integral of z (1 + z) over that of 1 + z."""
    angle, z = np.radians(np.arange(0.0, 360.0, 2.0))[:, None], np.linspace(0.0, 4.0, 41)[None, :]
    cone = np.stack(np.broadcast_arrays((1 + z) * np.cos(angle), (1 + z) * np.sin(angle), z), axis=-1)
    areas = cell_areas_mm2(cone)
    expected = (4.0**2 / 2 + 4.0**3 / 3) / (4.0 + 4.0**2 / 2)
    assert np.average(np.broadcast_to(z, areas.shape), weights=areas) == pytest.approx(expected, rel=2e-3)
    assert areas.sum() == pytest.approx(np.pi * (1 + 5) * np.hypot(4.0, 4.0), rel=2e-3)


def test_statistics_are_weighted_by_area_and_leave_missing_cells_out():
    found = flat_map([[1.0, 2.0], [1.0, 2.0], [1.0, np.nan], [1.0, 2.0]])
    assert found.mean() == pytest.approx((4 * 1.0 + 9 * 2.0) / 13.0)
    assert found.quantile(0.3) == 1.0
    assert found.quantile(0.31) == 2.0
    assert found.share(found.values > 1.5) == pytest.approx(9.0 / 13.0)
    assert found.known_share() == pytest.approx(13.0 / 16.0)
    assert np.isnan(found.mean(np.zeros((4, 2), bool)))
    with pytest.raises(GeometryError, match="share"):
        found.quantile(1.5)


def test_reading_goes_round_and_stops_at_the_ends():
    found = flat_map([[0.0, 1.0], [2.0, 3.0], [4.0, np.nan], [6.0, 7.0]])
    assert found.sample([0.0, 45.0, 315.0, 360.0], [0.0, 0.5, 0.0, 1.0]).tolist() == [0.0, 1.5, 3.0, 1.0]
    assert np.isnan(found.sample([0.0, 180.0, 200.0], [1.2, 0.5, 1.0])).all()
    assert found.sample(180.0, 0.0) == 4.0, "a missing cell without weight does not count"


def test_what_was_entered_goes_before_what_the_scan_shows(wall_and_ear):
    wall, _ = wall_and_ear
    entered = (WallState(330.0, 30.0, "taken_down"), WallState(90.0, 120.0, "earlier_holes"))
    status = unroll(wall, wall.u_mm, entered=entered).status
    assert set(status[(ANGLES >= 330.0) | (ANGLES < 30.0)].ravel()) == {"taken down"}
    assert set(status[(ANGLES >= 90.0) & (ANGLES < 120.0)].ravel()) == {"earlier hole"}
    assert set(status[(ANGLES >= 30.0) & (ANGLES < 90.0)].ravel()) == {"measured"}


def test_values_must_fit_the_wall(wall_and_ear):
    with pytest.raises(GeometryError, match="shape"):
        unroll(wall_and_ear[0], np.zeros((3, 3)))
