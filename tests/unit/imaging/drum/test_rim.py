"""Clicks on the rim of a phantom whose wall and medial face are known: moved to where both meet, or left alone."""

from __future__ import annotations

import drum_phantoms as phantoms
import numpy as np
import pytest

from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.imaging.drum.rim import find_rim

NOISE_MM = 0.3


@pytest.fixture(scope="module")
def scene() -> phantoms.DrumScene:
    return phantoms.drum(apex_mm=-1.6)


def look(scene, ring, *, u=NOISE_MM):
    doubts = np.tile(u**2 * np.eye(3), (len(ring), 1, 1))
    return find_rim(scene.volume, ring, covariances=doubts, canal=scene.canal, fitness=scene.fitness)


def test_clicks_come_nearer_to_the_edge_in_both_directions_and_keep_their_angle(scene):
    ring = scene.rim_lps + np.random.default_rng(3).normal(0.0, NOISE_MM, scene.rim_lps.shape)
    rim = look(scene, ring)
    assert rim.seen.mean() > 0.8
    # The phantom's rim lies at x = 0 and at the canal's radius.
    for values, true in ((lambda p: p[:, 0], 0.0), (lambda p: np.hypot(p[:, 1], p[:, 2]), phantoms.RADIUS_MM)):
        before, after = (np.sqrt(np.mean((values(p) - true) ** 2)) for p in (ring, rim.points_lps))
        # A click known to 0.3 mm and an edge known to 0.22 mm together: 0.18 mm.
        assert after < 0.18
        assert after < 0.6 * before
    turned = np.arctan2(ring[:, 1], ring[:, 2]) - np.arctan2(rim.points_lps[:, 1], rim.points_lps[:, 2])
    assert np.abs(phantoms.RADIUS_MM * turned).max() < 0.02


def test_doubt_shrinks_where_the_edge_is_seen_and_not_along_the_ring(scene):
    rim = look(scene, scene.rim_lps)
    x = np.sqrt(rim.covariances[rim.seen][:, 0, 0])
    assert x.max() < 0.2
    along = np.cross(scene.rim_lps / phantoms.RADIUS_MM, [1.0, 0.0, 0.0])
    assert np.sqrt(np.einsum("ni,nij,nj->n", along, rim.covariances, along)) == pytest.approx(NOISE_MM, abs=1e-6)


def test_a_click_far_from_any_edge_stays_and_is_counted(scene):
    ring = scene.rim_lps.copy()
    ring[4] += [0.0, 1.4, 0.0]
    ring[4] *= [1.0, 0.55, 0.55]
    rim = look(scene, ring, u=0.1)
    assert not rim.seen[4]
    assert rim.points_lps[4] == pytest.approx(ring[4])
    assert any("no bony edge near" in flag for flag in rim.flags)


def test_a_ring_off_the_bone_is_refused(scene):
    with pytest.raises(LandmarkError, match="the bony rim shows at"):
        look(scene, scene.rim_lps * [1.0, 0.3, 0.3] + [3.0, 0.0, 0.0], u=0.1)
    with pytest.raises(ScanError, match="outside the scan"):
        look(scene, scene.rim_lps + 40.0)
