"""The canal wall against cylinders whose blurred image is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import Cancelled, ScanError
from ctmeasure.imaging.canal_wall import find_canal_wall
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

ANGLES = np.arange(0.0, 360.0, 10.0)
RIMS = np.arange(-1.0, 8.1, 1.0)


def wall_of(phantoms, ear, **more):
    options = {"fitness": phantoms.fitness(), "wall_angles_deg": ANGLES, "rim_distances_mm": RIMS} | more
    return find_canal_wall(ear.volume, ear.canal, rim=ear.rim, **options)


@pytest.mark.parametrize("lining_mm", [0.15, 0.4])
def test_air_lined_wall_is_the_bone_not_the_skin(phantoms, lining_mm):
    ear = phantoms.make_ear(lining_mm=lining_mm, noise=60.0)
    wall = wall_of(phantoms, ear)
    error = ear.canal.radius_mm(wall.points_lps) - ear.radius_mm
    assert np.isfinite(error).all()
    assert abs(error.mean()) < 0.03
    assert np.quantile(np.abs(error), 0.95) < 0.05
    assert set(wall.status.ravel()) == {"measured"}
    assert np.median(wall.surface.lining_mm) == pytest.approx(lining_mm, abs=0.05)


def test_wall_under_soft_tissue_is_found_and_said_so(phantoms):
    ear = phantoms.make_ear(lining_mm=9.0, noise=60.0)
    wall = wall_of(phantoms, ear)
    error = ear.canal.radius_mm(wall.points_lps) - ear.radius_mm
    assert abs(np.nanmean(error)) < 0.05
    assert set(wall.status.ravel()) == {"soft tissue"}


@pytest.mark.parametrize("bone", [1300.0, 2100.0])
def test_bone_level_comes_from_the_same_ear(phantoms, bone):
    wall = wall_of(phantoms, phantoms.make_ear(bone=bone, noise=60.0))
    assert wall.surface.levels.bone == pytest.approx(bone, rel=0.02)


def test_uncalibrated_grey_values_give_the_same_wall(phantoms):
    """Gain and offset change nothing but the soft-tissue level, which is found among the grey values."""
    grey = phantoms.make_ear(scale=(0.4, 900.0), lining_mm=0.4)
    wall = wall_of(phantoms, grey)
    error = grey.canal.radius_mm(wall.points_lps) - grey.radius_mm
    assert abs(np.nanmean(error)) < 0.05
    assert wall.surface.levels.bone == pytest.approx(0.4 * phantoms.BONE + 900.0, rel=0.03)


def test_rim_distance_is_arc_length_from_the_tilted_ring(phantoms):
    ear = phantoms.make_ear(rim_tilt_mm=1.5)
    wall = wall_of(phantoms, ear)
    rim_depth = ear.canal.depth_mm(ear.rim.point_lps(ANGLES))
    # On a straight cylinder the arc length along the wall is the difference in depth.
    assert np.abs(wall.depth_mm - rim_depth[:, None] - RIMS).max() < 0.06
    assert np.ptp(rim_depth) == pytest.approx(3.0, abs=0.1)


def test_a_ring_beside_the_bone_is_measured(phantoms):
    """A ring clicked half a millimetre inside the lumen of a cylinder: so far away the bone lies that counts."""
    ear = phantoms.make_ear()
    wall = wall_of(phantoms, ear)
    assert max(wall.rim_gap_mm(ear.rim, angle) for angle in ANGLES) < 0.1

    class InsideTheLumen:
        def point_lps(self, wall_angle_deg):
            return ear.rim.point_lps(wall_angle_deg) - 0.5 * ear.canal.direction_lps(wall_angle_deg)

    assert wall.rim_gap_mm(InsideTheLumen(), 77.0) == pytest.approx(0.5, abs=0.06)


def test_normals_point_out_of_the_lumen(phantoms):
    ear = phantoms.make_ear(noise=60.0)
    wall = wall_of(phantoms, ear)
    out = ear.canal.direction_lps(ANGLES)[:, None, :]
    assert np.sum(wall.normals_lps * out, axis=-1).min() > np.cos(np.radians(4.0))


def test_points_are_moved_perpendicular_to_the_wall(phantoms):
    ear = phantoms.make_ear()
    wall = wall_of(phantoms, ear)
    off = np.array([-0.6, 0.4, 0.0])
    points = ear.canal.point_lps(np.array([20.0, 200.0, 330.0]), ear.radius_mm + off, np.array([2.0, 3.0, 4.0]))
    found = wall.project_to_wall(points)
    assert found.moved_mm == pytest.approx(np.abs(off), abs=0.03)
    assert found.wall_angle_deg == pytest.approx([20.0, 200.0, 330.0], abs=0.5)
    assert found.depth_mm == pytest.approx([2.0, 3.0, 4.0], abs=0.03)


def test_a_canal_outside_the_scan_is_a_named_error(phantoms):
    ear = phantoms.make_ear()
    affine = ear.volume.geometry.affine_lps.copy()
    affine[:3, 3] += 200.0
    away = Volume(Geometry(ear.volume.geometry.shape_kji, affine), ear.volume.values)
    with pytest.raises(ScanError, match="outside the scan"):
        find_canal_wall(away, ear.canal, rim=ear.rim, wall_angles_deg=ANGLES, rim_distances_mm=RIMS)


def test_no_contrast_is_a_named_error(phantoms):
    ear = phantoms.make_ear()
    flat = Volume(ear.volume.geometry, np.full(ear.volume.values.shape, 40.0, np.float32))
    with pytest.raises(ScanError):
        find_canal_wall(flat, ear.canal, rim=ear.rim, wall_angles_deg=ANGLES, rim_distances_mm=RIMS)


def test_a_scan_that_ends_early_leaves_cells_without_wall(phantoms):
    ear = phantoms.make_ear(lining_mm=0.3)
    outwards = ear.canal.axis_lps[0]
    half = ear.volume.geometry.shape_kji[2] // 2
    k, j, i = ear.volume.geometry.shape_kji
    cut = ear.volume.crop((0, 0, 0), (k, j, half + 5)) if outwards > 0 else ear.volume.crop((0, 0, half - 5), (k, j, i))
    wall = find_canal_wall(
        cut, ear.canal, rim=ear.rim, fitness=phantoms.fitness(), wall_angles_deg=ANGLES, rim_distances_mm=RIMS
    )
    there = np.isfinite(wall.points_lps).all(axis=-1)
    assert there[:, 1].mean() > 0.8
    assert there[:, -1].mean() < 0.2
    assert set(wall.status[~there]) <= {"outside scan", "no edge"}
    error = ear.canal.radius_mm(wall.points_lps[there]) - ear.radius_mm
    assert np.quantile(np.abs(error), 0.95) < 0.1


def test_cancelling_stops(phantoms):
    def stop(text: str, fraction: float) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        wall_of(phantoms, phantoms.make_ear(), progress=stop)


def test_a_plate_too_thin_to_tell_from_skin_is_no_wall_far_behind(phantoms):
    """0.1 mm of bone between air peaks below soft tissue: the bone 6 mm behind it must not be taken for the wall."""
    ear = phantoms.make_ear(plates=((0.0, 90.0, 0.08, phantoms.AIR), (90.0, 360.0, 1.5, phantoms.AIR)), lining_mm=0.2)
    wall = wall_of(phantoms, ear)
    inside = (ANGLES > 15.0) & (ANGLES < 75.0)
    radius = ear.canal.radius_mm(wall.points_lps[inside][:, 4:])
    assert not np.any(radius > ear.radius_mm + 1.0)
