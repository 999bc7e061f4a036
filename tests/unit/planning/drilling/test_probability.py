"""Probabilities against closed forms; bounds; shared draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ncx2, norm

from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.planning.drilling.bores import TRAVEL, TRAVEL_Z, make_bores
from ctmeasure.planning.drilling.joint import any_events, joint_gaps
from ctmeasure.planning.drilling.probability import (
    BLOCK,
    Doubts,
    SharedDraws,
    clopper_pearson_arrays,
    count_until_decided,
    decided,
    displacement_bound,
    doubling,
    drawn_out,
)
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.settings import Settings

BUR = 0.3


def bores_at(ear, entries, *, settings, length=3.0, direction=(1.0, 0.0, 0.0)):
    n = len(entries)
    d = np.broadcast_to(np.asarray(direction, float), (n, 3)).copy()
    return make_bores(
        np.asarray(entries, float), d, normal=d.copy(), depth=np.full(n, length), angle_to_normal_deg=np.zeros(n),
        surface_u_mm=np.full(n, 1e-9), exit_u_mm=np.full(n, 1e-9), canal=ear.canal, settings=settings,
    )  # fmt: skip


def long_tube(offset, direction, radius, u, name="facial_nerve"):
    points = np.asarray(offset, float) + np.linspace(-60.0, 60.0, 41)[:, None] * np.asarray(direction, float)
    return Tube(name, "placed", tuple(map(tuple, points.tolist())), u, "reader", (radius,) * len(points))


class _NoMarks:
    @staticmethod
    def placed(*_):
        return False


def obstacle_of(structure, settings):
    return obstacles((structure,), landmarks=_NoMarks(), settings=settings)[0]


def doubts_of(ear, seed=3, scale=0.0, registration=0.0):
    return Doubts(SharedDraws(seed), ear.canal, scale, registration)


@pytest.mark.parametrize(
    ("distance", "margin", "expected"),
    [(2.5, 0.5, 0.007493), (2.1923, 0.5, 0.05), (2.4585, 0.5, 0.01), (2.0, 0.5, None), (1.6, 0.0, None)],
)
def test_skew_lines_follow_the_flat_closed_form(ear, distance, margin, expected):
    """D 2.5, bur 0.3, tube 0.75, margin 0.5, sigma sqrt(.2^2+.15^2+.3^2): 0.007493 (normal distribution, one axis)."""
    settings = Settings(hole_placement_u_mm=0.3, drill_angle_u_deg=0.0, skid_mm=0.0)
    structure = long_tube((1.5, 0.0, distance), (0.0, 1.0, 0.0), 0.75, 0.2)
    obstacle = obstacle_of(structure, settings)
    bores = bores_at(ear, [(-30.0, 0.0, 0.0)], settings=settings, length=60.0)
    blocks = 100
    gaps = joint_gaps(
        bores, [obstacle], doubts=doubts_of(ear, registration=0.15), bur_radius_mm=BUR, blocks=range(blocks)
    )
    sigma = np.sqrt(0.2**2 + 0.15**2 + 0.3**2)
    p = norm.cdf((margin + BUR + 0.75 - distance) / sigma)
    if expected is not None:
        assert p == pytest.approx(expected, rel=2e-3)
    n = blocks * BLOCK
    assert np.mean(gaps < margin) == pytest.approx(p, abs=4.0 * np.sqrt(p * (1 - p) / n))


def test_point_and_ball_follow_the_chi_closed_form(ear):
    settings = Settings(hole_placement_u_mm=0.0, drill_angle_u_deg=0.0, skid_mm=0.0)
    ball = Ball("jugular_bulb", "placed", ((0.0, 0.0, 2.5),), 0.0, "", 0.75)
    obstacle = obstacle_of(ball, settings)
    bores = bores_at(ear, [(0.0, 0.0, 0.0)], settings=settings, length=0.0)
    sigma, blocks = 0.390512, 100
    gaps = joint_gaps(
        bores, [obstacle], doubts=doubts_of(ear, registration=sigma), bur_radius_mm=BUR, blocks=range(blocks)
    )
    p = ncx2.cdf((1.55 / sigma) ** 2, 3, (2.5 / sigma) ** 2)
    assert p == pytest.approx(0.004261, abs=1e-5)
    n = blocks * BLOCK
    assert np.mean(gaps < 0.5) == pytest.approx(p, abs=4.0 * np.sqrt(p / n))


def test_two_structures_share_one_registration(ear):
    """Opposite sides, gaps .95 and .60, registration .3 shared, own .15 / .20: p .00231 and .04805, any .0504 (sum)."""
    settings = Settings(hole_placement_u_mm=0.0, drill_angle_u_deg=0.0, skid_mm=0.0)
    above = long_tube((0.0, 0.0, 0.95 + BUR + 0.5), (0.0, 1.0, 0.0), 0.5, 0.15, "facial_nerve")
    below = long_tube((0.0, 0.0, -0.60 - BUR - 0.5), (0.0, 1.0, 0.0), 0.5, 0.20, "chorda_tympani")
    found = [obstacle_of(s, settings) for s in (above, below)]
    bores = bores_at(ear, [(-30.0, 0.0, 0.0)], settings=settings, length=60.0)
    blocks = 150
    gaps = joint_gaps(bores, found, doubts=doubts_of(ear, registration=0.3), bur_radius_mm=BUR, blocks=range(blocks))
    hit = gaps < 0.0
    expected = [norm.cdf(-0.95 / np.hypot(0.3, 0.15)), norm.cdf(-0.60 / np.hypot(0.3, 0.20))]
    assert expected == pytest.approx([0.00231, 0.04805], abs=2e-4)
    for k in range(2):
        spread = np.sqrt(expected[k] / (blocks * BLOCK))
        assert hit[k].mean() == pytest.approx(expected[k], abs=4.0 * spread)
    # A shared error towards one side is away from the other: hardly ever both.
    assert hit.any(axis=0).mean() == pytest.approx(hit.mean(axis=1).sum(), rel=2e-3)


def test_two_holes_that_share_an_error_fail_together(ear):
    """Two holes at z = 3.00 sigma each (.00135), registration .3 shared, own .15: either .00233 rather than .0027."""
    settings = Settings(hole_placement_u_mm=0.15, drill_angle_u_deg=0.0, skid_mm=0.0)
    structure = long_tube((0.0, 0.0, 3.0 * np.hypot(0.3, 0.15) + BUR + 0.5), (0.0, 1.0, 0.0), 0.5, 0.0)
    obstacle = obstacle_of(structure, settings)
    holes = [bores_at(ear, [(-30.0, y, 0.0)], settings=settings, length=60.0) for y in (0.0, 4.0)]
    blocks = 400
    events = any_events(
        holes, [obstacle], limits_mm=np.zeros((2, 1, 1)), open_=np.ones((2, 1, 1), bool),
        doubts=doubts_of(ear, registration=0.3), bur_radius_mm=BUR, blocks=blocks,
    )  # fmt: skip
    n = blocks * BLOCK
    assert events[0] / n == pytest.approx(0.00233, abs=4.0 * np.sqrt(0.00233 / n))


def test_the_bound_is_never_below_the_frequency(ear):
    settings = Settings()
    rng = np.random.default_rng(8)
    structures = [
        long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.3), 0.6, 0.15),
        Patch("tegmen", "placed", tuple((float(x), float(y), 2.5) for x in range(-4, 9, 2) for y in range(-6, 7, 2))),
        Ball("jugular_bulb", "placed", ((2.0, 1.0, 5.0),), None, "", 2.5),
    ]
    doubts = doubts_of(ear, scale=0.003)
    entries = rng.uniform(-0.5, 0.5, (12, 3)) - np.array([0.0, 0.0, 1.0]) * np.arange(12)[:, None] * 0.3
    bores = bores_at(ear, entries, settings=settings, length=3.5)
    seen_small = False
    for structure in structures:
        obstacle = obstacle_of(structure, settings)
        central = obstacle.gap_mm(bores.entry, bores.ends, bur_radius_mm=BUR)
        bound = displacement_bound(
            central - 1.0, bores, obstacle=obstacle, doubts=doubts, central_mm=central, bur_radius_mm=BUR
        )
        drawn = np.concatenate([doubts.gaps(bores, obstacle, b, bur_radius_mm=BUR) for b in range(20)], axis=1)
        frequency = np.mean(drawn < 1.0, axis=1)
        assert (frequency <= bound).all()
        seen_small |= bool((bound < 1e-3).any())
    assert seen_small, "the bound never settles anything here"


def test_limits_only_spare_work(ear):
    settings = Settings()
    obstacle = obstacle_of(long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.3), 0.6, 0.15), settings)
    patch = obstacle_of(
        Patch("tegmen", "placed", tuple((float(x), float(y), 2.5) for x in range(-4, 9, 2) for y in range(-6, 7, 2))),
        settings,
    )
    bores = bores_at(ear, [(0.0, 0.0, 0.0), (0.0, 0.0, -1.0)], settings=settings, length=3.5)
    doubts = doubts_of(ear, scale=0.003)
    for item in (obstacle, patch):
        whole = doubts.gaps(bores, item, 0, bur_radius_mm=BUR)
        cut = doubts.gaps(bores, item, 0, bur_radius_mm=BUR, limit_mm=np.array([1.0, 0.5]), enough_mm=0.0)
        for k, limit in enumerate((1.0, 0.5)):
            assert ((cut[k] < limit) == (whole[k] < limit)).all()
            assert ((cut[k] < 0.0) == (whole[k] < 0.0)).all()


def test_drawn_gaps_are_those_of_the_drawn_paths(ear):
    """Without doubt of the structure, the kernel's gap of draw b is the exact gap of the path moved by draw b."""
    settings = Settings()
    obstacle = obstacle_of(long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.3), 0.6, 0.0), settings)
    bores = bores_at(ear, [(0.0, 0.0, 0.0)], settings=settings, length=3.5)
    doubts = doubts_of(ear)
    gaps = doubts.gaps(bores, obstacle, 0, bur_radius_mm=BUR)[0]
    hand = doubts.draws.block("hand of hole 1", 0, 7)
    p = bores.entry + settings.hole_placement_u_mm * (hand[:, [0]] * bores.along + hand[:, [1]] * bores.around)
    lean = np.radians(settings.drill_angle_u_deg) * (hand[:, [4]] * bores.tilt_a + hand[:, [5]] * bores.tilt_b)
    d = bores.direction + lean
    unit = d / np.linalg.norm(d, axis=1, keepdims=True)
    exact = obstacle.gap_mm(p, p + 3.5 * unit, bur_radius_mm=BUR)
    assert np.abs(gaps - exact).max() < 1e-6
    # With a table of travel, two places where the paths of strayed hands end among them.
    table = np.where(TRAVEL_Z < -0.5, -1.5 + 0.01 * TRAVEL_Z, 2.0 + 0.1 * TRAVEL_Z)
    gaps = doubts.gaps(bores.with_travel(table[None]), obstacle, 0, bur_radius_mm=BUR)[0]
    travel = 3.5 + np.interp(hand[:, 6], TRAVEL_Z, table)
    exact = obstacle.gap_mm(p, p + travel[:, None] * unit, bur_radius_mm=BUR)
    assert np.abs(gaps - exact).max() < 1e-6


