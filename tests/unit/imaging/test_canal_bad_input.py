"""Marks that cannot be right: a named refusal or a flagged part of the wall, never a wrong surface without a flag."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.imaging.canal_wall import find_canal_wall

ANGLES, RIMS = np.arange(0.0, 360.0, 10.0), np.arange(-1.0, 8.1, 1.0)
FLAGGED = {"gap", "no edge", "outside scan"}


def moved(ear, by: np.ndarray, names: tuple[str, ...]) -> LandmarkSet:
    """The ear's landmarks, some of them moved."""
    items = []
    for name in ("canal_medial", "canal_lateral", "annulus"):
        mark = ear.landmarks[name]
        shift = by if name in names else 0.0 * by
        items.append(
            Landmark(name, "placed", tuple(
                Placement(tuple(map(float, np.asarray(p.position_lps) + shift)), index=p.index) for p in mark.placements
            ))
        )  # fmt: skip
    return LandmarkSet(items)


def wall_at(phantoms, ear, marks: LandmarkSet):
    canal = canal_frame(marks, "right")
    return find_canal_wall(
        ear.volume, canal, rim=rim_curve(marks, canal), fitness=phantoms.fitness(), wall_angles_deg=ANGLES,
        rim_distances_mm=RIMS,
    )  # fmt: skip


@pytest.mark.parametrize("plates", [(), ((0.0, 360.0, 1.5, -1000.0),)])
@pytest.mark.parametrize("off_mm", [2.5, 3.6, 4.3])
def test_a_seed_near_or_in_the_wall_finds_only_what_is_the_wall(phantoms, plates, off_mm):
    """In the lumen's edge, on the bone's surface, and in the bone: what is called found lies on the true surface."""
    ear = phantoms.make_ear(plates=plates, noise=60.0, lining_mm=0.2)
    marks = moved(ear, off_mm * ear.canal.superior_lps, ("canal_medial", "canal_lateral", "annulus"))
    wall = wall_at(phantoms, ear, marks)
    said = ~np.isin(wall.status, list(FLAGGED))
    error = np.abs(ear.canal.radius_mm(wall.points_lps[said]) - ear.radius_mm)
    assert np.isfinite(error).all()
    assert not len(error) or np.quantile(error, 0.95) < 0.3
    assert said.mean() < (0.3 if off_mm > 3.0 else 0.5)


def test_a_seed_deep_in_solid_bone_is_refused(phantoms):
    ear = phantoms.make_ear(plates=(), noise=60.0)
    marks = moved(ear, 9.0 * ear.canal.superior_lps, ("canal_medial", "canal_lateral", "annulus"))
    with pytest.raises(ScanError, match="no bony canal wall"):
        wall_at(phantoms, ear, marks)


@pytest.mark.parametrize("off_mm", [4.0, 6.0, 9.0])
def test_an_axis_outside_its_own_ring_is_refused(phantoms, off_mm):
    """Else an air space behind the plate would be taken for the canal (its wall is a wall, but not the canal's)."""
    ear = phantoms.make_ear(noise=60.0, lining_mm=0.2)
    marks = moved(ear, off_mm * ear.canal.superior_lps, ("canal_medial", "canal_lateral"))
    with pytest.raises(LandmarkError, match="do not go round the canal axis"):
        wall_at(phantoms, ear, marks)
