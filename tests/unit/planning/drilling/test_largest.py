"""What a map cell prints: the least gap over all structures, the riskiest beside it, and the largest probability."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from ctmeasure.anatomy.structures import Ball, Tube
from ctmeasure.planning.drilling.largest import largest_below, largest_contact, least_gap, least_over_margin
from ctmeasure.planning.drilling.probability import clopper_pearson_arrays
from ctmeasure.planning.drilling.zone import map_zone

NONE = np.nan


def known_cells(zone):
    cells = [zone.cells[i] for i in zone.rows]
    return [(n, cell) for n, cell in enumerate(cells) if zone.places.ends[n]]


def sampled_gaps(structures, start, end, radius):
    """Gap of a swept ball to tubes, balls and the clicked points of patches, each sampled densely by itself."""
    path = start + (end - start) * np.linspace(0.0, 1.0, 120)[:, None]
    found = {}
    for structure in structures:
        points = np.array(structure.points_lps)
        if len(points) == 0:
            continue
        if isinstance(structure, Tube):
            along = np.linspace(0.0, 1.0, 25)[:, None, None]
            points = (points[:-1] + (points[1:] - points[:-1]) * along).reshape(-1, 3)
            size = structure.radii_mm[0]
        else:
            size = structure.radius_mm if isinstance(structure, Ball) else 0.0
        apart = np.linalg.norm(path[:, None] - points[None], axis=2).min()
        found[structure.id] = apart - size - radius
    return found


def test_a_cell_prints_the_least_gap_of_all_structures_and_names_it(scene, zone):
    patches = {s.id for s in scene.structures if not isinstance(s, Tube | Ball)}
    seen = set()
    for n, cell in known_cells(zone)[::3]:
        bores = zone.places.bores
        gaps = sampled_gaps(scene.structures, bores.entry[n], bores.ends[n], scene.settings.bur_radius_mm)
        # Between its clicks a patch is nearer than any click, so for patches the sampled gap is an upper bound.
        assert cell.clearance_mm <= min(gaps.values()) + 1e-9
        assert cell.clearance_mm >= gaps[cell.nearest_structure] - (2.0 if cell.nearest_structure in patches else 0.01)
        rounds = {name: gap for name, gap in gaps.items() if name not in patches}
        if cell.nearest_structure not in patches:
            assert cell.nearest_structure == min(rounds, key=rounds.get)
        seen.add(cell.nearest_structure)
    assert len(seen) > 3


def hands(bores, n, rng, count):
    """Ends of drawn paths of one bore, in plain numpy."""
    z, sd = rng.standard_normal((count, 7)), bores.sd[n]
    start = (
        bores.entry[n]
        + sd[0] * (z[:, [0]] * bores.along[n] + z[:, [1]] * bores.around[n])
        + sd[1] * z[:, [2]] * bores.normal[n]
        + sd[2] * z[:, [3]] * bores.downhill[n]
    )
    turned = bores.direction[n] + sd[3] * (z[:, [4]] * bores.tilt_a[n] + z[:, [5]] * bores.tilt_b[n])
    turned /= np.linalg.norm(turned, axis=1, keepdims=True)
    travel = bores.depth[n] + np.interp(z[:, 6], np.linspace(-4.0, 4.0, 33), sd[4:])
    return start, start + np.maximum(travel, 0.0)[:, None] * turned


def by_hand(scene, zone, n, rng, count=8_000):
    """Largest P(contact) and P(under the margin) over the structures from own draws, as the doubts are stated."""
    start, end = hands(zone.places.bores, n, rng, count)
    shares = []
    for risk in zone.risks:
        u = risk.obstacle.surface_u_mm
        shift = u * np.sqrt(0.75) * rng.standard_normal((count, 3))
        wider, scale = 0.5 * u * rng.standard_normal(count), 1.0 + scene.doubts.scale_u * rng.standard_normal(count)
        gap = risk.obstacle.gap_mm(start - shift, end - shift, bur_radius_mm=0.0) * scale
        gap -= scene.settings.bur_radius_mm + wider
        shares.append([(gap < 0.0).mean(), (gap < risk.margin_mm[n]).mean()])
    return np.max(shares, axis=0)


@pytest.mark.parametrize("unmarked", [(), ("lateral_semicircular_canal", "chorda_tympani")])
def test_the_largest_probability_of_a_cell_is_that_of_own_draws_or_under_the_printed_limit(
    make_scene, marks, ear, unmarked
):
    """With something missing every cell near it is settled without draws, and has few: they must not hide a rival."""
    kept = tuple(s for s in marks.everything(ear) if s.id not in unmarked)
    scene = make_scene(structures=kept)
    zone = map_zone(scene)
    rng = np.random.default_rng(11)
    known = known_cells(zone)
    limits = 0
    for turn in rng.permutation(len(known))[:12]:
        n, cell = known[turn]
        contact, below = by_hand(scene, zone, n, rng)
        fewest = (
            min(int(risk.draws[n]) for risk in zone.risks if risk.draws[n])
            if any(r.draws[n] for r in zone.risks)
            else 1
        )
        for true, p, is_limit, upper in (
            (contact, cell.p_contact, cell.p_contact_is_limit, cell.p_contact_upper),
            (below, cell.p_below_margin, cell.p_below_is_limit, cell.p_below_upper),
        ):
            # Two shares of few events: their common rate, as in the test of two proportions.
            rate = (p * fewest + true * 8_000) / (fewest + 8_000)
            noise = np.sqrt(rate * (1.0 - rate) * (1.0 / fewest + 1.0 / 8_000))
            if is_limit:
                limits += 1
                assert p == upper
                assert true <= p + 3.0 * np.sqrt(true / 8_000)
            else:
                assert p == pytest.approx(true, abs=4.0 * noise)
                assert upper >= p
    assert limits > 2


def made_up(name, *, p, upper, draws, gap, margin=1.0, measured=True):
    columns = [np.array([value]) for value in (p, upper, gap, margin)]
    return SimpleNamespace(
        obstacle=SimpleNamespace(id=name, measured=measured), p_contact=columns[0], p_below=columns[0],
        upper_contact=columns[1], upper_below=columns[1], draws=np.array([draws]), central_mm=columns[2],
        margin_mm=columns[3], heard=np.array([True]),
    )  # fmt: skip


def limit_of(events, draws):
    return float(clopper_pearson_arrays(np.array([events]), draws)[1][0])


def test_a_limit_of_few_draws_without_an_event_does_not_outrank_an_estimate():
    nerve = made_up("facial_nerve", p=0.0, upper=limit_of(0, 250), draws=250, gap=9.9)
    fossa = made_up("joint_fossa", p=30 / 250, upper=limit_of(30, 250), draws=250, gap=1.7)
    found = largest_below((nerve, fossa), 1)
    assert (found.p[0], found.is_limit[0], found.which[0]) == (0.12, False, 1)
    assert found.upper[0] == limit_of(30, 250)
    assert largest_contact((nerve, fossa), 1).p[0] == 0.12


def test_without_any_event_the_number_is_marked_as_a_limit():
    nerve = made_up("facial_nerve", p=0.0, upper=limit_of(0, 250), draws=250, gap=9.9)
    fossa = made_up("joint_fossa", p=0.004, upper=0.004, draws=0, gap=3.0)
    found = largest_below((nerve, fossa), 1)
    # 1 - 0.025 ** (1 / 250): Clopper CJ, Pearson ES (1934) Biometrika 26:404, doi:10.1093/biomet/26.4.404
    assert found.p[0] == pytest.approx(1.0 - 0.025 ** (1.0 / 250.0))
    assert (found.is_limit[0], found.which[0]) == (True, -1)


def test_a_bound_above_every_estimate_counts_as_a_limit_and_never_as_zero():
    nerve = made_up("facial_nerve", p=0.0005, upper=0.0009, draws=8_000, gap=2.0)
    chorda = made_up("chorda_tympani", p=0.004, upper=0.004, draws=0, gap=2.2)
    found = largest_below((nerve, chorda), 1)
    assert (found.p[0], found.is_limit[0], found.upper[0]) == (0.004, True, 0.004)


def test_the_least_gap_and_the_one_nearest_to_its_margin_may_be_two_structures():
    nerve = made_up("facial_nerve", p=0.0, upper=0.01, draws=0, gap=1.5, margin=1.4)
    chorda = made_up("chorda_tympani", p=0.0, upper=0.01, draws=0, gap=0.9, margin=0.5)
    line = made_up("carotid_canal", p=NONE, upper=NONE, draws=0, gap=0.1, measured=False)
    risks = (nerve, chorda)
    assert (least_gap(risks, 1).which[0], least_gap(risks, 1).value_mm[0]) == (1, 0.9)
    assert least_over_margin(risks, 1).which[0] == 0
    # Of a centre line the gap is at most this, so leaving it out would print too large a number.
    assert (least_gap((*risks, line), 1).which[0], least_gap((*risks, line), 1).value_mm[0]) == (2, 0.1)
    assert least_over_margin((*risks, line), 1).which[0] == 0
    assert least_gap((), 1).which.tolist() == [-1]
    assert np.isnan(largest_below((line,), 1).p[0])
    assert np.isnan(largest_below((), 1).p[0])


def test_a_cells_uncertainties_are_those_of_its_site(scene, zone):
    """The spread of own draws, to first order, is the standard uncertainty of a cell's clearance."""
    rng = np.random.default_rng(3)
    found = []
    for n, cell in known_cells(zone)[::17]:
        risk = next(r for r in zone.risks if r.obstacle.id == cell.nearest_structure)
        start, end = hands(zone.places.bores, n, rng, 4000)
        shift = risk.obstacle.surface_u_mm * np.sqrt(0.75) * rng.standard_normal((4000, 3))
        gap = risk.obstacle.gap_mm(start - shift, end - shift, bur_radius_mm=0.0)
        gap -= 0.5 * risk.obstacle.surface_u_mm * rng.standard_normal(4000)
        found.append(cell.clearance_u_mm / np.std(gap))
    assert np.median(found) == pytest.approx(1.0, abs=0.1)
    assert min(found) > 0.5