def test_sorted_elements_give_the_gaps_of_the_full_search_however_unsure_the_exit(ear):
    """Paths drawn one by one, each measured against the moved structure, beside the kernel, which leaves out most."""
    settings = Settings()
    sheet = [(float(x), float(y), 2.5 + 0.05 * x * x) for x in np.arange(-4, 9) for y in np.arange(-6, 7)]
    for structure in (
        long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.3), 0.6, 0.15),
        Patch("tegmen", "placed", tuple(sheet)),
        Ball("jugular_bulb", "placed", ((2.0, 1.0, 5.0),), None, "", 2.5),
    ):
        obstacle, doubts = obstacle_of(structure, settings), doubts_of(ear, registration=0.2, scale=0.003)
        bores = bores_at(ear, [(0.0, 0.0, 0.0), (0.0, 0.0, -3.0)], settings=settings, length=2.0)
        bores = bores.with_travel(np.repeat(1.5 * TRAVEL_Z[None], 2, axis=0))
        gaps = doubts.gaps(bores, obstacle, 0, bur_radius_mm=BUR)
        told = doubts.gaps(bores, obstacle, 0, bur_radius_mm=BUR, limit_mm=np.full(2, 0.7), enough_mm=0.2)
        hand, scale = doubts.draws.block("hand of hole 1", 0, 7), doubts.scale(0)
        shift, widening = doubts.structure(obstacle, 0)
        for n in range(2):
            p, q = moved_paths(bores, n, hand)
            exact = obstacle.gap_mm(p - shift, q - shift, bur_radius_mm=0.0) * scale - BUR - widening
            assert np.abs(gaps[n] - exact).max() < 1e-6
            assert ((told[n] < 0.7) == (exact < 0.7)).all()
            assert ((told[n] < 0.2) == (exact < 0.2)).all()


