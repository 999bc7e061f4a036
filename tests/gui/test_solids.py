"""Cuts of tubes, balls and drill paths against their closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from ctmeasure_napari.solids import ball, cut, swept

from ctmeasure.volume.reformat import PlaneSpec


def axial(z_mm: float) -> PlaneSpec:
    return PlaneSpec("axial", "test", (0, 0, z_mm), (1, 0, 0), (0, 1, 0), 40.0, 40.0, 0.1)


@pytest.mark.parametrize("z_mm", [0.0, 1.0, -2.5])
def test_a_ball_is_cut_in_a_circle_of_the_right_radius(z_mm: float) -> None:
    pieces = cut(ball(np.array([3.0, -1.0, 0.0]), 3.5), axial(z_mm))
    radii = np.hypot(pieces[..., 0] + 1.0, pieces[..., 1] - 3.0)
    np.testing.assert_allclose(radii, np.sqrt(3.5**2 - z_mm**2), rtol=0.02)
    length = np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1).sum()
    assert length == pytest.approx(2 * np.pi * np.sqrt(3.5**2 - z_mm**2), rel=0.02)


def test_a_tube_cut_across_is_its_circle_and_cut_along_its_two_walls() -> None:
    across = cut(swept(np.array([[0, 0, -5.0], [0, 0, 1.0], [0, 0, 6.0]]), np.full(3, 0.7)), axial(0.3))
    np.testing.assert_allclose(np.hypot(across[..., 0], across[..., 1]), 0.7, rtol=0.01)
    along = cut(swept(np.array([[-5.0, 0, 0], [5.0, 0, 0]]), np.full(2, 0.7)), axial(0.01))
    middle = along[(np.abs(along[..., 1]) < 4.9).all(axis=1)]
    assert along[..., 1].max() == pytest.approx(5.7, abs=0.02)
    np.testing.assert_allclose(np.abs(middle[..., 0]), 0.7, rtol=0.01)


def test_a_radius_is_interpolated_between_vertices() -> None:
    pieces = cut(swept(np.array([[0, 0, 0.0], [0, 0, 10.0]]), np.array([1.0, 2.0])), axial(5.0))
    np.testing.assert_allclose(np.hypot(pieces[..., 0], pieces[..., 1]), 1.5, rtol=0.01)


def test_a_plane_that_passes_by_cuts_nothing() -> None:
    assert cut(ball(np.zeros(3), 2.0), axial(2.1)).shape == (0, 2, 2)


def test_a_tube_with_a_right_angled_bend_is_drawn() -> None:
    bent = swept(np.array([[0, 0, 0.0], [4.0, 0, 0], [4.0, 4.0, 0], [4.0, 4.0, 4.0]]), np.full(4, 0.5))
    assert np.isfinite(bent.vertices_lps).all()
    assert len(cut(bent, axial(0.0))) > 10
