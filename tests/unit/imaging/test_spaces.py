"""Spaces behind bone against balls and slabs of known radius and level."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ctmeasure.errors import GeometryError
from ctmeasure.imaging.levels import TissueLevels
from ctmeasure.imaging.spaces import look_into_spaces
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

LEVELS = TissueLevels(-1000.0, 40.0, 1600.0, 120.0, 60.0)
STEP = 0.3


def bone_with(*balls: tuple[tuple[float, float, float], float, float]) -> Volume:
    """Bone with balls (centre x, y, z in mm, radius, level), blurred by 0.47 mm, with noise."""
    z, y, x = np.meshgrid(*[STEP * np.arange(60)] * 3, indexing="ij")
    values = np.full(x.shape, 1600.0)
    for (cx, cy, cz), radius, level in balls:
        values[(x - cx) ** 2 + (y - cy) ** 2 + (z - cz) ** 2 < radius**2] = level
    values = gaussian_filter(values, 0.2 / STEP) + np.random.default_rng(3).normal(0.0, 60.0, x.shape)
    affine = np.array([[0, 0, STEP, 0], [0, STEP, 0, 0], [STEP, 0, 0, 0], [0, 0, 0, 1.0]])
    return Volume(Geometry((60, 60, 60), affine), values.astype(np.float32))


def look(volume, begin, end):
    return look_into_spaces(
        volume, np.atleast_2d(np.array(begin, float)), np.atleast_2d(np.array(end, float)), levels=LEVELS
    )


@pytest.mark.parametrize("radius", [0.7, 1.5, 2.5])
def test_air_has_the_radius_and_the_middle_of_its_ball_wherever_it_is_entered(radius):
    volume = bone_with(((9.0, 9.0, 9.0), radius, -1000.0))
    aside = 0.5 * radius
    found = look(volume, [9.0 - radius, 9.0 + aside, 9.0], [9.0 + 0.8 * radius, 9.0 + aside, 9.0])
    assert found.air.all()
    assert found.radius_mm[0] == pytest.approx(radius, abs=0.35)
    assert np.linalg.norm(found.middle_lps[0] - 9.0) < 0.5


@pytest.mark.parametrize("level", [40.0, 330.0])
def test_what_is_no_air_shows_its_level(level):
    """Marrow at 330 HU is 0.19 of the step from soft tissue to bone, soft tissue 0."""
    found = look(bone_with(((9.0, 9.0, 9.0), 2.0, level)), [7.0, 9.0, 9.0], [11.0, 9.0, 9.0])
    assert not found.air.any()
    assert found.level[0] == pytest.approx((level - 40.0) / 1560.0, abs=0.03)
    assert found.radius_mm[0] == pytest.approx(2.0, abs=0.35)


def test_a_cleft_too_narrow_to_show_its_level_says_so():
    found = look(bone_with(((9.0, 9.0, 9.0), 0.35, 40.0)), [8.7, 9.0, 9.0], [9.3, 9.0, 9.0])
    assert np.isnan(found.level[0])


def test_two_spaces_apart_are_two():
    volume = bone_with(((6.0, 9.0, 9.0), 2.0, 40.0), ((12.0, 9.0, 9.0), 2.0, 330.0))
    found = look(volume, [[4.2, 9.0, 9.0], [10.2, 9.0, 9.0]], [[7.8, 9.0, 9.0], [13.8, 9.0, 9.0]])
    assert found.level[0] < 0.05 < found.level[1]


def test_stretches_must_have_two_ends():
    with pytest.raises(GeometryError, match="stretches"):
        look_into_spaces(bone_with(), np.zeros((2, 3)), np.zeros((3, 3)), levels=LEVELS)
