"""Which way a drill can be pointed in a cylindrical canal."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import GeometryError
from ctmeasure.planning.drilling.directions import (
    BLOCKED,
    REACHABLE,
    best_directions,
    check_directions,
    largest_tilt_deg,
    speculum_tilt_deg,
)
from ctmeasure.planning.settings import Settings


@pytest.mark.parametrize(
    ("radius", "length", "shaft", "tilt"),
    [(3.0, 15.0, 0.3, 19.673), (3.0, 15.0, 1.15, 13.617), (2.5, 15.0, 0.6, 14.082), (3.0, 25.0, 0.6, 10.821)],
)
def test_tilt_of_a_shaft_in_a_tube(radius, length, shaft, tilt):
    """From 2 r + L sin a = 2 R cos a, put back into that equation."""
    found = speculum_tilt_deg(inner_diameter_mm=2 * radius, length_mm=length, shaft_radius_mm=shaft)
    assert found == pytest.approx(tilt, abs=6e-4)
    a = np.radians(found)
    assert 2 * shaft + length * np.sin(a) == pytest.approx(2 * radius * np.cos(a), abs=1e-9)


def test_a_shaft_thicker_than_the_tube_is_an_error():
    with pytest.raises(GeometryError, match="speculum"):
        speculum_tilt_deg(inner_diameter_mm=2.0, length_mm=30.0, shaft_radius_mm=1.1)


@pytest.fixture(scope="module")
def places(scene):
    angle = np.arange(0.0, 360.0, 30.0)
    found = scene.wall.project_to_wall(scene.canal.point_lps(angle, np.full(12, 3.4), np.full(12, 3.0)))
    return found.points_lps, found.normals_lps


def test_an_angled_tip_meets_a_cylinder_at_90_less_bend_and_tilt(scene, places):
    settings = Settings()
    found = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    expected = 90.0 - settings.instrument_bend_deg - largest_tilt_deg(settings)
    assert found.angle_to_normal_deg == pytest.approx(np.full(12, expected), abs=2.5)
    assert (found.reachable == REACHABLE).all()
    # It drills inwards along the canal, never back out of it.
    assert (found.direction_lps @ scene.canal.axis_lps < 0).all()


def test_a_straight_bur_runs_along_the_wall(scene, places):
    """A straight instrument down the canal meets its wall at 70 degrees or more to the normal (common practice)."""
    settings = Settings(instrument_bend_deg=0.0)
    found = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    assert found.angle_to_normal_deg.min() > 70.0


def test_a_tip_longer_than_the_canal_is_wide_hits_the_far_wall(scene, places):
    settings = Settings(instrument_tip_length_mm=9.0, instrument_bend_deg=80.0)
    found = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    assert (found.reachable == BLOCKED).all()


def test_a_reflected_canal_lets_the_shaft_lean_to_the_normal(scene, places):
    settings = Settings(approach="retroauricular", instrument_bend_deg=75.0)
    found = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    assert found.angle_to_normal_deg[found.reachable == REACHABLE].max() < 15.0 + 3.0


def test_given_directions_are_checked_against_the_bend(scene, places):
    settings = Settings()
    best = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    same = check_directions(
        scene.wall, places[0], direction_lps=best.direction_lps, normal_lps=places[1], settings=settings
    )
    assert (same.reachable == REACHABLE).all()
    straight_in = check_directions(
        scene.wall, places[0], direction_lps=places[1], normal_lps=places[1], settings=settings
    )
    # Along the normal the shaft would have to stand 30 degrees off the canal axis.
    assert (straight_in.reachable == BLOCKED).all()


def test_no_reachable_direction_puts_the_shaft_through_bone(scene, places):
    """Brute force: on a cylinder of known radius, every point of tip and shaft of a reachable direction is inside."""
    settings = Settings()
    found = best_directions(scene.wall, places[0], normal_lps=places[1], settings=settings)
    axis = scene.canal.axis_lps
    bend = np.radians(settings.instrument_bend_deg)
    for entry, tip in zip(places[0], found.direction_lps, strict=True):
        across = axis - (axis @ tip) * tip
        across /= np.linalg.norm(across)
        shaft = -np.cos(bend) * tip + np.sin(bend) * across
        knee = entry - settings.instrument_tip_length_mm * tip
        points = knee + np.linspace(0.0, 8.0, 200)[:, None] * shaft
        room = 3.4 - scene.canal.radius_mm(points)
        assert room.min() > settings.instrument_shaft_diameter_mm / 2.0 - 0.1