def moved_paths(bores, n, hand):
    """Ends of the paths of one bore, draw by draw, in plain numpy."""
    sd = bores.sd[n]
    p = (
        bores.entry[n]
        + sd[0] * (hand[:, [0]] * bores.along[n] + hand[:, [1]] * bores.around[n])
        + sd[1] * hand[:, [2]] * bores.normal[n]
        + sd[2] * hand[:, [3]] * bores.downhill[n]
    )
    d = bores.direction[n] + sd[3] * (hand[:, [4]] * bores.tilt_a[n] + hand[:, [5]] * bores.tilt_b[n])
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    return p, p + np.maximum(bores.depth[n] + np.interp(hand[:, 6], TRAVEL_Z, sd[TRAVEL]), 0.0)[:, None] * d


def test_the_bound_of_a_path_drawn_out_is_never_below_the_frequency_and_tighter_where_the_exit_is_unsure(ear):
    settings = Settings()
    obstacle, doubts = obstacle_of(long_tube((1.5, 0.0, 4.5), (0.0, 1.0, 0.0), 0.6, 0.15), settings), doubts_of(ear)
    entries = np.linspace(-3.0, 2.0, 9)[:, None] * [0.0, 0.0, 1.0]
    bores = bores_at(ear, entries, settings=settings, length=3.0)
    bores, tail = bores.with_travel(np.repeat(1.2 * TRAVEL_Z[None], 9, axis=0)), np.full(9, 1e-4)
    common = {"obstacle": obstacle, "doubts": doubts, "bur_radius_mm": BUR}
    short = obstacle.gap_mm(bores.entry, bores.ends, bur_radius_mm=BUR)
    plain = displacement_bound(short - 1.0, bores, central_mm=short, **common)
    long = drawn_out(bores, tail)
    gap = obstacle.gap_mm(long.entry, long.ends, bur_radius_mm=BUR)
    bound = displacement_bound(gap - 1.0, long, central_mm=gap, **common) + tail
    drawn = np.concatenate([doubts.gaps(bores, obstacle, b, bur_radius_mm=BUR) for b in range(20)], axis=1)
    assert (np.mean(drawn < 1.0, axis=1) <= bound).all()
    assert (bound < 0.5 * plain).any()


