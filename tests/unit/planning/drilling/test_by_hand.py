"""What the hand may miss: the rim, the limits of the span, the bridges; against hands drawn on flat walls."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.planning.drilling.by_hand import by_hand, p_breaks_out, p_span_outside, span_may_leave
from ctmeasure.planning.drilling.changes import change_words, changes_something
from ctmeasure.planning.drilling.pairs import rank_pairs
from ctmeasure.planning.results import Change
from ctmeasure.planning.settings import Settings

DRAWS = 200_000


@pytest.mark.parametrize(
    ("rim", "psi", "rim_u"), [(1.0, 0.0, 0.26), (1.5, 40.0, 0.3), (3.0, 0.0, 0.3), (0.2, 0.0, 0.0)]
)
def test_a_hole_breaks_out_as_often_as_drawn_holes_reach_over_a_drawn_rim(rim, psi, rim_u):
    settings, rng = Settings(), np.random.default_rng(1)
    centre = rim + settings.hole_placement_u_mm * rng.standard_normal(DRAWS)
    edge = rim_u * rng.standard_normal(DRAWS)
    # a bur held at an angle cuts an ellipse, taken with its long axis towards the rim
    broken = (centre - settings.bur_diameter_mm / 2.0 / np.cos(np.radians(psi)) < edge).mean()
    assert float(p_breaks_out(rim, psi, settings=settings, rim_u_mm=rim_u)) == pytest.approx(broken, abs=4e-3)


@pytest.mark.parametrize("span", [1.0, 2.6, 3.75, 4.9, 7.0])
def test_a_span_leaves_its_limits_as_often_as_that_of_drawn_holes(span):
    settings, rng = Settings(), np.random.default_rng(2)
    one, two = settings.hole_placement_u_mm * rng.standard_normal((2, DRAWS, 2))
    drawn = np.linalg.norm(np.array([span, 0.0]) + two - one, axis=1)
    outside = ((drawn < settings.span_low_mm) | (drawn > settings.span_high_mm)).mean()
    assert float(p_span_outside(span, settings=settings)) == pytest.approx(outside, abs=4e-3)
    assert bool(span_may_leave(span, settings=settings)) == (outside > 0.2)


def test_a_bridge_at_the_exits_spreads_as_that_of_drawn_bores():
    settings, rng, to_exit = Settings(), np.random.default_rng(3), np.array([1.5, 2.5])
    place = settings.hole_placement_u_mm * rng.standard_normal((2, DRAWS))
    tilt = np.radians(settings.drill_angle_u_deg) * rng.standard_normal((2, DRAWS))
    ends = place + to_exit[:, None] * np.tan(tilt)
    apart = 4.0 + ends[1] - ends[0]
    both = float(np.radians(settings.drill_angle_u_deg) * np.hypot(*to_exit))
    found = by_hand(4.0, settings=settings, holes=2, tilt_mm=both)
    assert found.standard_uncertainty == pytest.approx(np.std(apart), rel=0.01)
    assert (found.low_95, found.high_95) == pytest.approx(np.percentile(apart, [2.5, 97.5]), abs=0.02)


def test_pairs_over_an_accepted_share_are_cautions_and_say_so(scene, zone):
    seen = set()
    for changed in (
        {},
        {"risk_rim_breakout": 1e-4, "risk_span_outside": 1.0},
        {"risk_rim_breakout": 1.0, "risk_span_outside": 1.0},
    ):
        settings = replace(scene.settings, **changed)
        pairs, _ = rank_pairs(replace(scene, settings=settings), zone)
        assert pairs
        for pair in pairs:
            psi = [
                next(c for c in zone.cells if c.entry_lps == e).angle_to_normal_deg
                for e in (pair.entry_1_lps, pair.entry_2_lps)
            ]
            width = settings.bur_diameter_mm / np.cos(np.radians(psi))
            u = np.hypot(settings.hole_placement_u_mm, settings.placement_noise_mm)
            rng = np.random.default_rng(4)
            broken = [
                (rim + u * rng.standard_normal(DRAWS // 4) < w / 2.0).mean()
                for rim, w in zip(pair.rim_distances_mm, width, strict=True)
            ]
            assert pair.p_breaks_out == pytest.approx(broken, abs=8e-3)
            over = max(pair.p_breaks_out) > settings.risk_rim_breakout
            far = pair.p_span_outside > settings.risk_span_outside
            assert any("break out at the rim" in flag for flag in pair.flags) == over
            assert any("span may lie outside" in flag for flag in pair.flags) == far
            assert pair.verdict == "caution" or not (over or far)
            assert not over or "may break out at the rim: P " in pair.reason
            assert pair.span is not None
            assert (pair.span.value, pair.bridge_entry.value) == (pair.span_mm, pair.bridge_entry_mm)
            assert pair.bridge_exit.standard_uncertainty > pair.span.standard_uncertainty
            seen.add((over, far))
        order = [("clear", "caution").index(pair.verdict) for pair in pairs]
        assert order == sorted(order)
    assert len(seen) > 1


def test_a_change_that_changes_nothing_printed_is_told_apart_and_near_one_is_no_hundred_percent():
    one = Change("facial_nerve", "skid", 0.5, 0.6, 0.4, 0.0004, 0.0002, "caution", "caution", "x")
    assert not changes_something(one)
    assert changes_something(replace(one, verdict_halved="clear"))
    sure = replace(one, p_below_margin=0.97, p_halved=0.9999)
    assert changes_something(sure)
    assert "from 97.0 % to >99.9 %" in change_words(sure)
