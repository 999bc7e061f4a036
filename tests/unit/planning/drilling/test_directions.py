"""Which way a drill can be pointed in a cylindrical canal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.errors import GeometryError
from ctmeasure.planning.drilling.directions import (
    BLOCKED,
    REACHABLE,
    best_directions,
    check_directions,
    in_sight,
    largest_tilt_deg,
    reached_directions,
    speculum_tilt_deg,
)
from ctmeasure.planning.drilling.lumen import lumen_of
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


def planar_optimum_deg(settings: Settings, *, radius: float, depth: float, end: float) -> float:
    """Least angle to the normal in the plane of axis and normal of a cylinder that ends at a depth, by steps."""
    length, thick = settings.instrument_tip_length_mm, settings.instrument_shaft_diameter_mm / 2.0
    fits = []
    for lean in np.arange(-largest_tilt_deg(settings), largest_tilt_deg(settings) + 1e-9, 0.05):
        angle = np.radians(settings.instrument_bend_deg + lean)
        knee, at = radius - length * np.sin(angle), depth + length * np.cos(angle)
        across = knee - np.tan(np.radians(lean)) * np.array([0.0, max(end - at, 0.0)])
        if (radius - np.abs(across) >= thick).all():
            fits.append(90.0 - settings.instrument_bend_deg - lean)
    return min(fits)


def test_an_angled_tip_comes_as_near_to_the_normal_as_the_canal_lets_it(scene, places):
    settings = Settings()
    found = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    end = float(scene.wall.surface.depths_mm[-1])
    planar = planar_optimum_deg(settings, radius=3.4, depth=3.0, end=end)
    assert (found.reachable == REACHABLE).all()
    # Out of that plane a little more may be gained; never more than bend and tilt together.
    assert (found.angle_to_normal_deg < planar + 2.0).all()
    assert (found.angle_to_normal_deg > 90.0 - settings.instrument_bend_deg - largest_tilt_deg(settings) - 1.0).all()
    # It drills inwards along the canal, never back out of it.
    assert (found.direction_lps @ scene.canal.axis_lps < 0).all()
    # Tip and shaft stand at the bend to each other.
    turn = np.degrees(np.arccos(-np.sum(found.direction_lps * found.shaft_lps, axis=1)))
    assert turn == pytest.approx(np.full(12, settings.instrument_bend_deg), abs=1e-6)


def test_a_straight_bur_runs_along_the_wall(scene, places):
    """A straight instrument down the canal meets its wall at 70 degrees or more to the normal (common practice)."""
    settings = Settings(instrument_bend_deg=0.0)
    found = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    assert found.angle_to_normal_deg.min() > 70.0


def test_a_tip_longer_than_the_canal_is_wide_hits_the_far_wall(scene, places):
    settings = Settings(instrument_tip_length_mm=9.0, instrument_bend_deg=80.0)
    found = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    assert (found.reachable == BLOCKED).all()


def test_a_reflected_canal_lets_the_shaft_lean_to_the_normal(scene, places):
    settings = Settings(approach="retroauricular", instrument_bend_deg=75.0)
    found = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    assert found.angle_to_normal_deg[found.reachable == REACHABLE].max() < 15.0 + 3.0


def test_given_directions_are_checked_against_the_bend(scene, places):
    settings = Settings()
    best = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    same = check_directions(
        scene.lumen, places[0], direction_lps=best.direction_lps, normal_lps=places[1], settings=settings
    )
    assert (same.reachable == REACHABLE).all()
    straight_in = check_directions(
        scene.lumen, places[0], direction_lps=places[1], normal_lps=places[1], settings=settings
    )
    # Along the normal the shaft would have to stand 30 degrees off the canal axis.
    assert (straight_in.reachable == BLOCKED).all()


def test_no_reachable_direction_puts_the_shaft_through_bone(scene, places):
    """Brute force: on a cylinder of known radius, every point of tip and shaft of a reachable direction is inside."""
    settings = Settings()
    found = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    end = scene.wall.surface.depths_mm[-1]
    for entry, tip, shaft in zip(places[0], found.direction_lps, found.shaft_lps, strict=True):
        knee = entry - settings.instrument_tip_length_mm * tip
        points = knee + np.linspace(0.0, 14.0, 200)[:, None] * shaft
        points = points[scene.canal.depth_mm(points) <= end]
        room = 3.4 - scene.canal.radius_mm(points)
        assert room.min() > settings.instrument_shaft_diameter_mm / 2.0 - 0.1


def test_every_direction_of_the_set_is_reached_when_it_is_given(scene, places):
    settings = Settings()
    best = best_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    sets = reached_directions(scene.lumen, places[0], normal_lps=places[1], settings=settings)
    for n, (directions, angles) in enumerate(sets):
        assert len(directions) > 5
        assert (np.diff(angles) >= 0).all()
        assert angles[-1] <= settings.angle_refused_deg
        assert best.angle_to_normal_deg[n] <= angles[0] + 1e-6
        again = check_directions(
            scene.lumen, np.repeat(places[0][[n]], len(directions), axis=0), direction_lps=directions,
            normal_lps=np.repeat(places[1][[n]], len(directions), axis=0), settings=settings,
        )  # fmt: skip
        # Given alone, a direction is asked along an arc of 31 shafts, which may miss a pose that only just fits.
        assert (again.reachable == REACHABLE).mean() > 0.9
        assert 0.0 < best.freedom[n] < 1.0


def test_a_bur_on_a_straight_wall_is_in_sight_and_one_behind_a_hump_is_not(scene, places):
    seen = in_sight(scene.lumen, places[0], normal_lps=places[1], settings=Settings())
    assert (seen == 1).all()
    wall = scene.wall
    radius = wall.surface.radius_mm.copy()
    hump = (wall.surface.depths_mm > 5.0) & (wall.surface.depths_mm < 7.0)
    radius[:, hump] = 1.2
    narrow = replace(wall, surface=replace(wall.surface, radius_mm=radius))
    hidden = in_sight(lumen_of(narrow), places[0], normal_lps=places[1], settings=Settings())
    assert (hidden == 0).all()
    settings = Settings()
    blocked = best_directions(lumen_of(narrow), places[0], normal_lps=places[1], settings=settings)
    assert (blocked.reachable == BLOCKED).all()
    # The what-if takes the hump away again.
    freed = best_directions(lumen_of(narrow, removed_mm=2.5), places[0], normal_lps=places[1], settings=settings)
    assert (freed.reachable == REACHABLE).all()


def test_the_field_of_a_cylinder_is_the_distance_to_its_wall(scene):
    """Truth: radius 3.4 less the distance from the axis, for a surface that is exactly that cylinder."""
    surface = scene.wall.surface
    radial = scene.canal.direction_lps(surface.angles_deg)[:, None, :] * np.ones((1, len(surface.depths_mm), 1))
    exact = replace(surface, radius_mm=np.full_like(surface.radius_mm, 3.4))
    lumen = lumen_of(replace(scene.wall, surface=exact, _fine_normals=radial))
    i, j, k = np.nonzero(lumen.seen)
    nodes = lumen.origin + lumen.step_mm * np.stack([i, j, k], axis=1)
    out = np.hypot(nodes[:, 0], nodes[:, 1])
    inside = (out < 3.3) & (nodes[:, 2] > surface.depths_mm[0] + 0.5) & (nodes[:, 2] < surface.depths_mm[-1] - 0.5)
    assert inside.sum() > 1000
    off = lumen.field[i, j, k][inside] - (3.4 - out[inside])
    assert np.abs(off).max() < 0.02


def test_the_lumen_is_asked_to_its_last_ring_and_a_shafts_width_beyond(scene):
    """A field that ends before the last mapped ring would call free what runs into bone there."""
    lumen, depths = scene.lumen, scene.wall.surface.depths_mm
    end = lumen.origin[2] + lumen.step_mm * (lumen.field.shape[2] - 1)
    assert end >= depths[-1] + scene.settings.instrument_shaft_diameter_mm / 2.0
    ring = round((depths[-1] - lumen.origin[2]) / lumen.step_mm)
    middle = lumen.field[:, :, ring][lumen.field.shape[0] // 2]
    # Across the phantom's canal (radius 3.4 mm): bone at either end, room for the radius in the middle.
    assert middle[0] < 0.0 > middle[-1]
    assert abs(middle.max() - 3.4) < 0.3
