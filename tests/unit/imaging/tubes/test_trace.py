"""A facial canal traced from clicks: accuracy, names, flags, refusals. Truth is the painted curve."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.anatomy.structures import Tube
from ctmeasure.errors import Cancelled, LandmarkError, ScanError
from ctmeasure.imaging.tubes.structure import is_traced, trace_structure
from ctmeasure.imaging.tubes.trace import trace_tube

SHARES = (0.02, 0.35, 0.7, 0.97)


@pytest.fixture(scope="module")
def traced(ear, tubes):
    clicks = tubes.clicks_on(ear, SHARES, noise_mm=0.3)
    return trace_tube(ear.volume, clicks, side="left", fitness=ear.fitness, confirmed=True)


def test_centre_line_and_radius(traced, ear):
    off = ear.distance_mm(traced.points_lps[2:-2])
    assert off.mean() < 0.05
    assert off.max() < 0.15
    assert abs(np.mean(traced.radius_mm) - ear.radius_mm) < 0.03
    assert np.sqrt(np.mean((traced.radius_mm - ear.radius_mm) ** 2)) < 0.05


def test_uncertainty_is_about_the_error(traced, ear):
    off = ear.distance_mm(traced.points_lps[2:-2])
    u = traced.centre_u_mm[2:-2]
    # Two directions across: the mean square distance is about twice the variance of one.
    assert 0.1 < np.mean(off**2) / (2.0 * np.mean(u**2)) < 2.5
    assert np.linalg.eigvalsh(traced.covariance).min() > 0.0


def test_parts_and_bends(traced):
    assert [part.part for part in traced.segments] == ["labyrinthine", "tympanic", "mastoid"]
    assert [bend.name for bend in traced.genua] == ["first genu", "second genu"]
    assert traced.genua[0].angle_deg == pytest.approx(90.0, abs=6.0)
    assert traced.genua[1].angle_deg == pytest.approx(115.0, abs=6.0)
    assert traced.segments[1].length_mm == pytest.approx(9.5, abs=1.2)
    assert traced.segments[1].whole
    assert not traced.segments[2].whole


def test_two_clicks_find_both_bends(ear, tubes):
    clicks = tubes.clicks_on(ear, (0.02, 0.97), noise_mm=0.2, seed=4)
    tube = trace_tube(ear.volume, clicks, side="left", fitness=ear.fitness)
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.2


def test_reverse_order_is_turned_round(traced, ear, tubes):
    clicks = tubes.clicks_on(ear, SHARES, noise_mm=0.3)[::-1]
    tube = trace_tube(ear.volume, clicks, side="left", fitness=ear.fitness, confirmed=True)
    assert "clicks were in reverse order" in tube.flags
    np.testing.assert_allclose(tube.points_lps, traced.points_lps, atol=1e-9)


def test_the_other_way_round_the_array(traced, ear, tubes):
    volume = ear.volume.permuted((2, 0, 1), (True, False, True))
    tube = trace_tube(
        volume, tubes.clicks_on(ear, SHARES, noise_mm=0.3), side="left", fitness=ear.fitness, confirmed=True
    )
    np.testing.assert_allclose(tube.points_lps, traced.points_lps, atol=0.01)


def test_mirrored_ear(tubes):
    ear = tubes.facial_canal("right")
    tube = trace_tube(ear.volume, tubes.clicks_on(ear, SHARES, noise_mm=0.3), side="right", fitness=ear.fitness)
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.15
    assert [part.part for part in tube.segments] == ["labyrinthine", "tympanic", "mastoid"]


def test_grey_values(tubes):
    ear = tubes.facial_canal(scale=(0.82, 930.0), also=lambda p, v: np.where(p[..., 1] < -2.5, tubes.AIR, v))
    tube = trace_tube(ear.volume, tubes.clicks_on(ear, SHARES, noise_mm=0.2), side="left", fitness=ear.fitness)
    assert "soft-tissue level assumed" in tube.flags
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.15
    assert abs(np.mean(tube.radius_mm) - ear.radius_mm) < 0.05


def test_unconfirmed_parts_are_less_sure(traced, ear, tubes):
    clicks = tubes.clicks_on(ear, SHARES, noise_mm=0.3)
    tube = trace_tube(ear.volume, clicks, side="left", fitness=ear.fitness, confirmed=("mastoid",))
    tympanic, mastoid = tube.segments[1], tube.segments[2]
    middle = (tympanic.first + tympanic.last) // 2
    assert tube.centre_u_mm[middle] ** 2 == pytest.approx(traced.centre_u_mm[middle] ** 2 + 0.25**2, rel=1e-6)
    assert tube.centre_u_mm[mastoid.last] == pytest.approx(traced.centre_u_mm[mastoid.last])
    assert "tympanic segment not confirmed" in tube.flags
    assert not tube.confirmed


def test_dehiscence_is_flagged_and_not_fatal(tubes):
    def bare(points, values):
        # Air below the middle of the tympanic part, up to the nerve.
        hole = (np.abs(points[..., 1] - 5.5) < 1.0) & (points[..., 2] < -0.45) & (np.abs(points[..., 0] - 4.0) < 2.0)
        return np.where(hole & (values > 200.0), tubes.AIR, values)

    ear = tubes.facial_canal(also=bare)
    tube = trace_tube(
        ear.volume, tubes.clicks_on(ear, SHARES, noise_mm=0.2), side="left", fitness=ear.fitness, confirmed=True
    )
    at = np.abs(tube.points_lps[:, 1] - 5.5) < 0.7
    assert (tube.marks.open_wall | tube.marks.no_wall)[at & (tube.points_lps[:, 2] > -0.5)].mean() > 0.7
    assert any(flag.startswith("bony wall open") for flag in tube.flags)
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.3
    open_here = tube.marks.open_wall
    assert tube.surface_u_mm[open_here].min() > np.median(tube.surface_u_mm[~open_here])
    assert np.all(tube.outer_radius_mm[open_here] > tube.radius_mm[open_here] + 0.1)
    # As a structure it says vertex by vertex what of its radius is allowance: all of it in the middle of the open
    # stretch, and nothing at either end, 4 mm and more away from the hole.
    given = tube.to_structure()
    allowed = np.array(given.bulges_mm)
    middle = tube.points_lps[open_here].mean(axis=0)
    away = np.linalg.norm(given.points_lps - middle, axis=1)
    assert allowed[np.argmin(away)] == pytest.approx(tube.bulge_mm)
    assert allowed[away > 6.0].max() == 0.0


def test_air_cells_beside_a_thin_wall(tubes):
    def cells(points, values):
        # Air from 0.95 mm beside the mastoid part's axis on: 0.3 mm of wall is left.
        return np.where((points[..., 0] > 4.95) & (points[..., 2] < -2.0), tubes.AIR, values)

    ear = tubes.facial_canal(also=cells)
    tube = trace_tube(
        ear.volume, tubes.clicks_on(ear, SHARES, noise_mm=0.3), side="left", fitness=ear.fitness, confirmed=True
    )
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.15
    below = tube.points_lps[:, 2] < -3.0
    assert abs(np.mean(tube.radius_mm[below]) - ear.radius_mm) < 0.05


def test_metal_beside_the_nerve(traced, tubes):
    def implant(points, values):
        return np.where(np.linalg.norm(points - [6.5, 7.0, 0.0], axis=-1) < 0.6, 9000.0, values)

    ear = tubes.facial_canal(also=implant)
    tube = trace_tube(
        ear.volume, tubes.clicks_on(ear, SHARES, noise_mm=0.3), side="left", fitness=ear.fitness, confirmed=True
    )
    beside = np.linalg.norm(tube.points_lps - [6.5, 7.0, 0.0], axis=1) < 2.8
    assert tube.marks.metal[beside].all()
    assert tube.surface_u_mm[beside].min() > 0.3
    assert any(flag.startswith("metal nearby") for flag in tube.flags)


def test_scan_that_ends_early(ear, tubes):
    clicks = tubes.clicks_on(ear, (0.02, 0.35, 0.75, 0.99))
    ends_below_third = ear.volume.geometry.to_kji(clicks[3] + [0.0, 0.0, 1.0])[0]
    cut = ear.volume.crop((int(ends_below_third), 0, 0), ear.volume.geometry.shape_kji)
    tube = trace_tube(cut, clicks, side="left", fitness=ear.fitness)
    assert "partial: the scan ends before click 4" in tube.flags
    assert tube.to_structure().status == "partial"
    near = trace_tube(cut, [*clicks[:3], clicks[3] + [0.0, -0.7, 1.5]], side="left", fitness=ear.fitness)
    assert any(flag.startswith("partial: the scan ends at the last end") for flag in near.flags)
    with pytest.raises(ScanError, match="outside the scan"):
        trace_tube(cut, clicks[[0, 3]], fitness=ear.fitness)


def test_refusals(ear, tubes):
    clicks = tubes.clicks_on(ear, SHARES)
    with pytest.raises(LandmarkError, match="other ear"):
        trace_tube(ear.volume, clicks, side="right", fitness=ear.fitness)
    with pytest.raises(LandmarkError, match="back and forth"):
        trace_tube(ear.volume, clicks[[0, 3, 1, 2]], side="left", fitness=ear.fitness)
    with pytest.raises(LandmarkError, match="solid bone"):
        trace_tube(ear.volume, [clicks[0], clicks[1] + [2.0, -1.0, 2.0], clicks[3]], fitness=ear.fitness)
    with pytest.raises(LandmarkError, match="2 to 6"):
        trace_tube(ear.volume, clicks[:1], fitness=ear.fitness)
    with pytest.raises(LandmarkError, match="mm apart"):
        trace_tube(ear.volume, [clicks[0], clicks[0] + 0.2, clicks[3]], fitness=ear.fitness)
    with pytest.raises(LandmarkError, match="cannot be traced"):
        trace_tube(ear.volume, clicks, structure_id="carotid_canal", fitness=ear.fitness)


def test_click_in_air(tubes):
    ear = tubes.facial_canal(also=lambda p, v: np.where((p[..., 0] < 2.0) & (p[..., 1] > 4.0), tubes.AIR, v))
    clicks = tubes.clicks_on(ear, SHARES)
    with pytest.raises(LandmarkError, match=r"click 2 .* lies in air"):
        trace_tube(ear.volume, [clicks[0], [1.0, 7.0, 0.0], clicks[3]], fitness=ear.fitness)


def test_no_bone_at_all(ear, tubes):
    from dataclasses import replace

    soft = replace(ear.volume, values=np.full(ear.volume.geometry.shape_kji, 40, np.int16))
    with pytest.raises(ScanError, match="no bone"):
        trace_tube(soft, tubes.clicks_on(ear, SHARES), fitness=ear.fitness)


def test_cancelled(ear, tubes):
    def stop(text, fraction):
        if fraction >= 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        trace_tube(ear.volume, tubes.clicks_on(ear, SHARES), fitness=ear.fitness, progress=stop)


def test_without_fitness_the_blur_is_assumed(ear, tubes):
    tube = trace_tube(ear.volume, tubes.clicks_on(ear, SHARES), side="left", confirmed=True)
    assert "point spread assumed" in tube.flags
    assert ear.distance_mm(tube.points_lps[2:-2]).max() < 0.2


def _clicked(points, **changes):
    points = tuple(tuple(float(v) for v in p) for p in points)
    return Tube("facial_nerve", "placed", points, radii_mm=(None,) * len(points), **changes)


def test_structure_becomes_a_traced_tube(ear, tubes):
    clicked = _clicked(tubes.clicks_on(ear, SHARES, noise_mm=0.3), confirmed_by="a reader")
    assert is_traced(clicked)
    done = trace_structure(ear.volume, ear.fitness, clicked, "left")
    assert isinstance(done.structure, Tube)
    assert done.structure.has_radii
    assert done.structure.confirmed_by == "a reader"
    assert done.structure.surface_u_mm < 0.12
    assert ear.distance_mm(done.structure.points_lps[1:-1]).max() < 0.2
    again = trace_structure(ear.volume, ear.fitness, done.structure, "left")
    assert again.structure is done.structure
    assert again.traced is None


def test_unconfirmed_structure_is_less_sure(ear, tubes):
    done = trace_structure(ear.volume, ear.fitness, _clicked(tubes.clicks_on(ear, SHARES)), "left")
    assert done.structure.surface_u_mm > 0.25
    assert done.structure.confirmed_by == ""
    assert any("not confirmed" in line for line in done.warnings)


def test_structure_that_cannot_be_traced_stays_as_it_was(ear, tubes):
    clicked = _clicked(tubes.clicks_on(ear, SHARES))
    done = trace_structure(ear.volume, ear.fitness, clicked, "right")
    assert done.structure is clicked
    assert "other ear" in done.refused
    assert "could not be traced" in done.warnings[0]