def test_draws_depend_on_the_seed_and_the_structures_name_only():
    first, again, other = SharedDraws(5), SharedDraws(5), SharedDraws(6)
    a = first.block("structure facial_nerve", 3, 4)
    again.block("structure tegmen", 0, 4)
    assert np.array_equal(a, again.block("structure facial_nerve", 3, 4))
    assert not np.array_equal(a, other.block("structure facial_nerve", 3, 4))
    assert not np.array_equal(a, first.block("structure facial_nerve", 2, 4))


def test_threads_do_not_change_a_number(ear, monkeypatch):
    from ctmeasure.planning.drilling import probability

    settings = Settings()
    obstacle = obstacle_of(long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.3), 0.6, 0.15), settings)
    bores = bores_at(ear, np.zeros((40, 3)) + np.arange(40)[:, None] * [0, 0, -0.05], settings=settings, length=3.5)
    many = doubts_of(ear).gaps(bores, obstacle, 0, bur_radius_mm=BUR)
    monkeypatch.setattr(probability, "in_threads", lambda work, count, smallest: work(0, count))
    assert np.array_equal(many, doubts_of(ear).gaps(bores, obstacle, 0, bur_radius_mm=BUR))


def test_doubling_stops_when_the_interval_excludes_the_risk(ear):
    """Zero events need 8000 draws for 1 in 1000 at an early look (3688 for the 95 % interval, used at the last).

    (1 - 0.001)^n = 0.005 / 8 at n = 7374.
    """
    settings = Settings()
    obstacle = obstacle_of(long_tube((1.0, 0.0, 2.0), (0.0, 1.0, 0.0), 0.6, 0.15), settings)
    bores = bores_at(ear, [(0.0, 0.0, 0.9), (0.0, 0.0, -2.0)], settings=settings, length=3.5)
    counts = count_until_decided(
        bores, obstacle, margins_mm=np.array([1.0, 1.0]), risk=0.001, doubts=doubts_of(ear), settings=settings,
        maximum=200_000, few=np.zeros(2, bool),
    )  # fmt: skip
    assert counts.draws[0] == 1000
    assert counts.below[1] == 0
    assert counts.draws[1] == 8000
    assert doubling(200_000)[-1] * BLOCK == 200_000


def test_clopper_pearson_arrays_against_published_intervals():
    """Newcombe RG (1998) Stat Med 17:857, doi:10.1002/(SICI)1097-0258(19980430)17:8<857::AID-SIM777>3.0.CO;2-E."""
    low, high = clopper_pearson_arrays(np.array([81, 15, 0, 1]), np.array([263, 148, 20, 29]))
    assert low == pytest.approx([0.2527, 0.0578, 0.0, 0.0009], abs=5e-5)
    assert high == pytest.approx([0.3676, 0.1617, 0.1684, 0.1776], abs=5e-5)
    assert not decided(np.array([0]), 3687, np.array(0.001))[0]
    assert decided(np.array([0]), 3688, np.array(0.001))[0]
