"""A canal about as narrow as the blur: traced in bone, left out where it runs in air or is not there."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import LandmarkError
from ctmeasure.imaging.tubes.structure import trace_structure
from ctmeasure.imaging.tubes.trace import trace_tube

RADIUS_MM = 0.27


@pytest.fixture(scope="module")
def chorda(tubes):
    line = np.stack([np.linspace(0.0, 2.5, 501), np.linspace(0.0, -1.5, 501), np.linspace(0.0, 9.0, 501)], axis=1)
    return tubes.paint(line, radius_mm=RADIUS_MM, also=lambda p, v: np.where(p[..., 2] > 7.0, tubes.AIR, v))


def test_centre_line_and_radius(chorda, tubes):
    clicks = tubes.clicks_on(chorda, (0.05, 0.4, 0.7), noise_mm=0.2)
    tube = trace_tube(
        chorda.volume, clicks, structure_id="chorda_tympani", side="left", fitness=chorda.fitness, confirmed=True
    )
    assert chorda.distance_mm(tube.points_lps[1:-1]).max() < 0.12
    assert np.mean(tube.radius_mm) == pytest.approx(RADIUS_MM, abs=0.04)
    assert [part.part for part in tube.segments] == ["chorda"]
    # A canal of its own width is known less well than its fit says: level and blur are in it.
    assert tube.radius_u_mm.min() > 0.02


def test_last_click_in_air(chorda, tubes):
    clicks = tubes.clicks_on(chorda, (0.05, 0.4, 0.95))
    tube = trace_tube(chorda.volume, clicks, structure_id="chorda_tympani", side="left", fitness=chorda.fitness)
    assert any("runs in air" in flag for flag in tube.flags)
    assert tube.points_lps[:, 2].max() < 7.0
    assert tube.to_structure().status == "partial"
    assert len(tube.clicks_lps) == 2


def test_click_beside_the_canal_is_refused(chorda, tubes):
    clicks = tubes.clicks_on(chorda, (0.05, 0.6))
    clicks[1] += [2.0, 2.0, 0.0]
    with pytest.raises(LandmarkError, match="solid bone"):
        trace_tube(chorda.volume, clicks, structure_id="chorda_tympani", side="left", fitness=chorda.fitness)


def test_a_canal_that_ends_is_not_drawn_on(tubes):
    # Two canals 4 mm apart: clicks on one and on the other are joined by no canal.
    line = np.stack([np.zeros(301), np.zeros(301), np.linspace(0.0, 6.0, 301)], axis=1)
    other = tubes.paint(
        line,
        radius_mm=RADIUS_MM,
        also=lambda p, v: np.where(np.hypot(p[..., 0] - 3.9, p[..., 1]) < RADIUS_MM, tubes.SOFT, v),
    )
    clicks = np.array([[0.0, 0.0, 0.5], [0.0, 0.0, 3.5], [3.9, 0.0, 5.5]])
    tube = trace_tube(other.volume, clicks, structure_id="chorda_tympani", fitness=other.fitness)
    assert any(flag.startswith("partial: no canal seen") for flag in tube.flags)
    assert np.abs(tube.points_lps[:, 0]).max() < 0.3
    with pytest.raises(LandmarkError, match=r"no canal was found|no bony canal"):
        trace_tube(other.volume, clicks[[0, 2]], structure_id="chorda_tympani", fitness=other.fitness)


def test_structure_keeps_the_wider_uncertainty(chorda, tubes):
    from ctmeasure.anatomy.structures import Tube

    points = tuple(tuple(float(v) for v in p) for p in tubes.clicks_on(chorda, (0.05, 0.7)))
    clicked = Tube("chorda_tympani", "placed", points, surface_u_mm=0.5, confirmed_by="a reader", radii_mm=(None, None))
    found = trace_structure(chorda.volume, chorda.fitness, clicked, "left").structure
    assert found.surface_u_mm == 0.5
    assert found.radii[2] == pytest.approx(RADIUS_MM, abs=0.06)
