"""Sites, map and pairs on a phantom ear: honesty first."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.anatomy.frames import rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet
from ctmeasure.errors import Cancelled, LandmarkError
from ctmeasure.planning.drilling.pairs import rank_pairs
from ctmeasure.planning.drilling.plan import plan_drilling, plan_sites
from ctmeasure.planning.drilling.sites import assess_sites
from ctmeasure.planning.drilling.zone import map_zone
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.volume import Volume

COARSE = {"map_angle_step_deg": 8.0, "map_rim_step_mm": 1.0}


def site(marks, ear, name, angle, radius=3.4, depth=2.5, direction=None):
    point = marks.at(ear, [angle], [radius], [depth])[0]
    return marks.Site(name, tuple(map(float, point)), direction)


def test_a_hole_reads_the_same_whether_the_wall_is_mapped_or_not(drill_input, marks, ear):
    sites = [site(marks, ear, "a", 340.0), site(marks, ear, "b", 30.0)]
    given = drill_input(sites=sites, settings=Settings(**COARSE))
    alone, whole = plan_sites(given), plan_drilling(given)
    assert (alone.zone, alone.pairs) == ((), ())
    for bare, mapped in zip(alone.sites, whole.sites, strict=True):
        # the map reads bone in one larger block of the scan: numbers differ by rounding, words do not
        assert (bare.verdict, bare.wall.far_side) == (mapped.verdict, mapped.wall.far_side)
        assert bare.wall.to_first_gap.value == pytest.approx(mapped.wall.to_first_gap.value, abs=0.01)
        gaps = {c.structure: c.estimate.value for c in mapped.clearances if c.estimate is not None}
        for clearance in bare.clearances:
            if clearance.estimate is not None:
                assert clearance.estimate.value == pytest.approx(gaps[clearance.structure], abs=0.01)


def test_nothing_marked_is_not_assessed_everywhere(drill_input, marks, ear):
    out = plan_drilling(drill_input(structures=(), sites=[site(marks, ear, "a", 0.0), site(marks, ear, "b", 90.0)]))
    assert {cell.verdict for cell in out.zone} == {"not assessed"}
    assert {s.verdict for s in out.sites} == {"not assessed"}
    assert out.pairs == ()
    assert "not marked: tegmen" in out.pairs_reason
    assert len(out.not_assessed) == 7
    # Thickness is still measured: only the verdict is withheld.
    assert all(cell.thickness_mm is not None for cell in out.zone)


@pytest.mark.parametrize("dropped", ["facial_nerve", "tegmen", "lateral_semicircular_canal", "ossicle_remnant"])
def test_a_missing_needed_structure_is_never_clear_above(make_scene, marks, ear, dropped):
    structures = tuple(s for s in marks.everything(ear) if s.id != dropped)
    cells = map_zone(make_scene(structures=structures)).cells
    above = [c for c in cells if c.wall_angle_deg >= 330.0 or c.wall_angle_deg < 30.0]
    assert not any(c.verdict in ("clear", "caution") for c in above)


def test_everything_marked_has_clear_cells_and_keep_outs(zone):
    counts = Counter(cell.verdict for cell in zone.cells)
    assert counts["clear"] > 40
    assert counts["keep out"] > 100
    front = [c for c in zone.cells if 210.0 <= c.wall_angle_deg < 270.0]
    assert {c.verdict for c in front} == {"keep out"}, "the joint lies behind the whole front wall"


def test_cells_carry_thickness_exit_and_far_side(zone, ear):
    by_plate = {(0, 52): 1.2, (64, 112): 2.0, (128, 176): 3.0}
    for (start, end), thickness in by_plate.items():
        for cell in zone.cells:
            if start + 8 <= cell.wall_angle_deg <= end and cell.rim_distance_mm >= 1.0:
                true = thickness / np.cos(np.radians(cell.angle_to_normal_deg))
                assert cell.thickness_mm == pytest.approx(true, abs=0.15)
                assert cell.to_exit_mm == pytest.approx(true, abs=0.2)
                assert cell.far_side in (
                    "attic",
                    "antrum",
                    "facial recess",
                    "mastoid cell",
                    "facial canal",
                    "hypotympanum",
                )


def test_the_map_has_the_clock_of_its_ear(zone):
    behind = next(c for c in zone.cells if c.wall_angle_deg == 88.0)
    assert behind.clock_hour == pytest.approx(12.0 - 88.0 / 30.0)


def test_postero_inferior_rim_needs_a_confirmed_canal(make_scene, marks, ear):
    cells = map_zone(make_scene(structures=marks.everything(ear, confirmed=""))).cells
    inside = [c for c in cells if 105.0 <= c.wall_angle_deg < 165.0]
    assert not any(c.verdict in ("clear", "caution") for c in inside)
    assert all(any("mastoid segment, confirmed" in f for f in c.flags) for c in inside if c.entry_lps is not None)


def test_a_tube_without_radii_is_not_assessed(make_scene, marks, ear):
    scene = make_scene(structures=marks.everything(ear, radius=None))
    (result,) = assess_sites(scene, [site(marks, ear, "a", 20.0)])
    row = next(c for c in result.clearances if c.structure == "facial_nerve")
    assert (row.estimate, row.p_contact, row.verdict) == (None, None, "not assessed")
    assert "radius not measured" in row.flags
    assert result.verdict == "not assessed"


def test_a_site_is_moved_to_the_wall_and_says_how_far(scene, marks, ear):
    near, far = assess_sites(scene, [site(marks, ear, "near", 10.0, 4.0), site(marks, ear, "far", 10.0, 4.6)])
    assert near.moved_mm == pytest.approx(0.6, abs=0.05)
    assert near.rim_distance_mm is not None
    assert (far.verdict, "off the wall" in far.flags) == ("not assessed", True)
    assert far.clearances == ()


@pytest.mark.parametrize(
    ("direction", "flag"),
    [
        ("axis", "direction along the wall"),
        ("inward", "direction out of the wall"),
        ("zero", "direction of length zero"),
    ],
)
def test_impossible_directions_are_not_assessed(scene, marks, ear, direction, flag):
    out = ear.canal.direction_lps(10.0)
    vector = {"axis": ear.canal.axis_lps, "inward": -out, "zero": np.zeros(3)}[direction]
    (result,) = assess_sites(scene, [site(marks, ear, "a", 10.0, direction=tuple(map(float, vector)))])
    assert result.verdict == "not assessed"
    assert flag in result.flags
    assert result.drill_depth_mm is None


def test_a_refused_angle_is_flagged_and_never_assessed_better_than_keep_out(scene, marks, ear):
    tilt = np.radians(70.0)
    direction = np.cos(tilt) * ear.canal.direction_lps(10.0) - np.sin(tilt) * ear.canal.axis_lps
    (result,) = assess_sites(scene, [site(marks, ear, "a", 10.0, direction=tuple(map(float, 7.0 * direction)))])
    assert "angle refused" in result.flags
    assert result.verdict in ("keep out", "not assessed")
    assert result.angle_to_normal_deg == pytest.approx(70.0, abs=2.0)
    assert np.linalg.norm(result.direction_lps) == pytest.approx(1.0)


def test_a_wall_thicker_than_the_tip_is_long_is_out_of_reach_and_says_so(make_scene, marks, ear):
    """2 mm of bone behind, a tip of 1.5 mm: the shaft behind the bend meets the wall before the bur is through."""
    scene = make_scene(settings=Settings(**COARSE, instrument_tip_length_mm=1.5))
    (result,) = assess_sites(scene, [site(marks, ear, "a", 90.0)])
    assert "wall thicker than the tip is long" in result.flags
    assert result.reachable is False


def test_repeated_and_broken_sites_are_errors(scene, marks, ear):
    one = site(marks, ear, "a", 10.0)
    with pytest.raises(LandmarkError, match="given twice"):
        assess_sites(scene, [one, one])
    with pytest.raises(LandmarkError, match="not a number"):
        assess_sites(scene, [marks.Site("a", (float("nan"), 0.0, 0.0))])


def test_a_site_has_a_row_for_every_structure_and_one_for_any(scene, marks, ear):
    (result,) = assess_sites(scene, [site(marks, ear, "a", 350.0)])
    names = [c.structure for c in result.clearances]
    assert sorted(names) == sorted(o.id for o in scene.obstacles)
    assert result.overall.structure == "any"
    known = [c for c in result.clearances if c.estimate is not None]
    least = min(known, key=lambda c: c.estimate.value)
    assert result.overall.estimate.value == pytest.approx(least.estimate.value)
    assert max(c.p_below_margin for c in known) <= result.overall.p_below_margin
    assert result.overall.p_below_margin <= sum(c.p_below_margin for c in known) + 1e-12
    for row in known:
        assert row.estimate.low_95 < row.estimate.high_95
        # a structure that a proven bound settles needs no draws
        settled = row.draws == 0 and row.p_below_margin <= row.accepted_risk / 10
        assert row.draws >= 10_000 or settled
        assert row.estimate.budget[0].standard_uncertainty >= row.estimate.budget[-1].standard_uncertainty
        linear = np.sqrt(sum(line.standard_uncertainty**2 for line in row.estimate.budget))
        assert row.estimate.standard_uncertainty == pytest.approx(linear, rel=0.35)
    assert result.drill_depth_mm > result.wall.to_exit_mm + 1.3


def test_facial_margin_is_larger_behind(scene, marks, ear):
    above, behind = assess_sites(scene, [site(marks, ear, "a", 10.0), site(marks, ear, "b", 100.0)])
    margin = [next(c.margin_mm for c in r.clearances if c.structure == "facial_nerve") for r in (above, behind)]
    assert margin == [1.0, 1.4]


def test_thick_slices_bar_every_verdict(make_scene, marks, ear):
    source = replace(ear.volume.source, spacing_mm=(0.8, 0.25, 0.25))
    scene = make_scene(volume=Volume(ear.volume.geometry, ear.volume.values, source))
    assert {c.verdict for c in map_zone(scene).cells} == {"not assessed"}
    (result,) = assess_sites(scene, [site(marks, ear, "a", 10.0)])
    assert result.verdict == "not assessed"
    assert "slices too far apart for a drill plan" in result.flags


def test_an_operation_since_the_scan_voids_the_plan(make_scene):
    scene = make_scene(facts=CaseFacts(side="right", operated_since_scan="yes"))
    assert {c.verdict for c in map_zone(scene).cells} == {"not assessed"}


def test_a_wall_entered_as_taken_down_is_not_assessed_there(make_scene):
    facts = CaseFacts(
        side="right", canal_wall=(WallState(0.0, 40.0, "taken_down"), WallState(40.0, 60.0, "eroded_scutum"))
    )
    cells = map_zone(make_scene(facts=facts)).cells
    down = [c for c in cells if c.wall_angle_deg < 40.0]
    eroded = [c for c in cells if 40.0 <= c.wall_angle_deg < 60.0]
    assert {c.verdict for c in down} == {"not assessed"}
    assert all("wall taken down there" in c.flags for c in down if c.entry_lps)
    assert "clear" not in {c.verdict for c in eroded}


def test_a_wall_taken_down_somewhere_bars_everything(make_scene):
    cells = map_zone(make_scene(facts=CaseFacts(side="right", wall_taken_down="yes"))).cells
    assert {c.verdict for c in cells} == {"not assessed"}
    assert all("wall entered as taken down, but not where" in c.flags for c in cells)


@pytest.mark.parametrize(
    ("entered", "flag", "asks", "spares"),
    [
        ({"findings": {"facial_dehiscence": "present"}}, "facial canal entered as dehiscent", 0.0, 250.0),
        ({"nerve_seen_bare": "yes"}, "nerve entered as seen bare", 0.0, 250.0),
        ({"findings": {"tegmen_defect": "present"}}, "tegmen defect entered", 0.0, 90.0),
    ],
)
def test_a_finding_asks_for_care_where_its_structure_is_needed(make_scene, entered, flag, asks, spares):
    scene = make_scene(facts=CaseFacts(side="right", **entered))
    assert flag in scene.finding_flags(asks)
    assert flag not in scene.finding_flags(spares)
    assert "clear" not in {c.verdict for c in map_zone(scene).cells if c.wall_angle_deg in (0.0, 8.0, 16.0)}


def test_an_unmeasured_point_spread_resolves_nothing_under_a_millimetre(make_scene, phantoms):
    scene = make_scene(fitness=None, settings=Settings(**COARSE))
    cells = [c for c in map_zone(scene).cells if c.thickness_mm is not None and c.angle_to_normal_deg is not None]
    for cell in cells:
        thickness = cell.thickness_mm * np.cos(np.radians(cell.angle_to_normal_deg))
        assert (cell.thickness_state == "present, not resolved") == (thickness < 1.0)


def test_a_coarse_ring_gives_no_map_and_no_rim_distance(make_scene, marks, ear, drill_input):
    ring = ear.landmarks["annulus"]
    kept = tuple(p for p in ring.placements if p.index % 3 == 0)
    coarse = LandmarkSet(
        [*(v for k, v in ear.landmarks.items() if k != "annulus"), Landmark("annulus", "placed", kept)]
    )
    rim = rim_curve(coarse, ear.canal)
    assert rim.coarse
    out = plan_drilling(drill_input(landmarks=coarse, rim=rim, sites=[site(marks, ear, "a", 10.0)]))
    assert out.zone == ()
    assert out.pairs == ()
    assert "too coarse" in out.pairs_reason
    assert out.sites[0].rim_distance_mm is None


def test_pairs_keep_their_limits(scene, zone):
    pairs, reason = rank_pairs(scene, zone)
    s = scene.settings
    assert pairs, reason
    assert [p.rank for p in pairs] == list(range(1, len(pairs) + 1))
    assert len(pairs) <= 50
    for pair in pairs:
        entries = np.array([pair.entry_1_lps, pair.entry_2_lps])
        assert pair.span_mm == pytest.approx(np.linalg.norm(entries[0] - entries[1]))
        assert s.span_low_mm <= pair.span_mm <= s.span_high_mm
        assert min(pair.bridge_entry_mm, pair.bridge_exit_mm) >= s.bridge_mm
        assert all(s.rim_distance_low_mm <= r <= s.rim_distance_high_mm for r in pair.rim_distances_mm)
        assert all(t >= s.thickness_low_mm for t in pair.thicknesses_mm)
        assert pair.verdict in ("clear", "caution")
        assert all(a >= 270.0 or a <= 90.0 for a in pair.wall_angles_deg)
        assert pair.handle_tip_lps is None
    order = [("clear", "caution").index(p.verdict) for p in pairs]
    assert order == sorted(order)


def test_listed_pairs_differ(scene, zone):
    pairs, _ = rank_pairs(scene, zone)
    for n, one in enumerate(pairs):
        for other in pairs[n + 1 :]:
            a, b = np.array([one.entry_1_lps, one.entry_2_lps]), np.array([other.entry_1_lps, other.entry_2_lps])
            apart = min(np.linalg.norm(a - b, axis=1).max(), np.linalg.norm(a - b[::-1], axis=1).max())
            assert apart > 0.8


def test_the_joint_probability_of_a_pair_lies_between_its_holes(scene, zone, marks):
    pairs, _ = rank_pairs(scene, zone)
    pair = pairs[-1]
    sites = assess_sites(
        scene,
        [
            marks.Site("1", pair.entry_1_lps, pair.direction_1_lps),
            marks.Site("2", pair.entry_2_lps, pair.direction_2_lps),
        ],
    )
    single = [s.overall.p_below_margin for s in sites]
    noise = 4.0 * np.sqrt(max(sum(single), 1e-3) / 10_000)
    assert max(single) - noise <= pair.p_any <= sum(single) + noise


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"thickness_low_mm": 2.9, "thickness_high_mm": 3.0}, "bone thinner than 2.9 mm"),
        ({"thickness_low_mm": 0.1, "thickness_high_mm": 0.2}, "more than 0.2 mm to the exit"),
        ({"span_low_mm": 15.0, "span_high_mm": 16.0}, "span outside 15 to 16 mm"),
        ({"bridge_mm": 9.0}, "bridge at entry under 9 mm"),
        ({"instrument_bend_deg": 0.0}, "drill angle above 65 degrees"),
        ({"instrument_tip_length_mm": 9.0, "instrument_bend_deg": 80.0}, "not reachable with this instrument"),
        ({"margin_facial_canal_mm": 10.0, "margin_facial_posterior_mm": 10.0, "margin_other_mm": 10.0}, "keep out"),
    ],
)
def test_an_empty_list_says_which_limit_emptied_it(make_scene, changes, words):
    scene = make_scene(settings=Settings(**COARSE, **changes))
    pairs, reason = rank_pairs(scene, map_zone(scene))
    assert pairs == ()
    assert reason.startswith("No pair")
    assert words in reason


def test_the_handle_tip_comes_from_the_caller(scene, zone):
    pairs, _ = rank_pairs(scene, zone, handle_tip=lambda a, b: (a[0], b[1], 0.0))
    assert pairs[0].handle_tip_lps == (pairs[0].entry_1_lps[0], pairs[0].entry_2_lps[1], 0.0)


def test_equal_input_gives_equal_output(drill_input, marks, ear):
    few = Settings(**COARSE, draws_maximum=2000)
    given = drill_input(sites=[site(marks, ear, "a", 350.0)], settings=few)
    first, again = plan_drilling(given), plan_drilling(given)
    assert first.zone == again.zone
    assert first.pairs == again.pairs
    assert first.sites == again.sites
    other = plan_drilling(drill_input(sites=[site(marks, ear, "a", 350.0)], seed=2, settings=few))
    assert other.sites != first.sites


def test_cancelling_stops(drill_input):
    seen: list[float] = []

    def listen(text: str, fraction: float) -> None:
        seen.append(fraction)
        if fraction > 0.6:
            raise Cancelled

    with pytest.raises(Cancelled):
        plan_drilling(drill_input(), progress=listen)
    assert seen == sorted(seen)
