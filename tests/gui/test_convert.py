"""Between patient millimetres and the flat coordinates of a plane."""

from __future__ import annotations

import numpy as np
from ctmeasure_napari.convert import EchoGuard, flat_from_lps, lps_from_flat, moved_in_plane, through
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.volume.reformat import PlaneSpec

numbers = st.floats(-60.0, 60.0, allow_nan=False)
vectors = st.tuples(numbers, numbers, numbers)
turns = st.tuples(*[st.floats(-3.1, 3.1, allow_nan=False)] * 3)


def oblique(origin: tuple[float, float, float], turn: tuple[float, float, float]) -> PlaneSpec:
    right, down, _ = Rotation.from_rotvec(turn).as_matrix()
    return PlaneSpec("oblique", "test", np.array(origin), right, down, 31.0, 20.0, 0.13)


@settings(deadline=None)  # a busy machine is no error
@given(vectors, turns, vectors)
def test_there_and_back_is_the_same_point(origin, turn, point) -> None:
    plane = oblique(origin, turn)
    back = lps_from_flat(plane, flat_from_lps(plane, point), offset_mm=plane.offset_mm(point))
    np.testing.assert_allclose(back, point, atol=1e-9)


@settings(deadline=None)  # a busy machine is no error
@given(vectors, turns, vectors)
def test_flat_coordinates_are_millimetres_along_the_planes_own_axes(origin, turn, point) -> None:
    plane = oblique(origin, turn)
    offset = np.subtract(point, origin)
    np.testing.assert_allclose(
        flat_from_lps(plane, point), [offset @ plane.down_lps, offset @ plane.right_lps], atol=1e-9
    )


@settings(deadline=None)  # a busy machine is no error
@given(vectors, turns, vectors)
def test_a_plane_moved_through_a_point_contains_it_and_stays_centred(origin, turn, point) -> None:
    plane = oblique(origin, turn)
    moved = through(plane, point)
    assert abs(float(moved.offset_mm(point))) < 1e-9
    np.testing.assert_allclose(flat_from_lps(plane, moved.origin_lps), [0.0, 0.0], atol=1e-9)
    np.testing.assert_array_equal(moved.right_lps, plane.right_lps)


@settings(deadline=None)  # a busy machine is no error
@given(turns, vectors, st.floats(-3, 3), st.floats(-3, 3))
def test_moving_in_the_plane_keeps_the_distance_from_it(turn, point, down, right) -> None:
    plane = oblique((1.0, 2.0, 3.0), turn)
    moved = moved_in_plane(plane, point, down_mm=down, right_mm=right)
    np.testing.assert_allclose(plane.offset_mm(moved), plane.offset_mm(point), atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(moved - np.array(point)), np.hypot(down, right), atol=1e-9)


def test_the_echo_guard_is_busy_only_inside_even_when_nested_or_broken_off() -> None:
    guard = EchoGuard()
    with guard.writing():
        with guard.writing():
            pass
        assert guard.busy
    try:
        with guard.writing():
            raise ZeroDivisionError
    except ZeroDivisionError:
        pass
    assert not guard.busy
