"""Candidate lengths: stack, planned handle, probabilities, gates, and honest refusals."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.errors import SettingsError
from ctmeasure.planning.lengths.catalogue import CatalogueSize
from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_mapping
from ctmeasure.planning.lengths.gates import footplate_flags, piston_flags
from ctmeasure.planning.lengths.handle import HandlePlan, handle_geometry, planned_handle
from ctmeasure.planning.lengths.narrowing import SIZER_FLAG
from ctmeasure.planning.lengths.ranking import TIE_FLAG, knowing_better_words, rank_sizes
from ctmeasure.planning.lengths.sizes import candidate_lengths
from ctmeasure.planning.lengths.spans import AS_IT_LIES, AS_PLANNED, TAKEN_DOWN_FLAG
from ctmeasure.planning.lengths.stack import contact_stack
from ctmeasure.planning.lengths.table import table_set
from ctmeasure.planning.measurands.measure import joint_draws
from ctmeasure.planning.measurands.registry import Context
from ctmeasure.planning.settings import Settings


def _rows(rows, reconstruction: str, geometry: str | None = None, lateral: str = ""):  # type: ignore[no-untyped-def]
    return [
        r
        for r in rows
        if r.reconstruction == reconstruction
        and geometry in (None, r.geometry)
        and (not lateral or r.lateral_contact == lateral)
    ]


def _plan(given, *, bent: bool = False):  # type: ignore[no-untyped-def]
    context = Context(given.measure, joint_draws(given.measure))
    return planned_handle(given, context, bent=bent), context


def test_stack_under_drum_handle_and_piston() -> None:
    settings = Settings()
    assert contact_stack(settings, reconstruction="total", lateral="drum").effect_mm == pytest.approx(-0.5)
    assert contact_stack(settings, reconstruction="total", lateral="drum").u_mm == pytest.approx(np.hypot(0.1, 0.05))
    assert contact_stack(settings, reconstruction="partial", lateral="handle").effect_mm == 0.0
    piston = contact_stack(settings, reconstruction="piston", lateral="incus")
    assert piston.effect_mm == pytest.approx(0.4 + 0.25)
    with pytest.raises(SettingsError, match="tooth"):
        contact_stack(settings, reconstruction="total", lateral="tooth")


def test_needed_length_is_the_distance_less_what_lies_between(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = candidate_lengths(make_lengths())
    drum = _rows(rows, "total", AS_IT_LIES, "drum_centre")[0]
    assert drum.needed.value == pytest.approx(5.0 - 0.5)
    assert drum.needed.standard_uncertainty == pytest.approx(np.sqrt(0.02 + (5 * 0.003) ** 2 + 0.01 + 0.0025), rel=0.02)
    sources = {line.source for line in drum.needed.budget}
    assert {"placement of drum_centre", "cartilage under the drum", "seat of the device"} <= sources
    relaid = _rows(rows, "total", AS_PLANNED, "drum_centre re-laid at the rim")[0]
    assert relaid.needed.value == pytest.approx(4.0 - 0.5)
    planned = _rows(rows, "total", AS_PLANNED, "planned handle tip")[0]
    assert planned.needed.value == pytest.approx(3.0)


def test_probabilities_sum_to_one_and_move_with_the_size(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = _rows(candidate_lengths(make_lengths()), "total", AS_IT_LIES, "drum_centre")
    assert len(rows) >= 4
    ordered = sorted(rows, key=lambda r: r.size_mm)
    assert all(r.p_short + r.p_fits + r.p_long == pytest.approx(1.0, abs=1e-12) for r in rows)
    assert all(a.p_short >= b.p_short and a.p_long <= b.p_long for a, b in pairwise(ordered))
    assert len(rows) == 23  # every size of the generic catalogue, 2.5 to 8.0
    assert [r.rank for r in rows] == list(range(1, len(rows) + 1))
    assert rows[0].size_mm == 4.5


def test_drum_far_out_gets_no_size_as_it_lies(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = candidate_lengths(make_lengths(points={"drum_centre": (2.0, 0, 0)}))
    (lying,) = _rows(rows, "total", AS_IT_LIES)
    assert lying.size_mm is None
    assert lying.p_fits is None
    assert TAKEN_DOWN_FLAG in lying.flags
    assert lying.needed.value == pytest.approx(5.5)
    bent = _rows(rows, "total", AS_PLANNED, "planned handle tip, bent out to the drum")
    assert bent[0].needed.value == pytest.approx(6.0)
    assert any("alternative" in flag for flag in bent[0].flags)
    assert _rows(rows, "total", AS_PLANNED, "planned handle tip")[0].size_mm is not None


def test_no_size_as_it_lies_when_nobody_can_tell_how_far_out_the_drum_is(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = candidate_lengths(make_lengths(status={"canal_lateral": "not_seen"}))
    (lying,) = _rows(rows, "total", AS_IT_LIES)
    assert lying.size_mm is None
    assert any("how far out the drum lies is not known" in flag for flag in lying.flags)
    assert any("canal_lateral" in flag for flag in lying.flags)


@pytest.mark.parametrize("medial", [1.0, 2.0, 5.0])
def test_a_tip_inside_the_promontory_is_moved_out(make_lengths, medial: float) -> None:  # type: ignore[no-untyped-def]
    """The promontory point is its most lateral one, so a tip medial of it lies in bone however far."""
    plan, context = _plan(make_lengths(points={"promontory": (-1.0 + medial, 0.6, 0)}))
    tip = plan.tip_lps(context.mean)[0]
    # 1.5 mm off a point 0.6 mm aside: sqrt(1.5^2 - 0.6^2) = 1.3748 mm along the normal.
    assert tip == pytest.approx([-1.0 + medial + 1.3748, 0, 0], abs=1e-4)
    assert any("off the promontory" in flag for flag in plan.flags)


def test_a_mirrored_umbo_carries_the_doubt_of_two_ears(make_lengths) -> None:  # type: ignore[no-untyped-def]
    """Per axis: 0.1 placement, 0.4 between the ears, 0.1 how it is reached; footplate 0.1: sqrt(0.01 + 0.16 + 0.02)."""
    rows = candidate_lengths(make_lengths(mirrored_umbo_lps=(-1.0, 0.0, 0.0)))
    planned = _rows(rows, "total", AS_PLANNED, "planned handle tip")[0]
    assert planned.needed.standard_uncertainty == pytest.approx(0.19**0.5, rel=0.06)


def test_default_tip_is_medial_to_the_rim_centre(make_lengths) -> None:  # type: ignore[no-untyped-def]
    plan, context = _plan(make_lengths())
    assert isinstance(plan, HandlePlan)
    assert plan.tip_lps(context.mean)[0] == pytest.approx([-1.0, 0, 0], abs=1e-9)
    assert plan.moved_mm == 0.0


def test_tip_goes_to_the_mirrored_umbo_where_there_is_one(make_lengths) -> None:  # type: ignore[no-untyped-def]
    plan, context = _plan(make_lengths(mirrored_umbo_lps=(-1.8, 0.4, -0.5)))
    assert plan.tip_lps(context.mean)[0] == pytest.approx([-1.8, 0.4, -0.5])
    assert any("mirrored healthy umbo" in flag for flag in plan.flags)


def test_tip_keeps_off_the_promontory(make_lengths) -> None:  # type: ignore[no-untyped-def]
    plan, context = _plan(make_lengths(points={"promontory": (-1.8, 0.6, 0)}))
    tip = plan.tip_lps(context.mean)[0]
    assert np.linalg.norm(tip - [-1.8, 0.6, 0]) == pytest.approx(1.5)
    assert tip[1:] == pytest.approx([0, 0], abs=1e-9)
    assert tip[0] > -1.0
    assert any("off the promontory" in flag for flag in plan.flags)


def test_promontory_not_placed_is_said(make_lengths) -> None:  # type: ignore[no-untyped-def]
    plan, _ = _plan(make_lengths(status={"promontory": "not_seen"}))
    assert any("not checked" in flag for flag in plan.flags)


def test_handle_on_a_chosen_pair(make_lengths) -> None:  # type: ignore[no-untyped-def]
    given = make_lengths(pair_entries_lps=((2.0, -1.5, 4.4), (2.0, 2.5, 4.4)))
    plan, context = _plan(given)
    geometry = handle_geometry(given, context, plan)
    assert geometry.top_lps == pytest.approx([2.0, 0.5, 4.4])
    assert geometry.hole_span_mm == pytest.approx(4.0)
    assert geometry.arm_reach_mm == pytest.approx(2.0)
    assert geometry.length_mm == pytest.approx(np.sqrt(9 + 0.25 + 4.4**2))
    row = _rows(candidate_lengths(given), "handle")[0]
    assert row.needed.value == pytest.approx(geometry.length_mm)
    assert "hole span 4.00 mm" in row.flags


def test_handle_without_holes_says_what_it_needs(make_lengths) -> None:  # type: ignore[no-untyped-def]
    (row,) = _rows(candidate_lengths(make_lengths()), "handle")
    assert row.needed is None
    assert row.flags[0].startswith("needs: a chosen pair of holes")


def test_partial_only_with_a_stapes_head(make_lengths) -> None:  # type: ignore[no-untyped-def]
    (row,) = _rows(candidate_lengths(make_lengths(status={"stapes_head": "absent"})), "partial")
    assert row.size_mm is None
    assert "needs: stapes_head (absent)" in row.flags
    with_head = _rows(candidate_lengths(make_lengths(points={"stapes_head": (-1.0, 0.5, 0)})), "partial", AS_IT_LIES)
    assert with_head[0].needed.value == pytest.approx(np.hypot(2.0, 0.5) - 0.5)


def test_uncertain_length_sends_for_the_sizer(make_lengths) -> None:  # type: ignore[no-untyped-def]
    unsure = _rows(candidate_lengths(make_lengths(noise=0.3)), "total", AS_IT_LIES)
    sure = _rows(candidate_lengths(make_lengths(noise=0.1)), "total", AS_IT_LIES)
    assert all(SIZER_FLAG in row.flags for row in unsure)
    assert not any(SIZER_FLAG in row.flags for row in sure)


def test_no_operation_is_always_listed_last(make_lengths) -> None:  # type: ignore[no-untyped-def]
    for given in (make_lengths(), make_lengths(status={"footplate_centre": "not_seen"})):
        last = candidate_lengths(given)[-1]
        assert last.reconstruction == "no operation"
        assert "hearing aid or bone-conduction device" in last.flags


def test_mobility_is_never_taken_from_the_scan(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = _rows(candidate_lengths(make_lengths()), "total")
    assert all(any("mobility is never read from CT" in flag for flag in row.flags) for row in rows)
    assert "earlier notes: footplate fixed" in footplate_flags(CaseFacts(footplate_mobility="fixed"))


def test_piston_shows_its_gates_and_its_depth(make_lengths) -> None:  # type: ignore[no-untyped-def]
    facts = CaseFacts(only_hearing_ear="yes", findings={"narrow_niche": "present", "facial_dehiscence": "absent"})
    rows = _rows(
        candidate_lengths(make_lengths(points={"incus_long_process": (0, 0, 0)}, facts=facts)), "piston", AS_IT_LIES
    )
    assert rows[0].needed.value == pytest.approx(4.0 + 0.25 + 0.4)
    assert "against: only hearing ear, narrow niche" in rows[0].flags
    assert any("posterior third" in flag for flag in rows[0].flags)
    assert not any("dehiscent" in flag for flag in rows[0].flags)
    by_size = {row.size_mm: row for row in rows}
    # needed 4.65 holds 0.4 past the footplate: 4.5 reaches 0.25 deep, 4.75 reaches 0.50 and 5.0 reaches 0.75
    assert not any(flag.startswith(("caution", "refused")) for flag in by_size[4.5].flags)
    assert any(flag.startswith("caution: protrusion 0.75 mm") for flag in by_size[5.0].flags)


def test_a_piston_that_reaches_too_deep_is_refused_and_not_ranked(make_lengths) -> None:  # type: ignore[no-untyped-def]
    given = make_lengths(
        points={"incus_long_process": (0, 0, 0)},
        settings=Settings(placement_noise_mm=0.3, draws_maximum=20_000, piston_protrusion_mm=0.9),
    )
    rows = [row for row in _rows(candidate_lengths(given), "piston", AS_IT_LIES) if row.size_mm > 5.15 + 0.1]
    assert rows
    for row in rows:
        assert any(flag.startswith("refused") for flag in row.flags)
        assert row.rank is None


def test_gates_nobody_entered_are_not_assessed() -> None:
    flags = piston_flags(CaseFacts())
    assert any(flag.startswith("gates not assessed: only hearing ear") for flag in flags)
    assert not any(flag.startswith("against") for flag in flags)


def test_near_tie_goes_to_the_shorter_size() -> None:
    samples = np.random.default_rng(0).normal(4.62, 0.25, 100_000)
    ranked = rank_sizes([CatalogueSize("total", s, s) for s in (4.25, 4.5, 4.75, 5.0)], samples, Settings())
    assert [one.size.label_mm for one in ranked[:2]] == [4.5, 4.75]
    assert all(TIE_FLAG in one.flags for one in ranked[:2])
    assert TIE_FLAG not in ranked[2].flags


def test_costs_change_the_order_to_expected_loss() -> None:
    samples = np.random.default_rng(0).normal(4.70, 0.25, 100_000)
    sizes = [CatalogueSize("total", s, s) for s in (4.25, 4.5, 4.75, 5.0)]
    by_fit = rank_sizes(sizes, samples, Settings())
    by_loss = rank_sizes(sizes, samples, replace(Settings(), cost_too_long=3.0, cost_too_short=1.0))
    assert by_fit[0].size.label_mm == 4.75
    assert by_loss[0].size.label_mm == 4.5
    assert any(flag.startswith("expected loss") for flag in by_loss[0].flags)


def test_catalogue_without_conversion_gives_no_size(make_lengths) -> None:  # type: ignore[no-untyped-def]
    catalogue = catalogue_from_mapping({"size": [{"reconstruction": "total", "label_mm": [4.0, 4.5]}]})
    rows = _rows(candidate_lengths(make_lengths(catalogues=(catalogue,))), "total")
    assert all(row.size_mm is None for row in rows)
    assert any("no conversion" in flag for flag in rows[0].flags)


def test_sizes_on_the_table_are_the_smallest_run_that_covers(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = _rows(candidate_lengths(make_lengths(noise=0.3)), "total", AS_IT_LIES)
    tray = table_set(rows)
    assert tray is not None
    needed = rows[0].needed
    draws = np.random.default_rng(1).normal(needed.value, needed.standard_uncertainty, 200_000)
    covered = np.mean(np.any([np.abs(s - draws) <= 0.25 for s in tray.sizes_mm], axis=0))
    assert covered == pytest.approx(tray.coverage, abs=0.005)
    assert tray.coverage >= 0.95
    for fewer in (tray.sizes_mm[1:], tray.sizes_mm[:-1]):
        assert np.mean(np.any([np.abs(s - draws) <= 0.25 for s in fewer], axis=0)) < 0.95


def test_same_seed_gives_the_same_table(make_lengths) -> None:  # type: ignore[no-untyped-def]
    assert candidate_lengths(make_lengths(seed=3)) == candidate_lengths(make_lengths(seed=3))
    assert candidate_lengths(make_lengths(seed=3)) != candidate_lengths(make_lengths(seed=4))


def test_a_reconstruction_can_have_a_window_of_its_own() -> None:
    """N(4.6, 0.25): P(-0.25 < 4.5 - x < 0.25) = 0.645 and P(-0.5 < 4.5 - x < 0.25) = 0.8644 (standard normal table)."""
    samples = np.random.default_rng(0).normal(4.60, 0.25, 400_000)
    settings = Settings(fit_windows="piston -0.5 0.25")
    for kind, expected in (("total", 0.6450), ("piston", 0.8644)):
        (one,) = rank_sizes([CatalogueSize(kind, 4.5, 4.5)], samples, settings)
        assert one.p_fits == pytest.approx(expected, abs=0.003)


@pytest.mark.parametrize(
    "text", ["piston", "piston -0.25", "piston 0.1 0.2", "tooth -0.1 0.1", "piston a b", "piston -1 1; piston -1 1"]
)
def test_a_window_that_is_not_understood_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="fit_windows has"):
        Settings(fit_windows=text)


def test_knowing_better_is_worth_half_the_loss_of_a_fine_grid() -> None:
    """On a fine grid the least loss is proportional to the spread (quantile rule), so half of it is left; without
    costs nothing is said."""
    samples = np.random.default_rng(0).normal(4.6, 0.25, 20_000)
    sizes = [CatalogueSize("total", s, s) for s in np.arange(3.5, 5.71, 0.05).round(2)]
    words = knowing_better_words(sizes, samples, Settings(cost_too_long=3.0, cost_too_short=1.0))
    now, then = (float(part) for part in words.split(" from ")[1].split(" to "))
    assert now == pytest.approx(4.0 * 0.25 * 0.317777, rel=0.02)  # (c_l + c_s) sigma phi(z), z = -0.6745
    assert then == pytest.approx(0.5 * now, rel=0.03)
    assert knowing_better_words(sizes, samples, Settings()) == ""


def test_a_length_beyond_the_sizes_offers_none_of_them(make_lengths) -> None:  # type: ignore[no-untyped-def]
    # planned tip at x = -1 and the footplate at -9.3: 8.3 mm, and the generic sizes end at 8.00 with a window of 0.25
    far = make_lengths(points={"footplate_centre": (-9.3, 0, 0), "promontory": (-8.0, 0, -6.0)})
    rows = _rows(candidate_lengths(far), "total", AS_PLANNED, "planned handle tip")
    assert rows[0].needed.value == pytest.approx(8.3)
    sized = [row for row in rows if row.size_mm is not None]
    assert sized
    assert all(row.rank is None for row in sized)
    sizes = [row.size_mm for row in sized]
    assert max(sizes) == 8.0
    words = f"beyond the sizes listed ({min(sizes):.2f} to 8.00 mm)"
    assert all(any(words in flag for flag in row.flags) for row in sized)
    near = _rows(candidate_lengths(make_lengths()), "total", AS_PLANNED, "planned handle tip")
    assert not any("beyond the sizes" in flag for row in near for flag in row.flags)


def test_a_piston_that_does_not_pass_the_footplate_is_not_offered(make_lengths) -> None:  # type: ignore[no-untyped-def]
    rows = [
        r
        for r in candidate_lengths(make_lengths(points={"handle_contact": (0.5, 0, 0)}))
        if r.reconstruction == "piston"
    ]
    short = [r for r in rows if any("too short to pass the footplate" in flag for flag in r.flags)]
    assert short, "the shortest sizes do not reach"
    assert all(r.rank is None for r in short)
    assert any(r.rank == min(x.rank for x in rows if x.rank) and r not in short for r in rows)
