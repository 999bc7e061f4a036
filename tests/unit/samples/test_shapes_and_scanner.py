"""Shapes and scanner against what is known by construction: thickness, area, blur, noise, calibration."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from ctmeasure_samples.elements import Element
from ctmeasure_samples.model import EXIT_GAP_MM, EarModel, read_wall, scene_of
from ctmeasure_samples.parameters import ScannerParameters
from ctmeasure_samples.placement import Placement
from ctmeasure_samples.scanner import SIGMA_PER_FWHM, blurred_scene, make_grid, noise_field, scan
from ctmeasure_samples.shapes import (
    axes_from,
    ball,
    box,
    canal_tube,
    capsule,
    ellipsoid,
    elliptic_cylinder,
    foam,
    half_space,
    tube,
)
from scipy.ndimage import map_coordinates

QUIET = ScannerParameters(noise_hu=0.0, streaks=False)
HERE = Placement("left", np.eye(4))


def plain(scene: EarModel) -> EarModel:
    """Scene without random bone density, so that integrals are known."""
    object.__setattr__(scene, "texture_sds", lambda: np.zeros((len(scene.elements), 2)))
    return scene


def plate_scene(thickness_mm: float, normal: np.ndarray) -> EarModel:
    axes = axes_from(normal, [0.3, 0.8, 0.1])
    return plain(scene_of([Element("plate", "ossicle", "bone", box([0, 0, 0], axes, [40, 40, 0.5 * thickness_mm]))]))


@pytest.mark.parametrize("thickness_mm", [0.1, 0.3, 0.75, 2.0])
@pytest.mark.parametrize("normal", [(0, 0, 1), (0, 1, 0), (0.3, -0.5, 0.8), (0.6, 0.62, 0.5)])
def test_thin_plate_keeps_its_area(thickness_mm: float, normal: tuple[float, float, float]) -> None:
    n = np.array(normal) / np.linalg.norm(normal)
    grid = make_grid((0.03, -0.02, 0.05), (14, 14, 14), spacing_mm=(0.4, 0.3, 0.3))
    values = blurred_scene([(plate_scene(thickness_mm, n), HERE)], grid, QUIET)
    steps = np.arange(-3.5, 3.5, 0.02)
    axes = axes_from(n, [0.2, 0.1, 0.9])
    spots = np.random.default_rng(4).uniform(-1.2, 1.2, (200, 2)) @ axes[:2]
    lines = grid.to_kji(spots[:, None] + steps[None, :, None] * n)
    profile = map_coordinates(values, lines.reshape(-1, 3).T, order=1).reshape(len(spots), -1).mean(axis=0)
    area = float(((profile + 1000.0) / 2800.0).sum() * 0.02)
    assert area == pytest.approx(thickness_mm, abs=0.01)


@pytest.mark.parametrize(("axis", "fwhm"), [(2, 0.8), (0, 0.5)])
def test_blur_has_the_stated_width_in_each_direction(axis: int, fwhm: float) -> None:
    # An edge that lies along the fine grid is a little sharper or softer by where it cuts a sample: the mean counts.
    scanner = ScannerParameters(noise_hu=0.0, fwhm_in_plane_mm=0.5, fwhm_through_plane_mm=0.8)
    grid = make_grid((0, 0, 0), (8, 8, 8), spacing_mm=(0.2, 0.2, 0.2))
    found = []
    for shift in np.arange(4) * 0.025 + 0.01:
        scene = plain(scene_of([Element("edge", "ossicle", "bone", half_space(shift * np.ones(3), np.eye(3)[axis]))]))
        values = blurred_scene([(scene, HERE)], grid, scanner)
        line = values[:, 20, 20] if axis == 2 else values[20, 20, :]
        spread = -np.diff(line) / 2800.0
        at = (np.arange(len(spread)) + 0.5 - 19.5) * 0.2
        assert float((spread * at).sum()) == pytest.approx(shift, abs=0.003)
        # Sheppard: binning adds a twelfth of the squared bin.
        found.append((spread * at**2).sum() - (spread * at).sum() ** 2 - 0.2**2 / 12)
    assert np.sqrt(np.mean(found)) / SIGMA_PER_FWHM == pytest.approx(fwhm, rel=0.01)


def test_wall_reading_by_construction() -> None:
    # 1.2 bone, 0.4 closed cell, 0.7 bone, then an attic: first gap 1.2, exit 2.3.
    elements = [
        Element("attic", "air", "attic", half_space([0, 0, 0], [0, 0, -1])),
        Element("bone", "cortical", "bone", box([0, 0, 1.15], np.eye(3), [20, 20, 1.15])),
        Element("cell", "air", "mastoid cell", box([0, 0, 1.4], np.eye(3), [20, 20, 0.2])),
    ]
    reading = scene_of(elements).wall_along(np.zeros(3), np.array([0.0, 0.0, 2.0]))
    assert reading.to_first_gap_mm == pytest.approx(1.2, abs=1e-5)
    assert reading.to_exit_mm == pytest.approx(2.3, abs=1e-5)
    assert reading.far_side == "attic"
    # Along a direction 60 degrees off the normal all is twice as long; the cell (0.8) is still a small gap.
    slanted = scene_of(elements).wall_along(np.zeros(3), np.array([np.sqrt(3.0), 0.0, 1.0]))
    assert slanted.to_first_gap_mm == pytest.approx(2.4, abs=1e-5)
    assert EXIT_GAP_MM > 0.8
    assert slanted.to_exit_mm == pytest.approx(4.6, abs=1e-5)


def test_wall_reading_when_the_gap_is_long_or_nothing_follows() -> None:
    bone = Element("bone", "cortical", "bone", half_space([0, 0, 0], [0, 0, -1]))
    cell = Element("cell", "air", "mastoid cell", box([0, 0, 2.0], np.eye(3), [20, 20, 0.6]))
    assert scene_of([bone, cell]).wall_along(np.zeros(3), [0, 0, 1]).to_exit_mm == pytest.approx(1.4, abs=1e-5)
    endless = scene_of([bone]).wall_along(np.zeros(3), [0, 0, 1])
    assert endless.to_exit_mm == float("inf")
    assert endless.far_side == "no exit within arm length"


def test_wall_reading_of_a_ray_that_starts_in_the_open() -> None:
    element = Element("joint", "soft", "joint", ball([0, 0, 0], 3.0))
    reading = read_wall([(element, 0.0, 3.0)])
    assert (reading.to_first_gap_mm, reading.far_side) == (0.0, "joint")


@pytest.mark.parametrize(
    "shape",
    [
        ball([0.3, 0, 0], 1.7),
        capsule([0, 0, -1], [1, 1, 1], 0.4, 0.6),
        tube(np.random.default_rng(0).uniform(-2, 2, (20, 3)), np.linspace(0.3, 0.6, 20)),
        ellipsoid([0, 0, 0], [2.0, 1.0, 1.4], axes_from([1, 1, 0.3])),
        elliptic_cylinder([0, 0, 0], axes_from([1, 0.3, 0.2]), (1.5, 0.7), 0.4, 0.1),
        box([0, 0, 0], axes_from([0.2, 0.4, 1]), [1.0, 0.6, 0.3], 0.1),
        ball([0, 0, 0], 2.0).subtract(ball([0.5, 0, 1.5], 1.2), 0.3) | capsule([0, 2, 0], [0, 3, 0], 0.3),
    ],
)
def test_distance_is_zero_on_the_surface_and_never_jumps(shape) -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(-3.5, 3.5, (4000, 3))
    d = shape.distance(points)
    step = 0.02 * rng.standard_normal((4000, 3)) / np.sqrt(3.0)
    assert np.abs(shape.distance(points + step) - d).max() < 0.2
    inside = points[d < 0]
    assert len(inside) > 0
    assert (inside >= shape.box[0] - 1e-9).all()
    assert (inside <= shape.box[1] + 1e-9).all()


def test_distance_is_never_larger_than_the_true_one_times_the_stretch() -> None:
    rng = np.random.default_rng(7)
    for shape in (
        ellipsoid([0, 0, 0], [2.0, 1.0, 1.4]),
        elliptic_cylinder([0, 0, 0], np.eye(3), (1.5, 0.7), 0.4),
        foam(1.5, 0.3, seed=3, closed_share=0.2, missing_walls=0.25),
    ):
        points = rng.uniform(-2.5, 2.5, (300, 3))
        d = shape.distance(points)
        directions = rng.standard_normal((400, 3))
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        # A sphere of that radius around a point must not reach the other side (but for a missing wall's 0.09).
        radius = np.maximum(np.abs(d) / shape.stretch - 0.09, 0.0) * 0.999
        sphere = shape.distance(points[:, None] + radius[:, None, None] * directions[None])
        assert (np.sign(sphere) == np.sign(d)[:, None]).all()


def test_tube_distance_matches_brute_force() -> None:
    rng = np.random.default_rng(2)
    line = np.cumsum(rng.uniform(-1, 1, (50, 3)), axis=0)
    points = rng.uniform(-6, 6, (500, 3))
    dense = np.concatenate([np.linspace(a, b, 400) for a, b in pairwise(line)])
    brute = np.linalg.norm(points[:, None] - dense[None], axis=2).min(axis=1) - 0.35
    assert np.abs(tube(line, 0.35).distance(points) - brute).max() < 2e-3


def test_ellipsoid_and_canal_surfaces_are_exact() -> None:
    angles = np.linspace(0.0, 2 * np.pi, 60, endpoint=False)
    ring = np.stack([np.zeros(60), 2.0 * np.sin(angles), 3.0 * np.cos(angles)], axis=1)
    assert np.abs(ellipsoid([0, 0, 0], [1.0, 2.0, 3.0]).distance(ring)).max() < 1e-12
    centres = np.array([[-5.0, 0, 0], [0, 0, 0], [5.0, 0, 0]])
    up, back = np.tile([0.0, 0, 1], (3, 1)), np.tile([0.0, 1, 0], (3, 1))
    tube_shape = canal_tube(centres, up, back, np.tile([3.0, 2.0], (3, 1)))
    assert np.abs(tube_shape.distance(ring)).max() < 1e-6


def test_canal_plate_has_the_tabled_thickness() -> None:
    centres = np.array([[-4.0, 0, 0], [0, 0, 0], [9.0, 0, 0]])
    up, back = np.tile([0.0, 0, 1], (3, 1)), np.tile([0.0, 1, 0], (3, 1))
    table = np.repeat(np.linspace(0.4, 3.0, 36)[:, None], 6, axis=1)
    shape = canal_tube(centres, up, back, np.full((3, 2), 3.5), plate_mm=table, rim_offset_mm=-4.0)
    for index in (0, 9, 18, 30):
        a = 2 * np.pi * index / 36
        point = np.array([2.0, (3.5 + table[index, 0]) * np.sin(a), (3.5 + table[index, 0]) * np.cos(a)])
        assert shape.distance(point[None])[0] == pytest.approx(0.0, abs=1e-9)


def test_foam_has_cells_and_walls_of_the_wanted_thickness() -> None:
    shape = foam(2.0, 0.4, seed=5)
    points = np.random.default_rng(0).uniform(0, 20, (4000, 3))
    share = float((shape.distance(points) < 0).mean())
    assert 0.4 < share < 0.8
    thin = foam(2.0, 0.2, seed=5)
    assert float((thin.distance(points) < 0).mean()) > share


def test_noise_has_the_stated_deviation_and_correlation() -> None:
    grid = make_grid((0, 0, 0), (20, 20, 20), spacing_mm=(0.4, 0.3, 0.3))
    noise = noise_field(grid, ScannerParameters(noise_hu=60.0, noise_fwhm_mm=0.6, seed=3))
    assert float(noise.std()) == pytest.approx(60.0, rel=0.02)
    neighbour = float((noise[:, :, 1:] * noise[:, :, :-1]).mean()) / 3600.0
    sigma = 0.6 * SIGMA_PER_FWHM
    assert neighbour == pytest.approx(np.exp(-(0.3**2) / (4 * sigma**2)), abs=0.03)


def test_sharp_kernel_overshoots_and_smooth_does_not() -> None:
    grid = make_grid((0, 0, 0), (4, 6, 10), spacing_mm=(0.4, 0.3, 0.3))
    scene = plain(scene_of([Element("edge", "ossicle", "bone", half_space([0, 0, 0], [1, 0, 0]))]))
    smooth = blurred_scene([(scene, HERE)], grid, QUIET)
    sharp = blurred_scene([(scene, HERE)], grid, ScannerParameters(noise_hu=0.0, overshoot=0.6))
    assert float(smooth.max()) < 1801.0
    assert float(sharp.max()) > 1900.0
    assert float(sharp.mean()) == pytest.approx(float(smooth.mean()), abs=3.0)


def test_clipping_and_uncalibrated_grey_values() -> None:
    grid = make_grid((0, 0, 0), (4, 6, 6), spacing_mm=(0.4, 0.3, 0.3))
    scene = scene_of([Element("metal", "titanium", "metal", ball([0, 0, 0], 0.9))])
    clipped = scan([(scene, HERE)], grid, QUIET)
    assert int(clipped.max()) == 3071
    cone = scan([(scene, HERE)], grid, ScannerParameters(noise_hu=0.0, streaks=False, gain=0.5, offset=700.0))
    assert int(cone[0, 0, 0]) == 200
    assert not ScannerParameters(gain=0.5).calibrated
