"""Snaps on shapes with known surfaces, and the mean ear laid through an ear made from its own table."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import erf

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.errors import LandmarkError
from ctmeasure.imaging.snaps.mean_ear import lay_mean_ear, mean_ear
from ctmeasure.imaging.snaps.snap import agrees, fused, snap_to_canal_centre, snap_to_edge, snap_to_ridge
from ctmeasure.imaging.tubes.tissue import TubeLevels
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

LEVELS = TubeLevels(-1000.0, 40.0, 1650.0, 30.0, 3000.0, 60.0)
SIGMA_MM = 0.2
SPACING_MM = 0.3
SHAPE = (40, 40, 40)


def volume_of(value_of) -> Volume:  # type: ignore[no-untyped-def]
    """A scan whose value at each LPS point is given by a function; its middle is the origin."""
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = SPACING_MM
    affine[3, 3] = 1.0
    affine[:3, 3] = -SPACING_MM * (np.array(SHAPE) - 1) / 2.0
    geometry = Geometry(SHAPE, affine, "")
    points = geometry.to_lps(np.argwhere(np.ones(SHAPE)).astype(np.float64))
    return Volume(geometry, value_of(points).reshape(SHAPE).astype(np.float32))


def step(distance: np.ndarray) -> np.ndarray:
    """A blurred unit step, 1 where the distance is positive."""
    return 0.5 * (1.0 + erf(distance / (np.sqrt(2.0) * SIGMA_MM)))


def test_edge_of_a_tilted_wall_of_bone() -> None:
    normal = np.array([0.6, 0.0, 0.8])
    scan = volume_of(lambda p: -1000.0 + 2650.0 * step(p @ normal - 0.33))
    snap = snap_to_edge(scan, [0.1, 0.2, 0.0], along_lps=normal, levels=LEVELS)
    assert snap.found
    assert snap.point_lps @ normal == pytest.approx(0.33, abs=0.02)
    assert snap.moved_mm == pytest.approx(0.27, abs=0.02)
    along, across = normal @ snap.covariance @ normal, snap.covariance[1, 1]
    assert along < 0.05
    assert across > 5.0


def test_no_edge_from_behind_in_soft_tissue_or_far_away() -> None:
    way = np.array([1.0, 0.0, 0.0])
    wall = volume_of(lambda p: -1000.0 + 2650.0 * step(p[:, 0]))
    assert not snap_to_edge(wall, [0, 0, 0], along_lps=-way, levels=LEVELS).found
    soft = volume_of(lambda p: -1000.0 + 1040.0 * step(p[:, 0]))
    assert not snap_to_edge(soft, [0, 0, 0], along_lps=way, levels=LEVELS).found
    far = snap_to_edge(wall, [-3.0, 0, 0], along_lps=way, levels=LEVELS)
    assert (far.found, far.moved_mm) == (False, 0.0)
    assert "no surface of bone" in far.why
    assert snap_to_edge(wall, [90.0, 0, 0], along_lps=way, levels=LEVELS).why == "outside the scan"


def test_middle_of_a_dark_tube_in_bone() -> None:
    axis = np.array([0.0, 0.6, 0.8])
    centre = np.array([0.2, -0.1, 0.0])

    def tube(p: np.ndarray) -> np.ndarray:
        off = p - centre
        across = np.linalg.norm(off - np.outer(off @ axis, axis), axis=1)
        return 40.0 + 1610.0 * step(across - 0.55)

    snap = snap_to_ridge(
        volume_of(tube), centre + np.array([0.3, 0.24, -0.18]), along_lps=axis, radius_mm=0.5, levels=LEVELS
    )
    off = snap.point_lps - centre
    assert snap.found
    assert np.linalg.norm(off - (off @ axis) * axis) < 0.06
    solid = volume_of(lambda p: np.full(len(p), 1650.0))
    assert not snap_to_ridge(solid, centre, along_lps=axis, radius_mm=0.5, levels=LEVELS).found


def test_middle_of_the_canal() -> None:
    scan = volume_of(lambda p: -1000.0 + 2650.0 * step(np.hypot(p[:, 1] - 0.3, p[:, 2] + 0.2) - 3.5))
    snap = snap_to_canal_centre(scan, [0.0, 1.2, 0.6], axis_lps=[1.0, 0, 0], levels=LEVELS)
    assert_allclose(snap.point_lps, [0.0, 0.3, -0.2], atol=0.05)
    filled = volume_of(lambda p: np.full(len(p), 50.0))
    assert "filled" in snap_to_canal_centre(filled, [0.0, 0, 0], axis_lps=[1.0, 0, 0], levels=LEVELS).why


def test_fusing_weighs_by_covariance_and_refuses_what_is_far() -> None:
    scan = volume_of(lambda p: -1000.0 + 2650.0 * step(p[:, 0] - 0.5))
    snap = snap_to_edge(scan, [0.0, 0, 0], along_lps=[1.0, 0, 0], levels=LEVELS)
    point, covariance = fused(np.zeros(3), 0.25 * np.eye(3), snap)
    assert point[0] == pytest.approx(0.5, abs=0.05)
    assert_allclose(point[1:], 0.0, atol=1e-9)
    assert covariance[0, 0] < 0.02
    assert agrees(np.zeros(3), 0.25 * np.eye(3), snap)
    assert not agrees(np.zeros(3), 1e-4 * np.eye(3), snap)


def clicks(turn: np.ndarray, shift: np.ndarray, names: tuple[str, ...]) -> LandmarkSet:
    """The table's own mean ear, moved."""
    ear = mean_ear()
    marks = []
    for name in names:
        points = ear.mean[list(ear.indices(name))] @ turn.T + shift
        placed = tuple(Placement((float(x), float(y), float(z)), n) for n, (x, y, z) in enumerate(points))
        marks.append(Landmark(name, "placed", placed))
    return LandmarkSet(marks)


@pytest.mark.parametrize("side", ["left", "right"])
def test_mean_ear_is_found_again_wherever_it_lies(side: str) -> None:
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_rotvec([0.2, -0.1, 0.15]).as_matrix() @ np.diag([1.0 if side == "left" else -1.0, 1, 1])
    shift = np.array([30.0, -12.0, 50.0])
    names = ("canal_medial", "canal_lateral", "footplate_centre", "annulus", "lateral_semicircular_canal")
    laid = lay_mean_ear(clicks(turn, shift, names), side)  # type: ignore[arg-type]
    # the weak prior on the pose pulls by a few hundredths of a millimetre
    assert_allclose(laid.points_lps, mean_ear().mean @ turn.T + shift, atol=0.25)
    assert laid.rms_mm < 0.1
    few = lay_mean_ear(clicks(turn, shift, names[:3]), side)  # type: ignore[arg-type]
    assert np.trace(few.covariance("umbo")) > np.trace(laid.covariance("umbo"))


def test_too_few_clicks_are_refused() -> None:
    with pytest.raises(LandmarkError, match="2 of the first clicks"):
        lay_mean_ear(clicks(np.eye(3), np.zeros(3), ("canal_medial", "canal_lateral")), "left")
