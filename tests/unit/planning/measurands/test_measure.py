"""Values of an ear built from plain numbers, intervals, budgets, flags, and what happens when inputs are missing."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Tube
from ctmeasure.errors import LandmarkError
from ctmeasure.planning.measurands.inputs import DrumSheet, MeasureInput, NicheRims
from ctmeasure.planning.measurands.measure import measure, range_flag
from ctmeasure.planning.measurands.registry import measurand_terms
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Estimate, combined_budget

QUICK = Settings(draws_maximum=20_000)


def _found(given: MeasureInput) -> dict[tuple[str, str], object]:
    return {(m.id, m.qualifier): m for m in measure(given)}


@pytest.fixture(scope="module")
def cached() -> dict[str, object]:
    return {}


@pytest.fixture
def results(make_ear, cached):  # type: ignore[no-untyped-def]
    if not cached:
        cached.update(_found(make_ear(settings=QUICK)))
    return cached


EXPECTED = {
    ("drum_lateralisation", "medial face perpendicular"): 1.2,
    ("drum_lateralisation", "medial face along axis"): 1.2,
    ("handle_medialisation", ""): -0.5,
    ("annulus_diameter_max", ""): 9.2,
    ("annulus_diameter_min", ""): 8.5,
    ("annulus_to_canal_angle", ""): 0.0,
    ("annulus_to_footplate", ""): np.sqrt(16 + 4 + 2.25),
    ("stapes_height", ""): 3.1,
    ("footplate_length", ""): 2.8,
    ("footplate_width", ""): 1.4,
    ("hole_span", ""): 3.5,
    ("bone_bridge", "at entry"): 2.9,
    ("tegmen_height", ""): 4.1,
    # facial canal: axis 2.0 above the footplate centre, radius 0.6
    ("footplate_to_facial_nerve", ""): 1.4,
    # its lower wall lies at z = 2.9, the promontory at z = -1; the line between them passes the normal at z = 1.5
    ("oval_window_niche_height", "from landmarks"): 3.9,
    ("niche_depth", "from landmarks"): 1.8 * 1.4 / 3.9,
    # handle tip (-0.5, 0, -1): tilt of the axis (3.5, -2, -2.5) against the normal +x
    ("prosthesis_axis_tilt", "handle to footplate"): np.degrees(np.arctan2(np.hypot(2, 2.5), 3.5)),
}


@pytest.mark.parametrize(("key", "value"), list(EXPECTED.items()))
def test_values_of_the_plain_ear(results, key, value) -> None:  # type: ignore[no-untyped-def]
    measurement = results[key]
    # the promontory lies 1.5 mm in front of the normal: the two lines pass each other askew, not exactly at 1.4/3.9
    tolerance = 0.25 if key[0] == "niche_depth" else 1e-9
    assert measurement.estimate.value == pytest.approx(value, abs=tolerance)


def test_rim_distance_to_the_facial_canal_and_its_signed_parts(results) -> None:  # type: ignore[no-untyped-def]
    """At 90 degrees the rim is at (0, 4.25, 0); the nearest stretch of the tube joins (-4, 5, 3.5) and (-3, 7, 0)."""
    rim, start, end = np.array([0, 4.25, 0]), np.array([-4.0, 5, 3.5]), np.array([-3.0, 7, 0])
    share = np.clip((rim - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
    foot = start + share * (end - start)
    gap = np.linalg.norm(foot - rim) - 0.6
    wall = foot + (rim - foot) / np.linalg.norm(rim - foot) * 0.6
    near = {
        w: results[("annulus_to_facial_nerve", f"90 deg{w}")].estimate.value
        for w in ("", " lateral part", " posterior part")
    }
    assert near[""] == pytest.approx(gap, abs=0.02)  # the rim point comes from a curve through 12 points
    assert near[" lateral part"] == pytest.approx(wall[0], abs=0.02)
    assert near[" posterior part"] == pytest.approx(wall[1] - rim[1], abs=0.02)
    assert near[" lateral part"] < 0 < near[" posterior part"]


def test_every_measurand_of_the_table_is_answered_in_its_order(results) -> None:  # type: ignore[no-untyped-def]
    ids = list(dict.fromkeys(key[0] for key in results))
    assert ids == list(measurand_terms())


def test_nothing_is_placed_and_every_row_says_what_it_needs() -> None:
    rows = measure(MeasureInput(LandmarkSet(), "left"))
    assert {row.id for row in rows} == set(measurand_terms())
    assert all(row.estimate is None and row.flags for row in rows)
    assert all(flag.startswith(("needs: ", "not measured: ")) for row in rows for flag in row.flags)


def test_absent_not_seen_and_not_placed_read_differently(make_ear) -> None:  # type: ignore[no-untyped-def]
    without = ("stapes_head", "malleus_neck")
    given = make_ear(
        without=without, more=(Landmark("stapes_head", "absent"), Landmark("malleus_neck", "not_seen")), settings=QUICK
    )
    found = _found(given)
    assert found[("stapes_height", "")].flags == ("needs: stapes_head (absent)",)
    assert found[("malleus_neck_to_stapes_head", "")].flags == ("needs: malleus_neck (not seen), stapes_head (absent)",)
    assert found[("umbo_to_footplate", "")].flags == ("needs: umbo (not placed)",)


def test_contact_point_takes_precedence_over_the_landmark(make_ear) -> None:  # type: ignore[no-untyped-def]
    contact = Landmark("drum_contact", "placed", (Placement((0.0, 2.0, 1.5)),))
    found = _found(make_ear(more=(contact,), settings=QUICK))
    assert found[("drum_to_footplate", "")].estimate.value == pytest.approx(4.0)
    assert "drum_contact" in found[("drum_to_footplate", "")].inputs


def test_tube_without_radii_is_not_measured_to(make_ear) -> None:  # type: ignore[no-untyped-def]
    bare = Tube("facial_nerve", "placed", ((-4.0, 0, 3), (-4.0, 5, 3)), radii_mm=(None, None))
    found = _found(make_ear(structures=(bare,), settings=QUICK))
    assert found[("footplate_to_facial_nerve", "")].flags == ("needs: facial_nerve (without radii)",)


def test_coarse_ring_gives_no_rim_distances_and_says_so_elsewhere(make_ear) -> None:  # type: ignore[no-untyped-def]
    found = _found(make_ear(ring=6, settings=QUICK))
    row = found[("annulus_to_facial_nerve", "")]
    assert row.estimate is None
    assert row.flags[0].startswith("coarse ring")
    assert "coarse ring" in found[("drum_lateralisation", "medial face perpendicular")].flags


def test_clock_flag_only_where_up_matters(make_ear) -> None:  # type: ignore[no-untyped-def]
    found = _found(make_ear(without=("lateral_semicircular_canal",), settings=QUICK))
    assert "clock may be off by an hour" in found[("annulus_to_facial_nerve", "90 deg")].flags
    assert "clock may be off by an hour" not in found[("stapes_height", "")].flags


def test_published_range_is_plausibility_and_names_its_source(results) -> None:  # type: ignore[no-untyped-def]
    flags = results[("malleus_neck_to_footplate", "")].flags
    assert any(
        f.startswith("outside published range 4.7 to 5.9 mm (2022") and f.endswith("plausibility only") for f in flags
    )
    assert range_flag("stapes_height", 3.4) == ""


def test_a_distance_within_the_noise_is_flagged_and_reaches_zero() -> None:
    marks = LandmarkSet(
        [
            Landmark("stapes_head", "placed", (Placement((0.4, 0, 0)),)),
            Landmark("footplate_centre", "placed", (Placement((0.0, 0, 0)),)),
        ]
    )
    row = {m.id: m for m in measure(MeasureInput(marks, "left", settings=QUICK))}["stapes_height"]
    assert "shorter than the placement noise" in row.flags
    assert row.estimate.low_95 == 0.0
    assert row.estimate.value == pytest.approx(0.4)


def test_two_noisy_points_have_the_closed_form_spread() -> None:
    """sd of the difference along the line is sqrt(2) x 0.3 (far apart) plus the scanner scale; JCGM 100 equation 10."""
    marks = LandmarkSet(
        [
            Landmark("stapes_head", "placed", (Placement((4.5, 0, 0)),)),
            Landmark("footplate_centre", "placed", (Placement((0.0, 0, 0)),)),
        ]
    )
    row = {m.id: m for m in measure(MeasureInput(marks, "left"))}["stapes_height"].estimate
    assert row.standard_uncertainty == pytest.approx(np.hypot(0.3 * np.sqrt(2), 4.5 * 0.003), rel=0.01)
    budget = {line.source: line.standard_uncertainty for line in row.budget}
    assert budget["placement of stapes_head"] == pytest.approx(0.3, rel=0.05)
    assert budget["placement of footplate_centre"] == pytest.approx(0.3, rel=0.05)
    assert budget["scanner scale"] == pytest.approx(4.5 * 0.003, rel=0.05)


def test_height_over_the_rim_has_the_closed_form_spread(make_ear) -> None:  # type: ignore[no-untyped-def]
    """Point sd 0.3, plane of 12 points: height sd at its centre is 0.3/sqrt(12) (JCGM 100 clause 4.2.3)."""
    given = make_ear(
        without=("drum_centre",), more=(Landmark("drum_centre", "placed", (Placement((1.0, 0, 0)),)),), settings=QUICK
    )
    row = _found(given)[("drum_lateralisation", "medial face perpendicular")].estimate
    assert row.standard_uncertainty == pytest.approx(np.hypot(0.3, 0.3 / np.sqrt(12)), rel=0.02)


def test_budget_adds_up_to_the_standard_uncertainty(results) -> None:  # type: ignore[no-untyped-def]
    rows = [m for m in results.values() if m.estimate is not None]
    assert len(rows) > 40
    for row in rows:
        assert combined_budget(row.estimate.budget) == pytest.approx(row.estimate.standard_uncertainty, rel=1e-9)


def test_interval_holds_the_value_of_every_length_above_the_noise(results) -> None:  # type: ignore[no-untyped-def]
    for row in results.values():
        if row.estimate is not None:
            assert row.estimate.low_95 <= row.estimate.value <= row.estimate.high_95, row.id


def test_same_seed_same_bits_other_seed_other_draws(make_ear) -> None:  # type: ignore[no-untyped-def]
    one, two, other = (measure(make_ear(settings=QUICK, seed=s)) for s in (5, 5, 6))
    assert one == two
    assert one != other


def test_one_more_landmark_leaves_the_other_results_bit_identical(make_ear) -> None:  # type: ignore[no-untyped-def]
    before = _found(make_ear(settings=QUICK))
    more = Landmark("umbo", "placed", (Placement((0.5, 0.5, 0.5)),))
    after = _found(make_ear(settings=QUICK, more=(more,)))
    touched = {"umbo_to_footplate", "prosthesis_axis_tilt", "facial_overhang"}
    same = [key for key in before if key[0] not in touched]
    assert len(same) > 50
    assert all(before[key] == after[key] for key in same)
    assert after[("umbo_to_footplate", "")].estimate is not None


def test_two_repeats_give_quantiles_and_say_so(make_ear) -> None:  # type: ignore[no-untyped-def]
    twice = Landmark("stapes_head", "placed", (Placement((-0.9, 2.0, 1.5)), Placement((-0.8, 2.1, 1.4), repeat=1)))
    row = _found(make_ear(without=("stapes_head",), more=(twice,), settings=QUICK))[("stapes_height", "")]
    assert any("two or three repeats" in flag for flag in row.flags)
    assert row.estimate.standard_uncertainty > 0.3
    assert np.isfinite(row.estimate.high_95)


def test_repeats_replace_the_default_noise(make_ear) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(1)
    careful = tuple(Placement(tuple(np.array([-0.9, 2.0, 1.5]) + rng.normal(0, 0.05, 3)), repeat=n) for n in range(8))
    mark = Landmark("stapes_head", "placed", careful)
    row = _found(make_ear(without=("stapes_head",), more=(mark,), settings=QUICK))[("stapes_height", "")].estimate
    budget = {line.source: line.standard_uncertainty for line in row.budget}
    assert budget["placement of stapes_head"] < 0.05 < budget["placement of footplate_centre"]


def test_image_results_are_passed_on_and_never_zero(make_ear) -> None:  # type: ignore[no-untyped-def]
    sheet = DrumSheet(lateral_face_lps=(1.4, 0.2, -0.3), thickness=None, thickness_class="below resolution")
    found = _found(make_ear(drum=sheet, niche=NicheRims((-3.0, 2.0, 2.4), (-3.0, 2.0, 0.6)), settings=QUICK))
    assert found[("drum_thickness", "")].estimate is None
    assert found[("drum_thickness", "")].flags == ("class: below resolution",)
    assert found[("drum_lateralisation", "lateral face perpendicular")].estimate.value == pytest.approx(1.4)
    assert found[("oval_window_niche_height", "from the scan")].estimate.value == pytest.approx(1.8)
    assert found[("niche_depth", "from the scan")].estimate.value == pytest.approx(1.0)


def test_wrong_side_is_refused(make_ear) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(LandmarkError, match="side"):
        measure(replace(make_ear(), side="right"))


def test_points_that_coincide_are_said_and_not_computed(make_ear) -> None:  # type: ignore[no-untyped-def]
    tip = Landmark("handle_tip", "placed", (Placement((-4.0, 2.0, 1.5)),))
    row = _found(make_ear(without=("handle_tip",), more=(tip,), settings=QUICK))[
        ("prosthesis_axis_tilt", "handle to footplate")
    ]
    assert row.estimate is None
    assert "coincide" in row.flags[-1]


def test_scutum_beside_the_tegmen_patch_is_not_extrapolated(make_ear) -> None:  # type: ignore[no-untyped-def]
    far = Landmark("scutum", "placed", (Placement((0.0, 9.0, 4.9)),))
    row = _found(make_ear(without=("scutum",), more=(far,), settings=QUICK))[("tegmen_height", "")]
    assert row.estimate is None
    assert "beyond the edge" in row.flags[0]


def test_estimates_survive_json(results) -> None:  # type: ignore[no-untyped-def]
    for row in results.values():
        if row.estimate is not None:
            assert Estimate.from_json(json.loads(json.dumps(row.estimate.to_json()))) == row.estimate


def test_draws_that_jump_between_two_places_of_a_tube_are_said(make_ear) -> None:  # type: ignore[no-untyped-def]
    from ctmeasure.planning.measurands.evaluate import TWO_PLACES_FLAG, evaluate
    from ctmeasure.planning.measurands.measure import joint_draws
    from ctmeasure.planning.measurands.registry import Recipe

    ear = make_ear()
    draws = joint_draws(ear)
    middle = draws.means_lps("drum_centre")[0, 0, 1]
    spread = float(draws.points_lps("drum_centre", 0)[:, 0, 1].std())

    def near(scene):  # type: ignore[no-untyped-def]
        return scene.point("drum_centre")[:, 1] - middle

    def jumping(scene):  # type: ignore[no-untyped-def]
        # one draw in ten lies beyond 1.28 spreads: there another place, far along the tube, is the nearest
        return near(scene) + np.where(near(scene) > 1.28 * spread, 20.0 * spread, 0.0)

    tube, plain = ("drum_centre", "facial_nerve"), ("drum_centre",)
    recipes = [
        Recipe("x", "", "signed", s, f, published=False) for s, f in ((tube, near), (tube, jumping), (plain, jumping))
    ]
    smooth, jumps, elsewhere = evaluate(
        recipes, ear.landmarks, side=ear.side, draws=draws, digits=1, draws_maximum=40_000
    )
    assert TWO_PLACES_FLAG not in smooth.flags
    assert TWO_PLACES_FLAG in jumps.flags
    assert TWO_PLACES_FLAG not in elsewhere.flags, "said of tubes only"
