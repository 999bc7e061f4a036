"""Bone along rays against plates of known thickness."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.errors import GeometryError, ScanError
from ctmeasure.imaging.levels import PointSpread, TissueLevels, point_spread
from ctmeasure.imaging.wall_path import STATES, measure_wall_paths

THICKNESSES = (0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 0.4)


@pytest.fixture(scope="module")
def plates(phantoms):
    layers = tuple((45.0 * n, 45.0 * n + 45.0, t, phantoms.AIR) for n, t in enumerate(THICKNESSES))
    return phantoms.make_ear(plates=layers, noise=60.0)


def paths_of(phantoms, ear, psi_deg: float, **more):
    middle = 22.5 + 45.0 * np.arange(len(ear.plates))
    angle, depth = (a.ravel() for a in np.meshgrid(middle, np.linspace(1.0, 7.0, 25), indexing="ij"))
    normal = ear.canal.direction_lps(angle)
    psi = np.radians(psi_deg)
    options = {
        "spread": point_spread(ear.volume, phantoms.fitness()),
        "levels": TissueLevels(phantoms.AIR, phantoms.SOFT, phantoms.BONE, 130.0, 45.0),
        "exit_gap_mm": 1.0,
        "arm_length_mm": 12.0,
    } | more
    return measure_wall_paths(
        ear.volume,
        ear.canal.point_lps(angle, np.full(len(angle), ear.radius_mm), depth),
        direction_lps=np.cos(psi) * normal - np.sin(psi) * ear.canal.axis_lps,
        normal_lps=normal,
        **options,
    )


@pytest.mark.parametrize("psi_deg", [0.0, 30.0, 45.0])
def test_thickness_of_plates_between_air(phantoms, plates, psi_deg):
    paths = paths_of(phantoms, plates, psi_deg)
    found = paths.to_first_gap_mm.reshape(len(THICKNESSES), -1)
    for thickness, values in zip(THICKNESSES, found, strict=True):
        assert np.isfinite(values).all()
        # Path through a plate met at psi: t / cos psi.
        true = thickness / np.cos(np.radians(psi_deg))
        assert values.mean() == pytest.approx(true, abs=0.05)
        assert np.mean(np.abs(values - true) < 1.96 * paths.to_first_gap_u_mm[:25].mean()) > 0.9


def test_exit_and_first_gap_are_one_in_a_solid_wall(phantoms, plates):
    paths = paths_of(phantoms, plates, 0.0)
    assert not paths.small_gaps.any()
    assert np.array_equal(paths.to_exit_mm, paths.to_first_gap_mm)
    assert paths.air_exit.all()


def test_states_by_point_spread_widths(phantoms, plates):
    fwhm = 0.2 * phantoms.FWHM
    states = [STATES[s] for s in paths_of(phantoms, plates, 0.0).state.reshape(len(THICKNESSES), -1)[:, 12]]
    for thickness, state in zip(THICKNESSES, states, strict=True):
        if thickness > 1.7 * fwhm:
            assert state == "resolved"
        elif thickness < 1.3 * fwhm:
            assert state == "model dependent"


def test_thin_bone_is_never_called_absent(phantoms):
    """Plates down to 0.1 mm over soft tissue or air: a thickness, or "below resolution"; never a word for "no bone"."""
    layers = tuple(
        (45.0 * n, 45.0 * n + 45.0, t, phantoms.SOFT if n % 2 else phantoms.AIR)
        for n, t in enumerate((0.1, 0.1, 0.2, 0.2, 0.25, 0.25, 0.3, 0.3))
    )
    paths = paths_of(phantoms, phantoms.make_ear(plates=layers, noise=60.0), 0.0)
    words = {STATES[s] for s in paths.state}
    assert words <= {"model dependent", "present, not resolved", "below resolution", "not assessed"}
    assert "no wall found" not in words


def test_a_small_cell_does_not_end_the_path(phantoms):
    """1.5 mm of bone, a 0.5 mm cell, bone without end: a first gap, no exit."""
    ear = phantoms.make_ear(plates=((0.0, 360.0, 1.5, phantoms.AIR),), far_width_mm=0.5)
    paths = paths_of(phantoms, ear, 0.0, arm_length_mm=7.0)
    assert paths.to_first_gap_mm == pytest.approx(np.full(25, 1.5), abs=0.06)
    assert np.isnan(paths.to_exit_mm).all()
    assert paths.no_exit.all()
    assert "no exit within arm length" in paths.flags(0)


def test_bone_to_the_end_of_the_arm(phantoms):
    ear = phantoms.make_ear(plates=((0.0, 360.0, 30.0, phantoms.AIR),))
    paths = paths_of(phantoms, ear, 0.0, arm_length_mm=5.0)
    assert np.isnan(paths.to_exit_mm).all()
    assert np.isnan(paths.to_first_gap_mm).all()
    assert paths.no_exit.all()


def test_a_ray_that_leaves_the_scan_is_not_assessed(phantoms):
    ear = phantoms.make_ear(plates=((0.0, 360.0, 30.0, phantoms.AIR),))
    paths = paths_of(phantoms, ear, 0.0, arm_length_mm=25.0)
    assert paths.left_scan.all()
    assert {STATES[s] for s in paths.state} == {"not assessed"}
    assert np.isnan(paths.to_exit_mm).all()


def test_a_direction_along_the_wall_gives_no_thickness(phantoms, plates):
    paths = paths_of(phantoms, plates, 85.0)
    assert np.isnan(paths.to_first_gap_mm).all()
    assert {STATES[s] for s in paths.state} == {"not assessed"}


def test_uncertainty_has_its_systematic_terms(phantoms, plates):
    """In thin bone the bone level's uncertainty counts (delta t = -t delta A / A); in thick bone it does not."""
    paths = paths_of(phantoms, plates, 0.0)
    by_plate = paths.u_bone.reshape(len(THICKNESSES), -1).mean(axis=1)
    relative = 130.0 / (phantoms.BONE - phantoms.AIR)
    assert by_plate[0] == pytest.approx(0.3 * relative, rel=0.5)
    assert by_plate[THICKNESSES.index(3.0)] < by_plate[THICKNESSES.index(0.5)]


def test_a_direction_without_length_is_an_error(phantoms, plates):
    with pytest.raises(GeometryError, match="length 0"):
        measure_wall_paths(
            plates.volume, np.zeros((1, 3)), direction_lps=np.zeros((1, 3)),
            spread=PointSpread(0.5, 0.5, (0.0, 0.0, 1.0)), levels=TissueLevels(-1000.0, 40.0, 1700.0, 130.0, 40.0),
            exit_gap_mm=1.0, arm_length_mm=5.0,
        )  # fmt: skip


def test_directional_blur():
    """sigma 0.20 in plane, 0.35 through: at 0/30/45/60/90 degrees out of plane 0.2000 .2462 .2850 .3192 .3500."""
    spread = PointSpread(0.2 * 2.3548200450, 0.35 * 2.3548200450, (0.0, 0.0, 1.0))
    angle = np.radians([0.0, 30.0, 45.0, 60.0, 90.0])
    directions = np.column_stack([np.cos(angle), np.zeros(5), np.sin(angle)])
    assert spread.sigma_mm(directions) == pytest.approx([0.2, 0.2462, 0.2850, 0.3192, 0.35], abs=5e-5)


def test_an_unmeasured_point_spread_is_assumed_and_flagged(phantoms, plates):
    assert point_spread(plates.volume, None).assumed
    assert not point_spread(plates.volume, phantoms.fitness()).assumed
    with pytest.raises(ScanError):
        PointSpread(0.0, 0.5, (0.0, 0.0, 1.0))
