"""Canal frame, rim, planes: right and left alike, wherever the head lies."""

from __future__ import annotations

import math

import ear_marks
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.anatomy.frames import (
    CLOCK_FLAG,
    annulus_plane,
    canal_frame,
    check_side,
    footplate_plane,
    rim_curve,
)
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.planes import standard_planes
from ctmeasure.errors import LandmarkError

MIRROR = np.diag([-1.0, 1.0, 1.0])


def test_axes_are_right_handed_and_superior_comes_from_the_lateral_canal() -> None:
    canal = canal_frame(ear_marks.right_ear(), "right")
    assert np.linalg.det(canal.frame.axes_lps) == pytest.approx(1.0)
    assert canal.superior_from == "lateral semicircular canal"
    roll = math.degrees(math.atan2(canal.superior_lps[1], canal.superior_lps[2]))
    assert roll == pytest.approx(5.0, abs=1e-6)


def test_without_the_lateral_canal_the_clock_is_flagged() -> None:
    marks = ear_marks.right_ear()
    without = LandmarkSet([m for n, m in marks.items() if n != "lateral_semicircular_canal"])
    assert canal_frame(without, "right").flags == (CLOCK_FLAG,)


def test_another_canal_taken_for_the_lateral_one_is_refused() -> None:
    """A ring that stands upright is the superior or the posterior canal, and would turn the clock by hours."""
    marks = ear_marks.right_ear()
    centre = ear_marks.CENTRE_LPS + np.array([8.0, 0.0, 4.0])
    turns = np.radians([0.0, 60.0, 120.0, 180.0, 240.0])[:, None]
    upright = centre + 3.0 * (np.cos(turns) * np.array([0.0, 1.0, 0.0]) + np.sin(turns) * np.array([0.0, 0.0, 1.0]))
    others = [m for n, m in marks.items() if n != "lateral_semicircular_canal"]
    wrong = LandmarkSet([*others, ear_marks.place("lateral_semicircular_canal", upright)])
    with pytest.raises(LandmarkError, match="90 degrees from level"):
        canal_frame(wrong, "right")
    level = centre + 3.0 * (np.cos(turns) * np.array([0.0, 1.0, 0.0]) + np.sin(turns) * np.array([1.0, 0.0, 0.0]))
    lying_head = LandmarkSet(
        [
            *others,
            ear_marks.place("lateral_semicircular_canal", upright),
            ear_marks.place("superior_semicircular_canal", level),
        ]
    )
    # A second canal across it says that it is the head that lies so; the axis then runs along the ring's normal.
    with pytest.raises(LandmarkError, match="up and down"):
        canal_frame(lying_head, "right")


def test_wall_angle_reads_posterior_as_ninety_in_both_ears() -> None:
    marks = ear_marks.right_ear()
    for ear, side in ((marks, "right"), (ear_marks.moved(marks, MIRROR, np.zeros(3)), "left")):
        canal = canal_frame(ear, side)
        backwards = canal.frame.origin_lps + np.array([0.0, 3.0, 0.0])
        assert canal.wall_angle_deg(backwards) == pytest.approx(90.0, abs=5.01)
        assert canal.wall_angle_deg(canal.point_lps(123.0, 2.0, 1.0)) == pytest.approx(123.0)


def test_a_contradicting_side_is_refused_with_the_remedy() -> None:
    with pytest.raises(LandmarkError, match="--side right"):
        canal_frame(ear_marks.right_ear(), "left")
    with pytest.raises(LandmarkError, match="nearly across"):
        check_side([0.05, 0.9, 0.1], "left")


def test_annulus_plane_normal_points_outwards_and_lateralisation_is_signed() -> None:
    marks = ear_marks.right_ear()
    canal = canal_frame(marks, "right")
    plane = annulus_plane(marks, canal)
    assert plane.normal_lps @ canal.axis_lps > 0
    assert plane.signed_distance_mm(marks.point_lps("drum_centre")) < 0


def test_footplate_normal_points_into_the_middle_ear() -> None:
    marks = ear_marks.right_ear()
    canal = canal_frame(marks, "right")
    normal = footplate_plane(marks, canal).normal_lps
    assert np.allclose(normal, canal.axis_lps, atol=1e-9)


def test_rim_curve_goes_through_its_points_and_knows_when_it_is_coarse() -> None:
    marks = ear_marks.right_ear()
    canal = canal_frame(marks, "right")
    rim = rim_curve(marks, canal)
    points = marks["annulus"].points_lps
    on_curve = rim.point_lps(canal.wall_angle_deg(points))
    assert np.abs(on_curve - points).max() < 0.03
    assert not rim.coarse
    few = marks.with_landmark(ear_marks.place("annulus", points[::3]))
    assert rim_curve(few, canal).coarse


def test_every_plane_holds_what_it_is_named_after() -> None:
    marks = ear_marks.right_ear()
    canal = canal_frame(marks, "right")
    planes, missing = standard_planes(marks, canal)
    assert missing == {}
    for name in ("oval_window", "stapes_axial"):
        for landmark in ("footplate_centre", "footplate_anterior", "footplate_posterior"):
            offset = marks.point_lps(landmark) - planes[name].origin_lps
            assert abs(offset @ planes[name].normal_lps) < 1e-9
    angle = np.degrees(np.arccos(abs(planes["poschl"].normal_lps @ planes["stenvers"].normal_lps)))
    assert angle == pytest.approx(90.0, abs=0.1)  # Stenvers lies at right angles to Pöschl: radiology reference
    for spec in planes.values():
        assert np.linalg.det(np.stack([spec.right_lps, spec.down_lps, spec.normal_lps])) == pytest.approx(1.0)


def test_the_view_down_the_canal_has_the_back_of_a_right_ear_on_its_left() -> None:
    marks = ear_marks.right_ear()
    for ear, side, sign in ((marks, "right", -1.0), (ear_marks.moved(marks, MIRROR, np.zeros(3)), "left", 1.0)):
        planes, _ = standard_planes(ear, canal_frame(ear, side))
        assert np.sign(planes["canal_across"].right_lps[1]) == sign


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.floats(0.0, 25.0), st.floats(-50.0, 50.0))
def test_moving_the_head_moves_nothing_in_the_frame(seed: int, tilt_deg: float, shift: float) -> None:
    marks = ear_marks.right_ear()
    axis = np.random.default_rng(seed).normal(size=3)
    turn = Rotation.from_rotvec(np.radians(tilt_deg) * axis / np.linalg.norm(axis)).as_matrix()
    here, there = marks, ear_marks.moved(marks, turn, np.full(3, shift))
    points = marks["annulus"].points_lps
    canal, turned = canal_frame(here, "right"), canal_frame(there, "right")
    assert np.allclose(canal.frame.from_lps(points), turned.frame.from_lps(points @ turn.T + shift), atol=1e-6)
    mirrored = ear_marks.moved(there, MIRROR, np.zeros(3))
    left = canal_frame(mirrored, "left")
    flipped = mirrored["annulus"].points_lps
    assert np.allclose(left.wall_angle_deg(flipped), turned.wall_angle_deg(flipped @ MIRROR), atol=1e-6)
    assert np.allclose(left.depth_mm(flipped), turned.depth_mm(flipped @ MIRROR), atol=1e-6)
