"""The array versions agree with the single-set recipes of the anatomy floor and with exact geometry."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.frames import annulus_plane, canal_frame, footplate_plane
from ctmeasure.geometry.fits import fit_plane
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.scene import Scene


def test_planes_agree_with_the_single_fit() -> None:
    rng = np.random.default_rng(0)
    points = rng.normal(0.0, [3.0, 2.0, 0.3], (50, 9, 3))
    planes = batch.fit_planes(points, np.array([0.0, 0.0, 1.0]))
    for own, single in zip(planes.normal_lps, (fit_plane(p, towards_lps=[0, 0, 1]).plane for p in points), strict=True):
        assert own == pytest.approx(single.normal_lps, abs=1e-12)


def test_planes_of_exact_rings_and_of_three_points() -> None:
    angle = np.arange(8) * np.pi / 4
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.full(8, 2.0)])[None]
    assert batch.fit_planes(ring, np.array([0, 0, -1.0])).normal_lps[0] == pytest.approx([0, 0, -1.0], abs=1e-12)
    three = np.array([[[0, 0, 0], [1, 0, 0], [0, 0, 2.0]]])
    assert batch.fit_planes(three, np.array([0, 1.0, 0])).normal_lps[0] == pytest.approx([0, 1.0, 0], abs=1e-12)


def test_scene_of_the_mean_points_agrees_with_the_anatomy_floor(make_ear) -> None:  # type: ignore[no-untyped-def]
    given = make_ear()
    scene = Scene(given.landmarks, given.side, draws=joint_draws(given))
    canal = canal_frame(given.landmarks, given.side)
    assert scene.canal().axis_lps[0] == pytest.approx(canal.axis_lps, abs=1e-12)
    assert scene.canal().superior_lps[0] == pytest.approx(canal.superior_lps, abs=1e-12)
    assert scene.canal().posterior_lps[0] == pytest.approx(canal.posterior_lps, abs=1e-12)
    point = np.array([[1.0, 2.0, 3.0]])
    assert scene.canal().wall_angle_deg(point)[0] == pytest.approx(float(canal.wall_angle_deg(point[0])), abs=1e-9)
    rim = annulus_plane(given.landmarks, canal)
    assert scene.annulus_plane().normal_lps[0] == pytest.approx(rim.normal_lps, abs=1e-12)
    plate = footplate_plane(given.landmarks, canal)
    assert scene.footplate_plane().normal_lps[0] == pytest.approx(plate.normal_lps, abs=1e-12)


def test_turn_vectors_near_zero_and_near_half_a_turn() -> None:
    small = np.radians(1e-7)
    turned = np.array([[np.cos(small), np.sin(small), 0.0]])
    assert batch.length(batch.turn_vectors_deg(np.array([[1.0, 0, 0]]), turned))[0] == pytest.approx(1e-7, rel=1e-6)
    assert batch.length(batch.turn_vectors_deg(np.array([[1.0, 0, 0]]), -turned))[0] == pytest.approx(
        180 - 1e-7, abs=1e-9
    )


def test_nearest_on_a_bent_tube_is_the_exact_foot() -> None:
    tube = np.array([[-5.0, 0, 0], [0, 0, 0], [0, 5.0, 0]])
    near = batch.nearest_on_tube(np.array([[-2.0, 3.0, 0], [2.0, 3.0, 0]]), tube, np.array([0.5, 0.5, 0.5]))
    assert near.gap_mm == pytest.approx([1.5, 1.5])
    assert near.centre_lps[1] == pytest.approx([0.0, 3.0, 0.0])
    assert near.wall_lps(np.array([[-2.0, 3.0, 0], [2.0, 3.0, 0]]), np.zeros(2))[1] == pytest.approx([0.5, 3.0, 0.0])
