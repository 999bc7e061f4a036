"""A contact on drums of known shape: moved onto the medial face, or named why not."""

from __future__ import annotations

import drum_phantoms as phantoms
import numpy as np
import pytest

from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.imaging.drum.contact import contact_on_line, find_contact

OUT = (1.0, 0.0, 0.0)


def height(scene_apex: float, place: np.ndarray, at=(-0.3, -0.5)) -> float:
    """Height of the phantom's medial face over a place (y, z): a cone from its apex to the rim."""
    off = place - np.array(at)
    square, mixed = float(off @ off), float(off @ np.array(at))
    reach = phantoms.RADIUS_MM**2 - float(np.dot(at, at))
    leave = (-mixed + np.sqrt(mixed**2 + square * reach)) / square
    return scene_apex * (1.0 - 1.0 / leave)


@pytest.mark.parametrize("off", [(0.35, 0.0, 0.0), (-0.4, 0.1, 0.1), (0.2, -0.3, 0.3)])
def test_a_click_on_a_cone_moves_onto_its_medial_face(off):
    scene, place = phantoms.drum(apex_mm=-1.6, thick_mm=0.2), np.array([1.5, 1.2])
    click = np.array([height(-1.6, place), *place]) + off
    found = find_contact(scene.volume, click, canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness)
    x, *across = found.point_lps
    assert x == pytest.approx(height(-1.6, np.array(across)), abs=0.09)
    # It moves along the face's normal and nowhere else.
    assert np.linalg.norm(np.cross(found.point_lps - click, found.normal_lps)) < 1e-9
    assert 0.03 < found.u_mm < 0.12
    assert found.thickness_words.startswith("below resolution")


def test_the_normal_is_that_of_the_face():
    scene = phantoms.drum(apex_mm=-1.6, thick_mm=0.2)
    step, place = 0.05, np.array([1.5, 1.2])
    slope = [(height(-1.6, place + d) - height(-1.6, place - d)) / (2 * step) for d in step * np.eye(2)]
    normal = np.array([1.0, -slope[0], -slope[1]]) / np.linalg.norm([1.0, *slope])
    found = find_contact(
        scene.volume, (height(-1.6, place), *place), canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness
    )
    assert np.degrees(np.arccos(found.normal_lps @ normal)) < 5.0


def test_a_line_meets_the_face_wherever_it_begins():
    scene = phantoms.drum(apex_mm=-1.6, thick_mm=0.2)
    start, way = np.array([-5.0, 1.0, 0.6]), np.array([0.96, 0.2, 0.2])
    found = contact_on_line(
        scene.volume,
        start,
        way,
        near_lps=(-1.6, -0.3, -0.5),
        canal=scene.canal,
        outwards_lps=OUT,
        fitness=scene.fitness,
    )
    across = found.point_lps - start
    assert np.linalg.norm(np.cross(across, way)) / np.linalg.norm(way) < 1e-9
    assert found.point_lps[0] == pytest.approx(height(-1.6, found.point_lps[1:]), abs=0.09)


def test_a_thick_sheet_is_read_at_its_medial_face():
    scene = phantoms.drum(apex_mm=2.2, rim_mm=2.2, thick_mm=0.9)
    found = find_contact(scene.volume, (2.5, 1.0, 1.0), canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness)
    assert found.point_lps[0] == pytest.approx(2.2, abs=0.08)
    assert "resolved" in found.thickness_words


def test_filled_behind_is_no_medial_face():
    scene = phantoms.drum(apex_mm=-1.6, filled=True)
    with pytest.raises(LandmarkError, match="medial face does not show"):
        find_contact(scene.volume, (-1.0, 1.5, 1.0), canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness)


def test_no_drum_and_a_click_far_off_are_refused():
    bare = phantoms.drum(present=False)
    with pytest.raises(LandmarkError, match="no drum is seen around the contact"):
        find_contact(bare.volume, (-1.0, 1.5, 1.0), canal=bare.canal, outwards_lps=OUT, fitness=bare.fitness)
    scene = phantoms.drum(apex_mm=-1.6)
    with pytest.raises(LandmarkError, match="away"):
        find_contact(scene.volume, (-3.2, 0.5, 0.5), canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness)
    with pytest.raises(ScanError, match="edge of the scan"):
        find_contact(scene.volume, (30.0, 0.0, 0.0), canal=scene.canal, outwards_lps=OUT, fitness=scene.fitness)
