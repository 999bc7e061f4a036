"""The straightened picture: its map to the patient, and what it shows."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import GeometryError
from ctmeasure.imaging.tubes.curved import curved_picture, section_pictures
from ctmeasure.imaging.tubes.trace import trace_tube
from ctmeasure.volume.sampling import sample


@pytest.fixture(scope="module")
def traced(ear, tubes):
    return trace_tube(ear.volume, tubes.clicks_on(ear, (0.02, 0.5, 0.97)), side="left", fitness=ear.fitness)


def test_pixels_are_where_they_say(ear, traced):
    picture = curved_picture(ear.volume, traced, turn_deg=30.0)
    rows, columns = np.meshgrid(np.arange(5, picture.image.shape[0], 17), np.arange(2, 81, 9), indexing="ij")
    pixels = np.stack([rows, columns], axis=-1)
    values = sample(ear.volume, picture.pixel_to_lps(pixels), order="cubic").values
    np.testing.assert_allclose(picture.image[rows, columns], values, rtol=1e-5, atol=1e-3)


def test_middle_column_is_the_canal(ear, traced):
    picture = curved_picture(ear.volume, traced)
    middle = picture.image.shape[1] // 2
    assert np.nanmax(picture.image[8:-8, middle]) < 400.0
    assert np.nanmin(picture.image[8:-8, [middle - 12, middle + 12]]) > 1200.0
    assert ear.distance_mm(picture.pixel_to_lps(np.array([[40.0, float(middle)]]))).max() < 0.15
    assert picture.edges_mm[20:-20, 1] == pytest.approx(ear.radius_mm, abs=0.08)


def test_a_quarter_turn_is_the_other_view(ear, traced):
    one, other = (curved_picture(ear.volume, traced, turn_deg=turn) for turn in (0.0, 90.0))
    assert np.abs((one.row_directions_lps * other.row_directions_lps).sum(axis=1)).max() < 1e-9


def test_segments_have_rows(ear, traced):
    picture = curved_picture(ear.volume, traced)
    assert picture.segments[0].first == 0
    assert picture.segments[-1].last == len(picture.image) - 1
    for part, row in zip(traced.segments, picture.segments, strict=True):
        there = picture.row_points_lps[row.last]
        assert np.linalg.norm(there - traced.points_lps[part.last]) < 0.1


def test_sections_show_a_round_hole(ear, traced):
    pictures = section_pictures(ear.volume, traced, places_mm=[3.0, 9.0])
    middle = pictures.shape[1] // 2
    assert pictures[:, middle, middle].max() < 400.0
    assert pictures[:, 0, 0].min() > 1200.0


def test_sizes_must_be_above_zero(ear, traced):
    with pytest.raises(GeometryError):
        curved_picture(ear.volume, traced, pixel_mm=0.0)
